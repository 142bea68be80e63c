package pulse_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"fourwire/analysis/pulse"
)

// nearlyOnePole is one pole behind another that is 33 times faster: an output behind the filter of its digitiser.
func nearlyOnePole(t float64) float64 {
	const fast = 0.03
	if t <= 0 {
		return 0
	}
	return 1 - (math.Exp(-t)-fast*math.Exp(-t/fast))/(1-fast)
}

// passage is when a form first passes a share of its way, by bisection up to an instant at which it is beyond.
func passage(f form, share, beyond float64) float64 {
	low := -12.0
	for range 80 {
		if m := (low + beyond) / 2; f(m) < share {
			low = m
		} else {
			beyond = m
		}
	}
	return low
}

// TestCoverageAtAllRates has from three to hundreds of samples on an edge, and noise from 40 to 100 dB below the amplitude: what a fit does not
// follow must not hide in a noise that is small. The forms are exact, their instants bisected. Always: eight cells that a cubic alone leaves at
// 39 to 77 %; at length: all of them.
func TestCoverageAtAllRates(t *testing.T) {
	type cell struct {
		form   string
		number float64 // of samples from 10 % to 90 %
		noise  float64
	}
	forms := []struct {
		name             string
		f                form
		from, to, beyond float64
	}{
		{"one pole", onePole, -8, 20, 20}, {"nearly one pole", nearlyOnePole, -8, 20, 20}, {"two equal poles", twoPoles, -8, 24, 24}, {"gaussian", gaussianEdge, -12, 12, 12},
		{"ramp", ramp, -4, 5, 5}, {"raised cosine", raisedCosine, -4, 5, 5}, {"second order 0.3", secondOrder(0.3), -8, 40, 3.2}, {"second order 0.7", secondOrder(0.7), -8, 30, 4.2},
	}
	chosen := map[cell]bool{
		{"one pole", 6, 1e-2}: true, {"one pole", 12, 1e-2}: true, {"one pole", 25, 1e-4}: true, {"one pole", 50, 1e-3}: true,
		{"nearly one pole", 12, 1e-2}: true, {"nearly one pole", 100, 3e-4}: true, {"nearly one pole", 300, 1e-5}: true, {"nearly one pole", 300, 1e-4}: true,
	}
	long := os.Getenv("FOURWIRE_LONG") == "1"
	r := rand.New(rand.NewPCG(15, 40))
	pooled := &tallies{of: map[string]*tally{}}
	for _, f := range forms {
		t10, t50, t90 := passage(f.f, 0.1, f.beyond), passage(f.f, 0.5, f.beyond), passage(f.f, 0.9, f.beyond)
		for _, number := range []float64{3, 6, 12, 25, 50, 100, 300} {
			for _, noise := range []float64{1e-5, 1e-4, 3e-4, 1e-3, 3e-3, 1e-2} {
				c := cell{f.name, number, noise}
				if !long && !chosen[c] {
					continue
				}
				n := 120
				if long {
					n = 300
				}
				one := &tallies{of: map[string]*tally{}}
				for range n {
					tr, shift := sampled(f.f, f.from, f.to, (t90-t10)/number, noise, r)
					rep := analysed(t, tr, pulse.Options{})
					if len(rep.Transitions) == 0 {
						t.Fatalf("%v: %s", c, rep.Missing)
					}
					x := rep.Transitions[0]
					for _, ts := range []*tallies{one, pooled} {
						ts.add("10 %", x.First, t10+shift, "")
						ts.add("50 %", x.Middle, t50+shift, "")
						ts.add("90 %", x.Last, t90+shift, "")
						ts.add("10-90 %", x.Duration, t90-t10, "")
					}
				}
				for name, share := range one.shares() {
					// the worst cell holds 91 % of 1000 draws; less three to four standard deviations of so many
					if least := 0.91 - 3.5*math.Sqrt(0.91*0.09/float64(n)); share < least {
						t.Errorf("%s of %s, %g samples a rise, noise %g: the interval holds the truth in %.1f %% of %d draws", name, c.form, c.number, c.noise, 100*share, n)
					}
				}
			}
		}
	}
	text := ""
	for name, share := range pooled.shares() {
		text += fmt.Sprintf(" %s: %.1f %%", name, 100*share)
		if share < 0.92 {
			t.Errorf("%s: %.1f %% of all draws", name, 100*share)
		}
	}
	t.Logf("the intervals hold the truth in%s of %d draws", text, pooled.of["10 %"].draws)
}

// shares are how often the intervals hold the truth; a figure that is missing does not.
func (ts *tallies) shares() map[string]float64 {
	out := map[string]float64{}
	for name, c := range ts.of {
		out[name] = float64(c.held) / float64(c.draws)
	}
	return out
}
