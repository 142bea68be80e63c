package report_test

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"fourwire/quantity"
	"fourwire/record"
	"fourwire/report"
	"fourwire/report/reporttest"
)

func load(t *testing.T, o reporttest.Options) *record.Record {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "r")
	if err := reporttest.Write(dir, o); err != nil {
		t.Fatal(err)
	}
	rec, err := record.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	return rec
}

// The uncertainty is given with two digits and the value to the same place: JCGM 100:2008, clause 7.2.6.
func TestNumbersAreRoundedToTheirUncertainty(t *testing.T) {
	for _, c := range []struct {
		name  string
		si, u float64
		dim   quantity.Dimension
		want  string
	}{
		{"a mass of the guide, 7.2.2, in volts here", 100.02147, 0.00079, quantity.Voltage, "(100.02147 ± 0.00079) V"},
		{"milliamperes", 0.0500304, 0.000226, quantity.Current, "(50.03 ± 0.23) mA"},
		{"a ratio in percent", 0.9012345, 0.0034, quantity.Ratio, "(90.12 ± 0.34) %"},
		{"no uncertainty", 12, math.NaN(), quantity.Voltage, "12 V"},
		{"zero uncertainty says as much", 12, 0, quantity.Voltage, "12 V"},
		{"uncertainty larger than the value", 0.001, 0.02, quantity.Voltage, "(1 ± 20) mV"},
		{"uncertainty above the tens", 123456, 1500, quantity.Time, "(123500 ± 1500) s"},
		{"temperature", 296.15, 0.5, quantity.Temperature, "(23.00 ± 0.50) °C"},
		{"a unit with a Greek letter", 0.0152, 0.0001, quantity.Resistance, "(15.20 ± 0.10) mΩ"},
		{"no value", math.NaN(), 1, quantity.Voltage, "no value"},
		{"nothing", 0, math.NaN(), quantity.Current, "0 A"},
		{"negative", -0.0853, 0.016, quantity.Power, "(-85 ± 16) mW"},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := report.WithU(c.si, c.u, c.dim); got != c.want {
				t.Errorf("got %s, want %s", got, c.want)
			}
		})
	}
}

func TestLimitsOfAMixedRun(t *testing.T) {
	r := report.New(load(t, reporttest.Options{Mixed: true}))
	if want := "1 of 4 limits failed, 3 met; 7 comparisons could not be judged."; r.Headline != want {
		t.Errorf("headline %q, want %q", r.Headline, want)
	}
	var got []string
	for _, l := range r.Limits {
		got = append(got, fmt.Sprintf("%s %s %d of %d, point %d, margin %s", l.Text, l.Outcome, l.Counts.Pass, len(l.Verdicts), l.Closest.Point, l.MarginText()))
	}
	want := []string{
		"vo >= 4.9 V pass 58 of 60, point 60, margin 30.2 mV",
		"vo <= 5.1 V pass 58 of 60, point 1, margin 81.1 mV",
		"loss <= 1.32 W fail 56 of 60, point 60, margin -85 mW",
		"efficiency >= 88 % pass 26 of 27, point 52, margin 2.51 % points",
	}
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	var order []record.Outcome
	for _, v := range r.Limits[2].Open() {
		order = append(order, v.Outcome)
	}
	if fmt.Sprint(order) != "[fail undecided not judged not judged]" {
		t.Errorf("open verdicts %v: the worst first", order)
	}
}

