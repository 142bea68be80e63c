package plan

import (
	"math"

	"fourwire/driver/model"
	"fourwire/quantity"
	"fourwire/sequence"
)

// reverse walks a reversal: both directions of the current, the readings, and back to no current.
func (w *walker) reverse(s *sequence.Reverse, times int) {
	i, ok := w.roles[s.Role]
	if !ok {
		return
	}
	st := &w.state[i]
	set := func(amps float64) {
		was := *st
		*st = Setting{On: true, ForceAmps: true, Amps: amps, Volts: w.number(s.Volts), Hold: st.Hold}
		if w.hooks.set != nil {
			w.hooks.set(w, i, was, s.At(), times)
		}
	}
	amps := w.number(s.Amps)
	set(-amps)
	set(amps)
	if w.hooks.wait != nil && s.Settle.SI > 0 {
		w.hooks.wait(w, s.Settle.SI, times*s.Times)
	}
	if w.hooks.measure != nil {
		w.hooks.measure(w, s.Reading(), times*s.Times)
	}
	set(0)
	w.given(s.Gives)
}

// pulse notes how long a source rests behind each reading.
func (w *walker) pulse(s *sequence.Source) {
	if w.pulses == nil {
		w.pulses = map[string]float64{}
	}
	w.pulses[s.Role] = 0
	if s.Output != sequence.Off {
		w.pulses[s.Role] = s.Pulse.Off.SI
	}
}

// rest lets pulsed sources rest behind a reading.
func (w *walker) rest(times int) {
	longest := 0.0
	for _, seconds := range w.pulses {
		longest = math.Max(longest, seconds)
	}
	if longest > 0 && w.hooks.wait != nil {
		w.hooks.wait(w, longest, times)
	}
}

// ways are the values of a sweep in the order in which they are taken.
func ways(s *sequence.Sweep, values []quantity.Quantity) []quantity.Quantity {
	if !s.BothWays {
		return values
	}
	out := append([]quantity.Quantity(nil), values...)
	for i := len(values) - 1; i >= 0; i-- {
		out = append(out, values[i])
	}
	return out
}

// forcedDemand is what a source is asked that forces amps: its compliance is the voltage that it may have to reach.
func forcedDemand(d demand, st Setting) demand {
	d.forced, d.set, d.volts = true, math.NaN(), math.Abs(d.volts)
	if !none(st.Amps) {
		d.amps = st.Amps
	}
	return d
}

// forcing looks whether a source can force what is asked.
func forcing(m *margins, spec *model.SourceSpec, asked []planned) {
	for _, d := range asked {
		switch {
		case !d.forced:
		case !spec.ForcedAmps.Set:
			m.add("amps", d.at, -1, "amps are forced here, it forces volts only")
		case !none(d.amps) && !spec.ForcedAmps.Holds(d.amps):
			m.add("amps", d.at, -1, "%s are to be forced, it forces %s", quantity.Amp(d.amps), spec.ForcedAmps)
		}
	}
}

// farEnd is the end of a span that is further from zero where a need goes to both sides of it; protection looks at both.
func farEnd(guard, need quantity.Span) float64 {
	if need.Set && need.Low < 0 && guard.Set && !math.IsInf(guard.Low, 0) && !math.IsInf(guard.High, 0) {
		return math.Max(math.Abs(guard.Low), math.Abs(guard.High))
	}
	return upper(guard)
}

// Forces tells whether the channel of role i can force amps as well as volts: a source-measure unit.
func (p *Plan) Forces(i int) bool {
	ch := p.Roles[i].Channel
	m := p.models[ch.Instrument]
	if m == nil {
		return false
	}
	for k := range m.Channels {
		if m.Channels[k].Number == ch.Number && m.Channels[k].Source != nil {
			return m.Channels[k].Source.ForcedAmps.Set
		}
	}
	return false
}
