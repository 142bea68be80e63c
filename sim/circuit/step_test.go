package circuit_test

import (
	"math"
	"testing"
	"time"

	"fourwire/sim/circuit"
)

// Closed forms of the first-order response; the mean is what an integrating meter sees.
func TestLag(t *testing.T) {
	const tau = 1e-3
	for _, h := range []time.Duration{time.Nanosecond, 100 * time.Microsecond, time.Second} {
		x := h.Seconds() / tau
		l := circuit.NewLag(tau, h)
		near(t, "held", l.Next(1, 3), 3-2*math.Exp(-x), 1e-12)
		near(t, "mean", l.Mean(1, 3), 3+2*math.Expm1(-x)/x, 1e-12)
		// ramp from 3 to 3 + r: y = target - slope tau + (y0 - 3 + slope tau) e^-x
		r := 0.5
		slopeTau := r / x
		near(t, "ramp", l.NextRamp(1, 3, 3+r), 3+r-slopeTau+(1-3+slopeTau)*math.Exp(-x), 1e-9)
	}
	near(t, "no time constant", circuit.NewLag(0, time.Second).Next(1, 3), 3, 0)
	half, whole := circuit.NewLag(tau, 300*time.Microsecond), circuit.NewLag(tau, 600*time.Microsecond)
	near(t, "two halves", half.Next(half.Next(0, 1), 1), whole.Next(0, 1), 1e-14)
}

// Closed forms of all three kinds of damping; and a step in halves is the same step.
func TestSecondOrder(t *testing.T) {
	const w = 2 * math.Pi * 40e3
	for _, z := range []float64{0, 0.2, 0.5, 1, 1 + 1e-12, 3} {
		for _, h := range []time.Duration{time.Nanosecond, 2 * time.Microsecond, time.Millisecond} {
			o := circuit.NewSecondOrder(0, 1, -w*w, -2*z*w, h)
			x, v := o.Next(1, 0)
			s := h.Seconds()
			var wantX float64
			switch {
			case z < 1:
				wd := w * math.Sqrt(1-z*z)
				wantX = math.Exp(-z*w*s) * (math.Cos(wd*s) + z*w/wd*math.Sin(wd*s))
			case z < 1.1:
				wantX = math.Exp(-w*s) * (1 + w*s)
			default:
				wd := w * math.Sqrt(z*z-1)
				a, b := -z*w+wd, -z*w-wd
				wantX = (b*math.Exp(a*s) - a*math.Exp(b*s)) / (b - a)
			}
			if math.Abs(x-wantX) > 1e-9 {
				t.Errorf("damping %g, step %v: %.12g, want %.12g", z, h, x, wantX)
			}
			if h%2 == 0 {
				half := circuit.NewSecondOrder(0, 1, -w*w, -2*z*w, h/2)
				x2, v2 := half.Next(half.Next(1, 0))
				if math.Abs(x2-x) > 1e-9 || math.Abs(v2-v) > 1e-9*w {
					t.Errorf("damping %g, step %v: halves give %g, %g instead of %g, %g", z, h, x2, v2, x, v)
				}
			}
		}
	}
	strong := circuit.NewSecondOrder(0, 1, -1, -1e6, time.Hour) // cosh overflows unless the exponents are joined
	if x, v := strong.Next(1, 0); math.IsNaN(x) || math.IsNaN(v) || math.Abs(x) > 1 {
		t.Errorf("overdamped over an hour: %g, %g", x, v)
	}
}

