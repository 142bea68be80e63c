package workbook_test

import (
	"bytes"
	"encoding/csv"
	"encoding/xml"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/xuri/excelize/v2"

	"fourwire/record"
	"fourwire/report"
	"fourwire/report/reporttest"
	"fourwire/report/workbook"
)

func openDrain(t *testing.T, o reporttest.Drain) (*report.Report, []byte, *excelize.File) {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "r")
	if err := reporttest.WriteDrain(dir, o); err != nil {
		t.Fatal(err)
	}
	rec, err := record.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	r := report.New(rec)
	data, err := workbook.Make(r)
	if err != nil {
		t.Fatal(err)
	}
	f, err := excelize.OpenReader(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return r, data, f
}

// The calculation engine of the library, which is no part of this project, must get the figures of the record from the formulas.
func TestBatteryFormulasGiveTheRecord(t *testing.T) {
	r, _, f := openDrain(t, reporttest.Drain{Seconds: 1000})
	if err := f.UpdateLinkedValue(); err != nil {
		t.Fatal(err)
	}
	get := func(sheet, cell string) float64 {
		t.Helper()
		text, err := f.CalcCellValue(sheet, cell, excelize.Options{RawCellValue: true})
		if err != nil {
			t.Fatalf("%s!%s: %v", sheet, cell, err)
		}
		x, err := strconv.ParseFloat(text, 64)
		if err != nil {
			t.Fatalf("%s!%s is %q", sheet, cell, text)
		}
		return x
	}
	same := func(what string, got, want, within float64) {
		t.Helper()
		if math.Abs(got-want) > within*math.Abs(want) {
			t.Errorf("%s: %v, the record has %v", what, got, want)
		}
	}
	d := r.Traces[0].Drain
	for i, s := range d.States {
		row := strconv.Itoa(5 + i)
		same(s.Name+" share", get("States", "G"+row), s.Share, 1e-9)
		same(s.Name+" share of the time", get("States", "H"+row), s.TimeShare, 1e-9)
		if s.Seconds > 0 {
			same(s.Name+" mean", get("States", "E"+row), s.MeanAmps, 1e-9)
		}
	}
	same("years", get("Life", "B3"), d.Life[0].Hours/8766, 1e-9)
	rows, err := f.GetRows("Trace", excelize.Options{RawCellValue: true})
	if err != nil {
		t.Fatal(err)
	}
	last := len(rows)
	if last != 32+2000+1 || rows[last-1][0] != "total" {
		t.Fatalf("%d rows, the last is %v", last, rows[last-1])
	}
	// the charge of the decimated trace is that of all samples: nothing is lost by decimating
	same("charge of the trace", get("Trace", "J"+strconv.Itoa(last)), r.Traces[0].Statement.CoulombsReceived, 1e-9)
}

// ECMA-376, part 1, 18.5.1.2: a table has a range, a filter and one column for each head.
func TestEventsAreATable(t *testing.T) {
	r, data, f := openDrain(t, reporttest.Drain{Seconds: 1000})
	rows, err := f.GetRows("Events", excelize.Options{RawCellValue: true})
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) != 1+r.Traces[0].Drain.Count {
		t.Fatalf("%d rows for %d events", len(rows), r.Traces[0].Drain.Count)
	}
	var table struct {
		Ref        string `xml:"ref,attr"`
		AutoFilter struct {
			Ref string `xml:"ref,attr"`
		} `xml:"autoFilter"`
		Columns []struct {
			Name string `xml:"name,attr"`
		} `xml:"tableColumns>tableColumn"`
	}
	if err := xml.Unmarshal(part(t, data, "xl/tables/table1.xml"), &table); err != nil {
		t.Fatal(err)
	}
	want := fmt.Sprintf("A1:H%d", len(rows))
	if table.Ref != want || table.AutoFilter.Ref != want || len(table.Columns) != 8 || table.Columns[7].Name != "kind" {
		t.Errorf("the table is %+v, want %s", table, want)
	}
	for i, e := range r.Traces[0].Drain.Events {
		q, _ := strconv.ParseFloat(rows[i+1][2], 64)
		if math.Abs(q-e.Coulombs) > 1e-5*e.Coulombs || rows[i+1][7] != r.Traces[0].Drain.Kinds[e.Kind].Name {
			t.Errorf("event %d is %v, the record has %v C", i, rows[i+1], e.Coulombs)
		}
	}
}

// Both axes of the distribution, and the values of the trace, are logarithmic (ECMA-376, part 1, 21.2.2.97).
func TestChartsOfCurrentsAreLogarithmic(t *testing.T) {
	_, data, _ := openDrain(t, reporttest.Drain{Seconds: 130})
	logs := map[string]int{}
	for n := 1; n <= 4; n++ {
		text := strings.ReplaceAll(string(part(t, data, fmt.Sprintf("xl/charts/chart%d.xml", n))), "&#39;", "'")
		for _, sheet := range []string{"'Trace'", "'States'", "'CCDF'", "'Chart data'"} {
			if strings.Contains(text, sheet) {
				logs[sheet] = strings.Count(text, "<logBase")
			}
		}
	}
	if logs["'Trace'"] != 1 || logs["'CCDF'"] != 2 || logs["'States'"] != 0 || logs["'Chart data'"] != 0 {
		t.Errorf("logarithmic axes: %v", logs)
	}
}

func TestBatteryBookIsTheSameEveryTimeAndHarmless(t *testing.T) {
	_, first, f := openDrain(t, reporttest.Drain{Seconds: 130, Gap: true, Hostile: true})
	if _, again, _ := openDrain(t, reporttest.Drain{Seconds: 130, Gap: true, Hostile: true}); !bytes.Equal(first, again) {
		t.Error("the same record made another workbook")
	}
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
}

// LibreOffice opens the workbook and works the shares out as the record has them.
func TestLibreOfficeGetsTheShares(t *testing.T) {
	office, err := exec.LookPath("soffice")
	if err != nil || testing.Short() {
		t.Skip("soffice is not installed")
	}
	r, data, f := openDrain(t, reporttest.Drain{Seconds: 200})
	dir := t.TempDir()
	path := filepath.Join(dir, "day.xlsx")
	if err := os.WriteFile(path, data, 0o666); err != nil {
		t.Fatal(err)
	}
	number, err := f.GetSheetIndex("States")
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(office, "-env:UserInstallation=file://"+filepath.ToSlash(dir)+"/profile", "--headless", "--convert-to",
		fmt.Sprintf(`csv:Text - txt - csv (StarCalc):44,34,76,1,,0,false,false,false,false,false,%d`, number+1), "--outdir", dir, path)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("soffice: %v\n%s", err, out)
	}
	found, _ := filepath.Glob(filepath.Join(dir, "*.csv"))
	if len(found) != 1 {
		t.Fatalf("soffice made %v", found)
	}
	text, err := os.ReadFile(found[0])
	if err != nil {
		t.Fatal(err)
	}
	reader := csv.NewReader(bytes.NewReader(text))
	reader.FieldsPerRecord = -1
	rows, err := reader.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for i, s := range r.Traces[0].Drain.States {
		row := rows[4+i]
		share, err := strconv.ParseFloat(strings.TrimSpace(strings.TrimSuffix(row[6], "%")), 64)
		if err != nil || row[0] != s.Name || math.Abs(share-100*s.Share) > 1e-6 {
			t.Errorf("state %s: %v, the record has %v", s.Name, row, s.Share)
		}
	}
}
