package sim

import (
	"math"
	"slices"

	"fourwire/sim/circuit"
	"fourwire/sim/instrument"
)

// Lengths of time steps in nanoseconds.
const (
	leastStep     int64 = 100       // below, an error or an event is no longer looked for
	firstStep     int64 = 1000      // after a step change
	eventStep     int64 = 1000      // how exactly the time of an event is found
	restStep      int64 = 1_000_000 // a network that does not move during two steps of this length rests
	longestStep   int64 = 3_600_000_000_000
	maxInstants         = 16     // step changes at one time
	longestBlind  int64 = 50_000 // without an operating point
	fineFirstStep int64 = 100    // after a step change, while somebody takes samples
	fineEventStep int64 = 200    // how exactly the time of an event is found, while somebody takes samples
	instantStep   int64 = 10     // a step that stands for no time, in which capacitors hold their voltage
)

// Tolerances of a step: how much a capacitor voltage may bend in it.
const (
	bendVolts    = 20e-6
	bendRelative = 2e-4
	stillVolts   = 1e-9
	sampledBend  = 1.0 / 20 // part of both while somebody takes samples
	fineBend     = 1.0 / 10 // part of both with a wireless node or a battery on the bench, whose charge is what is looked for
	noVolts      = 1e-12    // below, a capacitor is empty
)

// engine moves the physical side of a bench through time: an algebraic network with capacitors, and whatever moves by itself.
//
// Each step is implicit (two-step backward differentiation, backward Euler after a step change), so that no ratio of time constants
// is too stiff, and as long as the voltages bend little. A change of mode or condition inside a step is closed in on by halving. When
// nothing moves any more, time jumps.
type engine struct {
	net     *circuit.Network
	now     int64
	next    int64 // length of the next step
	last    int64 // length of the last one; 0 after a step change
	dirty   bool  // settings have changed at the present time
	resting bool
	still   int // steps without movement

	dynamics []dynamic
	caps     []*capacitor
	movers   []instrument.Mover
	states   []uint32 // condition of each mover at the last commit
	windows  []*instrument.Window
	streams  []*instrument.Stream
	samplers []instrument.Sampler
	meters   []*meter
	modals   map[circuit.Branch]circuit.Modal
	modeLog  func(b circuit.Branch, to circuit.Mode)
	fault    error // why there is no operating point at the moment
	blind    int64 // how long a step without an operating point may be
	steps    int64
	within   int64   // end of the interval in which an event was seen; 0 without one
	tryRest  int64   // when resting may be tried again
	halted   bool    // an instrument has something to do before time goes on
	allowed  float64 // part of the usual bend that a step may have
}

// capacitor joins two nodes; between steps it holds its voltage.
type capacitor struct {
	farad, esr    float64
	plus, minus   circuit.Node
	volts, before float64 // at the present time and one step earlier
	rate          float64 // V/ns, in the last step that had an operating point
	slope, offset float64 // current = slope*volts + offset
	loop          bool    // it stands at the output of a converter with a control loop
	care          float64 // how much its bend counts: 1 fully, 0 where its voltage is nobody's business at present
}

// Current makes capacitor a circuit.OnePort.
func (c *capacitor) Current(volts float64) (amps, siemens float64) {
	return c.slope*volts + c.offset, c.slope
}

// prepare sets the companion model for a step of h after one of last (0: the voltage before is not known).
func (c *capacitor) prepare(h, last int64) {
	g := c.farad / (float64(h) * 1e-9)
	if last == 0 {
		c.slope, c.offset = g, -g*c.volts
	} else {
		w := float64(h) / float64(last)
		c.slope = g * (1 + 2*w) / (1 + w)
		c.offset = g * (w*w/(1+w)*c.before - (1+w)*c.volts)
	}
	if c.esr > 0 {
		d := 1 / (1 + c.slope*c.esr)
		c.slope, c.offset = c.slope*d, c.offset*d
	}
}

// inside is the voltage of the capacitance itself, when there are so many volts across it and its series resistance.
func (c *capacitor) inside(volts float64) float64 {
	if c.esr == 0 {
		return volts
	}
	return volts - c.esr*(c.slope*volts+c.offset)
}

// touch tells that a setting has changed.
func (e *engine) touch() { e.dirty, e.resting = true, false }

// observe brings the network up to date with the settings; no time passes.
func (e *engine) observe() {
	for range maxInstants { // a protection without delay may act at once, and cause another one to
		if !e.dirty {
			return
		}
		e.instant()
	}
	e.dirty = false
}

