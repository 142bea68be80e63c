package results_test

import (
	"archive/zip"
	"bytes"
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/xuri/excelize/v2"

	"fourwire/quantity"
	"fourwire/record"
	"fourwire/sheet"
	"fourwire/sheet/results"
)

var params = []sheet.Param{{Name: "vin", Dim: quantity.Voltage}, {Name: "iout", Dim: quantity.Current}}

// point is an operating point whose figures are worked out here: 5 V at the load, a loss of 0.1 W and a tenth of the output power.
func point(n int, vin, iout float64) record.Point {
	pout := 5 * iout
	pin := pout*1.1 + 0.1
	c := map[string]record.Cell{
		"load": {SI: iout, U: math.NaN()}, "vi": {SI: vin, U: 0.001}, "ii": {SI: pin / vin, U: 0.0005}, "vo": {SI: 5, U: 0.0002}, "io": {SI: iout, U: 0.001},
	}
	c["pin"] = record.Cell{SI: c["vi"].SI * c["ii"].SI, U: 0.01}
	c["pout"] = record.Cell{SI: c["vo"].SI * c["io"].SI, U: 0.01}
	c["efficiency"] = record.Cell{SI: c["pout"].SI / c["pin"].SI, U: 0.002}
	return record.Point{Number: n, At: time.Duration(n) * time.Second, Cells: c, Valid: true, Settled: true}
}

func columns() []record.Column {
	one := func(name string, kind record.ColumnKind, unit, expr string) record.Column {
		return record.Column{Name: name, Kind: kind, Unit: unit, Dim: record.DimensionOf(unit), Expr: expr}
	}
	return []record.Column{one("load", record.Coordinate, "A", ""), one("vi", record.Measured, "V", ""), one("ii", record.Measured, "A", ""), one("vo", record.Measured, "V", ""),
		one("io", record.Measured, "A", ""), one("pin", record.Derived, "W", "vi * ii"), one("pout", record.Derived, "W", "vo * io"), one("efficiency", record.Derived, "1", "pout / pin")}
}

// taken is a row after its run.
func taken(t *testing.T, row sheet.Row, outcome record.Outcome, points []record.Point, found []record.Result) results.Row {
	t.Helper()
	rec := &record.Record{Finished: true}
	rec.Outcome, rec.Columns, rec.Rows, rec.Results = outcome, columns(), points, found
	rec.Curves = []record.Curve{{X: "io", Y: "efficiency", Title: "Efficiency over load"}}
	if outcome == record.Fail {
		rec.Verdicts = []record.Verdict{{Point: 1, Limit: "efficiency >= 90 %", Outcome: record.Fail}, {Point: 2, Limit: "efficiency >= 90 %", Outcome: record.Fail}, {Limit: "vo >= 4.9 V", Outcome: record.Pass}}
	}
	out := results.Row{Row: row, Label: fmt.Sprintf("vin = %s", row.Values[0].Setting), Folder: fmt.Sprintf("row-%03d", row.Number)}
	out.Take(rec)
	return out
}

// users is a workbook with much that must stay: formats, formulas, a chart, a comment, a validation, a name, a second tab.
func users(t *testing.T) []byte {
	t.Helper()
	f := excelize.NewFile()
	defer f.Close()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	for cell, v := range map[string]any{"A1": "vin [V]", "B1": "iout [A]", "C1": "#twice", "A2": 9, "B2": 1, "A3": 12, "B3": 1, "A4": 16, "B4": 1, "E6": "a remark far away"} {
		must(f.SetCellValue("Sheet1", cell, v))
	}
	must(f.SetCellFormula("Sheet1", "C2", "2*A2"))
	money := `#,##0.00 "EUR"`
	style, err := f.NewStyle(&excelize.Style{CustomNumFmt: &money, Fill: excelize.Fill{Type: "pattern", Pattern: 1, Color: []string{"FFEEDD"}}})
	must(err)
	must(f.SetCellStyle("Sheet1", "E6", "E6", style))
	must(f.AddComment("Sheet1", excelize.Comment{Cell: "A2", Author: "ML", Text: "the lowest"}))
	v := excelize.NewDataValidation(true)
	v.SetSqref("B2:B9")
	must(v.SetRange(0.0, 3.0, excelize.DataValidationTypeDecimal, excelize.DataValidationOperatorBetween))
	must(f.AddDataValidation("Sheet1", v))
	must(f.SetDefinedName(&excelize.DefinedName{Name: "lowest", RefersTo: "Sheet1!$A$2"}))
	_, err = f.NewSheet("Run points") // a name that is wanted
	must(err)
	must(f.SetCellValue("Run points", "A1", "mine"))
	must(f.AddChart("Run points", "C3", &excelize.Chart{Type: excelize.Line, Series: []excelize.ChartSeries{{Values: "Sheet1!$A$2:$A$4"}}}))
	var b bytes.Buffer
	must(f.Write(&b))
	return b.Bytes()
}

