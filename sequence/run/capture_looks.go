package run

import (
	"fmt"
	"math"
	"slices"

	"fourwire/analysis/pulse"
	"fourwire/quantity"
	"fourwire/sequence"
)

// transition finds the passage that counts: the first one in a direction, 0 for either.
func transition(list []pulse.Transition, slope int) (*pulse.Transition, int) {
	for i := range list {
		if slope == 0 || list[i].Rising == (slope > 0) {
			return &list[i], i
		}
	}
	return nil, -1
}

// pulse looks for states and passages.
func (a *analysis) pulse() error {
	o := pulse.Options{}
	if s := a.step; s.Within.SI > 0 {
		o.Band = s.Within.SI
	}
	if s := a.step; s.High.Dim == a.dim() && s.High.SI > s.Low.SI {
		o.Levels, o.Low, o.High = true, s.Low.SI, s.High.SI
	}
	rep, err := pulse.Analyse(a.trace(a.signal), o)
	if err != nil {
		return err
	}
	why := rep.Missing
	if why == "" {
		why = pulse.NoTransition
	}
	none := pulse.Figure{Missing: why}
	t, _ := transition(rep.Transitions, a.step.Slope)
	rise, fall := none, none
	if up, _ := transition(rep.Transitions, 1); up != nil {
		rise = up.Duration
	}
	if down, _ := transition(rep.Transitions, -1); down != nil {
		fall = down.Duration
	}
	a.add("rise", rise, quantity.Time, ofTransition)
	a.add("fall", fall, quantity.Time, ofTransition)
	if t == nil {
		t = &pulse.Transition{Slew: none, Overshoot: none, Undershoot: none, Preshoot: none, Settling: none, Middle: none, First: none, Last: none, Settled: none}
	}
	low, high, swing := rep.Low, rep.High, rep.Amplitude
	if rep.Missing != "" {
		low, high, swing = none, none, none
	}
	a.add("slew", t.Slew, a.dim().Over(quantity.Time), ofSlew)
	a.add("overshoot", t.Overshoot, quantity.Ratio, ofShare)
	a.add("undershoot", t.Undershoot, quantity.Ratio, ofShare)
	a.add("preshoot", t.Preshoot, quantity.Ratio, ofShare)
	a.add("settling", t.Settling, quantity.Time, ofTime)
	a.add("low", low, a.dim(), ofLevel)
	a.add("high", high, a.dim(), ofLevel)
	a.add("amplitude", swing, a.dim(), ofDifference)
	a.add("delay", a.delay(t), quantity.Time, ofDelay)
	first := pulse.Pulse{Duration: none, Droop: none, Duty: none}
	if why := pulse.NoSecond; len(rep.Transitions) > 0 {
		first = pulse.Pulse{Duration: pulse.Figure{Missing: why}, Droop: pulse.Figure{Missing: why}, Duty: pulse.Figure{Missing: why}}
	}
	if len(rep.Pulses) > 0 {
		first = rep.Pulses[0]
	}
	a.add("width", first.Duration, quantity.Time, ofTime)
	a.add("droop", first.Droop, quantity.Ratio, ofShare)
	a.add("period", rep.Period, quantity.Time, ofTime)
	a.add("frequency", rep.Frequency, quantity.Frequency, ofTime)
	a.add("duty", first.Duty, quantity.Ratio, ofShare)
	a.levelMark("low", low)
	a.levelMark("high", high)
	a.instant("10 %", t.First)
	a.instant("50 %", t.Middle)
	a.instant("90 %", t.Last)
	a.instant("settled", t.Settled)
	return nil
}

// delay is from the cause to the middle of a passage.
func (a *analysis) delay(t *pulse.Transition) pulse.Figure {
	if !t.Middle.OK() {
		return t.Middle
	}
	cause := a.cause()
	if !cause.OK() {
		return cause
	}
	return pulse.Figure{X: t.Middle.X - cause.X, U: math.Hypot(t.Middle.U, cause.U)}
}

// cause is the instant that times count from: the middle of the passage of the edge's signal, or the trigger.
func (a *analysis) cause() pulse.Figure {
	if a.edge < 0 {
		return pulse.Figure{}
	}
	name := a.of.signals[a.edge].Name
	a.kept.Cause = "50 % of " + name
	tr := a.trace(a.edge)
	rep, err := pulse.Analyse(tr, pulse.Options{})
	if err == nil {
		if t, _ := transition(rep.Transitions, a.step.Slope); t != nil && t.Middle.OK() {
			return t.Middle
		}
	}
	if trig := a.of.step.Trigger; trig.On == sequence.OnLevel && trig.Signal == name && trig.Slope != 0 { // it rests in more than two states: the event is its passage
		if level, err := trig.Level.Eval(a.run); err == nil {
			if f, err := pulse.Instant(tr, level.Value.X, trig.Slope > 0, -8*a.of.every); err == nil && f.OK() {
				a.kept.Cause = fmt.Sprintf("%s of %s", level.Value.Quantity(), name)
				return f
			}
		}
	}
	why := rep.Missing
	if why == "" {
		why = pulse.NoTransition
	}
	if err != nil {
		why = pulse.Reason(err.Error())
	}
	return pulse.Figure{Missing: pulse.Reason("of " + name + ", the cause: " + string(why))}
}

