package driver

import (
	"context"
	"fmt"
	"math"

	"fourwire/driver/model"
	"fourwire/quantity"
)

// Source is one channel that delivers.
type Source struct{ *channel }

// Spec is what the model says of it.
func (s *Source) Spec() *model.SourceSpec { return s.spec.Source }

// SetVolts sets the voltage. A value outside the model's envelope is a *LimitError and is not sent; a refusal by the instrument is an
// *ieee488.Fault. An instrument that cannot refuse is asked what it has set.
func (s *Source) SetVolts(ctx context.Context, v quantity.Volt) error {
	spec := s.spec.Source
	if err := s.within("a voltage", float64(v), quantity.Voltage, spec.Volts); err != nil {
		return err
	}
	if err := s.setFixed(ctx, Volts, word{verb: "set volts", x: float64(v)}); err != nil {
		return s.wrap(err)
	}
	if !s.in.device.HasQueue() {
		if err := s.verify(ctx, "set volts", float64(v), quantity.Voltage, spec.SetVolts.Resolution); err != nil {
			return err
		}
	}
	s.level, s.forces = true, false
	return nil
}

// SetAmps sets the current limit and reads it back, where the instrument can say it: everything behind the source relies on it.
func (s *Source) SetAmps(ctx context.Context, a quantity.Amp) error {
	spec := s.spec.Source
	if err := s.within("a current limit", float64(a), quantity.Current, spec.Amps); err != nil {
		return err
	}
	if err := s.setFixed(ctx, Amps, word{verb: "set amps", x: float64(a)}); err != nil {
		return s.wrap(err)
	}
	if err := s.verify(ctx, "set amps", float64(a), quantity.Current, spec.SetAmps.Resolution); err != nil {
		return err
	}
	s.limited = true
	return nil
}

// OhmsSpan is the output resistance that can be set; a span that is not Set where there is none.
func (s *Source) OhmsSpan() quantity.Span { return s.spec.Source.Ohms }

// SetOhms sets the output resistance, by which the voltage at the output falls with the current, and reads it back.
func (s *Source) SetOhms(ctx context.Context, r quantity.Ohm) error {
	spec := s.spec.Source
	if !spec.Ohms.Set || !s.canSay("set ohms") {
		return s.cannot("setting an output resistance")
	}
	if err := s.within("an output resistance", float64(r), quantity.Resistance, spec.Ohms); err != nil {
		return err
	}
	if err := s.setFixed(ctx, 0, word{verb: "set ohms", x: float64(r)}); err != nil {
		return s.wrap(err)
	}
	return s.verify(ctx, "set ohms", float64(r), quantity.Resistance, spec.SetOhms.Resolution)
}

// Volts asks which voltage is set, which need not be the one at the output.
func (s *Source) Volts(ctx context.Context) (quantity.Volt, error) {
	x, err := s.setting(ctx, "set volts")
	return quantity.Volt(x), err
}

// Amps asks which current limit is set.
func (s *Source) Amps(ctx context.Context) (quantity.Amp, error) {
	x, err := s.setting(ctx, "set amps")
	return quantity.Amp(x), err
}

// SetProtection sets and activates over-voltage and over-current protection and reads the levels back; 0 leaves one alone.
func (s *Source) SetProtection(ctx context.Context, over quantity.Volt, overAmps quantity.Amp) error {
	return s.protect(ctx, float64(over), s.spec.Source.OverVolts, float64(overAmps), s.spec.Source.OverAmps)
}

// Sense chooses where the voltage is sensed: at the sense terminals, or at the output.
func (s *Source) Sense(ctx context.Context, remote bool) error { return s.sense(ctx, remote) }

// Output switches the output and verifies that it is as asked. It does not go on before voltage and current limit have been set
// since the instrument was prepared.
func (s *Source) Output(ctx context.Context, on bool) error {
	if on && s.forces && !s.complies {
		return s.wrap(fmt.Errorf("%w: set the voltage compliance before switching on", ErrOrder))
	}
	if on && !s.forces && !(s.level && s.limited) {
		return s.wrap(fmt.Errorf("%w: set voltage and current limit before switching on", ErrOrder))
	}
	return s.turn(ctx, on)
}

