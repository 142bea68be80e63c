package workbook_test

import (
	"archive/zip"
	"bytes"
	"encoding/csv"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/xuri/excelize/v2"

	"fourwire/record"
	"fourwire/report"
	"fourwire/report/reporttest"
	"fourwire/report/workbook"
)

func open(t *testing.T, o reporttest.Options) (*record.Record, []byte, *excelize.File) {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "r")
	if err := reporttest.Write(dir, o); err != nil {
		t.Fatal(err)
	}
	return openFolder(t, dir)
}

// openFolder makes the workbook of a record.
func openFolder(t *testing.T, dir string) (*record.Record, []byte, *excelize.File) {
	t.Helper()
	rec, err := record.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	data, err := workbook.Make(report.New(rec))
	if err != nil {
		t.Fatal(err)
	}
	f, err := excelize.OpenReader(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return rec, data, f
}

// pointsColumns gives the letter of each column of the sheet Points by its head.
func pointsColumns(t *testing.T, f *excelize.File) map[string]string {
	t.Helper()
	rows, err := f.GetRows("Points")
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]string{}
	for i, head := range rows[0] {
		out[head], _ = excelize.ColumnNumberToName(i + 1)
	}
	return out
}

var derived = map[string]string{"pin": "W", "pout": "W", "efficiency": "1", "loss": "W", "headroom": "V", "ripple_bound": "V"}

// The library's own calculation engine is no part of this project: it must get from the formulas what the record holds.
func TestFormulasGiveTheRecord(t *testing.T) {
	rec, _, f := open(t, reporttest.Options{Mixed: true})
	letters := pointsColumns(t, f)
	if err := f.UpdateLinkedValue(); err != nil { // forgets the values kept beside the formulas
		t.Fatal(err)
	}
	checked := 0
	for i, p := range rec.Rows {
		for name, unit := range derived {
			cell := letters[name+" ["+unit+"]"] + strconv.Itoa(i+2)
			formula, err := f.GetCellFormula("Points", cell)
			if err != nil {
				t.Fatal(err)
			}
			want, has := p.Cells[name]
			if !has {
				if formula != "" {
					t.Errorf("point %d has no %s, but the formula %s", p.Number, name, formula)
				}
				continue
			}
			if formula == "" {
				t.Fatalf("%s of point %d is no formula", name, p.Number)
			}
			text, err := f.CalcCellValue("Points", cell, excelize.Options{RawCellValue: true})
			if err != nil {
				t.Fatalf("%s = %s: %v", cell, formula, err)
			}
			sameNumber(t, cell, text, want.SI)
			checked++
		}
	}
	if checked < 6*59 {
		t.Errorf("only %d formulas were there", checked)
	}
	if got, _ := f.GetCellFormula("Points", letters["efficiency [1]"]+"2"); got != letters["pout [W]"]+"2/"+letters["pin [W]"]+"2" {
		t.Errorf("efficiency is %s", got)
	}
}

func sameNumber(t *testing.T, where, text string, want float64) {
	t.Helper()
	got, err := strconv.ParseFloat(text, 64)
	if err != nil || math.Abs(got-want) > 1e-9*math.Abs(want) {
		t.Errorf("%s gives %q, the record has %v", where, text, want)
	}
}

