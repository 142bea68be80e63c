package workbook_test

import (
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"

	"fourwire/report/reporttest"
)

// The formulas of the sheet give the seconds and shares of the account: 50 s of 62.3 s are a wait.
func TestTimeSheetAddsUp(t *testing.T) {
	_, _, f := open(t, reporttest.Options{Time: true})
	rows, err := f.GetRows("Time")
	if err != nil {
		t.Fatal(err)
	}
	calculated := func(cell string) float64 {
		text, err := f.CalcCellValue("Time", cell)
		if err != nil {
			t.Fatalf("%s: %v", cell, err)
		}
		text = strings.TrimSpace(text)
		x, err := strconv.ParseFloat(strings.TrimRight(text, " %"), 64)
		if err != nil {
			t.Fatalf("%s is %q", cell, text)
		}
		if strings.HasSuffix(text, "%") {
			x /= 100
		}
		return x
	}
	found := 0
	part := ""
	for i, row := range rows {
		if len(row) == 0 {
			continue
		}
		r := strconv.Itoa(i + 1)
		switch {
		case len(row) == 1:
			part = row[0]
		case row[0] == "together":
			found++
			if x := calculated("B" + r); math.Abs(x-62.3) > 1e-3 {
				t.Errorf("together %v s", x)
			}
			if x := calculated("D" + r); math.Abs(x-57.1) > 1e-3 {
				t.Errorf("together %v s predicted", x)
			}
		case row[0] == "fixed wait" && part == "What would shorten it most":
			found++
			if x := calculated("D" + r); math.Abs(x-12.3) > 1e-3 {
				t.Errorf("without the wait %v s", x)
			}
		case row[0] == "fixed wait":
			found++
			if x := calculated("C" + r); math.Abs(x-50/62.3) > 1e-3 {
				t.Errorf("the wait has a share of %v", x)
			}
		case row[0] == "line 24":
			found++
			if x := calculated("C" + r); math.Abs(x-5.5/62.3) > 1e-3 {
				t.Errorf("line 24 has a share of %v", x)
			}
		}
	}
	if found != 4 {
		t.Errorf("%d of 4 rows are there:\n%q", found, rows)
	}
	if _, _, f := open(t, reporttest.Options{}); slices.Contains(f.GetSheetList(), "Time") {
		t.Error("a record without an account has a sheet of it")
	}
}