// instant finds the operating point at the present time after a step change.
func (e *engine) instant() {
	e.dirty, e.resting, e.last, e.next, e.still, e.within = false, false, 0, e.first(), 0, 0
	for _, m := range e.movers {
		m.Aim(e.now)
	}
	e.prepare(instantStep, 0)
	e.settle(true)
	for _, w := range e.windows {
		w.Jump()
	}
	for _, s := range e.streams {
		s.Jump()
	}
	for _, s := range e.samplers {
		s.Jump()
	}
	for _, m := range e.meters {
		m.jump()
	}
	e.react()
}

// pass tells everything that integrates of a piece of time in which the signals went evenly to their present values.
func (e *engine) pass(span int64) {
	seconds := float64(span) * 1e-9
	for _, w := range e.windows {
		w.Advance(seconds)
	}
	for _, s := range e.streams {
		s.Advance(span)
	}
	for _, s := range slices.Backward(e.samplers) { // one that ends takes itself out
		s.Advance(e.now, span)
	}
	for _, m := range e.meters {
		m.advance(seconds)
	}
}

// prepare sets everything that has a state for a step of h after one of last.
func (e *engine) prepare(h, last int64) {
	for _, c := range e.caps {
		c.prepare(h, last)
	}
	for _, d := range e.dynamics {
		d.prepare(h, last)
	}
}

// first is the length of a step after a step change: shorter while somebody takes samples.
func (e *engine) first() int64 {
	if len(e.samplers) > 0 {
		return fineFirstStep
	}
	return firstStep
}

// settle solves with mode changes and reports whether there were any. A failure stands until the next solution.
func (e *engine) settle(note bool) (changes []circuit.Change, ok bool) {
	report, err := e.net.Settle()
	e.steps++
	if err != nil {
		e.fault = err
		return report.Changes, false
	}
	e.fault = nil
	if note {
		e.noteModes(report.Changes)
	}
	return report.Changes, true
}

func (e *engine) noteModes(changes []circuit.Change) {
	for _, c := range changes {
		e.modeLog(c.Branch, c.To)
	}
}

// react lets every mover act on its condition.
func (e *engine) react() {
	for i, m := range e.movers {
		if m.React(e.now) {
			e.dirty = true
		}
		e.states[i] = m.Condition()
	}
}

// advance moves to a time, or less far where an instrument has something to do before.
func (e *engine) advance(to int64) {
	e.halted = false
	for e.now < to && !e.halted {
		e.observe()
		limit := min(to, e.horizon())
		if e.resting {
			e.jump(limit)
		} else {
			e.step(limit)
		}
	}
}

func (e *engine) horizon() int64 {
	h := instrument.Never
	for _, m := range e.movers {
		if t := m.Horizon(e.now); t > e.now {
			h = min(h, t)
		}
	}
	for _, s := range e.samplers {
		h = min(h, s.Horizon(e.now))
	}
	return h
}

// jump passes time in which nothing moves.
func (e *engine) jump(to int64) {
	span := to - e.now
	e.now = to
	e.pass(span)
	e.react()
	if !e.quiet() {
		e.resting, e.still = false, 0
	}
}

func (e *engine) quiet() bool {
	for _, m := range e.movers {
		if !m.Resting() {
			return false
		}
	}
	return true
}

// step passes one time step, at most to limit.
func (e *engine) step(limit int64) {
	event := eventStep
	if len(e.samplers) > 0 {
		event = fineEventStep
	}
	h := min(e.next, limit-e.now)
	if e.within > e.now {
		h = min(h, max((e.within-e.now+1)/2, event))
	}
	h = max(min(h, limit-e.now), 1)
	for {
		for _, m := range e.movers {
			m.Aim(e.now + h)
		}
		e.prepare(h, e.last)
		changes, ok := e.settle(false)
		happened := len(changes) > 0 || !ok || e.conditionsChanged()
		switch {
		case happened && h > event && (ok || h > e.blind):
			e.within = e.now + h
			e.undo(changes)
			h = max(h/4, event)
			continue
		case !ok && h > max(leastStep, e.blind), ok && !happened && h > leastStep && e.bend(h) > 1:
			e.undo(changes)
			h = max(h/4, leastStep)
			continue
		}
		e.noteModes(changes)
		e.commit(h, happened, ok)
		return
	}
}

// undo takes mode changes back, the last first.
func (e *engine) undo(changes []circuit.Change) {
	for i := len(changes) - 1; i >= 0; i-- {
		if m := e.modals[changes[i].Branch]; m != nil {
			m.SetMode(changes[i].From)
		}
	}
}

func (e *engine) conditionsChanged() bool {
	for i, m := range e.movers {
		if m.Condition() != e.states[i] {
			return true
		}
	}
	return false
}

