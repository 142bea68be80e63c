package instrument

import "math"

// Never is the time, in nanoseconds, of what does not come by itself.
const Never int64 = math.MaxInt64

// World is the bench as one instrument sees it.
type World interface {
	// Now returns the simulated time in nanoseconds.
	Now() int64
	// Touch tells that a setting has changed, so that the operating point must be found again.
	Touch()
	// Observe brings the operating point up to date with the settings; no time passes.
	Observe()
	// Watch integrates a window from now on; Unwatch ends it at the present time.
	Watch(*Window)
	Unwatch(*Window)
	// Record cuts a stream into samples from now on; Unrecord ends it at the present time.
	Record(*Stream)
	Unrecord(*Stream)
	// Sample has a capture see the signals from now on; Unsample ends it at the present time.
	Sample(Sampler)
	Unsample(Sampler)
	// Wake has the named instrument act by itself at a time (ActBySelf), or now where that is past.
	Wake(instrument string, at int64)
	// Pulse is a pulse of the named instrument on one of its trigger lines, at a time that may be a little before now.
	Pulse(instrument string, line int, at int64)
	// Log notes what happened, for people and for tests of the order of events.
	Log(instrument string, channel int, kind EventKind, text string, value float64)
}

// EventKind says what sort of thing happened.
type EventKind uint8

// The kinds of event.
const (
	Switched  EventKind = iota + 1 // an output or input went on (value 1) or off (0)
	SetValue                       // a set point, limit or protection level was changed; text names it, value is what was asked, SI
	Tripped                        // a protection tripped; text names it, value is what it saw
	Mode                           // the mode changed; text names the new one
	Cleared                        // latched protections were cleared
	ResetDone                      // *RST
	Struck                         // a fault of the scenario happened; text names its kind
)

// String names the kind for people.
func (k EventKind) String() string {
	switch k {
	case Switched:
		return "switched"
	case SetValue:
		return "set"
	case Tripped:
		return "tripped"
	case Mode:
		return "mode"
	case Cleared:
		return "cleared"
	case ResetDone:
		return "reset"
	case Struck:
		return "fault"
	}
	return "nothing"
}

// Mover is what moves, or may act, by itself while time passes: a ramp, a temperature, a protection delay. The bench engine steps it
// together with the network: Aim, a solution, and then either Commit or another, shorter Aim from the same start.
type Mover interface {
	// Aim puts the settings where they will be at a time, starting from the last commit.
	Aim(at int64)
	// Commit makes the aimed state the present one.
	Commit(at int64)
	// Horizon returns the time that no step from now may pass: the end of a ramp, the end of a delay; Never without one.
	Horizon(now int64) int64
	// Resting tells whether nothing in it moves by itself at a fixed operating point.
	Resting() bool
	// Condition sums up its discrete state at the present solution; the engine finds the time of a change.
	Condition() uint32
	// React acts on the condition at the present time and tells whether a setting has changed.
	React(now int64) bool
}

// Sampler takes spot values of signals that go evenly from step to step of the engine.
type Sampler interface {
	// Jump takes the present values as the start of the next piece, after a step change that took no time.
	Jump()
	// Advance is a piece of some ns that ends now, in which the signals went evenly to their present values.
	Advance(now, span int64)
	// Horizon returns the time that no step from now may pass.
	Horizon(now int64) int64
}

// Window is the mean of one signal over a span of time: what an integrating meter sees.
type Window struct {
	value func() float64
	last  float64
	area  float64 // value seconds, against the value at the start
	base  float64
	span  float64 // s
	open  bool
}

// NewWindow returns a window on a signal.
func NewWindow(value func() float64) *Window { return &Window{value: value} }

// Begin starts the window at the present value.
func (w *Window) Begin() {
	w.base = w.value()
	w.last, w.area, w.span, w.open = 0, 0, 0, true
}

// Jump takes the present value as the start of the next piece, after a step change that took no time.
func (w *Window) Jump() { w.last = w.value() - w.base }

// Advance adds a piece in which the signal went evenly to its present value.
func (w *Window) Advance(seconds float64) {
	v := w.value() - w.base
	w.area += (w.last + v) / 2 * seconds
	w.span += seconds
	w.last = v
}

// Mean returns the mean so far; the value itself when no time has passed.
func (w *Window) Mean() float64 {
	if w.span == 0 {
		return w.base + w.last
	}
	return w.base + w.area/w.span
}
