package run

import (
	"fmt"

	"fourwire/analysis/pulse"
	"fourwire/quantity"
)

// foldsBack is the part of its stated limit below which the current of a device in a short is called folded back; own choice.
const foldsBack = 0.8

// overload looks at how an output bears an overload, and how it comes back.
func (a *analysis) overload() error {
	amps := -1
	for i := range a.of.signals {
		if a.of.signals[i].Name == a.step.Amps {
			amps = i
		}
	}
	if amps < 0 {
		return fmt.Errorf("%s has no signal %s", a.step.Trace, a.step.Amps)
	}
	o := pulse.OverloadOptions{Band: a.step.Within.SI}
	if lasts := a.of.lasts; lasts.has {
		o.LastsSeconds, o.LastsU = lasts.middle()
	}
	s, err := pulse.OverloadOf(a.trace(a.signal), a.of.signals[amps].samples, o)
	if err != nil {
		return err
	}
	a.kept.Cause = "half of the rise of " + a.step.Amps
	current := func(what string, f pulse.Figure) {
		a.add(what, f, quantity.Current, ofLevel)
		a.list[len(a.list)-1].signal = amps
	}
	absent := func(yes bool) { a.list[len(a.list)-1].absent = yes }
	stays := s.Returns.OK() && s.Returns.X == 0
	current("peak", s.Peak)
	current("threshold", s.Threshold)
	current("limit", s.Limit)
	current("mean", s.Mean)
	a.add("low", s.Low, quantity.Voltage, ofLevel)
	a.add("limiting", s.Limiting, quantity.Time, ofTime)
	a.add("trip", s.Trip, quantity.Time, ofTime)
	absent(s.Trip.Missing == pulse.NoTrip)
	a.add("lasts", s.Lasts, quantity.Time, ofTime)
	a.add("starts", pulse.Figure{X: float64(s.Starts), Missing: s.Before.Missing}, quantity.Ratio, ofShare)
	a.add("period", s.Period, quantity.Time, ofTime)
	absent(s.Starts == 0)
	a.add("returns", s.Returns, quantity.Ratio, ofShare)
	a.add("recovery", s.Recovery, quantity.Time, ofTime)
	absent(stays)
	a.add("overshoot", s.Overshoot, quantity.Ratio, ofShare)
	absent(stays)
	a.add("final", s.Final, quantity.Voltage, ofLevel)
	if s.Before.OK() {
		band := o.Band
		if band == 0 {
			band = 0.02
		}
		a.mark("band", nan, nan, s.Before.X*(1-band), s.Before.X*(1+band))
		a.instant("overload", s.Begins)
		a.instant("overload gone", s.Released)
		if s.Released.OK() && s.Recovery.OK() {
			a.mark("recovered", s.Released.X+s.Recovery.X, nan, nan, nan)
		}
		a.note("%s", a.behaviour(&s))
	}
	if b := a.bandwidth(amps); b > 0 {
		a.note("a peak of the current that is shorter than about %s is rounded off by the bandwidth of %s, and one shorter than %s falls between two samples", quantity.Of(riseOf(b), quantity.Time).Text(2),
			a.of.kept.Signals[amps].From, quantity.Second(a.of.every))
	}
	return nil
}

// behaviour is what the device does against an overload, in words.
func (a *analysis) behaviour(s *pulse.Overload) string {
	limit := quantity.Of(s.Limit.X, quantity.Current).Text(3)
	text := ""
	switch dev := a.run.plan.Sequence.Device; {
	case s.Starts > 0:
		text = fmt.Sprintf("hiccup: it lets go and tries again, %d times while the overload lasted", s.Starts)
		if s.Period.OK() {
			text += ", once every " + quantity.Of(s.Period.X, quantity.Time).Text(3)
		}
		text += fmt.Sprintf("; %s while it tries, %s in the mean", limit, quantity.Of(s.Mean.X, quantity.Current).Text(3))
	case !s.Flows:
		text = "it switches off in the overload, and does not try again while that lasts"
	case dev != nil && dev.LimitAmps.Set && s.Limit.X < foldsBack*dev.LimitAmps.Low:
		text = fmt.Sprintf("foldback: %s into the overload, and its limit is %s", limit, dev.LimitAmps)
	default:
		text = fmt.Sprintf("it limits its current to %s as long as the overload lasts", limit)
	}
	switch {
	case !s.Returns.OK():
		return text + "; whether it comes back cannot be said: " + string(s.Returns.Missing)
	case s.Returns.X == 1:
		return text + "; it comes back by itself"
	case !s.Flows && s.Starts == 0:
		return text + "; it stays off behind it: latched, until its input is taken away"
	}
	return text + "; it does not come back by itself, with what its load asks for"
}
