package sheet_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/xuri/excelize/v2"

	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/sheet"
)

// What is good: the settings as --set takes them, by hand.
func TestGoodCells(t *testing.T) {
	for _, c := range []struct{ name, head, cell, want string }{
		{"a number with the unit of the head", "vin [V]", "12", "vin=12 V"},
		{"a prefix in the head", "vin [mV]", "12500", "vin=12500 mV"},
		{"a unit in the cell", "vin", "12 V", "vin=12 V"},
		{"a unit in the cell goes before that of the head", "vin [V]", "900 mV", "vin=900 mV"},
		{"spaces around it, a non-breaking one between", "vin", "  12\u00a0V ", "vin=12 V"},
		{"a narrow space", "vin", "12\u202fV", "vin=12 V"},
		{"spaces in the head", " vin  [V] ", "12", "vin=12 V"},
		{"a ratio without a unit", "dip", "0.5", "dip=0.5"},
		{"a ratio in percent", "dip [%]", "50", "dip=50 %"},
		{"degrees", "hot [degC]", "-5", "hot=-5 degC"},
		{"a list", "vin", "[9 V, 12 V]", "vin=[9 V, 12 V]"},
		{"a list without brackets", "vin", "9 V; 12 V; 16 V", "vin=[9 V, 12 V, 16 V]"},
		{"a list with the unit of the head", "vin [V]", "[9, 12.5]", "vin=[9 V, 12.5 V]"},
		{"a range by points", "vin", "9..16 V, 8 points", "vin={from: 9 V, to: 16 V, points: 8}"},
		{"a range with the unit of the head", "vin [mV]", "900..1600, 8 points", "vin={from: 0.9 V, to: 1.6 V, points: 8}"},
		{"a range, log", "iout", "50 mA..3 A, 20 points log", "iout={from: 0.05 A, to: 3 A, points: 20, spacing: log}"},
		{"a range by step", "vin", "9..16 V, step 500 mV", "vin={from: 9 V, to: 16 V, step: 500 mV}"},
		{"a range as in a sequence", "vin", "{from: 16 V, to: 9 V, points: 3}", "vin={from: 16 V, to: 9 V, points: 3}"},
		{"the sequence's own", "vin", "default", ""},
	} {
		text := fmt.Sprintf("%s;note\n%s;x\n", c.head, strings.ReplaceAll(c.cell, ";", "\x01"))
		if strings.Contains(c.cell, ";") {
			text = c.head + "\tnote\n" + c.cell + "\tx\n"
		}
		table, found := sheet.Read("p.csv", []byte(text), sheet.Options{Params: params})
		if len(found) > 0 {
			t.Errorf("%s: %s", c.name, texts(found))
			continue
		}
		if got := strings.Join(table.Rows[0].Settings(), " "); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}

// A table may stand below a title and beside other things; blank rows are passed over, rows may be the same twice.
func TestWhereATableStands(t *testing.T) {
	data := workbook(t, func(f *excelize.File) {
		if err := f.RemoveRow("Sheet1", 1); err != nil {
			t.Fatal(err)
		}
		for cell, v := range map[string]any{
			"A1": "Lot 3", "A2": nil, "B2": nil, "C2": nil,
			"B4": "unit", "C4": "vin [V]", "D4": "Skip", "E4": "#mine", "F4": "note", "H4": "free text",
			"A3": nil, "B3": nil, "B5": 41, "C5": 9, "E5": "anything", "F5": "warm", "H5": "12 V",
			"C7": 9, "C8": 10, "D8": "x",
		} {
			set(t, f, cell, v)
		}
	})
	table, found := sheet.Read("p.xlsx", data, sheet.Options{Params: params})
	if len(found) > 0 {
		t.Fatal(texts(found))
	}
	if table.Header != 4 || table.Width != 8 || len(table.Rows) != 3 {
		t.Fatalf("%+v", table)
	}
	first, last := table.Rows[0], table.Rows[2]
	if first.Number != 5 || first.Device != "41" || first.Note != "warm" || table.Rows[1].Number != 7 || last.Number != 8 || !last.Skip {
		t.Errorf("%+v", table.Rows)
	}
	if got := table.Address(3, 5); got != "Sheet1!C5" {
		t.Error(got)
	}
}

// A tab that is hidden is not the first one, and a formula's value is read as it was when the file was saved.
func TestTabsAndFormulas(t *testing.T) {
	data := workbook(t, func(f *excelize.File) {
		n, err := f.NewSheet("Runs")
		if err != nil {
			t.Fatal(err)
		}
		f.SetActiveSheet(n)
		if err := f.SetSheetVisible("Sheet1", false); err != nil {
			t.Fatal(err)
		}
		if err := f.SetCellValue("Runs", "A1", "vin [V]"); err != nil {
			t.Fatal(err)
		}
		if err := f.SetCellValue("Runs", "A2", 12); err != nil {
			t.Fatal(err)
		}
		if err := f.SetCellFormula("Runs", "A2", "Sheet1!A2"); err != nil {
			t.Fatal(err)
		}
	})
	table, found := sheet.Read("p.xlsx", data, sheet.Options{Params: params})
	if len(found) > 0 || table.Tab != "Runs" || table.Rows[0].Values[0].Setting != "12 V" {
		t.Errorf("%+v %s", table, texts(found))
	}
}

func TestASweepGoesThroughOneParameter(t *testing.T) {
	_, found := sheet.Read("p.csv", []byte("vin,iout\n9 V,1 A\n12 V,1 A\n12 V,2 A\n"), sheet.Options{Params: params, Sweep: true})
	if got := texts(found); !strings.HasPrefix(got, "p.csv: B4: iout varies, and so does vin") {
		t.Error(got)
	}
	if _, found := sheet.Read("p.csv", []byte("vin,iout\n9 V,1 A\n12 V,1 A\n"), sheet.Options{Params: params, Sweep: true}); len(found) > 0 {
		t.Error(texts(found))
	}
	_, found = sheet.Read("p.csv", []byte("vin,iout\n\"[9 V, 10 V]\",1 A\n"), sheet.Options{Params: params, Sweep: true})
	if got := texts(found); !strings.HasPrefix(got, "p.csv: A2: the cell holds several values") {
		t.Error(got)
	}
}

func TestFindingsInTheOrderOfTheSheet(t *testing.T) {
	table := &sheet.Table{File: "p.xlsx", Tab: "Lot 3"}
	var list []diag.Finding
	for _, at := range []string{"'Lot 3'!B10", "'Lot 3'!A10:B10", "'Lot 3'!AA9", "'Lot 3'!C9"} {
		list = append(list, diag.Finding{Place: table.Place(at)})
	}
	list = append(list, diag.Finding{Place: diag.Place{File: "p.xlsx"}})
	table.InOrder(list)
	var got []string
	for _, f := range list {
		got = append(got, strings.TrimPrefix(f.Place.File, "p.xlsx: 'Lot 3'!"))
	}
	if strings.Join(got, " ") != "p.xlsx C9 AA9 A10:B10 B10" {
		t.Error(got)
	}
}

func TestTooManyRows(t *testing.T) {
	_, found := sheet.Read("p.csv", []byte("vin [V]\n"+strings.Repeat("12\n", sheet.MaxRows+1)), sheet.Options{Params: params})
	if got := texts(found); got != "p.csv: A10002: there are more than 10000 rows; split it into files of at most 10000 rows\n" {
		t.Error(got)
	}
	_, found = sheet.Read("p.csv", []byte("vin [V]\n"+strings.Repeat("x\n", 600)), sheet.Options{Params: params})
	if len(found) != 501 || !strings.Contains(found[500].Text, "and 100 more bad cells") {
		t.Errorf("%d findings, the last: %s", len(found), found[len(found)-1].Error())
	}
}

// Whatever a file holds: reading ends; what is taken without a finding is a quantity of the parameter's dimension, and is read again
// from its own text as the same.
func FuzzCSV(f *testing.F) {
	f.Add("vin [V],iout,unit\n12,1 A,LB-0041\n")
	f.Add("\xef\xbb\xbfvin;dip\r\n9..16 V, 8 points;50 %\r\n\r\n;;\n")
	f.Add("vin\t\"note\"\n[1 V; 2 V]\t\"a\nb\"\n")
	f.Fuzz(func(t *testing.T, text string) {
		table, found := sheet.Read("p.csv", []byte(text), sheet.Options{Params: params})
		if table == nil && len(found) == 0 {
			t.Fatal("nothing is said of a file that cannot be read")
		}
		if table == nil || len(found) > 0 {
			return
		}
		for _, row := range table.Rows {
			for _, v := range row.Values {
				if !v.Single {
					continue
				}
				q, err := quantity.Parse(v.Setting)
				if err != nil || q != v.Amount || math.IsNaN(q.SI) {
					t.Errorf("%q is %v, taken as %v: %v", v.Setting, q, v.Amount, err)
				}
			}
		}
	})
}

// A cell that is good as text in a CSV file is good in a workbook, too, but for numbers that are texts there.
func FuzzCell(f *testing.F) {
	for _, text := range []string{"12 V", "9..16 V, 8 points", "[1 V, 2 V]", "0,5 V", "1e3 mV", "\u221212 V", "{from: 1 V, to: 2 V, points: 3}", "12\u00a0V", "= 1"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		if strings.ContainsAny(text, "\"\n\r\t\x00") || strings.TrimSpace(text) == "" {
			return
		}
		table, found := sheet.Read("p.csv", []byte("vin\tnote\n"+text+"\tx\n"), sheet.Options{Params: params})
		if len(found) > 0 {
			for _, one := range found {
				if one.Hint == "" {
					t.Errorf("%q: %s: says not what to write instead", text, one.Error())
				}
			}
			return
		}
		for _, v := range table.Rows[0].Values {
			if strings.ContainsAny(v.Setting, "\n\r") {
				t.Errorf("%q becomes %q", text, v.Setting)
			}
			for _, q := range v.List {
				if q.Dim != quantity.Voltage {
					t.Errorf("%q is taken for %v", text, q)
				}
			}
		}
	})
}
