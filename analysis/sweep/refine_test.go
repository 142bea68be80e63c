package sweep_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"sort"
	"testing"

	"fourwire/analysis/sweep"
)

// refined runs a sweep to its end.
func refined(t *testing.T, o sweep.Refining, measure func(x float64) (y, u float64)) ([]sweep.Taken, sweep.Choice) {
	t.Helper()
	var taken []sweep.Taken
	for {
		c, err := sweep.Refine(taken, o)
		if err != nil {
			t.Fatal(err)
		}
		if c.Done {
			sort.Slice(taken, func(i, j int) bool { return taken[i].X < taken[j].X })
			return taken, c
		}
		if len(taken) >= o.Budget {
			t.Fatalf("a point beyond the budget of %d: %+v", o.Budget, c)
		}
		if c.X < o.Low || c.X > o.High {
			t.Fatalf("%g lies outside of the range", c.X)
		}
		y, u := measure(c.X)
		taken = append(taken, sweep.Taken{X: c.X, Y: y, U: u})
	}
}

// missed is the greatest error of straight lines in ln x through points, outside of brackets.
func missed(taken []sweep.Taken, curve func(float64) float64, jumps []sweep.Bracket) float64 {
	worst := 0.0
	for i := 1; i < len(taken); i++ {
		a, b := taken[i-1], taken[i]
		inside := false
		for _, j := range jumps {
			inside = inside || a.X >= j.Low*(1-1e-12) && b.X <= j.High*(1+1e-12)
		}
		for k := 1; k < 40 && !inside; k++ {
			f := float64(k) / 40
			x := a.X * math.Pow(b.X/a.X, f)
			worst = max(worst, math.Abs(curve(x)-a.Y-f*(b.Y-a.Y)))
		}
	}
	return worst
}

// uniform is the least number of points, even in ln x, whose straight lines miss a curve by no more than a limit, outside of one
// gap that holds a jump (0: there is none). A number counts where the six after it do as well: else a point happens to lie on
// the corner.
func uniform(curve func(float64) float64, low, high, within, jump, bracket float64) int {
	good := 0
	for n := 5; ; n++ {
		var taken []sweep.Taken
		for i := range n {
			x := low * math.Pow(high/low, float64(i)/float64(n-1))
			taken = append(taken, sweep.Taken{X: x, Y: curve(x)})
		}
		var jumps []sweep.Bracket
		if jump > 0 {
			for i := 1; i < n; i++ {
				if taken[i-1].X <= jump && taken[i].X >= jump {
					jumps = append(jumps, sweep.Bracket{Low: taken[i-1].X, High: taken[i].X})
				}
			}
			if 1/float64(n-1) > bracket {
				continue
			}
		}
		if good++; missed(taken, curve, jumps) > within {
			good = 0
		}
		if good == 7 {
			return n - 6
		}
	}
}

// refinedCurves are efficiencies over 5 mA to 3 A by formula: with a bend where the converter changes its mode, with a step
// there, and smooth.
func refinedCurves() map[string]struct {
	curve      func(float64) float64
	jump, peak float64
} {
	skipping, continuous := converter(0.02, 0.35, 0.05), converter(0.16, 0.1, 0.05)
	stepped := converter(0.14, 0.25, 0.06)
	smooth := converter(0.05, 0.3, 0.06)
	smoothPeak, _ := top(0.05, 0.3, 0.06)
	bentPeak, _ := top(0.16, 0.1, 0.05)
	steppedPeak, _ := top(0.02, 0.35, 0.05)
	return map[string]struct {
		curve      func(float64) float64
		jump, peak float64
	}{
		"bend": {func(a float64) float64 { // as efficient at 0.6 A on both sides of the change, and rising faster behind it
			if a < 0.6 {
				return continuous(0.6) + skipping(a) - skipping(0.6)
			}
			return continuous(a)
		}, 0, bentPeak},
		"cusp": {func(a float64) float64 { return 0.92 - 0.04*math.Abs(math.Log(a/0.5)) }, 0, 0.5},
		"step": {func(a float64) float64 {
			if a < 0.9 {
				return skipping(a)
			}
			return stepped(a)
		}, 0.9, steppedPeak},
		"smooth": {smooth, 0, smoothPeak},
	}
}

func TestRefineSavesPoints(t *testing.T) {
	const low, high, within = 0.005, 3.0, 0.001 // 0.1 point
	for name, c := range refinedCurves() {
		o := sweep.Refining{Low: low, High: high, Log: true, Within: within, Budget: 200}
		taken, end := refined(t, o, func(x float64) (float64, float64) { return c.curve(x), 0 })
		n := uniform(c.curve, low, high, within, c.jump, 0.005)
		miss := missed(taken, c.curve, end.Jumps)
		t.Logf("%-6s %d points, %d evenly; misses by %.2g; %s; jumps %v", name, len(taken), n, miss, end.Reason, end.Jumps)
		if miss > within {
			t.Errorf("%s: straight lines miss by %.3g", name, miss)
		}
		if name != "smooth" && 2*len(taken) > n { // a smooth curve has little to save
			t.Errorf("%s: %d points, an even sweep needs %d", name, len(taken), n)
		}
		if c.jump > 0 {
			if len(end.Jumps) != 1 || !(end.Jumps[0].Low < c.jump && c.jump <= end.Jumps[0].High) {
				t.Fatalf("%s: the jump at %g A is not bracketed: %v", name, c.jump, end.Jumps)
			}
			if w := math.Log(end.Jumps[0].High/end.Jumps[0].Low) / math.Log(high/low); w > 0.005 {
				t.Errorf("%s: the bracket is %g of the range wide", name, w)
			}
		} else if len(end.Jumps) != 0 {
			t.Errorf("%s: jumps %v", name, end.Jumps)
		}
	}
}