// until is where the signal of the edge passes once more after the cause, s; 0: it does not.
func (a *analysis) until(from float64) float64 {
	if a.edge < 0 {
		return 0
	}
	tr := a.trace(a.edge)
	rep, err := pulse.Analyse(tr, pulse.Options{})
	if err == nil {
		for _, t := range rep.Transitions {
			if t.Middle.OK() && t.First.OK() && t.Middle.X > from+4*a.of.every {
				return t.First.X - a.of.every
			}
		}
	}
	return 0
}

// transient looks at the answer to a step.
func (a *analysis) transient() error {
	cause := a.cause()
	names := []string{"droop", "overshoot", "peak", "recovery", "shift", "baseline", "final", "swings"}
	if !cause.OK() {
		for _, name := range names {
			a.add(name, cause, a.dim(), ofDifference)
		}
		return nil
	}
	o := pulse.StepOptions{AtSeconds: cause.X, AtU: cause.U, UntilSeconds: a.until(cause.X), Band: 1}
	tr := a.trace(a.signal)
	band := a.step.Within
	if band.Dim == quantity.Ratio {
		part := band.SI
		if part == 0 {
			part = defaultBand
		}
		first, err := pulse.AnswerToStep(tr, o)
		if err != nil {
			return err
		}
		level := first.Final
		if !level.OK() || level.X == 0 {
			level = first.Baseline
		}
		if level.OK() && level.X != 0 {
			o.Band = part * math.Abs(level.X)
		}
	} else {
		o.Band = band.SI
	}
	s, err := pulse.AnswerToStep(tr, o)
	if err != nil {
		return err
	}
	for _, f := range []*pulse.Figure{&s.Droop, &s.Overshoot, &s.Peak} {
		if f.OK() && f.X == 0 && f.U < hidden*s.Noise {
			f.U = hidden * s.Noise
		}
	}
	a.peak("droop", s.Droop, a.rounding(s.Droop, s.DroopAt, s.OvershootAt))
	a.peak("overshoot", s.Overshoot, a.rounding(s.Overshoot, s.OvershootAt, s.DroopAt))
	a.peak("peak", s.Peak, max(a.rounding(s.Droop, s.DroopAt, s.OvershootAt), a.rounding(s.Overshoot, s.OvershootAt, s.DroopAt)))
	a.add("recovery", s.Recovery, quantity.Time, ofDelay)
	a.add("shift", s.Offset, a.dim(), ofDifference)
	a.add("baseline", s.Baseline, a.dim(), ofLevel)
	a.add("final", s.Final, a.dim(), ofLevel)
	a.add("swings", pulse.Figure{X: float64(s.Swings)}, quantity.Ratio, ofShare)
	if a.edge >= 0 {
		a.mark("cause", cause.X, nan, nan, nan)
	}
	if s.Final.OK() {
		a.mark("band", cause.X, orNaN(o.UntilSeconds), s.Final.X-o.Band, s.Final.X+o.Band)
	}
	a.levelMark("before", s.Baseline)
	for _, one := range []struct {
		text   string
		x, at  pulse.Figure
		figure float64
	}{{"droop", s.Droop, s.DroopAt, -1}, {"overshoot", s.Overshoot, s.OvershootAt, 1}} {
		if one.x.OK() && one.at.OK() && s.Final.OK() && one.x.X > 0 {
			a.mark(one.text, cause.X+one.at.X, nan, s.Final.X+one.figure*one.x.X, nan)
		}
	}
	if s.Recovery.OK() && s.Recovery.X > 0 {
		a.mark("recovered", cause.X+s.Recovery.X, nan, nan, nan)
	}
	if b := a.bandwidth(a.signal); b > 0 {
		a.note("peaks shorter than about %s are rounded off by the bandwidth of %s, %s", quantity.Of(riseOf(b), quantity.Time).Text(2), a.of.kept.Signals[a.signal].From, quantity.Of(b, quantity.Frequency))
	}
	return nil
}