// Published check values of the load step: 1 A into 44 uF, crossover 40 kHz and others.
func TestLoadStepOfAConverter(t *testing.T) {
	for _, row := range []struct {
		farad, hertz, damping, dipV, dipS, ratio float64
	}{
		{44e-6, 40e3, 0.5, 49.401e-3, 4.811e-6, 0.1630},
		{44e-6, 40e3, 0.2, 68.376e-3, 5.561e-6, 0.5266},
		{100e-6, 20e3, 0.35, 50.574e-3, 10.306e-6, 0.3092},
	} {
		const h = time.Nanosecond
		o := circuit.NewLoopOutput(circuit.LoopSetting{Farad: row.farad, CrossoverHz: row.hertz, Damping: row.damping}, 0, h)
		low, lowAt, high := 0.0, 0, 0.0
		for n := 1; n < 60_000; n++ {
			v := o.Next(1)
			if v < low {
				low, lowAt = v, n
			}
			high = max(high, v)
		}
		near(t, "dip", -low, row.dipV, 2e-5)
		near(t, "time of the dip", float64(lowAt)*1e-9, row.dipS, 3e-4)
		near(t, "next peak", high/-low, row.ratio, 4e-4)
	}
	for at, want := range map[time.Duration]float64{1: -19.886e-3, 2: -34.247e-3, 10: -24.431e-3, 20: 7.918e-3} {
		o := circuit.NewLoopOutput(circuit.LoopSetting{Farad: 44e-6, CrossoverHz: 40e3, Damping: 0.5}, 0, at*time.Microsecond)
		near(t, "deviation", o.Next(1), want, 7e-5) // one step of any length is exact
	}
	o := circuit.NewLoopOutput(circuit.LoopSetting{Farad: 44e-6, EsrOhm: 3e-3, CrossoverHz: 40e3, Damping: 0.5, RegulationOhm: 2e-3}, 0, time.Nanosecond)
	near(t, "first step by the series resistance", o.Next(1), -5e-3, 1e-2)
	for range 1_000_000 {
		o.Next(1)
	}
	near(t, "in the end", o.Next(1), -2e-3, 1e-9)
}

// Published table: source 3 V, brown-out at 1.8 V.
func TestPowerCapacitor(t *testing.T) {
	run := func(watts, ohm, farad float64, h time.Duration, euler bool) (at float64, volts float64) {
		p := circuit.NewPowerCapacitor(ohm, farad, h)
		volts = 3
		for n := time.Duration(0); n*h < 60*time.Millisecond; n++ {
			next, ok := p.Next(volts, 3, watts)
			if euler {
				next, ok = p.NextEuler(volts, 3, watts)
			}
			if !ok {
				return float64(n*h) * 1e-9, 0
			}
			if inside, crossed := circuit.Crossing(volts, next, 1.8, h); crossed {
				return (n*h + inside).Seconds(), 1.8
			}
			volts = next
		}
		return 0, volts
	}
	for _, row := range []struct{ watts, ohm, farad, at, volts float64 }{
		{0.25, 15, 100e-6, 1.830033e-3, 1.8},
		{0.25, 15, 1000e-6, 18.300333e-3, 1.8},
		{0.25, 15, 4700e-6, 0, 2.123815},
		{0.15, 15, 100e-6, 8.414157e-3, 1.8},
		{0.15, 20, 470e-6, 17.603283e-3, 1.8},
		{0.10, 15, 100e-6, 0, 2.366025},
	} {
		at, volts := run(row.watts, row.ohm, row.farad, 10*time.Microsecond, false)
		near(t, "time", at, row.at, 1e-5)
		near(t, "voltage", volts, row.volts, 1e-6)
	}
	// The study of the step width, true value 18.300333 ms; four digits for the first order.
	for _, row := range []struct {
		h            time.Duration
		euler, trapz float64
	}{
		{time.Microsecond, 18.3005e-3, 18.300333e-3},
		{10 * time.Microsecond, 18.3021e-3, 18.300332e-3},
		{100 * time.Microsecond, 18.3176e-3, 18.300283e-3},
		{time.Millisecond, 18.4674e-3, 18.2942e-3},
	} {
		at, _ := run(0.25, 15, 1000e-6, row.h, true)
		near(t, "backward Euler", at, row.euler, 6e-6)
		at, _ = run(0.25, 15, 1000e-6, row.h, false)
		near(t, "trapezoidal", at, row.trapz, 4e-6)
	}
}

func TestCrossing(t *testing.T) {
	for _, row := range []struct {
		before, after float64
		at            time.Duration
		crossed       bool
	}{
		{1, 3, 500, true}, {3, 1, 500, true}, {1, 2, 1000, true}, {3, 2, 1000, true}, {2, 3, 0, false}, {0, 1, 0, false},
		{math.NaN(), 3, 0, false},
	} {
		if at, crossed := circuit.Crossing(row.before, row.after, 2, 1000); at != row.at || crossed != row.crossed {
			t.Errorf("from %g to %g: %v, %v", row.before, row.after, at, crossed)
		}
	}
}

func TestSum(t *testing.T) {
	var s circuit.Sum
	s.Add(1e16)
	for range 1000 {
		s.Add(1)
	}
	s.Add(-1e16)
	near(t, "sum", s.Value(), 1000, 0)
}
