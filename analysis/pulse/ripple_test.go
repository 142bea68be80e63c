package pulse_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"fourwire/analysis/pulse"
)

// sawtooth swings between -0.5 and 0.5 with a frequency of 1.
func sawtooth(t float64) float64 { return t - math.Floor(t) - 0.5 }

// sineWave swings between -0.5 and 0.5.
func sineWave(t float64) float64 { return 0.5 * math.Sin(2*math.Pi*t) }

// TestRipple has shapes whose ratio of peak-to-peak to RMS is known: 3.464 for a sawtooth (published, a power-supply handbook),
// 2.828 for a sine.
func TestRipple(t *testing.T) {
	for _, c := range []struct {
		name      string
		f         form
		ratio     float64
		component float64 // amplitude of the fundamental: 1 / pi for a sawtooth (Fourier series)
	}{
		{"sawtooth", sawtooth, math.Sqrt(12), 1 / math.Pi},
		{"sine", sineWave, 2 * math.Sqrt2, 0.5},
	} {
		const hertz, step = 123456.7, 0.02 // V
		tr, _ := sampled(func(s float64) float64 { return 5 + 40*s + step*c.f(s*hertz) }, 0, 4e-3, 1e-7, 0, nil)
		r, err := pulse.RippleOf(tr, 5e6)
		if err != nil {
			t.Fatal(err)
		}
		near(t, c.name+" frequency", r.Frequency, hertz, 1e-5*hertz)
		near(t, c.name+" peak to peak", r.PeakToPeak, step, 0.02*step+40*4e-3)
		near(t, c.name+" RMS", r.RMS, step/c.ratio, 0.003*step)
		near(t, c.name+" component", r.Component, c.component*step, 0.01*step)
		near(t, c.name+" mean cycle", r.Periodic, step, 0.03*step)
		if r.RMS.X > r.PeakToPeak.X/2 {
			t.Errorf("%s: the RMS, %g, is more than half of the peak-to-peak value, %g", c.name, r.RMS.X, r.PeakToPeak.X)
		}
		if r.BandwidthHertz != 5e6 || r.Undersampled {
			t.Errorf("%s: bandwidth %g, undersampled %v", c.name, r.BandwidthHertz, r.Undersampled)
		}
		if math.Abs(r.Cycles-hertz*4e-3) > 0.1 {
			t.Errorf("%s: %g cycles", c.name, r.Cycles)
		}
	}
}

func TestRippleThatIsNone(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 1))
	for i := range 50 {
		tr, _ := sampled(func(float64) float64 { return 5 }, 0, 1e-3, 1e-6, 0.01, r)
		got, err := pulse.RippleOf(tr, 20e6)
		if err != nil {
			t.Fatal(err)
		}
		if got.Frequency.OK() || got.Frequency.Missing != pulse.NoRipple {
			t.Errorf("draw %d: noise has a frequency of %g Hz", i, got.Frequency.X)
		}
		near(t, "RMS of noise", got.RMS, 0.01, 4*0.01/math.Sqrt(2000))
		if !got.Undersampled {
			t.Error("1 MSa/s is said to show 20 MHz")
		}
	}
}

func TestRippleCoverage(t *testing.T) {
	ts := &tallies{of: map[string]*tally{}}
	r := rand.New(rand.NewPCG(15, 40))
	for range draws() {
		hertz := 900 + 200*r.Float64()
		phase := r.Float64()
		tr, _ := sampled(func(s float64) float64 { return 5 + sineWave(s*hertz+phase) }, 0, 0.05, 2e-5, 0.05, r)
		got, err := pulse.RippleOf(tr, 20e3)
		if err != nil {
			t.Fatal(err)
		}
		ts.add("frequency of a sine", got.Frequency, hertz, "")
		ts.add("its amplitude", got.Component, 0.5, "")
		ts.add("RMS of sine and noise", got.RMS, math.Sqrt(0.125+0.0025), "")
		ts.add("its mean cycle", got.Periodic, 1, "bins of the cycle are bounded, not drawn")
		tr, _ = sampled(func(s float64) float64 { return 5 + sawtooth(s*hertz+phase) }, 0, 0.05, 2e-5, 0.05, r)
		if got, err = pulse.RippleOf(tr, 20e3); err != nil {
			t.Fatal(err)
		}
		ts.add("frequency of a sawtooth", got.Frequency, hertz, "harmonics count as noise")
		ts.add("RMS of sawtooth and noise", got.RMS, math.Sqrt(1.0/12+0.0025), "the jump within one bin of the cycle counts as noise")
	}
	ts.judge(t)
}
