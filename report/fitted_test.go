package report_test

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"fourwire/record"
	"fourwire/report"
	"fourwire/report/html"
	"fourwire/report/reporttest"
)

// A fit that is in the record stands in the report: parameters with U, points left out marked beside the curve, the law as a line of its own.
func TestFitsInTheReport(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "r")
	if err := reporttest.Write(dir, reporttest.Options{}); err != nil {
		t.Fatal(err)
	}
	fit := record.Fit{Name: "d1", Kind: "diode", Law: "V = n Vt ln(1 + I/Is) <b>", X: "v", XUnit: "V", Y: "i", YUnit: "A", LogY: true, Method: "least squares",
		Parameters: []record.FitParameter{{What: "ideality", About: "ideality factor", Name: "n_d", Unit: "1", Value: 1.752, U: 0.0034, Biggest: "d1 temperature"},
			{What: "series", Unit: "ohm", Value: math.NaN(), U: math.NaN()}},
		Used: 3, Compliance: 1,
		Points: []record.FitPoint{{X: 0.4, Y: 17e-6}, {X: 0.6, Y: 1.39e-3}, {X: 0.5, Y: -1e-9}, {X: 0.7, Y: 11.2e-3}, {X: 0.9, Y: 0.1, Left: "in compliance"}},
		Curves: []record.FitCurve{{X: []float64{0.4, 0.55, 0.7}, Y: []float64{17e-6, 0.46e-3, 11.2e-3}}}}
	data, err := json.Marshal(fit)
	if err != nil || strings.Contains(string(data), "NaN") {
		t.Fatalf("%v: %s", err, data)
	}
	file := filepath.Join(dir, filepath.FromSlash(record.FitFile("d1")))
	if err := os.MkdirAll(filepath.Dir(file), 0o777); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, data, 0o666); err != nil {
		t.Fatal(err)
	}
	rec, err := record.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	r := report.New(rec)
	if len(r.Fitted) != 1 {
		t.Fatalf("%d fits", len(r.Fitted))
	}
	f := r.Fitted[0]
	if f.Title != "Diode: d1" || f.Counts != "3 points; left out: 1 in compliance" || f.Parameters[0].Text != "1.7520 ± 0.0034" || f.Parameters[1].Text != "none" {
		t.Errorf("%q, %q, %q, %q", f.Title, f.Counts, f.Parameters[0].Text, f.Parameters[1].Text)
	}
	points, law := f.Curve.Lines[0], f.Curve.Lines[1]
	if points.Only != report.Marks || law.Only != report.Stroke || len(points.Dots) != 5 || points.Dots[4].Joined() || !math.IsNaN(points.Dots[2].Y) {
		t.Errorf("%+v", points)
	}
	page, err := html.Page(r)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"Diode: d1", "1.7520 ± 0.0034", "n_d", "d1 temperature", "left out: 1 in compliance", "I/Is) &lt;b&gt;"} {
		if !strings.Contains(string(page), want) {
			t.Errorf("the page has no %q", want)
		}
	}
}
