package sequence

import (
	"fmt"

	"fourwire/quantity"
	"fourwire/sequence/expr"
)

type (
	// Capture keeps samples of several signals around one event, as a trace with the event at time zero. Its steps are what makes the
	// event; they run once everything waits for it, and are part of the list around it.
	Capture struct {
		Pos
		Trace   string
		Signals []Signal
		Ranges  map[string]quantity.Quantity // by the name of a signal: what its range must hold; others hold what the guard allows
		Every   quantity.Quantity            // from one sample to the next
		For     quantity.Quantity            // the whole of it
		Before  quantity.Quantity            // of that, the time before the event
		Trigger Trigger
		AtMost  quantity.Quantity // how long the event is waited for
		Steps   []Step            // *Source, *Load, *List, *Short, *Profile, *Rails, *Wait and *Note
	}
	// List has a source or load run through levels by itself: the times between them are those of the instrument. It ends where it
	// began: a source at the voltage that it was set to, a load at 0 A.
	List struct {
		Pos
		Role   string
		Of     Function     // Volts of a source, Amps of a load
		Levels []*expr.Expr // in order; the last one is where it ends
		Dwell  []*expr.Expr // how long each lasts; one: all of them
	}
	// Figures works figures of a captured signal out.
	Figures struct {
		Pos
		Kind   FiguresKind
		Trace  string
		Of     string            // signal
		Edge   string            // signal whose passage is the cause; empty: the trigger
		Slope  int               // of the passage that counts: 1 rising, -1 falling, 0 the first one
		Within quantity.Quantity // band: a ratio, or an absolute one in the unit of the signal; SI 0: the default of the kind
		Low    quantity.Quantity // of the states of a pulse; Dim of a ratio: they are looked for
		High   quantity.Quantity
		Dip    quantity.Quantity // of a start: what still counts as monotonic, a ratio; SI 0: 1 %
		Volts  string            // of an inrush: the signal that the energy is worked out with; empty: none
		Amps   string            // of an overload: the signal of the current
		Below  quantity.Quantity // of a hold-up: the level at which the output is lost
		Lost   quantity.Quantity // of a hold-up: the level at which the input is lost
		Gives  []Given
	}
)

// Trigger is the event that a capture waits for.
type Trigger struct {
	On         TriggerEvent
	Signal     string     // of OnLevel
	Level      *expr.Expr // of OnLevel
	Slope      int        // of OnLevel: 1 rising, -1 falling, 0 either
	Hysteresis quantity.Quantity
	Role       string // of OnOutput and OnSteps
	Text       string // as written
}

// TriggerEvent is a kind of event.
type TriggerEvent string

// The events.
const (
	AtOnce   TriggerEvent = "at once"  // nothing is waited for
	Software TriggerEvent = "software" // the computer, just before the steps
	OnLevel  TriggerEvent = "level"    // a signal passes a level
	OnOutput TriggerEvent = "output"   // a source or load goes on
	OnSteps  TriggerEvent = "steps"    // a list makes its first step
)

// FiguresKind says what is looked for in a captured signal.
type FiguresKind string

// The kinds; each is the key of its step.
const (
	PulseFigures     FiguresKind = "pulse"     // states and passages
	TransientFigures FiguresKind = "transient" // the answer of a supply to a step
	RippleFigures    FiguresKind = "ripple"
	InrushFigures    FiguresKind = "inrush"
	StartUpFigures   FiguresKind = "startup"
	HoldUpFigures    FiguresKind = "holdup"
	OverloadFigures  FiguresKind = "overload" // how an output bears a short circuit, and comes back
)

// FiguresKinds lists the kinds.
func FiguresKinds() []FiguresKind {
	return []FiguresKind{PulseFigures, TransientFigures, RippleFigures, InrushFigures, StartUpFigures, HoldUpFigures, OverloadFigures}
}

