package report_test

import (
	"path/filepath"
	"testing"

	"fourwire/record"
	"fourwire/record/trace"
	"fourwire/report"
	"fourwire/report/reporttest"
)

// Of a stretch that is shown closer, only signals are drawn in which something was looked for there, or which move.
func TestWhatIsShownCloser(t *testing.T) {
	bins := func(low, high float64) []trace.Bin { return []trace.Bin{{Count: 9, Min: low, Max: high, Mean: low}} }
	tr := report.Trace{Head: trace.Head{Signals: []trace.Signal{{Name: "looked at"}, {Name: "moves"}, {Name: "rests"}}},
		Overview: [][]trace.Bin{bins(0, 5), bins(0, 3), bins(0, 1.2)}, Capture: &record.Capture{Figures: []record.Figures{{Of: "moves"}, {Of: "looked at"}}}}
	c := report.Closer{Of: []int{1}, Bins: [][]trace.Bin{bins(5, 5.001), bins(0.5, 1), bins(1.199, 1.2)}}
	for i, want := range []bool{true, true, false} {
		if got := tr.Happens(i, c); got != want {
			t.Errorf("%s: %v", tr.Head.Signals[i].Name, got)
		}
	}
}

// An instant alone, such as the cause of a transient in which nothing was found, is not shown closer; an instant with a peak beside it is.
func TestAnInstantAloneIsNotShownCloser(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "r")
	if err := reporttest.WriteCapture(dir, false); err != nil {
		t.Fatal(err)
	}
	var c record.Capture
	closer := func(keep int) int {
		rec, err := record.Open(dir)
		if err != nil {
			t.Fatal(err)
		}
		r := report.New(rec)
		if keep > 0 {
			c = *r.Traces[0].Capture
			c.Figures[0].Marks = c.Figures[0].Marks[:keep] // cause, band, droop
			putInto(t, dir, record.AnalysisFolder+"/edge.capture.json", c)
			return len(report.New(rec).Traces[0].Closer)
		}
		return len(r.Traces[0].Closer)
	}
	if whole, alone := closer(0), closer(2); whole != 1 || alone != 0 {
		t.Errorf("%d pictures with the droop, %d without", whole, alone)
	}
}