func parts(t *testing.T, data []byte) map[string]string {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]string{}
	for _, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		out[f.Name] = string(text)
	}
	return out
}

func book(t *testing.T, data []byte, name string) *results.Book {
	t.Helper()
	table, found := sheet.Read(name, data, sheet.Options{Params: params})
	if len(found) > 0 {
		t.Fatal(found)
	}
	return &results.Book{Table: table, Data: data, Title: "Efficiency"}
}

// After the results have been written everything of the user's is there as before, and formulas give the values of the record: worked
// out by the engine of the library, which is no part of this project.
func TestWorkbookKeepsWhatIsThere(t *testing.T) {
	data := users(t)
	b := book(t, data, "p.xlsx")
	for i, row := range b.Table.Rows {
		points := []record.Point{point(1, row.Values[0].Amount.SI, 0.5), point(2, row.Values[0].Amount.SI, 2)}
		least := min(points[0].Cells["efficiency"].SI, points[1].Cells["efficiency"].SI)
		found := []record.Result{{Name: "worst", Expr: "min(efficiency)", Unit: "1", SI: least, U: 0.002}, {Name: "double", Expr: "2 * worst", Unit: "1", SI: 2 * least, U: math.NaN()}}
		b.Rows = append(b.Rows, taken(t, row, []record.Outcome{record.Pass, record.Fail, record.Undecided}[i], points, found))
	}
	out, err := b.Workbook()
	if err != nil {
		t.Fatal(err)
	}
	before, after := parts(t, data), parts(t, out)
	for _, name := range []string{"xl/worksheets/sheet2.xml", "xl/charts/chart1.xml", "xl/drawings/drawing1.xml", "xl/comments1.xml", "xl/theme/theme1.xml"} {
		if before[name] == "" || before[name] != after[name] {
			t.Errorf("%s is not what it was", name)
		}
	}
	if n := strings.Count(strings.Join(keys(after), " "), "xl/charts/chart"); n != 4 { // the user's, the curve, two results
		t.Errorf("%d charts", n)
	}
	f, err := excelize.OpenReader(bytes.NewReader(out))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	old, err := excelize.OpenReader(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	defer old.Close()
	for _, cell := range []string{"A1", "B1", "C1", "A2", "B2", "C2", "A3", "A4", "E6"} {
		was, _ := old.GetCellValue("Sheet1", cell)
		is, _ := f.GetCellValue("Sheet1", cell)
		formulaWas, _ := old.GetCellFormula("Sheet1", cell)
		formulaIs, _ := f.GetCellFormula("Sheet1", cell)
		styleWas, _ := old.GetCellStyle("Sheet1", cell)
		styleIs, _ := f.GetCellStyle("Sheet1", cell)
		if was != is || formulaWas != formulaIs || styleWas != styleIs {
			t.Errorf("%s was %q %q %d, is %q %q %d", cell, was, formulaWas, styleWas, is, formulaIs, styleIs)
		}
	}
	if v, _ := f.GetDataValidations("Sheet1"); len(v) != 1 {
		t.Errorf("%d validations", len(v))
	}
	if got := f.GetSheetList(); fmt.Sprint(got) != "[Sheet1 Run points Run points 2 Run charts Run chart lines]" {
		t.Error(got)
	}
	// one empty column behind E, the last with anything in it
	rows, err := f.GetRows("Sheet1", excelize.Options{RawCellValue: true})
	if err != nil {
		t.Fatal(err)
	}
	if got := strings.Join(rows[0], "|"); got != "vin [V]|iout [A]|#twice||||result|why|worst [1]|U(worst) [1]|double [1]|points|record" {
		t.Error(got)
	}
	if got := strings.Join(rows[2][6:8], "|"); got != "fail|efficiency >= 90 %: fail" {
		t.Error(got)
	}
	for i, r := range b.Rows {
		for column, want := range map[string]float64{"I": r.Results[0].SI, "K": r.Results[1].SI} {
			cell := column + strconv.Itoa(r.Number)
			if formula, err := f.GetCellFormula("Sheet1", cell); err != nil || formula == "" {
				t.Errorf("%s has no formula: %v", cell, err)
			}
			if kind, _ := f.GetCellType("Sheet1", cell); kind == excelize.CellTypeFormula {
				t.Errorf("%s is called a text", cell)
			}
			calculated(t, f, "Sheet1", cell, want)
		}
		at := "S" + strconv.Itoa(2+2*i) // efficiency: row, what, point, time, part, load, and two columns for each before it
		if formula, err := f.GetCellFormula("Run points 2", at); err != nil || formula != fmt.Sprintf("Q%d/O%d", 2+2*i, 2+2*i) {
			t.Errorf("%s: %q %v", at, formula, err)
		}
		calculated(t, f, "Run points 2", at, r.Points[0].Cells["efficiency"].SI)
	}
	if has, link, err := f.GetCellHyperLink("Sheet1", "M2"); err != nil || !has || link != "row-002/report.html" {
		t.Errorf("%v %s %v", has, link, err)
	}
}

// calculated compares a cell with what the library works out; want 0 stands for the value that is kept in the cell.
func calculated(t *testing.T, f *excelize.File, tab, cell string, want float64) {
	t.Helper()
	raw := excelize.Options{RawCellValue: true}
	kept, err := f.GetCellValue(tab, cell, raw)
	if err != nil {
		t.Fatal(err)
	}
	k, err := strconv.ParseFloat(kept, 64)
	if err != nil {
		t.Fatalf("%s!%s holds %q", tab, cell, kept)
	}
	if want == 0 {
		want = k
	}
	text, err := f.CalcCellValue(tab, cell, raw)
	if err != nil {
		t.Fatalf("%s!%s: %v", tab, cell, err)
	}
	x, err := strconv.ParseFloat(text, 64)
	if err != nil || math.Abs(x-want) > 1e-9*math.Abs(want) || math.Abs(k-want) > 1e-9*math.Abs(want) {
		t.Errorf("%s!%s gives %s and keeps %s, the record has %v", tab, cell, text, kept, want)
	}
}

func keys(m map[string]string) []string {
	var out []string
	for k := range m {
		out = append(out, k)
	}
	return out
}

// Where each run is one point, its values stand in the row, what was derived as formulas over the other cells of the row.
func TestOnePointPerRow(t *testing.T) {
	data := users(t)
	b := book(t, data, "p.xlsx")
	for i, row := range b.Table.Rows {
		if i == 2 {
			b.Rows = append(b.Rows, results.Row{Row: row, State: results.NotRun, Why: "the sheet ended before: interrupted"})
			continue
		}
		b.Rows = append(b.Rows, taken(t, row, record.Pass, []record.Point{point(1, row.Values[0].Amount.SI, 1)}, nil))
	}
	out, err := b.Workbook()
	if err != nil {
		t.Fatal(err)
	}
	f, err := excelize.OpenReader(bytes.NewReader(out))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := f.GetRows("Sheet1", excelize.Options{RawCellValue: true})
	if err != nil {
		t.Fatal(err)
	}
	if got := strings.Join(rows[0][6:12], "|"); got != "result|why|vi [V]|U(vi) [V]|ii [A]|U(ii) [A]" {
		t.Error(got)
	}
	if got := strings.Join(rows[3][6:], "|"); got != "not run|the sheet ended before: interrupted" {
		t.Error(got)
	}
	at := -1
	for i, head := range rows[0] {
		if head == "efficiency [1]" {
			at = i + 1
		}
	}
	name, err := excelize.CoordinatesToCellName(at, 3)
	if err != nil {
		t.Fatal(err)
	}
	formula, err := f.GetCellFormula("Sheet1", name)
	if err != nil || formula != "S3/Q3" { // pout over pin
		t.Errorf("%s: %q %v", name, formula, err)
	}
	calculated(t, f, "Sheet1", name, b.Rows[1].Points[0].Cells["efficiency"].SI)
}

// A CSV file keeps every byte that was there, its separator, mark and line ends.
func TestCSVKeepsWhatIsThere(t *testing.T) {
	for _, data := range []string{
		"vin [V],iout,note\n9,1 A,\"a, \"\"b\"\"\nc\"\n\n12,1 A,d",
		"\xef\xbb\xbfvin [V];iout;note\r\n9;1 A;x\r\n12;1 A;y\r\n",
	} {
		b := book(t, []byte(data), "p.csv")
		for i, row := range b.Table.Rows {
			one := results.Row{Row: row, State: results.NotRun, Why: "=cmd; a \"quote\""}
			if i == 1 {
				one = taken(t, row, record.Pass, []record.Point{point(1, 12, 1)}, nil)
			}
			b.Rows = append(b.Rows, one)
		}
		out, err := b.CSV()
		if err != nil {
			t.Fatal(err)
		}
		d := sheet.DialectOf([]byte(data))
		if sheet.DialectOf(out) != d {
			t.Errorf("%+v became %+v", d, sheet.DialectOf(out))
		}
		for _, line := range strings.Split(strings.TrimSuffix(data, "\n"), "\n") {
			if !bytes.Contains(out, []byte(strings.TrimSuffix(line, "\r"))) {
				t.Errorf("%q is not in\n%s", line, out)
			}
		}
		r := csv.NewReader(strings.NewReader(strings.TrimPrefix(string(out), "\xef\xbb\xbf")))
		r.Comma = d.Separator
		rows, err := r.ReadAll() // which wants the same number of fields in each
		if err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		if rows[1][4] != "not run" || rows[1][5] != "'=cmd; a \"quote\"" || rows[2][4] != "pass" || rows[0][3] != "" {
			t.Errorf("%q", rows)
		}
		// the results can be given as a sheet again
		if _, found := sheet.Read("p.csv", out, sheet.Options{Params: params}); len(found) > 0 {
			t.Error(found)
		}
	}
}

// A part of a record belongs to the row whose value its points have.
func TestPartOfASweep(t *testing.T) {
	rec := &record.Record{Finished: true}
	rec.Outcome, rec.Columns = record.Fail, columns()
	rec.Rows = []record.Point{point(1, 9, 1), point(2, 9, 2), point(3, 9, 1)}
	rec.Verdicts = []record.Verdict{{Point: 1, Limit: "a", Outcome: record.Pass}, {Point: 2, Limit: "a", Outcome: record.Fail}}
	var one, two, none results.Row
	one.TakePart(rec, "load", 1)
	two.TakePart(rec, "load", 2)
	none.TakePart(rec, "load", 3)
	if one.State != "pass" || len(one.Points) != 2 || two.State != "fail" || len(two.Limits) != 1 || none.State != results.NotRun {
		t.Errorf("%+v\n%+v\n%+v", one, two, none)
	}
}

// recalculate are the settings of a user who has every formula worked out anew when a file is opened.
const recalculate = `<?xml version="1.0" encoding="UTF-8"?>
<oor:items xmlns:oor="http://openoffice.org/2001/registry">
<item oor:path="/org.openoffice.Office.Calc/Formula/Load"><prop oor:name="OOXMLRecalcMode" oor:op="fuse"><value>0</value></prop></item>
</oor:items>`

// LibreOffice, which is no part of this project, gets the values of the record from the formulas.
func TestOfficeGetsTheSame(t *testing.T) {
	office, err := exec.LookPath("soffice")
	if err != nil {
		t.Skip("soffice is not installed: no spreadsheet works the formulas out")
	}
	b := book(t, users(t), "p.xlsx")
	for _, row := range b.Table.Rows {
		b.Rows = append(b.Rows, taken(t, row, record.Pass, []record.Point{point(1, row.Values[0].Amount.SI, 1)}, nil))
	}
	out, err := b.Workbook()
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	file := filepath.Join(dir, "p-results.xlsx")
	if err := os.WriteFile(file, out, 0o600); err != nil {
		t.Fatal(err)
	}
	profile := filepath.Join(dir, "profile", "user")
	if err := os.MkdirAll(profile, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(profile, "registrymodifications.xcu"), []byte(recalculate), 0o600); err != nil {
		t.Fatal(err)
	}
	said, err := exec.CommandContext(t.Context(), office, "-env:UserInstallation=file://"+filepath.Join(dir, "profile"), "--headless",
		"--convert-to", "csv:Text - txt - csv (StarCalc):44,34,76,1,,1033,false,false,false,false,false,1", "--outdir", dir, file).CombinedOutput()
	if err != nil {
		t.Fatalf("soffice: %v\n%s", err, said)
	}
	made, err := filepath.Glob(filepath.Join(dir, "*.csv"))
	if err != nil || len(made) != 1 {
		t.Fatalf("%v %v\n%s", made, err, said)
	}
	text, err := os.ReadFile(made[0])
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(bytes.NewReader(text)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for at, head := range rows[0] {
		name, _, _ := strings.Cut(head, " [")
		if head == "vin [V]" || head == "iout [A]" || !strings.Contains(head, " [") || strings.HasPrefix(head, "U(") {
			continue
		}
		for i, r := range b.Rows {
			got, err := strconv.ParseFloat(rows[r.Number-1][at], 64)
			if want := r.Points[0].Cells[name].SI; err != nil || math.Abs(got-want) > 1e-9*math.Abs(want) {
				t.Errorf("row %d, %s: %v, the record has %v: %v", i, head, got, want, err)
			}
		}
	}
	if rows[1][2] != "18" { // the user's own formula, 2*A2
		t.Errorf("C2 is %q", rows[1][2])
	}
}