// TestRefinedPeak draws scatter: the peak lies in its bracket in 95 % and more, and points do not go into noise.
func TestRefinedPeak(t *testing.T) {
	r := rand.New(rand.NewPCG(21, 1))
	const draws = 300
	for name, c := range refinedCurves() {
		for _, scatter := range []float64{0.0001, 0.0005} {
			held, points, width, spent := 0, 0, 0.0, 0
			for range draws {
				o := sweep.Refining{Low: 0.005, High: 3, Log: true, Within: 0.001, Budget: 80, Peak: 0.02}
				taken, end := refined(t, o, func(x float64) (float64, float64) { return c.curve(x) + scatter*r.NormFloat64(), 2 * scatter })
				points += len(taken)
				width += math.Log(end.PeakHigh / end.PeakLow)
				if len(taken) == o.Budget {
					spent++
				}
				if end.PeakLow <= c.peak && c.peak <= end.PeakHigh {
					held++
				}
			}
			share := float64(held) / draws
			t.Logf("%-6s scatter %g: held %.1f %%, %.1f points, bracket %.2f in ln x, budget spent %d times", name, scatter, 100*share, float64(points)/draws, width/draws, spent)
			if share < 0.95 {
				t.Errorf("%s with a scatter of %g: the peak is in its bracket in %.1f %%", name, scatter, 100*share)
			}
			if float64(points)/draws > 60 {
				t.Errorf("%s with a scatter of %g: %.1f points", name, scatter, float64(points)/draws)
			}
		}
	}
}

func TestRefineEnds(t *testing.T) {
	line := func(x float64) (float64, float64) { return 2*x + 1, 0 }
	o := sweep.Refining{Low: -1, High: 2, Within: 0.01, Budget: 50}
	if taken, end := refined(t, o, line); len(taken) != 7 || len(end.Jumps) != 0 {
		t.Errorf("a straight line takes %d points: %s", len(taken), end.Reason)
	}
	o.Budget = 5
	if taken, end := refined(t, o, line); len(taken) != 5 {
		t.Errorf("%d points of 5: %s", len(taken), end.Reason)
	}
	o.Budget = 9
	if taken, end := refined(t, o, func(x float64) (float64, float64) { return math.Abs(x - 0.1), 0 }); len(taken) != 9 || end.Reason != "the budget of 9 points is spent" {
		t.Errorf("%d points of 9: %s", len(taken), end.Reason)
	}
	// scatter alone draws no points
	r := rand.New(rand.NewPCG(2, 2))
	o.Budget = 100
	total := 0
	for range 50 {
		taken, _ := refined(t, o, func(float64) (float64, float64) { return 0.5 + 0.1*r.NormFloat64(), 0.2 })
		total += len(taken)
	}
	if total > 50*12 {
		t.Errorf("noise takes %d points in 50 sweeps of 7", total)
	}
	for name, bad := range map[string]sweep.Refining{
		"no range":        {Low: 1, High: 1, Within: 1, Budget: 9},
		"log from zero":   {Low: 0, High: 1, Log: true, Within: 1, Budget: 9},
		"no tolerance":    {Low: 0, High: 1, Budget: 9},
		"a seed of two":   {Low: 0, High: 1, Within: 1, Budget: 9, Seed: 2},
		"a bracket of 1.": {Low: 0, High: 1, Within: 1, Budget: 9, Peak: 1},
	} {
		if _, err := sweep.Refine(nil, bad); err == nil {
			t.Errorf("%s is taken", name)
		}
	}
	if _, err := sweep.Refine([]sweep.Taken{{X: 1, Y: math.NaN()}}, o); err == nil {
		t.Error("a NaN is taken")
	}
}

// The efficiency of the buoy's converter, whose mode changes at 0.4 A: after an even start, points go to where it bends.
func ExampleRefine() {
	taken := []sweep.Taken{}
	o := sweep.Refining{Low: 0.05, High: 3, Log: true, Within: 0.002, Budget: 30}
	for {
		c, err := sweep.Refine(taken, o)
		if err != nil || c.Done {
			fmt.Printf("%d points: %s\n", len(taken), c.Reason)
			fmt.Printf("a jump between %.3f and %.3f A\n", c.Jumps[0].Low, c.Jumps[0].High)
			return
		}
		efficiency := 5 * c.X / (5*c.X + 0.1 + 0.3*c.X + 0.06*c.X*c.X)
		if c.X < 0.4 {
			efficiency += 0.02
		}
		taken = append(taken, sweep.Taken{X: c.X, Y: efficiency})
	}
	// Output:
	// 18 points: straight lines follow the curve within 0.002
	// a jump between 0.400 and 0.404 A
}
