package driver

import (
	"context"

	"fourwire/quantity"
)

// AmpsSpan is the current that the source can force, of either sign; a span that is not Set where it forces volts only.
func (s *Source) AmpsSpan() quantity.Span { return s.spec.Source.ForcedAmps }

// ForceAmps makes the source hold a current instead of a voltage; its sign is the direction. LimitVolts comes first: it is the voltage
// that the source may reach. A function that changes while the output is on makes a jump: switch it off before.
func (s *Source) ForceAmps(ctx context.Context, a quantity.Amp) error {
	spec := s.spec.Source
	if !spec.ForcedAmps.Set || !s.canSay("force amps") {
		return s.cannot("forcing a current")
	}
	if err := s.within("a current", float64(a), quantity.Current, spec.ForcedAmps); err != nil {
		return err
	}
	if err := s.setFixed(ctx, Amps, word{verb: "force amps", x: float64(a)}); err != nil {
		return s.wrap(err)
	}
	s.forces = true
	return nil
}

// LimitVolts sets the voltage compliance of a source that forces amps, in both directions, and reads it back.
func (s *Source) LimitVolts(ctx context.Context, v quantity.Volt) error {
	spec := s.spec.Source
	if !spec.ForcedAmps.Set || !s.canSay("limit volts") {
		return s.cannot("a voltage compliance")
	}
	if err := s.within("a voltage compliance", float64(v), quantity.Voltage, quantity.Span{Low: 0, High: spec.Volts.High, Dim: quantity.Voltage, Set: true}); err != nil {
		return err
	}
	if err := s.setFixed(ctx, 0, word{verb: "limit volts", x: float64(v)}); err != nil {
		return s.wrap(err)
	}
	if err := s.verify(ctx, "limit volts", float64(v), quantity.Voltage, spec.SetVolts.Resolution); err != nil {
		return err
	}
	s.complies = true
	return nil
}