func TestHeadlines(t *testing.T) {
	v := func(limit string, o record.Outcome) record.Verdict {
		return record.Verdict{Limit: limit, Outcome: o, Value: 1, Bound: 1, Unit: "V"}
	}
	blind := func(limit string) record.Verdict {
		x := v(limit, record.Undecided)
		x.Why = "the point is not valid: 3 ms missing"
		return x
	}
	for _, c := range []struct {
		name string
		in   []record.Verdict
		want string
	}{
		{"no limits", nil, "Nothing was judged: the sequence sets no limit."},
		{"one", []record.Verdict{v("a > 1 V", record.Pass)}, "The one limit is met."},
		{"all", []record.Verdict{v("a > 1 V", record.Pass), v("b > 1 V", record.Pass)}, "All 2 limits met."},
		{"undecided", []record.Verdict{v("a > 1 V", record.Undecided), v("b > 1 V", record.Pass)}, "1 of 2 limits undecided: too close to the limit for the uncertainty; 1 met."},
		{"undecided for want of a value", []record.Verdict{blind("a > 1 V"), v("b > 1 V", record.Pass)}, "1 of 2 limits undecided: no valid value to decide by; 1 met."},
		{"undecided for both", []record.Verdict{blind("a > 1 V"), v("b > 1 V", record.Undecided)}, "2 of 2 limits undecided: too close to the limit for the uncertainty, or no valid value to decide by."},
		{"fail and undecided", []record.Verdict{v("a > 1 V", record.Undecided), v("b > 1 V", record.Fail)}, "1 of 2 limits failed, 1 undecided."},
		{"not judged", []record.Verdict{v("a > 1 V", record.NotJudged)}, "No limit could be judged."},
		{"partly judged", []record.Verdict{v("a > 1 V", record.NotJudged), v("a > 1 V", record.Pass)}, "The one limit is met; 1 comparison could not be judged."},
	} {
		rec := &record.Record{Manifest: record.Manifest{Verdicts: c.in, Counts: record.Count(c.in)}}
		if got := report.New(rec).Headline; got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
	cut := &record.Record{Manifest: record.Manifest{End: record.End{Reason: "no answer"}}}
	if got := report.New(cut).Headline; got != "Nothing was judged before the run ended." {
		t.Errorf("ended early: %q", got)
	}
}

// The thresholds are a matter of choice; that higher voltages get stronger words is not.
func TestCautionsFollowTheVoltage(t *testing.T) {
	for _, c := range []struct{ volts, want string }{{"..18 V", "Up to 18 V"}, {"..48 V", "CAUTION: up to 48 V"}, {"..60 V", "WARNING: up to 60 V"}, {"-75..5 V", "WARNING: up to 75 V"}, {"", "does not tell"}} {
		rec := &record.Record{Manifest: record.Manifest{Start: record.Start{Guards: []record.Guard{{Node: "dut.in", Volts: c.volts}}}}}
		all := fmt.Sprint(report.New(rec).Cautions)
		if !strings.Contains(all, c.want) || !strings.Contains(all, "not an emergency stop") || !strings.Contains(all, "Local codes") {
			t.Errorf("guard %s: %s", c.volts, all)
		}
	}
}

func TestCurvesKeepInvalidPointsApart(t *testing.T) {
	r := report.New(load(t, reporttest.Options{Mixed: true}))
	if len(r.Curves) != 2 || len(r.Curves[0].Lines) != 3 || r.Curves[0].Lines[1].Name != "vin = 12 V" {
		t.Fatalf("curves %+v", r.Curves)
	}
	dots := r.Curves[0].Lines[0].Dots
	if dots[19].Joined() || math.IsNaN(dots[19].Y) {
		t.Errorf("the invalid point is %+v: it keeps its value and is not joined", dots[19])
	}
	if gap := r.Curves[0].Lines[1].Dots[3]; !math.IsNaN(gap.Y) {
		t.Errorf("the point over range has the efficiency %v", gap.Y)
	}
}

func TestCurveOfAMissingColumnSaysSo(t *testing.T) {
	rec := load(t, reporttest.Options{})
	rec.Curves = []record.Curve{{X: "io", Y: "nothing"}}
	if c := report.New(rec).Curves[0]; c.Missing != "the record has no column nothing" {
		t.Errorf("missing: %q", c.Missing)
	}
}

func TestJSONIsOneDocument(t *testing.T) {
	data, err := report.JSON(load(t, reporttest.Options{Mixed: true}))
	if err != nil {
		t.Fatal(err)
	}
	var d struct {
		Fourwire, Outcome, Headline string
		Exit, Points                int
		Limits                      []struct {
			Limit  string
			Margin *float64
		}
		Verdicts []struct{ Value *float64 }
		Results  []struct{ Value *float64 }
	}
	if err := json.Unmarshal(data, &d); err != nil {
		t.Fatal(err)
	}
	if d.Fourwire != "result/1" || d.Outcome != "fail" || d.Exit != 1 || d.Points != 60 || len(d.Limits) != 4 || len(d.Verdicts) != 207 {
		t.Errorf("%+v", d)
	}
	if d.Results[1].Value != nil {
		t.Error("a result without a value is not null")
	}
	if math.Abs(*d.Limits[2].Margin+0.0850) > 0.001 {
		t.Errorf("margin of %s is %v", d.Limits[2].Limit, *d.Limits[2].Margin)
	}
}

func form(name string) report.Form {
	return report.Form{Name: name, Make: func(r *report.Report) ([]byte, error) {
		return fmt.Appendf(nil, "%s\n%v\n", r.Headline, r.Notices), nil
	}}
}

func TestBuildMakesTheSameAgain(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "r")
	if err := reporttest.Write(dir, reporttest.Options{}); err != nil {
		t.Fatal(err)
	}
	var before []byte
	for range 2 {
		if err := report.Build(dir, form(report.PageFile), form(report.JUnitFile)); err != nil {
			t.Fatal(err)
		}
		page, err := os.ReadFile(filepath.Join(dir, report.PageFile))
		if err != nil {
			t.Fatal(err)
		}
		if before != nil && string(page) != string(before) {
			t.Errorf("made again, it differs:\n%s\n%s", before, page)
		}
		before = page
	}
	rec, err := record.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	if changed, err := rec.Verify(); err != nil || len(changed) > 0 {
		t.Errorf("after the reports were made: %q %v", changed, err)
	}
	for _, f := range report.New(rec).Inputs {
		if f.Path == report.PageFile {
			t.Error("the report lists itself")
		}
	}
}

func TestReportOfAChangedRecordSaysSo(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "r")
	if err := reporttest.Write(dir, reporttest.Options{}); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "inputs", "line.yaml"), []byte("other"), 0o666); err != nil {
		t.Fatal(err)
	}
	if err := report.Build(dir, form(report.PageFile)); err != nil {
		t.Fatal(err)
	}
	page, err := os.ReadFile(filepath.Join(dir, report.PageFile))
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(page), "inputs/line.yaml was changed after the run") {
		t.Errorf("%s", page)
	}
}

func TestRunThatNeverEndedHasAReport(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "r")
	if err := reporttest.Write(dir, reporttest.Options{Unended: true}); err != nil {
		t.Fatal(err)
	}
	if err := report.Build(dir, form(report.PageFile)); err != nil {
		t.Fatal(err)
	}
	page, err := os.ReadFile(filepath.Join(dir, report.PageFile))
	if err != nil || !strings.Contains(string(page), "The run ended early") {
		t.Errorf("%s %v", page, err)
	}
}

func ExampleWithU() {
	fmt.Println(report.WithU(0.9012345, 0.0034, quantity.Ratio))
	fmt.Println(report.WithU(0.0500304, math.NaN(), quantity.Current))
	// Output:
	// (90.12 ± 0.34) %
	// 50.0304 mA
}
