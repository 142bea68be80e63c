package drain_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"fourwire/analysis/drain"
)

func ccdf(x []float32) []drain.Above {
	h := drain.NewHistogram()
	h.Add(x)
	return h.CCDF()
}

func fill(x []float32, n int, amps float64) []float32 {
	for range n {
		x = append(x, float32(amps))
	}
	return x
}

// Published check values of the complementary distribution, P(X > x) strictly; CC-01 is a published table, the rest follows from formulas.
func TestCCDF(t *testing.T) {
	var binomial []float32 // CC-01: 4 draws at 0.1, of 10000
	for k, n := range []int{6561, 2916, 486, 36, 1} {
		binomial = fill(binomial, n, float64(k))
	}
	profile := fill(fill(fill(nil, 97500, 5e-6), 2000, 3e-3), 500, 12e-3) // CC-02
	const n = 1 << 18
	sine := wave(n, func(p float64) float64 { return math.Sin(2 * math.Pi * p) })
	ramp := wave(n, func(p float64) float64 { return 1 + 2*p })
	for _, c := range []struct {
		name       string
		x          []float32
		amps, want float64
		within     float64
	}{
		{"CC-01 at 0", binomial, 0, 0.3439, 1e-12},
		{"CC-01 at 1", binomial, 1, 0.0523, 1e-12},
		{"CC-01 at 2", binomial, 2, 0.0037, 1e-12},
		{"CC-01 at 3", binomial, 3, 0.0001, 1e-12},
		{"CC-01 at 4", binomial, 4, 0, 0},
		{"CC-02 at 1 uA", profile, 1e-6, 1, 0},
		{"CC-02 at 5 uA, strictly above", profile, 5e-6, 0.025, 1e-12},
		{"CC-02 at 1 mA", profile, 1e-3, 0.025, 1e-12},
		{"CC-02 at 3 mA", profile, 3e-3, 0.005, 1e-12},
		{"CC-02 at 12 mA", profile, 12e-3, 0, 0},
		// half a bin is 0.4 % of the current; at edges of bins (1.5 A, 2 A, 0.5 A, 0.75 A) the value is exact
		{"CC-04 ramp from 1 to 3, at 1.5: (b-x)/(b-a)", ramp, 1.5, 0.75, 1e-5},
		{"CC-04 at 2", ramp, 2, 0.5, 1e-5},
		{"CC-04 at 2.9", ramp, 2.9, 0.05, 0.006},
		{"CC-05 sine at -1", sine, -1.0001, 1, 0},
		{"CC-05 at -0.5", sine, -0.5, 0.666667, 1e-5},
		{"CC-05 at 0", sine, 0, 0.5, 1e-5},
		{"CC-05 at 0.5", sine, 0.5, 0.333333, 1e-5},
		{"CC-05 at 0.7071", sine, math.Sqrt2 / 2, 0.25, 0.002},
		{"CC-05 at 0.9", sine, 0.9, 0.143566, 0.004},
		{"CC-05 at 1", sine, 1, 0, 0},
	} {
		if got := drain.FractionAbove(ccdf(c.x), c.amps); math.Abs(got-c.want) > c.within {
			t.Errorf("%s: %g, want %g", c.name, got, c.want)
		}
	}
	// a bin has its upper edge and not its lower one: what is at an edge is not above it, though its neighbour in the bin above is
	if got := drain.FractionAbove(ccdf([]float32{1, 1, 1, 1.001}), 1); got != 0.25 {
		t.Errorf("%g of the time above 1, want 0.25", got)
	}
	// CC-02 and CC-06: the area is the mean, 124.875 uA; a day of it is 10.7892 C
	near(t, "the area of CC-02", drain.Area(ccdf(profile)), 124.875e-6, 1e-7)
	near(t, "a day of CC-02", drain.Area(ccdf(profile))*86400, 10.7892, 1e-6)
	// CC-03: 0.960961 of the charge is drawn above 1 mA
	h := drain.NewHistogram()
	h.Add(profile)
	var above, all float64
	for _, b := range h.Bins() {
		all += b.Sum
		if b.Mean() > 1e-3 {
			above += b.Sum
		}
	}
	near(t, "the share of charge above 1 mA", above/all, 0.960961, 1e-6)
}

// CC-06, with negative currents too: mean = integral of P(X > x) over x > 0, less that of P(X <= x) over x < 0.
func TestAreaIsTheMean(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	for _, c := range []struct {
		name string
		draw func() float64
	}{
		{"noise about zero", func() float64 { return 1e-9 * rng.NormFloat64() }},
		{"all below the first edge", func() float64 { return 1e-12 * rng.Float64() }},
		{"nA to A", func() float64 { return math.Pow(10, -9+9*rng.Float64()) }},
		{"negative", func() float64 { return -math.Pow(10, -9+9*rng.Float64()) }},
		{"either sign", func() float64 { return rng.NormFloat64() + 0.5 }},
		{"zero and ones", func() float64 { return float64(rng.IntN(2)) }},
		{"above 1024 A", func() float64 { return 2000 * rng.Float64() }},
	} {
		x := make([]float32, 20000)
		var sum, sizes float64
		for i := range x {
			x[i] = float32(c.draw())
			sum += float64(x[i])
			sizes += math.Abs(float64(x[i]))
		}
		steps := ccdf(x)
		if got, want := drain.Area(steps), sum/float64(len(x)); math.Abs(got-want) > 1e-6*math.Abs(want)+1e-12*sizes/float64(len(x)) {
			t.Errorf("%s: area %.12g, mean %.12g", c.name, got, want)
		}
		for i := 1; i < len(steps); i++ {
			if steps[i].Amps <= steps[i-1].Amps || steps[i].Fraction >= steps[i-1].Fraction {
				t.Fatalf("%s: %+v does not fall after %+v", c.name, steps[i], steps[i-1])
			}
		}
		// the truth by sorting, at the edges of bins
		for _, amps := range []float64{-1, -1.0 / 1024, 0, 1.0 / 1024, 0.25, 1} {
			n := 0
			for _, v := range x {
				if float64(v) > amps {
					n++
				}
			}
			if got, want := drain.FractionAbove(steps, amps), float64(n)/float64(len(x)); math.Abs(got-want) > 1e-12 {
				t.Errorf("%s: %g of the time above %g, counted %g", c.name, got, amps, want)
			}
		}
	}
}
