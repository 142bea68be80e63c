package sweep_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"fourwire/analysis/sweep"
	"fourwire/quantity"
	"fourwire/quantity/measured"
)

// The place of a jump is known to half a step, wherever it lies between the points: the stated error is that rectangle, and
// the truth is inside.
func TestCrossingOfAJumpIsKnownToHalfAStep(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for range 200 {
		truth := 4 + r.Float64()
		var l measured.Ledger
		var in, out []float64
		for i := range 31 {
			v := 3.75 + 0.05*float64(i)
			on := map[bool]float64{true: 0.93 * v, false: 0}[v >= truth] // in dropout the output follows the input
			in, out = append(in, v), append(out, on)
		}
		at, err := sweep.Crossing(exact(quantity.Voltage, in...), exact(quantity.Voltage, out...), one(2.5, quantity.Voltage), sweep.Rising, &l)
		if err != nil {
			t.Fatal(err)
		}
		if limit := at.Std() * math.Sqrt(3); math.Abs(limit-0.025) > 1e-9 || math.Abs(at.X-truth) > limit+1e-12 {
			t.Fatalf("%v V with a limit of %v V, truth %v V", at.X, limit, truth)
		}
	}
}

// On a smooth curve the stated error holds what the straight line misses, without making much more of it.
func TestInterpolationOfABend(t *testing.T) {
	for _, c := range []struct {
		name string
		f    func(x float64) float64
	}{
		{"a parabola", func(x float64) float64 { return x * x }},
		{"an exponential", math.Exp},
		{"a hollow", func(x float64) float64 { return 1 / (1 + x) }},
		{"a turning point", func(x float64) float64 { return math.Sin(2 * x) }},
	} {
		var worst float64
		for start := range 20 {
			var xs, ys []float64
			for i := range 12 {
				x := 0.013*float64(start) + 0.3*float64(i)
				xs, ys = append(xs, x), append(ys, c.f(x))
			}
			for k := range 40 {
				x0 := xs[1] + (xs[10]-xs[1])*float64(k)/40
				var l measured.Ledger
				y, err := sweep.At(exact(quantity.Voltage, ys...), exact(quantity.Current, xs...), one(x0, quantity.Current), &l)
				if err != nil {
					t.Fatal(err)
				}
				missed, limit := math.Abs(y.X-c.f(x0)), y.Std()*math.Sqrt(3)
				if missed > limit+1e-9 {
					t.Errorf("%s at %v: missed %v, limit %v", c.name, x0, missed, limit)
				}
				worst = max(worst, limit)
			}
		}
		if span := c.f(3.5) - c.f(0); worst > 0.4*math.Abs(span)+0.3 {
			t.Errorf("%s: a limit of %v is no use", c.name, worst)
		}
	}
}

// A straight line hides nothing.
func TestInterpolationOfALine(t *testing.T) {
	var l measured.Ledger
	y, err := sweep.At(exact(quantity.Voltage, 5, 4.9, 4.8, 4.7), exact(quantity.Current, 0, 1, 2, 3), one(1.5, quantity.Current), &l)
	if err != nil || math.Abs(y.X-4.85) > 1e-12 || y.Std() > 1e-12 {
		t.Errorf("%v ± %v, %v", y.X, y.Std(), err)
	}
}
