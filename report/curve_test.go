package report_test

import (
	"math"
	"slices"
	"testing"

	"fourwire/quantity"
	"fourwire/record"
	"fourwire/report"
)

// A sweep that chose points of its own is drawn in the order of x; any other one in the order measured, which a hysteresis needs.
func TestRefinedCurvesAreDrawnInTheOrderOfX(t *testing.T) {
	rec := &record.Record{}
	rec.Columns = []record.Column{{Name: "io", Unit: "A", Dim: quantity.Current}, {Name: "vo", Unit: "V", Dim: quantity.Voltage}}
	rec.Curves = []record.Curve{{X: "io", Y: "vo"}}
	for i, x := range []float64{1, 3, 2, math.NaN(), 1.5} {
		rec.Rows = append(rec.Rows, record.Point{Number: i + 1, Valid: true, Settled: true, Cells: map[string]record.Cell{"io": {SI: x}, "vo": {SI: 5 - x/100}}})
	}
	numbers := func() (out []int) {
		for _, d := range report.New(rec).Curves[0].Lines[0].Dots {
			out = append(out, d.Number)
		}
		return out
	}
	if got := numbers(); !slices.Equal(got, []int{1, 2, 3, 4, 5}) {
		t.Errorf("as measured: %v", got)
	}
	rec.Log = append(rec.Log, record.Event{Kind: "refined"})
	if got := numbers(); !slices.Equal(got, []int{1, 5, 3, 2, 4}) {
		t.Errorf("refined: %v", got)
	}
}