// ClearProtection releases a protection that has tripped. The output stays off.
func (s *Source) ClearProtection(ctx context.Context) error { return s.clearProtection(ctx) }

// Status asks what the source is doing.
func (s *Source) Status(ctx context.Context) (Status, error) { return s.status(ctx) }

// protect sets protection levels and reads them back.
func (c *channel) protect(ctx context.Context, volts float64, overVolts quantity.Span, amps float64, overAmps quantity.Span) error {
	var words []word
	for _, level := range []struct {
		what, verb string
		x          float64
		dim        quantity.Dimension
		allowed    quantity.Span
	}{
		{"over-voltage protection", "protect volts", volts, quantity.Voltage, overVolts},
		{"over-current protection", "protect amps", amps, quantity.Current, overAmps},
	} {
		if level.x == 0 {
			continue
		}
		if !level.allowed.Set || !c.canSay(level.verb) {
			return c.cannot(level.what)
		}
		if err := c.within(level.what, level.x, level.dim, level.allowed); err != nil {
			return err
		}
		words = append(words, word{verb: level.verb, x: level.x})
	}
	if len(words) == 0 {
		return nil
	}
	if err := c.setFixed(ctx, 0, words...); err != nil {
		return c.wrap(err)
	}
	for _, w := range words {
		dim := quantity.Voltage
		if w.verb == "protect amps" {
			dim = quantity.Current
		}
		if err := c.verify(ctx, w.verb, w.x, dim, 0); err != nil {
			return err
		}
	}
	return nil
}

// setting asks for a set value.
func (c *channel) setting(ctx context.Context, verb string) (float64, error) {
	if !c.canAsk(verb) {
		return math.NaN(), c.cannot("answering " + verb)
	}
	a, err := c.ask(ctx, verb)
	if err != nil {
		return math.NaN(), c.wrap(err)
	}
	n, err := a.number()
	if err != nil {
		return math.NaN(), c.wrap(err)
	}
	x, err := n.Float()
	return x, c.wrap(err)
}

// verify compares a set value with what the instrument says of it, within the rounding that a setting may have. An instrument that
// cannot say it passes.
func (c *channel) verify(ctx context.Context, verb string, want float64, dim quantity.Dimension, resolution float64) error {
	if !c.canAsk(verb) {
		return nil
	}
	got, err := c.setting(ctx, verb)
	if err != nil {
		return err
	}
	allowed := math.Max(resolution, 1e-4*math.Abs(want))
	if resolution == 0 {
		allowed = 0.02 * math.Abs(want)
	}
	if math.Abs(got-want) <= allowed {
		return nil
	}
	return c.wrap(fmt.Errorf("%s: %w: %s was sent, %s is set", verb, ErrNotTaken, quantity.Of(want, dim), quantity.Of(got, dim)))
}

// sense chooses where the voltage is sensed and verifies it.
func (c *channel) sense(ctx context.Context, remote bool) error {
	verb, state := "sense local", "local"
	if remote {
		verb, state = "sense remote", "remote"
	}
	if !c.canSay(verb) {
		if !remote && !c.canSay("sense remote") {
			return nil // it cannot sense anywhere else
		}
		return c.cannot(state + " sense")
	}
	if err := c.setFixed(ctx, 0, word{verb: verb}); err != nil {
		return c.wrap(err)
	}
	if !c.canAsk("sense") {
		return nil
	}
	a, err := c.ask(ctx, "sense")
	if err != nil {
		return c.wrap(err)
	}
	if !a.isOn(state) {
		return c.wrap(fmt.Errorf("%w: %s was said, and the instrument senses elsewhere", ErrNotTaken, verb))
	}
	return nil
}

func (c *channel) clearProtection(ctx context.Context) error {
	if !c.canSay("clear protection") {
		return c.cannot("clearing a protection")
	}
	return c.wrap(c.act(ctx, word{verb: "clear protection"}))
}
