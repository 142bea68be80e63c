package sheet_test

import (
	"bytes"
	"strings"
	"testing"

	"github.com/xuri/excelize/v2"

	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/sheet"
)

var params = []sheet.Param{{Name: "vin", Dim: quantity.Voltage}, {Name: "iout", Dim: quantity.Current}, {Name: "dip", Dim: quantity.Ratio}, {Name: "hot", Dim: quantity.Temperature}}

func texts(found []diag.Finding) string {
	var b strings.Builder
	for _, f := range found {
		b.WriteString(f.Error() + "\n")
	}
	return b.String()
}

// workbook makes a file with one tab: a header vin [V], iout, unit; row 2 is good; then edit puts a fault in.
func workbook(t *testing.T, edit func(f *excelize.File)) []byte {
	t.Helper()
	f := excelize.NewFile()
	defer f.Close()
	for cell, v := range map[string]any{"A1": "vin [V]", "B1": "iout", "C1": "unit", "A2": 12, "B2": "1 A", "C2": "LB-0041", "A3": 9, "B3": "500 mA"} {
		set(t, f, cell, v)
	}
	edit(f)
	var b bytes.Buffer
	if err := f.Write(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func set(t *testing.T, f *excelize.File, cell string, v any) {
	t.Helper()
	if err := f.SetCellValue(f.GetSheetName(0), cell, v); err != nil {
		t.Fatal(err)
	}
}

func format(t *testing.T, f *excelize.File, cell string, s excelize.Style) {
	t.Helper()
	id, err := f.NewStyle(&s)
	if err == nil {
		err = f.SetCellStyle("Sheet1", cell, cell, id)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// Each file has one fault; the finding names its cell and says what to write instead. The cases are own experience with sheets that
// people fill in: common practice, no source. Number formats: ECMA-376, part 1, 18.8.30.
func TestBadCellsOfAWorkbook(t *testing.T) {
	custom := func(format string) excelize.Style { return excelize.Style{CustomNumFmt: &format} }
	put := func(cell string, v any) func(*testing.T, *excelize.File) {
		return func(t *testing.T, f *excelize.File) { set(t, f, cell, v) }
	}
	formatted := func(cell string, v any, s excelize.Style) func(*testing.T, *excelize.File) {
		return func(t *testing.T, f *excelize.File) { set(t, f, cell, v); format(t, f, cell, s) }
	}
	for _, c := range []struct {
		name    string
		edit    func(*testing.T, *excelize.File)
		address string
		text    string
		instead string
	}{
		{"a unit of another dimension", put("B3", "500 mV"), "Sheet1!B3", "current is wanted here, this is voltage", "a value in A, as in 500 A"},
		{"a unit in the cell against that of the head", put("A3", "9 A"), "Sheet1!A3", "voltage is wanted here, this is current", "a value in V, as in 9 V"},
		{"no value", put("B3", nil), "Sheet1!B3", "the cell is empty", `write a value, as in 1 A, or "default"`},
		{"a text for a number", put("A3", "nine"), "Sheet1!A3", `"nine" is text`, "write a value, as in 1"},
		{"a number as text, as after an apostrophe", put("A3", "9"), "Sheet1!A3", `"9" is text, not a number`, "without an apostrophe, or write 9 V"},
		{"a number without any unit", put("B3", 0.5), "Sheet1!B3", "the number 0.5 has no unit", "write 0.5 A, or put the unit into the header: iout [A]"},
		{"a text without any unit", put("B3", "0.5"), "Sheet1!B3", "the unit is missing", "write 0.5 A"},
		{"a prefix without a unit", put("B3", "10m"), "Sheet1!B3", "the unit is missing", "write 10 mA"},
		{"the case of a unit", put("B3", "500 ma"), "Sheet1!B3", `unknown unit "ma"; MA or mA?`, "a value in A"},
		{"a decimal comma", put("B3", "0,5 A"), "Sheet1!B3", "with a point, not with a comma", "write 0.5 A"},
		{"marks between thousands", put("B3", "1,500 mA"), "Sheet1!B3", "without marks", "write 1500 mA"},
		{"a non-breaking space between thousands", put("B3", "1\u00a0500 mA"), "Sheet1!B3", "without marks", "write 1500 mA"},
		{"a zero-width space", put("B3", "500\u200b mA"), "Sheet1!B3", "invisible character", "write it anew, as in 1 A"},
		{"a line end in the cell", put("B3", "500 mA\n1 A"), "Sheet1!B3", "line end", "write it anew"},
		{"a typographic minus", put("B3", "\u2212500 mA"), "Sheet1!B3", "hyphen", "write -500 mA"},
		{"a truth value", put("A3", true), "Sheet1!A3", "the truth value TRUE", "write a value, as in 1"},
		{"a date", formatted("A3", 45000, excelize.Style{NumFmt: 14}), "Sheet1!A3", "date or time", "write a value, as in 1, into a cell that is not formatted as a date"},
		{"a date by an own format", formatted("A3", 45000.5, custom("dd.mm.yyyy")), "Sheet1!A3", "date or time", "not formatted as a date"},
		{"a time", formatted("A3", 0.5, custom("[h]:mm")), "Sheet1!A3", "date or time", "not formatted as a date"},
		{"a number shown in percent", formatted("A3", 0.9, excelize.Style{NumFmt: 9}), "Sheet1!A3", "shown in percent, as 90%", "formatted as a plain number"},
		{"a unit that only the format shows", formatted("A3", 9, custom(`0.0" mV"`)), "Sheet1!A3", "shows 9.0 mV, but holds the number 9", "put the unit into the header: vin [V]"},
		{"an error value", func(t *testing.T, f *excelize.File) {
			if err := f.SetCellFormula("Sheet1", "A3", "NA()"); err != nil {
				t.Fatal(err)
			}
			set(t, f, "A3", "#N/A")
		}, "Sheet1!A3", "the error #N/A", "mend the formula"},
		{"a formula without its value", func(t *testing.T, f *excelize.File) {
			set(t, f, "A3", nil)
			if err := f.SetCellFormula("Sheet1", "A3", "A2+1"); err != nil {
				t.Fatal(err)
			}
		}, "Sheet1!A3", "a formula whose value is not in the file", "open the file in a spreadsheet and save it"},
		{"a formula as text", put("A3", "=A2+1"), "Sheet1!A3", "text of a formula", "write its value"},
		{"merged cells", func(t *testing.T, f *excelize.File) {
			if err := f.MergeCell("Sheet1", "A3", "A4"); err != nil {
				t.Fatal(err)
			}
			set(t, f, "B4", "1 A")
		}, "Sheet1!A3:A4", "merged", "unmerge them"},
		{"a hidden row", func(t *testing.T, f *excelize.File) {
			if err := f.SetRowVisible("Sheet1", 3, false); err != nil {
				t.Fatal(err)
			}
		}, "Sheet1!A3", "row 3 is hidden", "write yes into a column skip"},
		{"a hidden column", func(t *testing.T, f *excelize.File) {
			if err := f.SetColVisible("Sheet1", "B", false); err != nil {
				t.Fatal(err)
			}
		}, "Sheet1!B1", "the column of iout is hidden", "show the column"},
		{"a misspelt parameter", put("B1", "iuot"), "Sheet1!B1", `no parameter "iuot"`, "did you mean iout"},
		{"a column of nobody", put("D1", "customer"), "Sheet1!D1", `no parameter "customer"`, "begins with #"},
		{"a name twice", func(t *testing.T, f *excelize.File) {
			set(t, f, "D1", "vin [mV]")
			set(t, f, "D2", 1)
			set(t, f, "D3", 1)
		}, "Sheet1!D1", "the name vin stands in Sheet1!A1 already", "delete one of them"},
		{"a unit in the head that fits not", put("A1", "vin [A]"), "Sheet1!A1", "voltage is wanted here, this is current", "write vin [V]"},
		{"a unit in the head that nobody knows", put("A1", "vin [v]"), "Sheet1!A1", `unknown unit "v"`, "write vin [V]"},
		{"a unit in round brackets", put("A1", "vin (V)"), "Sheet1!A1", "no head of a column", "write the name, and its unit in square brackets, as in vin [V]"},
		{"empty brackets", put("A1", "vin []"), "Sheet1!A1", "the brackets are empty", "write vin [V]"},
		{"a number as head", put("B1", 7), "Sheet1!B1", "no parameter", "begins with #"},
		{"a parameter apart from the others", func(t *testing.T, f *excelize.File) { set(t, f, "E1", "dip") }, "Sheet1!E1", "stands apart", "take out the empty columns"},
		{"a reversed range", put("B3", "2..1 A, 5 points"), "Sheet1!B3", "reversed", "write 1 A..2 A, 8 points"},
		{"a range without a number of points", put("B3", "1..2 A"), "Sheet1!B3", "how many values", "write 1..2 A, 8 points"},
		{"an open range", put("B3", "..2 A, 5 points"), "Sheet1!B3", "two ends", "write as in 9..16 V, 8 points"},
		{"a range of another dimension", put("B3", "1..2 V, 5 points"), "Sheet1!B3", "current is wanted here", "write as in"},
		{"a list with one bad value", put("B3", "[1 A, 2 V]"), "Sheet1!B3", "current is wanted here", "write a list as in [1 A, 2 A]"},
		{"a list that does not end", put("B3", "[1 A, 2 A"), "Sheet1!B3", "closing bracket", "write as in"},
		{"a number that no float holds", put("B3", "1e999 A"), "Sheet1!B3", "no number that can be used", "a value, as in"},
		{"skip that says nothing", func(t *testing.T, f *excelize.File) { set(t, f, "D1", "skip"); set(t, f, "D3", "maybe") }, "Sheet1!D3", "does not say", "write yes, no or nothing"},
		{"a note that is too long", func(t *testing.T, f *excelize.File) {
			set(t, f, "D1", "note")
			set(t, f, "D3", strings.Repeat("a", 501))
		}, "Sheet1!D3", "too long", "at most 500"},
		{"a tab with a space in its name", func(t *testing.T, f *excelize.File) {
			set(t, f, "A3", "nine")
			if err := f.SetSheetName("Sheet1", "Lot 3's"); err != nil {
				t.Fatal(err)
			}
		}, "'Lot 3''s'!A3", "is text", "write a value"},
		{"no row", func(t *testing.T, f *excelize.File) {
			for _, cell := range []string{"A2", "B2", "C2", "A3", "B3"} {
				set(t, f, cell, nil)
			}
		}, "Sheet1!A2", "no row below the header", "write a row"},
		{"no parameter at all", func(t *testing.T, f *excelize.File) { set(t, f, "A1", "#a"); set(t, f, "B1", "#b") }, "Sheet1!A1", "no column gives a parameter", "vin [V], iout [A], dip, hot [K]"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			_, found := sheet.Read("params.xlsx", workbook(t, func(f *excelize.File) { c.edit(t, f) }), sheet.Options{Params: params})
			if len(found) != 1 {
				t.Fatalf("%d findings, one is wanted\n%s", len(found), texts(found))
			}
			got := found[0]
			if want := "params.xlsx: " + c.address; got.Place.String() != want || !strings.Contains(got.Text, c.text) || !strings.Contains(got.Hint, c.instead) {
				t.Errorf("%s\nwant %s: ...%s...; ...%s...", got.Error(), want, c.text, c.instead)
			}
		})
	}
}

// Lines of a CSV file; the first case of each kind has its reason beside it.
func TestBadCellsOfACSVFile(t *testing.T) {
	for _, c := range []struct{ name, file, at, text, instead string }{
		{"too few fields", "vin [V],iout,unit\n12,1 A\n", "C2", "the row has 2 fields, the header has 3", "write a separator for each field"},
		{"a decimal comma makes a field", "vin [V],iout\n12,5,1 A\n", "C2", "the row has 3 fields, the header has 2", "with a point, not with a comma"},
		{"a decimal comma between semicolons", "vin [V];iout\n12,5;1 A\n", "A2", "with a point, not with a comma", "write 12.5"},
		{"bytes of another character set (ISO 8859-1)", "vin [V],note\n12,warm \xb0C\n", "B2", "no UTF-8", "CSV UTF-8"},
		{"a quote within a field", "vin [V],note\n12,5\" panel\n", "", "line 2, column 5: a double quote stands inside a field", "put a text with quotes"},
		{"a quote that does not end", "vin [V],note\n12,\"open\n", "", "a double quote stands where none may", "double quotes"},
		{"UTF-16", "\xff\xfev\x00i\x00n\x00", "", "UTF-16", "CSV UTF-8"},
		{"bytes of value zero", "vin [V]\n12\x00\n", "", "value zero", "CSV UTF-8"},
		{"a workbook under a wrong name", "PK\x03\x04", "", "a workbook and no CSV file", "params.xlsx"},
		{"nothing", "", "", "nothing in it", "begin with a row of names: vin [V], iout [A], dip, hot [K]"},
		{"an error value that was text already", "vin [V]\n#DIV/0!\n", "A2", "the error #DIV/0!", "mend the formula"},
		{"a field of a line behind blank ones", "vin [V]\n12\n\n\nx\n", "A5", `"x" is text`, "write a value"},
		{"a field behind one of two lines", "vin [V],note\n12,\"a\nb\"\nx,\n", "A3", `"x" is text`, "write a value"},
		{"a name from a file with a mark", "\xef\xbb\xbfvinn [V]\n12\n", "A1", `no parameter "vinn"`, "did you mean vin"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, found := sheet.Read("params.csv", []byte(c.file), sheet.Options{Params: params})
			if len(found) != 1 {
				t.Fatalf("%d findings, one is wanted\n%s", len(found), texts(found))
			}
			want := strings.TrimSuffix("params.csv: "+c.at, ": ")
			if got := found[0]; got.Place.String() != want || !strings.Contains(got.Text, c.text) || !strings.Contains(got.Hint, c.instead) {
				t.Errorf("%s\nwant %s: ...%s...; ...%s...", got.Error(), want, c.text, c.instead)
			}
		})
	}
}

// Files that are no workbook that can be read. Compound files: the first eight bytes, from memory.
func TestFilesThatAreNoWorkbook(t *testing.T) {
	ole := "\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + strings.Repeat("\x00", 600)
	var hidden []byte
	for _, c := range "EncryptedPackage" {
		hidden = append(hidden, byte(c), 0)
	}
	good := workbook(t, func(*excelize.File) {})
	for _, c := range []struct {
		name, file, text, instead string
	}{
		{"the old kind", ole, "the old kind, .xls", ".xlsx"},
		{"encrypted", ole + string(hidden), "encrypted", "without a password"},
		{"OpenDocument", "PK\x03\x04" + strings.Repeat("\x00", 26) + "mimetypeapplication/vnd.oasis.opendocument.spreadsheet", "OpenDocument", ".xlsx"},
		{"cut off", string(good[:len(good)/2]), "damaged", "save it again"},
		{"some text", "vin\n12\n", "no workbook", ".csv"},
		{"nothing", "", "no workbook", ".csv"},
	} {
		table, found := sheet.Read("params.xlsx", []byte(c.file), sheet.Options{Params: params})
		if table != nil || len(found) != 1 || !strings.Contains(found[0].Text, c.text) || !strings.Contains(found[0].Hint, c.instead) {
			t.Errorf("%s: %s", c.name, texts(found))
		}
	}
	if _, found := sheet.Read("params.xlsx", good, sheet.Options{Params: params, Tab: "Shet1"}); !strings.Contains(texts(found), "did you mean Sheet1") {
		t.Error(texts(found))
	}
}

// All bad cells are found in one go, in the order of the sheet, and a bad head does not make every cell below it bad.
func TestAllFaultsInOneGo(t *testing.T) {
	_, found := sheet.Read("p.csv", []byte("vin [A];iout;dip\n12;x;1\n13;2 V;;\n14;1 A;50 %\n15;1 A;y\n"), sheet.Options{Params: params})
	var at []string
	for _, f := range found {
		at = append(at, strings.TrimPrefix(f.Place.File, "p.csv: "))
	}
	if got := strings.Join(at, " "); got != "A1 B2 D3 C5" {
		t.Errorf("%s\n%s", got, texts(found))
	}
}
