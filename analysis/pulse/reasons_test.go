package pulse_test

import (
	"encoding/binary"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"fourwire/analysis/pulse"
	"fourwire/quantity"
	"fourwire/quantity/measured"
)

func TestWhatIsMissing(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 2))
	noisy := func(f form, from, to float64) pulse.Trace[float64] {
		tr, _ := sampled(f, from, to, 0.01, 0.01, r)
		return tr
	}
	flat := func(float64) float64 { return 3 }
	exact := func(f form, from, to float64) pulse.Trace[float64] {
		tr, _ := sampled(f, from, to, 0.01, 0, nil)
		return tr
	}
	for _, c := range []struct {
		name string
		tr   pulse.Trace[float64]
		o    pulse.Options
		find func(pulse.Report) pulse.Figure
		want pulse.Reason
	}{
		{"noise alone", noisy(flat, 0, 10), pulse.Options{}, func(r pulse.Report) pulse.Figure { return r.High }, pulse.OneState},
		{"a constant", exact(flat, 0, 10), pulse.Options{}, func(r pulse.Report) pulse.Figure { return r.Amplitude }, pulse.OneState},
		{"a ramp from end to end", noisy(ramp, 0, 1), pulse.Options{}, func(r pulse.Report) pulse.Figure { return r.High }, pulse.NoState},
		{"an exponential from its start", exact(onePole, 0, 10), pulse.Options{}, func(r pulse.Report) pulse.Figure { return r.High }, pulse.NoState},
		{"stated levels that nothing passes", exact(flat, 0, 10), pulse.Options{Levels: true, Low: 0, High: 5},
			func(r pulse.Report) pulse.Figure { return r.Period }, pulse.NoTransition},
		{"a transition that began before the trace", exact(func(t float64) float64 { return onePole(t + 0.2) }, 0, 12),
			pulse.Options{Levels: true, Low: 0, High: 1, References: [3]float64{0.1, 0.6, 0.9}},
			func(r pulse.Report) pulse.Figure { return r.Transitions[0].Duration }, pulse.CutOff},
		{"a transition that ends after it", exact(onePole, -5, 1.5), pulse.Options{Levels: true, Low: 0, High: 1},
			func(r pulse.Report) pulse.Figure { return r.Transitions[0].Last }, pulse.CutOff},
		{"a runt", exact(func(t float64) float64 { return ramp(t) - 0.2*raisedCosine(t) - 0.8*raisedCosine(t-4) + ramp(t-8) }, -5, 15),
			pulse.Options{Levels: true, Low: 0, High: 1}, func(r pulse.Report) pulse.Figure { return r.Transitions[0].Last }, pulse.TurnsBack},
		{"one transition has no period", exact(onePole, -5, 15), pulse.Options{}, func(r pulse.Report) pulse.Figure { return r.Frequency }, pulse.NoSecond},
		{"not settled", exact(secondOrder(0.1), -5, 20), pulse.Options{Levels: true, Low: 0, High: 1, Band: 0.01},
			func(r pulse.Report) pulse.Figure { return r.Transitions[0].Settled }, pulse.NotSettled},
		{"a band within the noise", noisy(ramp, -3, 4), pulse.Options{Band: 0.001},
			func(r pulse.Report) pulse.Figure { return r.Transitions[0].Settling }, pulse.TooNoisy},
	} {
		got := c.find(analysed(t, c.tr, c.o))
		if got.Missing != c.want {
			t.Errorf("%s: missing %q, want %q (%+v)", c.name, got.Missing, c.want, got)
		}
	}
	still, err := pulse.Delay(noisy(flat, 0, 10), true, noisy(flat, 0, 10), true, pulse.Options{}, pulse.Options{})
	if err != nil || still.Missing != pulse.OneState {
		t.Errorf("the delay of noise is %+v, %v", still, err)
	}
	never, err := pulse.Instant(exact(ramp, -1, 2), 1.5, true, -1)
	if err != nil || never.Missing != pulse.NotReached {
		t.Errorf("a level above the ramp is passed at %+v, %v", never, err)
	}
}

func TestWhatIsRefused(t *testing.T) {
	good, _ := sampled(onePole, -2, 8, 0.01, 0, nil)
	for _, c := range []struct {
		name   string
		change func(*pulse.Trace[float64], *pulse.Options)
		want   string
	}{
		{"a NaN", func(tr *pulse.Trace[float64], _ *pulse.Options) { tr.Samples[17] = math.NaN() }, "sample 17 is NaN"},
		{"an infinity", func(tr *pulse.Trace[float64], _ *pulse.Options) { tr.Samples[3] = math.Inf(-1) }, "sample 3 is -Inf"},
		{"no interval", func(tr *pulse.Trace[float64], _ *pulse.Options) { tr.IntervalSeconds = 0 }, "interval between samples is 0 s"},
		{"too few", func(tr *pulse.Trace[float64], _ *pulse.Options) { tr.Samples = tr.Samples[:5] }, "5 samples is too short"},
		{"a step below zero", func(tr *pulse.Trace[float64], _ *pulse.Options) { tr.Step = -1 }, "cannot be below zero"},
		{"references out of order", func(_ *pulse.Trace[float64], o *pulse.Options) { o.References = [3]float64{0.9, 0.5, 0.1} }, "must rise"},
		{"a band of all", func(_ *pulse.Trace[float64], o *pulse.Options) { o.Band = 0.5 }, "settling band"},
		{"levels upside down", func(_ *pulse.Trace[float64], o *pulse.Options) { o.Levels, o.Low, o.High = true, 2, 1 }, "low one must lie below"},
	} {
		tr, o := good, pulse.Options{}
		tr.Samples = append([]float64(nil), good.Samples...)
		c.change(&tr, &o)
		if _, err := pulse.Analyse(tr, o); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v", c.name, err)
		}
	}
}