// A second, independent judge: LibreOffice works the formulas out again, with no kept values to fall back on.
func TestLibreOfficeGetsTheSame(t *testing.T) {
	office, err := exec.LookPath("soffice")
	if err != nil || testing.Short() {
		t.Skip("soffice is not installed")
	}
	rec, _, f := open(t, reporttest.Options{Mixed: true, Points: 5})
	letters := pointsColumns(t, f)
	if err := f.UpdateLinkedValue(); err != nil {
		t.Fatal(err)
	}
	general, err := f.NewStyle(&excelize.Style{})
	if err != nil {
		t.Fatal(err)
	}
	if err := f.SetColStyle("Points", "A:AD", general); err != nil { // or the CSV has the digits shown, not all of them
		t.Fatal(err)
	}
	dir := t.TempDir()
	path := filepath.Join(dir, "bare.xlsx")
	if err := f.SaveAs(path); err != nil {
		t.Fatal(err)
	}
	// 44,34,76,1: comma, quotes, UTF-8, first line; then "save as shown" off, and sheet 2
	cmd := exec.Command(office, "-env:UserInstallation=file://"+filepath.ToSlash(dir)+"/profile", "--headless", "--convert-to",
		`csv:Text - txt - csv (StarCalc):44,34,76,1,,0,false,false,false,false,false,2`, "--outdir", dir, path)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("soffice: %v\n%s", err, out)
	}
	found, _ := filepath.Glob(filepath.Join(dir, "*.csv"))
	if len(found) != 1 {
		t.Fatalf("soffice made %v", found)
	}
	data, err := os.ReadFile(found[0])
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(bytes.NewReader(data)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) != len(rec.Rows)+1 {
		t.Fatalf("%d rows for %d points", len(rows), len(rec.Rows))
	}
	for i, p := range rec.Rows {
		for name, unit := range derived {
			column, _ := excelize.ColumnNameToNumber(letters[name+" ["+unit+"]"])
			if want, has := p.Cells[name]; has {
				sameNumber(t, name+" of point "+strconv.Itoa(p.Number), rows[i+1][column-1], want.SI)
			}
		}
	}
}

func TestWhatHasNoFormulaIsAValueWithARemark(t *testing.T) {
	rec, _, f := open(t, reporttest.Options{})
	cell := pointsColumns(t, f)["bleed [W]"] + "2"
	if formula, _ := f.GetCellFormula("Points", cell); formula != "" {
		t.Errorf("bleed has the formula %s", formula)
	}
	text, _ := f.GetCellValue("Points", cell, excelize.Options{RawCellValue: true})
	sameNumber(t, cell, text, rec.Rows[0].Cells["bleed"].SI)
	rows, _ := f.GetRows("Summary")
	for _, r := range rows {
		if r != nil && r[0] == "bleed" {
			if len(r) < 3 || r[1] != "values" || !strings.Contains(r[2], "powers have no formula") {
				t.Errorf("the remark is %q", r)
			}
			return
		}
	}
	t.Error("the summary does not tell of bleed")
}

// A tampered value must not be painted over by a formula that gives another one.
func TestFormulaThatDisagreesIsNotWritten(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "r")
	if err := reporttest.Write(dir, reporttest.Options{}); err != nil {
		t.Fatal(err)
	}
	rec, err := record.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	c := rec.Rows[4].Cells["loss"]
	c.SI *= 1 + 1e-6
	rec.Rows[4].Cells["loss"] = c
	data, err := workbook.Make(report.New(rec))
	if err != nil {
		t.Fatal(err)
	}
	f, err := excelize.OpenReader(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	letter := pointsColumns(t, f)["loss [W]"]
	if formula, _ := f.GetCellFormula("Points", letter+"6"); formula != "" {
		t.Errorf("the changed row has the formula %s", formula)
	}
	if formula, _ := f.GetCellFormula("Points", letter+"7"); formula == "" {
		t.Error("the row after it lost its formula")
	}
}

// Spreadsheets take a text that starts with = + - or @ for a formula once it has been through a CSV file (common practice:
// CWE-1236, improper neutralisation of formula elements).
func TestTextsAreNoFormulas(t *testing.T) {
	_, data, f := open(t, reporttest.Options{Hostile: true})
	for _, sheet := range f.GetSheetList() {
		rows, err := f.GetRows(sheet, excelize.Options{RawCellValue: true})
		if err != nil {
			t.Fatal(err)
		}
		for i, row := range rows {
			for j, text := range row {
				if text == "" || !strings.ContainsRune("=+-@", rune(text[0])) {
					continue
				}
				if _, err := strconv.ParseFloat(text, 64); err != nil {
					t.Errorf("%s, row %d, column %d: %q", sheet, i+1, j+1, text)
				}
			}
		}
	}
	if !bytes.Contains(part(t, data, "xl/sharedStrings.xml"), []byte("&#39;=HYPERLINK")) {
		t.Error("the hostile serial number is not there at all")
	}
}

