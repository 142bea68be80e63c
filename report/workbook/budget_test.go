package workbook_test

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"github.com/xuri/excelize/v2"

	"fourwire/report"
	"fourwire/report/reporttest"
)

// The standard uncertainties of the contributors, worked out by the sheet's own formulas, add up in squares to half of U (k = 2).
func TestBudgetSheetAddsUp(t *testing.T) {
	_, _, f := open(t, reporttest.Options{Mixed: true})
	if err := f.UpdateLinkedValue(); err != nil {
		t.Fatal(err)
	}
	rows, err := f.GetRows("Budget", excelize.Options{RawCellValue: true})
	if err != nil {
		t.Fatal(err)
	}
	number := func(cell string) float64 {
		t.Helper()
		text, err := f.CalcCellValue("Budget", cell, excelize.Options{RawCellValue: true})
		if err != nil {
			t.Fatal(err)
		}
		x, err := strconv.ParseFloat(text, 64)
		if err != nil {
			t.Fatalf("%s: %v", cell, err)
		}
		return x
	}
	sums := 0
	for i, r := range rows {
		if len(r) < 7 || r[6] != "together" {
			continue
		}
		sums++
		n := strconv.Itoa(i + 1)
		if u := number("E" + n); math.Abs(2*number("K"+n)/u-1) > 1e-4 {
			t.Errorf("row %s: the contributors come to %g, U is %g", n, number("K"+n), u)
		}
		if share := number("J" + n); math.Abs(share-1) > 1e-4 {
			t.Errorf("row %s: the shares come to %g", n, share)
		}
	}
	if sums != 5 {
		t.Errorf("%d budgets, three of the closest values have one and two derived columns beside them", sums)
	}
}

// What a cell shows must be what the guide asks for: two digits of U, the value to the same place (JCGM 100:2008, 7.2.6). The page rounds
// by other code, in its own unit.
func TestCellsShowValuesRoundedToTheirUncertainty(t *testing.T) {
	rec, _, f := open(t, reporttest.Options{})
	letters := pointsColumns(t, f)
	for i, p := range rec.Rows {
		for head, name := range map[string]string{"vo [V]": "vo", "pin [W]": "pin", "efficiency [1]": "efficiency", "ripple_bound [V]": "ripple_bound"} {
			n := strconv.Itoa(i + 2)
			value, _ := f.GetCellValue("Points", letters[head]+n)
			u, _ := f.GetCellValue("Points", letters["U("+name+")"+strings.TrimPrefix(head, name)]+n)
			want, wantU := report.Scale{Factor: 1}.Numbers(p.Cells[name].SI, p.Cells[name].U)
			if value != want || u != wantU {
				t.Errorf("%s of point %d shows %s and %s, want %s and %s", name, p.Number, value, u, want, wantU)
			}
		}
	}
	raw, _ := f.GetCellValue("Points", letters["vo [V]"]+"2", excelize.Options{RawCellValue: true})
	sameNumber(t, "the cell under the format", raw, rec.Rows[0].Cells["vo"].SI)
}

// A streamed sheet keeps its layout: landscape, one page wide (ECMA-376, part 1, 18.3.1.63 and 18.3.1.65).
func TestSheetsPrintOnePageWide(t *testing.T) {
	_, data, f := open(t, reporttest.Options{})
	for i, name := range f.GetSheetList() {
		text := string(part(t, data, "xl/worksheets/sheet"+strconv.Itoa(i+1)+".xml"))
		for _, want := range []string{`fitToPage="`, `fitToWidth="1"`, `orientation="landscape"`} {
			if strings.Count(text, want) != 1 {
				t.Errorf("%s has %s %d times", name, want, strings.Count(text, want))
			}
		}
	}
}

func TestVerdictsTellHowTheyWereDecided(t *testing.T) {
	_, _, f := open(t, reporttest.Options{Mixed: true})
	rows, err := f.GetRows("Verdicts")
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range rows {
		if len(r) > 13 && r[3] == "undecided (conditional fail)" {
			if r[8] != "four outcomes, w = U (k = 2)" || r[9] != "0.016" || !strings.Contains(r[13], "range of 1 A") {
				t.Errorf("%q", r)
			}
			if percent, err := strconv.ParseFloat(strings.Trim(r[10], " %"), 64); err != nil || percent < 30 || percent > 50 {
				t.Errorf("a value just beyond the limit is wrongly a fail with %s", r[10])
			}
			return
		}
	}
	t.Error("no verdict is undecided")
}

// A number that is wider than its column is shown as ###. The digits of the fonts in use are about one unit of width each (ECMA-376, part 1,
// 18.3.1.13).
func TestNumbersFitTheirColumns(t *testing.T) {
	rec, _, f := open(t, reporttest.Options{Mixed: true})
	for head, letter := range pointsColumns(t, f) {
		width, err := f.GetColWidth("Points", letter)
		if err != nil {
			t.Fatal(err)
		}
		for i := range rec.Rows {
			cell := letter + strconv.Itoa(i+2)
			shown, _ := f.GetCellValue("Points", cell)
			format := "General"
			if id, err := f.GetCellStyle("Points", cell); err == nil {
				if s, err := f.GetStyle(id); err == nil && s.CustomNumFmt != nil {
					format = *s.CustomNumFmt
				}
			}
			if _, err := strconv.ParseFloat(shown, 64); err == nil && format != "General" && float64(len(shown))+0.7 > width {
				t.Errorf("%s is %g wide and has to show %s", head, width, shown)
			}
		}
	}
}
