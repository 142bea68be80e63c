package pulse_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"fourwire/analysis/pulse"
)

// shorted makes the samples of an output of 5 V and 1 A that is shorted from 0 on, by formulas: the definitions of the figures say what they must come to.
// The short is 50 mohm; its current has a discharge of 20 A and 100 us on top of what the device gives; once it has gone the output comes up in a straight
// line, and goes beyond by 4 % with 200 us.
type shorted struct {
	lasts, rise float64                 // s
	gives       func(t float64) float64 // A, of the device, at a time within the short
	waits       float64                 // s, behind the short, until it comes up; +Inf: it never does
	noise       float64                 // V and A, standard deviation
}

const (
	dt     = 10e-6
	before = 1000
)

func (s shorted) trace(n int) (pulse.Trace[float32], []float32) {
	random := rand.New(rand.NewPCG(7, 9))
	v, i := make([]float32, n), make([]float32, n)
	for k := range v {
		t := float64(k-before)*dt + dt/2
		volts, amps := 5.0, 1.0
		switch up := t - s.lasts - s.waits; {
		case t < 0:
		case t < s.lasts:
			amps = s.gives(t) + 20*math.Exp(-t/100e-6)
			volts = 0.05 * amps
		case up < 0:
			volts, amps = 0, 0
		case up < s.rise:
			volts = 5 * up / s.rise
			amps = volts / 5
		default:
			volts = 5 + 0.2*math.Exp(-(up-s.rise)/200e-6)
		}
		v[k], i[k] = float32(volts+s.noise*random.NormFloat64()), float32(amps+s.noise*random.NormFloat64())
	}
	return pulse.Trace[float32]{Samples: v, IntervalSeconds: dt, StartSeconds: -before * dt}, i
}

func always(amps float64) func(float64) float64 { return func(float64) float64 { return amps } }

// tries gives amps for on in every period.
func tries(amps, on, period float64) func(float64) float64 {
	return func(t float64) float64 {
		if math.Mod(t, period) < on {
			return amps
		}
		return 0
	}
}

func TestOverload(t *testing.T) {
	const none = -1
	for name, c := range map[string]struct {
		shorted
		knows, knowsU                                    float64 // what is said of how long it lasts
		limit, mean, limiting, lasts, recovery, returned float64
		starts                                           int
		period, trip                                     float64
	}{
		// the discharge, 20 A exp(-t/100 us), is within a tenth of 4.5 A from 100 us ln(20/0.45) = 379 us on; its charge is 20 A 100 us
		"limits": {shorted: shorted{lasts: 50e-3, rise: 300e-6, gives: always(4.5), noise: 2e-3}, limit: 4.5, mean: 4.5 + 20*100e-6/50e-3, limiting: 379e-6, lasts: 50e-3,
			recovery: 300e-6 + 200e-6*math.Log(0.2/0.1), returned: 1, trip: none},
		// one of 41 ms at 0, 41, 82 and 123 ms; the short ends at 130 ms, in the pause; the next try would be at 164 ms
		"hiccup": {shorted: shorted{lasts: 130e-3, rise: 300e-6, waits: 34e-3, gives: tries(4.5, 1e-3, 41e-3), noise: 2e-3}, knows: 130e-3, knowsU: 2e-3, limit: 4.5,
			mean: (4*4.5*1e-3 + 20*100e-6) / 130e-3, limiting: 379e-6, lasts: 130e-3, recovery: 34e-3 + 300e-6 + 200e-6*math.Log(2), returned: 1, starts: 3, period: 41e-3, trip: 1e-3},
		// nobody says when the short ended: between the last try that shows it and the output that comes up
		"hiccup, not known": {shorted: shorted{lasts: 130e-3, rise: 300e-6, waits: 34e-3, gives: tries(4.5, 1e-3, 41e-3), noise: 2e-3}, limit: 4.5,
			mean: (4*4.5*1e-3 + 20*100e-6) / 130e-3, limiting: 379e-6, lasts: (124e-3 + 164e-3) / 2, recovery: 20e-3 + 300e-6, returned: 1, starts: 3, period: 41e-3, trip: 1e-3},
		"latched": {shorted: shorted{lasts: 50e-3, waits: math.Inf(1), gives: tries(4.5, 2e-3, 1), noise: 2e-3}, knows: 50e-3, knowsU: 1e-3, limit: 4.5,
			mean: (4.5*2e-3 + 20*100e-6) / 50e-3, limiting: 379e-6, lasts: 50e-3, recovery: none, trip: 2e-3},
	} {
		t.Run(name, func(t *testing.T) {
			volts, amps := c.trace(25000)
			got, err := pulse.OverloadOf(volts, amps, pulse.OverloadOptions{LastsSeconds: c.knows, LastsU: c.knowsU})
			if err != nil {
				t.Fatal(err)
			}
			near := func(what string, f pulse.Figure, want, most float64) {
				t.Helper()
				if want == none {
					if f.OK() {
						t.Errorf("%s is %g, there is none", what, f.X)
					}
					return
				}
				if !f.OK() || math.Abs(f.X-want) > 1.5*f.U+dt/2 || f.U > most {
					t.Errorf("%s %g +/- %g (%s), want %g, known to %g", what, f.X, f.U, f.Missing, want, most)
				}
			}
			near("limit", got.Limit, c.limit, 0.02)
			near("mean", got.Mean, c.mean, 0.15*c.mean)
			near("limiting", got.Limiting, c.limiting, 30e-6)
			near("lasts", got.Lasts, c.lasts, 25e-3)
			near("recovery", got.Recovery, c.recovery, 25e-3)
			near("trip", got.Trip, c.trip, 20e-6)
			near("returns", got.Returns, c.returned, 0)
			near("peak", got.Peak, c.gives(0)+20*math.Exp(-0.05), 1.2)
			near("before", got.Before, 5, 1e-3)
			if got.Starts != c.starts {
				t.Errorf("%d starts, want %d", got.Starts, c.starts)
			}
			if c.period > 0 {
				near("period", got.Period, c.period, 1e-5)
			}
			if c.returned > 0 {
				near("overshoot", got.Overshoot, 0.04, 0.01)
			}
		})
	}
}

func TestOverloadThatIsNone(t *testing.T) {
	volts, amps := shorted{lasts: 50e-3, rise: 300e-6, gives: always(4.5)}.trace(25000)
	flat := make([]float32, len(amps))
	for k := range flat {
		flat[k] = 1
	}
	got, err := pulse.OverloadOf(volts, flat, pulse.OverloadOptions{})
	if err != nil || got.Limit.Missing != pulse.NoOverload || got.Returns.OK() {
		t.Errorf("%v, %+v", err, got)
	}
	if _, err := pulse.OverloadOf(volts, amps[:10], pulse.OverloadOptions{}); err == nil {
		t.Error("ten samples of amps beside 25000 of volts are taken")
	}
	// a trace that ends in the pause of a hiccup says nothing about its coming back
	volts, amps = shorted{lasts: 130e-3, rise: 300e-6, waits: 34e-3, gives: tries(4.5, 1e-3, 41e-3)}.trace(15500)
	got, err = pulse.OverloadOf(volts, amps, pulse.OverloadOptions{LastsSeconds: 130e-3, LastsU: 1e-3})
	if err != nil || got.Returns.Missing != pulse.EndsTooSoon {
		t.Errorf("%v, returns %+v", err, got.Returns)
	}
}