func part(t *testing.T, data []byte, name string) []byte {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	f, err := z.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	out, err := io.ReadAll(f)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func TestSameRecordSameBytes(t *testing.T) {
	_, first, _ := open(t, reporttest.Options{Mixed: true})
	for range 3 {
		if _, again, _ := open(t, reporttest.Options{Mixed: true}); !bytes.Equal(first, again) {
			t.Fatal("the same record made another workbook")
		}
	}
}

// ECMA-376, part 1, 21.2.2.234 (xVal): numbers come as numRef; as strRef a reader may count 1, 2, 3... instead.
func TestChartsTakeXAsNumbers(t *testing.T) {
	_, data, _ := open(t, reporttest.Options{Mixed: true})
	for _, name := range []string{"xl/charts/chart1.xml", "xl/charts/chart2.xml"} {
		text := string(part(t, data, name))
		if n := strings.Count(text, "xVal>") / 2; n != 3 {
			t.Errorf("%s has %d lines, three input voltages were measured", name, n)
		}
		if !strings.Contains(text, `<logBase val="10">`) || strings.Contains(text, "noMultiLvlLbl") {
			t.Errorf("%s: the X axis is not logarithmic, or that of categories", name)
		}
		for _, x := range strings.Split(text, "<xVal>")[1:] {
			if before, _, _ := strings.Cut(x, "</xVal>"); !strings.Contains(before, "<numRef>") || strings.Contains(before, "str") {
				t.Errorf("%s: X is %s", name, before)
			}
		}
	}
}

// The invalid point and the one over range must not be part of a line.
func TestLinesLeaveInvalidPointsOut(t *testing.T) {
	rec, _, f := open(t, reporttest.Options{Mixed: true})
	used := map[string]bool{}
	for col := 1; col <= 6; col++ {
		for row := 3; row <= 22; row++ {
			cell, _ := excelize.CoordinatesToCellName(col, row)
			formula, err := f.GetCellFormula("Chart data", cell)
			if err != nil {
				t.Fatal(err)
			}
			if formula != "" {
				used[strings.TrimLeft(strings.TrimPrefix(formula, "Points!"), "ABCDEFGHIJKLMNOPQRSTUVWXYZ")] = true
			}
		}
	}
	for i, p := range rec.Rows {
		if want := p.Status() == "ok" || p.Status() == "not settled"; used[strconv.Itoa(i+2)] != want {
			t.Errorf("point %d is %s; it is in a line: %v", p.Number, p.Status(), used[strconv.Itoa(i+2)])
		}
	}
}

// ECMA-376, part 1, 18.18.11 (ST_CellType): "str" is a formula that gives a text; a number kept beside a formula is "n", the default.
func TestFormulasThatGiveNumbersAreNoTexts(t *testing.T) {
	_, data, f := open(t, reporttest.Options{Mixed: true})
	formulas := 0
	for n := range f.GetSheetList() {
		sheet := part(t, data, "xl/worksheets/sheet"+strconv.Itoa(n+1)+".xml")
		formulas += bytes.Count(sheet, []byte("<f>"))
		for _, cell := range regexp.MustCompile(`<c r="[^>]* t="str"[^>]*><f>[^<]*</f><v>-?[0-9.eE+-]+</v>`).FindAll(sheet, -1) {
			t.Errorf("%s", cell)
		}
	}
	if formulas == 0 {
		t.Error("no formula at all")
	}
}
