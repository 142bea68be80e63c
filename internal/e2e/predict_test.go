package e2e

import (
	"math"
	"testing"
)

// What the fit predicts before anything is connected must be what the run then reports: U of every measured and derived value
// at every point within 10 %, and the time within a factor of two (what the device itself needs to settle, and to discharge at
// the end, is not known before).
//
// The example states one efficiency for all loads. Where a current lies within a few percent of the end of a range, another
// figure would predict the other range there, and with it another U.
func TestPredictedUncertaintyIsWhatTheRunReports(t *testing.T) {
	c, s := whole(t, "efficiency.yaml", options{})
	if s.Points != 60 {
		t.Fatalf("%d points", s.Points)
	}
	fit := c.plan.Fit
	per := len(fit.Forecast) / s.Points
	if per < 8 || per*s.Points != len(fit.Forecast) || fit.Cut {
		t.Fatalf("%d predictions for %d points, cut %v", len(fit.Forecast), s.Points, fit.Cut)
	}
	worst := 0.0
	for i, f := range fit.Forecast {
		p := c.points[i/per]
		cell, ok := p.Cells[f.Name]
		if !ok {
			t.Fatalf("point %d has no %s", p.Number, f.Name)
		}
		off := f.U/cell.U - 1
		worst = math.Max(worst, math.Abs(off))
		if !(math.Abs(off) <= 0.10) {
			t.Errorf("point %d (%s): U of %s is predicted as %.3g, the run reports %.3g (%+.0f %%), value %.4g for %.4g, ranges %v", p.Number, f.At, f.Name, f.U, cell.U, 100*off, f.Value, cell.SI, p.Ranges)
		}
	}
	t.Logf("%d predictions, the worst is off by %.1f %%", len(fit.Forecast), 100*worst)
	if part := c.plan.Predicted.Seconds() / s.Elapsed.Seconds(); part < 0.5 || part > 2 {
		t.Errorf("%s predicted, the run took %s", c.plan.Predicted, s.Elapsed)
	}
	t.Logf("%s predicted, %s taken", c.plan.Predicted, s.Elapsed)
}
