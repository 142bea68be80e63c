package report_test

import (
	"testing"

	"fourwire/record"
	"fourwire/report"
)

// A limit may be written from either end; what is good is on the same side, and the margin of a pass is not below zero.
func TestLimitWrittenFromEitherEnd(t *testing.T) {
	for _, c := range []struct {
		text, side string
		bound      float64
		margin     float64
		lower      bool
	}{
		{"n >= 1.6", record.AtLeast, 1.6, 0.15, true},
		{"1.6 <= n", record.AtLeast, 1.6, 0.15, true},
		{"n <= 1.9", record.AtMost, 1.9, 0.15, false},
		{"1.9 > n", record.AtMost, 1.9, 0.15, false},
		{"n <= 1.9", "", 1.9, 0.15, false}, // a record that does not say the side
	} {
		rec := &record.Record{Manifest: record.Manifest{
			Verdicts: []record.Verdict{{Point: 1, Limit: c.text, Side: c.side, Outcome: record.Pass, Value: 1.75, U: 0.01, Bound: c.bound, Unit: "1", Rule: "simple acceptance"}}},
			Rows: []record.Point{{Number: 1, Valid: true, Settled: true, Cells: map[string]record.Cell{"n": {SI: 1.75, U: 0.01, Biggest: "gain"}}}},
		}
		l := report.New(rec).Limits[0]
		g, ok := l.Gauge()
		if diff := l.Margin - c.margin; diff > 1e-12 || diff < -1e-12 || l.Biggest != "gain" || !ok || g.Lower != c.lower {
			t.Errorf("%s (%q): margin %v, biggest %q, picture %+v %v", c.text, c.side, l.Margin, l.Biggest, g, ok)
		}
	}
}