// bend tells how much the capacitor voltages depart from the straight line of the step before, against what is allowed.
func (e *engine) bend(h int64) float64 {
	if e.last == 0 {
		return 0
	}
	w := float64(h) / float64(e.last)
	unseen := len(e.samplers) == 0
	worst := 0.0
	for _, c := range e.caps {
		if c.care == 0 {
			continue
		}
		v := c.inside(e.net.Between(c.plus, c.minus))
		off := math.Abs(v - c.volts - w*(c.volts-c.before))
		care := c.care
		if c.loop && unseen {
			care *= unseenCare
		}
		worst = max(worst, care*off/(bendVolts+bendRelative*math.Abs(v)))
	}
	for _, d := range e.dynamics {
		bend := bendOf(d, w)
		if unseen {
			bend *= unseenCare
		}
		worst = max(worst, bend)
	}
	if unseen {
		return worst / e.allowed
	}
	return worst / min(e.allowed, sampledBend)
}

// commit accepts a step. Where it has no operating point, the capacitors go on as they went before, in steps that grow: behind an edge
// between two modes there is one again, and time does not stand still.
func (e *engine) commit(h int64, happened, ok bool) {
	bend := e.bend(h)
	if e.blind /= 2; !ok {
		e.blind = min(4*h, longestBlind)
	}
	moved := 0.0
	for _, c := range e.caps {
		c.before = c.volts
		if ok {
			c.volts = c.inside(e.net.Between(c.plus, c.minus))
			c.rate = (c.volts - c.before) / float64(h)
		} else {
			c.volts += c.rate * float64(h)
		}
		if math.Abs(c.volts) < noVolts {
			c.volts = 0 // an exponential has no end, and far below zero a load would find its voltage reversed and right again for ever
		}
		moved = max(moved, math.Abs(c.volts-c.before)-stillVolts*math.Abs(c.volts))
	}
	for _, d := range e.dynamics {
		if ok {
			d.take()
		}
		now, before := d.states()
		moved = max(moved, math.Abs(now-before)*(stillVolts/stillAmps)-stillVolts*math.Abs(now))
	}
	e.now += h
	e.last, e.next = h, min(2*h, longestStep)
	if bend > 0.5 {
		e.next = h
	}
	for _, m := range e.movers {
		m.Commit(e.now)
	}
	e.pass(h)
	e.react()
	if happened {
		e.last, e.next, e.still, e.within = 0, e.first(), 0, 0
		return
	}
	if moved > stillVolts || h < restStep || !e.quiet() {
		e.still = 0
		return
	}
	if e.still++; e.still >= 2 {
		e.rest()
	}
}

// rest looks for the point at which nothing moves; when the network stands there already, time can jump.
func (e *engine) rest() {
	e.still = 0
	if e.now < e.tryRest {
		return
	}
	for _, c := range e.caps {
		c.slope, c.offset = 0, 0
	}
	for _, d := range e.dynamics {
		d.rest()
	}
	changes, ok := e.settle(false)
	e.resting = ok && len(changes) == 0 && !e.conditionsChanged()
	for _, c := range e.caps {
		v := e.net.Between(c.plus, c.minus)
		e.resting = e.resting && math.Abs(v-c.volts) <= 1e3*stillVolts*(1+math.Abs(v))
	}
	for _, d := range e.dynamics {
		now, _ := d.states()
		e.resting = e.resting && math.Abs(d.trial()-now) <= 1e3*stillAmps*(1+math.Abs(now))
	}
	if e.resting {
		return
	}
	e.undo(changes)
	e.prepare(instantStep, 0)
	e.settle(false)
	e.tryRest = e.now + 32*e.last
}

// watch begins a window at the present operating point.
func (e *engine) watch(w *instrument.Window) {
	e.observe()
	w.Begin()
	e.windows = append(e.windows, w)
}

func (e *engine) unwatch(w *instrument.Window) {
	for i, o := range e.windows {
		if o == w {
			e.windows = append(e.windows[:i], e.windows[i+1:]...)
			return
		}
	}
}

// sample begins a capture at the present operating point.
func (e *engine) sample(s instrument.Sampler) {
	e.observe()
	e.samplers = append(e.samplers, s)
}

func (e *engine) unsample(s instrument.Sampler) {
	e.samplers = slices.DeleteFunc(e.samplers, func(o instrument.Sampler) bool { return o == s })
}

// record begins a stream at the present operating point.
func (e *engine) record(s *instrument.Stream) {
	e.observe()
	s.Begin()
	e.streams = append(e.streams, s)
}

func (e *engine) unrecord(s *instrument.Stream) {
	e.streams = slices.DeleteFunc(e.streams, func(o *instrument.Stream) bool { return o == s })
}
