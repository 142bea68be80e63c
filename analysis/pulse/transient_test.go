package pulse_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"fourwire/analysis/pulse"
)

// loadStep is the answer of a series R-L output with a capacitor to a step of its load from 1 to 2 A: 3.3 V less R I, as a
// second-order system with zeta and omega. The figures of a circuit simulation (ngspice 39.3, netlist of a 1 A step out of
// R-L-C) are checked apart; here the same form has a closed solution.
func loadStep(ring float64, w0, zeta, shift float64) form {
	wd := w0 * math.Sqrt(1-zeta*zeta)
	return func(t float64) float64 {
		if t < 0 {
			return 3.3
		}
		// a pure second-order droop: -ring e^(-zeta w0 t) sin(wd t) and a shift that comes in without overshoot
		return 3.3 - ring*math.Exp(-zeta*w0*t)*math.Sin(wd*t) - shift*(1-math.Exp(-w0*t))
	}
}

// truthOf searches a form for its extremes beyond a level, from where it first passes it, and the last place outside a band.
func truthOf(f form, final, band, from, to float64) (droop, droopAt, over, settled float64) {
	const steps = 400000
	first, passed := f(from)-final, false
	for i := range steps {
		t := from + (to-from)*float64(i)/steps
		d := f(t) - final
		if math.Abs(d) > band {
			settled = t
		}
		// what the signal has to go to its final value is no deviation
		if passed = passed || d*first <= 0; !passed {
			continue
		}
		if -d > droop {
			droop, droopAt = -d, t
		}
		over = max(over, d)
	}
	return droop, droopAt, over, settled
}

func TestLoadStepCoverage(t *testing.T) {
	ts := &tallies{of: map[string]*tally{}}
	r := rand.New(rand.NewPCG(16, 40))
	for _, c := range []struct {
		name              string
		ring, zeta, shift float64
		band              float64
	}{
		{"ringing", 0.10, 0.2, 0.02, 0.010},
		{"well damped", 0.15, 0.7, 0.00, 0.015},
		{"line step", -0.10, 0.5, -0.01, 0.010},
	} {
		const w0 = 2 * math.Pi * 30e3
		f := loadStep(c.ring, w0, c.zeta, c.shift)
		final := 3.3 - c.shift
		droop, droopAt, over, settled := truthOf(f, final, c.band, 0, 400e-6)
		for range draws() {
			tr, shift := sampled(f, -100e-6, 400e-6, 2e-7, 0.001, r)
			a, err := pulse.AnswerToStep(tr, pulse.StepOptions{AtSeconds: shift, Band: c.band})
			if err != nil {
				t.Fatal(err)
			}
			ts.add("baseline: "+c.name, a.Baseline, 3.3, "")
			ts.add("final: "+c.name, a.Final, final, "")
			ts.add("offset: "+c.name, a.Offset, -c.shift, "")
			ts.add("droop: "+c.name, a.Droop, droop, hidden)
			ts.add("overshoot: "+c.name, a.Overshoot, over, hidden)
			if c.ring > 0 {
				ts.add("droop at: "+c.name, a.DroopAt, droopAt, "the stretch on which noise hides the top")
			}
			ts.add("recovery: "+c.name, a.Recovery, settled, ambiguous)
		}
	}
	ts.judge(t)
}

// TestLoadStepOfACircuit has a 1 A step out of 20 mohm and 0.3 uH with 94 uF at the output. Circuit-simulator results (ngspice
// 39.3, netlist rlc-step): minimum 3.238752 V at 9.440 us after the step, first overshoot 3.303443 V, final value 3.28 V, first
// passage of it upward after 18.876 us.
func TestLoadStepOfACircuit(t *testing.T) {
	const resistance, inductance, capacitance = 0.02, 0.3e-6, 94e-6
	w0 := 1 / math.Sqrt(inductance*capacitance)
	zeta := resistance / 2 * math.Sqrt(capacitance/inductance)
	wd := w0 * math.Sqrt(1-zeta*zeta)
	// y'' + 2 zeta w0 y' + w0^2 y = 0 for the deviation y from 3.28 V, with y(0) = 0.02 V and y'(0) = -1 A / C
	a := 0.02
	b := (-1/capacitance + zeta*w0*a) / wd
	f := func(s float64) float64 {
		if s < 0 {
			return 3.3
		}
		return 3.28 + math.Exp(-zeta*w0*s)*(a*math.Cos(wd*s)+b*math.Sin(wd*s))
	}
	for _, noise := range []float64{0, 0.0005} {
		tr, shift := sampled(f, -60e-6, 290e-6, 5e-8, noise, rand.New(rand.NewPCG(3, 3)))
		got, err := pulse.AnswerToStep(tr, pulse.StepOptions{AtSeconds: shift, Band: 0.01})
		if err != nil {
			t.Fatal(err)
		}
		wide := max(1, noise/1e-4)
		near(t, "baseline", got.Baseline, 3.3, 2e-5*wide)
		near(t, "final", got.Final, 3.28, 2e-5*wide)
		near(t, "droop", got.Droop, 3.28-3.238752, 5e-5*wide)
		near(t, "droop at", got.DroopAt, 9.440e-6, 1e-7*wide)
		near(t, "overshoot", got.Overshoot, 3.303443-3.28, 5e-5*wide)
		near(t, "offset", got.Offset, -0.02, 3e-5*wide)
		if got.Peak.X >= 0 {
			t.Errorf("the peak of a load step upward is %g", got.Peak.X)
		}
		if got.Swings < 3 || got.Swings > 12 {
			t.Errorf("%d swings of a badly damped answer", got.Swings)
		}
		final := pulse.Trace[float64]{Samples: tr.Samples, IntervalSeconds: tr.IntervalSeconds, StartSeconds: tr.StartSeconds}
		crossing, err := pulse.Instant(final, 3.28, true, shift+12e-6)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "passage", crossing, shift+18.876e-6, 3e-8*wide)
	}
}