// peak adds a deviation, of which the bandwidth of the instrument may have rounded off a part.
func (a *analysis) peak(what string, f pulse.Figure, rounded float64) {
	a.add(what, f, a.dim(), ofDifference)
	a.list[len(a.list)-1].rounded = rounded
}

// rounding is what a filter of one pole takes off a peak. A deviation that comes within at is taken for a quarter of a wave of the angular frequency
// w = pi / (2 at), or, where another extreme lies nearer, for half of one from there: of a wave it leaves 1 / sqrt(1 + (w tau)^2).
func (a *analysis) rounding(peak, at, other pulse.Figure) float64 {
	b := a.bandwidth(a.signal)
	if b == 0 || !peak.OK() || !at.OK() {
		return 0
	}
	quarter := at.X
	if other.OK() && other.X < at.X {
		quarter = (at.X - other.X) / 2
	}
	quarter = max(quarter, a.of.every)
	return math.Abs(peak.X) * (math.Hypot(1, 1/(4*b*quarter)) - 1)
}

// hidden is by how many times the noise of one sample a peak of two samples may go beyond a level without standing out of the noise: that of a few
// thousand samples reaches five times its root mean square, and two samples are a mean.
const hidden = 3.5

// defaultBand is the band of a transient where a step does not say: 1 % of the final value; common practice.
const defaultBand = 0.01

// ripple looks at what alternates.
func (a *analysis) ripple() error {
	b := a.bandwidth(a.signal)
	if b == 0 {
		b = 0.5 / a.of.every
		a.note("the bandwidth of %s is not stated; half the rate of samples is taken", a.of.kept.Signals[a.signal].From)
	}
	s, err := pulse.RippleOf(a.trace(a.signal), b)
	if err != nil {
		return err
	}
	a.add("peak_to_peak", s.PeakToPeak, a.dim(), ofDifference)
	a.add("rms", s.RMS, a.dim(), ofDifference)
	a.add("frequency", s.Frequency, quantity.Frequency, ofTime)
	a.add("component", s.Component, a.dim(), ofDifference)
	a.add("periodic", s.Periodic, a.dim(), ofDifference)
	a.add("noise", pulse.Figure{X: s.Noise}, a.dim(), ofDifference)
	samples := a.of.signals[a.signal].samples
	a.mark("least", nan, nan, float64(slices.Min(samples)), nan)
	a.mark("greatest", nan, nan, float64(slices.Max(samples)), nan)
	a.note("in a bandwidth of %s, over %s: what is faster, as the ripple of the switching may be, is not in it", quantity.Of(b, quantity.Frequency), quantity.Second(float64(len(samples))*a.of.every))
	if s.Undersampled {
		a.note("one sample every %s does not show a bandwidth of %s: a frequency above %s appears as a lower one", quantity.Second(a.of.every), quantity.Of(b, quantity.Frequency), quantity.Of(0.5/a.of.every, quantity.Frequency))
	}
	return nil
}

// inrush looks at the current of a start.
func (a *analysis) inrush() error {
	var volts []float32
	second := -1
	for i := range a.of.signals {
		if a.of.signals[i].Name == a.step.Volts && a.step.Volts != "" {
			volts, second = a.of.signals[i].samples, i
		}
	}
	s, err := pulse.InrushOf(a.trace(a.signal), volts, pulse.InrushOptions{Share: a.step.Within.SI})
	if err != nil {
		return err
	}
	lasts := 0.0
	if s.Duration.OK() {
		lasts = s.Duration.X
	}
	integral := func(what string, f pulse.Figure, dim quantity.Dimension, kind figureKind) {
		a.add(what, f, dim, kind)
		last := &a.list[len(a.list)-1]
		last.times, last.second = lasts, second
	}
	a.add("peak", s.Peak, quantity.Current, ofLevel)
	if s.PeakAt.OK() && s.Start.OK() {
		a.list[len(a.list)-1].rounded = a.rounding(s.Peak, pulse.Figure{X: s.PeakAt.X - s.Start.X}, pulse.Figure{Missing: pulse.NotReached})
	}
	integral("charge", s.Charge, quantity.Charge, ofIntegral)
	integral("i2t", s.I2t, quantity.Current.Power(2).Times(quantity.Time), ofSquare)
	integral("energy", s.Energy, quantity.Energy, ofProduct)
	a.add("duration", s.Duration, quantity.Time, ofTime)
	a.add("final", s.Final, quantity.Current, ofLevel)
	if s.Peak.OK() && s.PeakAt.OK() {
		a.mark("peak", s.PeakAt.X, nan, s.Peak.X, nan)
	}
	if s.Start.OK() && s.Duration.OK() {
		a.mark("inrush", s.Start.X, s.Start.X+s.Duration.X, nan, nan)
	}
	a.levelMark("afterwards", s.Final)
	if b := a.bandwidth(a.signal); b > 0 {
		a.note("a peak shorter than about %s is rounded off by the bandwidth of %s, %s", quantity.Of(riseOf(b), quantity.Time).Text(2), a.of.kept.Signals[a.signal].From, quantity.Of(b, quantity.Frequency))
	}
	return nil
}