// Results are what a step of this kind can give for a signal of a dimension.
func (k FiguresKind) Results(dim quantity.Dimension) []Result {
	switch k {
	case PulseFigures:
		return []Result{
			{"rise", quantity.Time, "from 10 % to 90 % of the first passage upwards"},
			{"fall", quantity.Time, "from 90 % to 10 % of the first passage downwards"},
			{"slew", dim.Over(quantity.Time), "steepness of the first passage, with its sign"},
			{"overshoot", quantity.Ratio, "beyond the new state, a share of the amplitude"},
			{"undershoot", quantity.Ratio, "back from the new state after that, a share of the amplitude"},
			{"preshoot", quantity.Ratio, "away from the new state before the passage, a share of the amplitude"},
			{"settling", quantity.Time, "from the middle of the first passage until it stays in the band"},
			{"low", dim, "the low state"},
			{"high", dim, "the high state"},
			{"amplitude", dim, "high less low"},
			{"delay", quantity.Time, "from the cause to the middle of the first passage"},
			{"width", quantity.Time, "of the first pulse, at its middle"},
			{"droop", quantity.Ratio, "by how much the top of the first pulse comes back, a share of the amplitude"},
			{"period", quantity.Time, "mean over all pulses"},
			{"frequency", quantity.Frequency, "mean over all pulses"},
			{"duty", quantity.Ratio, "width over period of the first pulse"},
		}
	case TransientFigures:
		return []Result{
			{"droop", dim, "farthest below the final value"},
			{"overshoot", dim, "farthest above it"},
			{"peak", dim, "the larger of the two, with its sign"},
			{"recovery", quantity.Time, "from the cause until it stays in the band"},
			{"shift", dim, "final value less the one before"},
			{"baseline", dim, "the value before"},
			{"final", dim, "the value afterwards"},
			{"swings", quantity.Ratio, "how often it swings over after the first peak"},
		}
	case RippleFigures:
		return []Result{
			{"peak_to_peak", dim, "largest sample less the smallest: ripple and noise"},
			{"rms", dim, "root mean square of what alternates"},
			{"frequency", quantity.Frequency, "of the strongest component"},
			{"component", dim, "amplitude of the strongest component"},
			{"periodic", dim, "peak to peak of what repeats, without the noise"},
			{"noise", dim, "root mean square of what does not repeat"},
		}
	case InrushFigures:
		return []Result{
			{"peak", quantity.Current, "largest current"},
			{"charge", quantity.Charge, "integral of the current while it lasts"},
			{"i2t", quantity.Current.Power(2).Times(quantity.Time), "integral of the squared current"},
			{"energy", quantity.Energy, "integral of current times voltage"},
			{"duration", quantity.Time, "how long it lasts"},
			{"final", quantity.Current, "the current afterwards"},
		}
	case StartUpFigures:
		return []Result{
			{"delay", quantity.Time, "from the cause to 10 % of the final value"},
			{"rise", quantity.Time, "from 10 % to 90 %"},
			{"overshoot", quantity.Ratio, "beyond the final value, a share of it"},
			{"settling", quantity.Time, "from the cause until it stays in the band"},
			{"dip", quantity.Ratio, "largest fall on the way up, a share of the final value"},
			{"final", dim, "the value that it comes to"},
		}
	case OverloadFigures:
		return overloadResults()
	case HoldUpFigures:
		return []Result{{"time", quantity.Time, "how long the output stays up once the input is lost"}}
	}
	return nil
}

// Duration is how long a list lasts, as far as its times are known; ok is false where one is not.
func (l *List) Duration(env expr.Env) (seconds float64, ok bool) {
	for i := range l.Levels {
		e := l.Dwell[0]
		if len(l.Dwell) > 1 {
			e = l.Dwell[i]
		}
		q, err := Amount(e, env)
		if err != nil {
			return 0, false
		}
		seconds += q.SI
	}
	return seconds, true
}

// Points is how many samples of each signal a capture has, and how many of them come before the event.
func (c *Capture) Points() (all, before int) {
	if c.Every.SI <= 0 {
		return 0, 0
	}
	return whole32(c.For.SI / c.Every.SI), whole32(c.Before.SI / c.Every.SI)
}

func whole32(x float64) int {
	if !(x > 0) || x > 1<<31 {
		return 0
	}
	return int(x + 0.5)
}

// Measurement is what is sampled, as a sequence writes it: "v(dut.out)".
func (s Signal) Measurement() string { return fmt.Sprintf("%s(%s)", s.Function, s.Node) }

// Dim is the dimension of its samples.
func (f Function) Dim() quantity.Dimension {
	if f == Amps {
		return quantity.Current
	}
	return quantity.Voltage
}

// Signal finds a signal of a capture by its name; nil: there is none.
func (c *Capture) Signal(name string) *Signal {
	for i := range c.Signals {
		if c.Signals[i].Name == name {
			return &c.Signals[i]
		}
	}
	return nil
}