// TestStepWithinTheBand has an answer that never leaves the band: it recovers at once.
func TestStepWithinTheBand(t *testing.T) {
	tr, _ := sampled(loadStep(0.01, 2e5, 0.5, 0), -1e-4, 4e-4, 2e-7, 0.0005, rand.New(rand.NewPCG(1, 1)))
	a, err := pulse.AnswerToStep(tr, pulse.StepOptions{Band: 0.05})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "recovery", a.Recovery, 0, 0)
	if _, err = pulse.AnswerToStep(tr, pulse.StepOptions{Band: 0.05, AtSeconds: 1}); err == nil {
		t.Error("a step outside the trace is taken")
	}
	if _, err = pulse.AnswerToStep(tr, pulse.StepOptions{}); err == nil {
		t.Error("a step without a band is taken")
	}
}

// TestInrushCoverage has the current of a capacitor charged through a resistor behind a short rise, I = E/R e^(-t/RC): charge
// CE and energy out of the source CE^2 (textbook), less what lies outside the window.
func TestInrushCoverage(t *testing.T) {
	ts := &tallies{of: map[string]*tally{}}
	r := rand.New(rand.NewPCG(17, 40))
	const volts, peak, tau, steady = 12.0, 10.0, 1e-3, 0.5
	f := func(t float64) float64 {
		if t < 0 {
			return 0
		}
		return steady + peak*math.Exp(-t/tau)
	}
	// the band of 2 % of the peak value about the final current is entered here
	top := steady + peak
	end := tau * math.Log(peak/(0.02*top))
	charge := steady*end + peak*tau*(1-math.Exp(-end/tau))
	square := steady*steady*end + 2*steady*peak*tau*(1-math.Exp(-end/tau)) + peak*peak*tau/2*(1-math.Exp(-2*end/tau))
	for range draws() {
		tr, shift := sampled(f, -2e-3, 15e-3, 5e-6, 0.05, r)
		source := make([]float64, len(tr.Samples))
		for i := range source {
			source[i] = volts + 0.01*r.NormFloat64()
		}
		got, err := pulse.InrushOf(tr, source, pulse.InrushOptions{})
		if err != nil {
			t.Fatal(err)
		}
		const jump = "the rise lies between two samples"
		ts.add("peak", got.Peak, top, jump)
		ts.add("start", got.Start, shift, jump)
		ts.add("duration", got.Duration, end, ambiguous)
		ts.add("charge", got.Charge, charge, jump)
		ts.add("I2t", got.I2t, square, jump)
		ts.add("energy", got.Energy, volts*charge, jump)
		ts.add("final", got.Final, steady, "")
	}
	ts.judge(t)
}

func TestStartUpAndHoldUp(t *testing.T) {
	ts := &tallies{of: map[string]*tally{}}
	r := rand.New(rand.NewPCG(18, 40))
	soft := func(t float64) float64 { return 5 * min(1, max(0, t-2)/4) } // a soft start of 4 ms after 2 ms
	dipping := func(t float64) float64 {
		return soft(t) - 0.6*math.Exp(-(t-4.5)*(t-4.5)/0.04)
	}
	decay := func(t float64) float64 { return 5 * math.Exp(-max(0, t-20)/30) }
	mains := func(t float64) float64 {
		if t > 10 {
			return 0
		}
		return 12
	}
	deepest := 0.0
	highest := 0.0
	for i := range 4000 {
		v := dipping(2.4 + 3.2*float64(i)/4000)
		highest = max(highest, v)
		deepest = max(deepest, highest-v)
	}
	for range draws() {
		tr, shift := sampled(soft, -3, 14, 0.005, 0.05, r)
		got, err := pulse.StartUpOf(tr, pulse.StartUpOptions{AtSeconds: shift})
		if err != nil {
			t.Fatal(err)
		}
		ts.add("delay", got.Delay, 2.4, "")
		ts.add("rise", got.Rise, 3.2, "")
		ts.add("overshoot", got.Overshoot, 0, hidden)
		ts.add("settled", got.Settled, 2+0.98*4, corner)
		ts.add("no dip", got.Dip, 0, hidden)
		if !got.Monotonic {
			t.Errorf("a soft start is said to dip by %g", got.Dip.X)
		}
		tr, shift = sampled(dipping, -3, 14, 0.005, 0.05, r)
		if got, err = pulse.StartUpOf(tr, pulse.StartUpOptions{AtSeconds: shift}); err != nil {
			t.Fatal(err)
		}
		ts.add("dip", got.Dip, deepest/5, "the top and the bottom are each chosen among several means")
		ts.add("rise with a dip", got.Rise, 3.2, "")
		if got.Monotonic {
			t.Errorf("a dip of %.3g counts as monotonic: %+v", deepest/5, got.Dip)
		}
		in, shiftIn := sampled(mains, 0, 40, 0.02, 0.05, r)
		out, shiftOut := sampled(decay, 0, 40, 0.02, 0.02, r)
		hold, err := pulse.HoldUp(in, 6, out, 4.5, 0)
		if err != nil {
			t.Fatal(err)
		}
		ts.add("hold-up", hold, 20+30*math.Log(5/4.5)+shiftOut-10-shiftIn, "the input falls between two samples")
	}
	ts.judge(t)
}