func TestFigureAsMeasuredValue(t *testing.T) {
	var ledger measured.Ledger
	v, err := pulse.Figure{X: 2e-6, U: 4e-9}.Value(&ledger, "rise time", quantity.Time)
	if err != nil || v.X != 2e-6 || v.Expanded() != 4e-9 || v.Dim != quantity.Time {
		t.Errorf("%+v, %v", v, err)
	}
	if _, err = (pulse.Figure{Missing: pulse.OneState}).Value(&ledger, "rise time", quantity.Time); err == nil || !strings.Contains(err.Error(), "one state") {
		t.Errorf("a missing figure has the error %v", err)
	}
}

// FuzzAnalyse: whatever the samples are, no figure is NaN, none that exists has an uncertainty below zero, and instants are in
// order and within the trace.
func FuzzAnalyse(f *testing.F) {
	square := make([]byte, 0, 400)
	for i := range 200 {
		square = binary.LittleEndian.AppendUint16(square, uint16(i/50%2*40000+i%7))
	}
	f.Add(square, 1.0, 0.02)
	f.Add([]byte{0, 0, 0, 0, 0, 0, 0, 0, 255, 255, 255, 255, 255, 255, 255, 255, 0, 0, 1, 1}, 0.001, 0.1)
	f.Fuzz(func(t *testing.T, raw []byte, scale, band float64) {
		if len(raw) > 1<<14 || !(math.Abs(scale) < 1e30) {
			t.Skip()
		}
		tr := pulse.Trace[float64]{IntervalSeconds: 1e-6}
		for ; len(raw) >= 2; raw = raw[2:] {
			tr.Samples = append(tr.Samples, scale*float64(int16(binary.LittleEndian.Uint16(raw))))
		}
		r, err := pulse.Analyse(tr, pulse.Options{Band: band})
		if err != nil {
			return
		}
		sound := func(name string, f pulse.Figure) {
			if math.IsNaN(f.X) || math.IsInf(f.X, 0) || math.IsNaN(f.U) || math.IsInf(f.U, 0) || f.U < 0 {
				t.Errorf("%s is %+v", name, f)
			}
			if !f.OK() && (f.X != 0 || f.U != 0) {
				t.Errorf("%s is missing and has a number: %+v", name, f)
			}
		}
		last := 1e-6 * float64(len(tr.Samples))
		for _, x := range r.Transitions {
			for name, f := range map[string]pulse.Figure{"first": x.First, "middle": x.Middle, "last": x.Last, "duration": x.Duration,
				"slew": x.Slew, "overshoot": x.Overshoot, "undershoot": x.Undershoot, "preshoot": x.Preshoot, "settled": x.Settled,
				"settling": x.Settling, "overshoot at": x.OvershootAt} {
				sound(name, f)
			}
			for _, f := range []pulse.Figure{x.First, x.Middle, x.Last, x.Settled} {
				if f.OK() && !(f.X >= -1e-6 && f.X <= last) {
					t.Errorf("an instant lies outside the trace: %g s", f.X)
				}
			}
		}
		for _, p := range r.Pulses {
			for name, f := range map[string]pulse.Figure{"start": p.Start, "duration": p.Duration, "period": p.Period, "duty": p.Duty, "droop": p.Droop, "recovery": p.Recovery} {
				sound(name, f)
			}
		}
		for name, f := range map[string]pulse.Figure{"low": r.Low, "high": r.High, "amplitude": r.Amplitude, "period": r.Period, "frequency": r.Frequency} {
			sound(name, f)
		}
		if s, err := pulse.StartUpOf(tr, pulse.StartUpOptions{}); err == nil {
			sound("delay", s.Delay)
			sound("dip", s.Dip)
		}
		if a, err := pulse.AnswerToStep(tr, pulse.StepOptions{AtSeconds: last / 3, Band: max(1e-3, math.Abs(scale)*100)}); err == nil {
			sound("droop", a.Droop)
			sound("recovery", a.Recovery)
			sound("droop at", a.DroopAt)
		}
		if i, err := pulse.InrushOf(tr, tr.Samples, pulse.InrushOptions{}); err == nil {
			sound("charge", i.Charge)
			sound("energy", i.Energy)
			sound("I2t", i.I2t)
		}
		if p, err := pulse.RippleOf(tr, 1e5); err == nil {
			sound("RMS", p.RMS)
			sound("ripple frequency", p.Frequency)
			sound("mean cycle", p.Periodic)
		}
	})
}
