package driver

import (
	"context"
	"fmt"

	"fourwire/driver/model"
	"fourwire/quantity"
)

// Load is one channel that carries current.
type Load struct{ *channel }

// Spec is what the model says of it.
func (l *Load) Spec() *model.LoadSpec { return l.spec.Load }

// Hold sets what the load holds: a current, a voltage, a resistance or a power; the dimension picks the mode, and the value the range.
// The level is set before the mode, so that a change of mode does not begin at an old level.
func (l *Load) Hold(ctx context.Context, q quantity.Quantity) error {
	spec := l.spec.Load
	var what, unit string
	var allowed quantity.Span
	switch q.Dim {
	case quantity.Current:
		what, unit, allowed = "a current", "amps", spec.Amps
	case quantity.Voltage:
		what, unit, allowed = "a voltage", "volts", spec.Volts
	case quantity.Resistance:
		what, unit, allowed = "a resistance", "ohms", spec.Ohms
	case quantity.Power:
		what, unit, allowed = "a power", "watts", spec.Watts
	default:
		return l.wrap(fmt.Errorf("a load holds a current, a voltage, a resistance or a power; %s is %s", q, q.Dim.Name()))
	}
	if !allowed.Set || !l.canSay("hold "+unit) {
		return l.cannot("holding " + what)
	}
	if err := l.within(what, q.SI, q.Dim, allowed); err != nil {
		return err
	}
	if err := l.free(ctx); err != nil {
		return l.wrap(err)
	}
	var words []word
	full := 0.0
	if unit == "amps" {
		full = spec.LevelRange(q.SI)
	}
	if full > 0 && full != l.levelRange {
		words = append(words, word{verb: "level range", x: full})
	}
	words = append(words, word{verb: "hold " + unit, x: q.SI})
	if l.mode != unit {
		words = append(words, word{verb: "mode " + unit})
	}
	words = append(words, l.unfollow()...) // behind the mode: an old fixed level never acts
	if err := l.act(ctx, words...); err != nil {
		l.mode, l.levelRange = "", 0 // how much of it was taken is not known
		return l.wrap(err)
	}
	l.mode, l.level = unit, true
	if full > 0 {
		l.levelRange = full
	}
	return nil
}

// SetProtection sets and activates over-voltage and over-current protection and reads the levels back; 0 leaves one alone.
func (l *Load) SetProtection(ctx context.Context, over quantity.Volt, overAmps quantity.Amp) error {
	return l.protect(ctx, float64(over), l.spec.Load.OverVolts, float64(overAmps), l.spec.Load.OverAmps)
}

// Sense chooses where the voltage is sensed: at the sense terminals, or at the input.
func (l *Load) Sense(ctx context.Context, remote bool) error { return l.sense(ctx, remote) }

// Input switches the input and verifies that it is as asked. It does not go on before a level has been set since the instrument was prepared.
func (l *Load) Input(ctx context.Context, on bool) error {
	if on && !l.level {
		return l.wrap(fmt.Errorf("%w: set what the load holds before switching on", ErrOrder))
	}
	return l.turn(ctx, on)
}

// Short makes the load a short circuit, as near to it as it gets, in place of what it holds; off has it hold that again. Its input is on before.
func (l *Load) Short(ctx context.Context, on bool) error {
	if !l.spec.Load.Shorts {
		return l.cannot("being a short circuit")
	}
	if err := l.free(ctx); err != nil {
		return l.wrap(err)
	}
	verb := "short off"
	if on {
		verb = "short on"
	}
	return l.wrap(l.act(ctx, word{verb: verb}))
}

// ClearProtection releases a protection that has tripped. The input stays off.
func (l *Load) ClearProtection(ctx context.Context) error { return l.clearProtection(ctx) }

// Status asks what the load is doing.
func (l *Load) Status(ctx context.Context) (Status, error) { return l.status(ctx) }