// arrived is the instant at which the signal of the cause has come to 90 % of its value.
func (a *analysis) arrived() pulse.Figure {
	if a.edge < 0 {
		return pulse.Figure{}
	}
	name := a.of.signals[a.edge].Name
	a.kept.Cause = "90 % of " + name
	rep, err := pulse.Analyse(a.trace(a.edge), pulse.Options{})
	if err != nil {
		return pulse.Figure{Missing: pulse.Reason(err.Error())}
	}
	if t, _ := transition(rep.Transitions, 1); t != nil && t.Last.OK() {
		return t.Last
	}
	why := rep.Missing
	if why == "" {
		why = pulse.NoTransition
	}
	return pulse.Figure{Missing: pulse.Reason("of " + name + ", the cause: " + string(why))}
}

// startUp looks at how an output comes up.
func (a *analysis) startUp() error {
	cause := a.arrived()
	if !cause.OK() {
		for _, name := range []string{"delay", "rise", "overshoot", "settling", "dip", "final"} {
			a.add(name, cause, a.dim(), ofDifference)
		}
		return nil
	}
	o := pulse.StartUpOptions{AtSeconds: cause.X, AtU: cause.U, Dip: a.step.Dip.SI}
	o.Band = a.step.Within.SI
	own := a.edge < 0 && a.of.step.Trigger.On == sequence.OnLevel // the trigger lies within the rise: it is looked at from the beginning
	if own {
		o.AtSeconds = a.of.at(0)
	}
	s, err := pulse.StartUpOf(a.trace(a.signal), o)
	if err != nil {
		return err
	}
	delay := s.Delay
	if own {
		delay = pulse.Figure{Missing: "it counts from a cause, and the trigger is a level of a signal: name the signal that is the cause under edge"}
		for _, f := range []*pulse.Figure{&s.Delay, &s.Settled} {
			if f.OK() {
				f.X += a.of.at(0)
			}
		}
	}
	a.add("delay", delay, quantity.Time, ofDelay)
	a.add("rise", s.Rise, quantity.Time, ofTransition)
	a.add("overshoot", s.Overshoot, quantity.Ratio, ofShare)
	a.add("settling", s.Settled, quantity.Time, ofDelay)
	a.add("dip", s.Dip, quantity.Ratio, ofShare)
	a.add("final", s.High, a.dim(), ofLevel)
	if a.edge >= 0 {
		a.mark("cause", cause.X, nan, nan, nan)
	}
	if s.Delay.OK() {
		a.mark("10 %", cause.X+s.Delay.X, nan, nan, nan)
		if s.Rise.OK() {
			a.mark("90 %", cause.X+s.Delay.X+s.Rise.X, nan, nan, nan)
		}
	}
	if s.Settled.OK() {
		a.mark("settled", cause.X+s.Settled.X, nan, nan, nan)
	}
	if s.High.OK() {
		part := a.step.Within.SI
		if part == 0 {
			part = 0.02
		}
		swing := s.High.X
		if s.Low.OK() {
			swing -= s.Low.X
		}
		a.mark("band", nan, nan, s.High.X-part*swing, s.High.X+part*swing)
	}
	switch {
	case s.Undecided:
		a.note("whether it rises monotonically cannot be told from its noise")
	case s.Dip.OK() && s.Monotonic:
		a.note("it rises monotonically")
	case s.Dip.OK():
		a.note("it does not rise monotonically")
	}
	return nil
}

// holdUp looks at how long an output stays up without its input.
func (a *analysis) holdUp() error {
	s := a.step
	a.kept.Cause = fmt.Sprintf("%s of %s", s.Lost, s.Edge)
	f, err := pulse.HoldUp(a.trace(a.edge), s.Lost.SI, a.trace(a.signal), s.Below.SI, a.of.at(0))
	if err != nil {
		return err
	}
	a.add("time", f, quantity.Time, ofDelay)
	in, err := pulse.Instant(a.trace(a.edge), s.Lost.SI, false, a.of.at(0))
	if err != nil {
		return err
	}
	a.instant("input lost", in)
	if in.OK() && f.OK() {
		a.mark("output lost", in.X+f.X, nan, nan, nan)
	}
	a.mark("lost below", nan, nan, s.Below.SI, nan)
	return nil
}
