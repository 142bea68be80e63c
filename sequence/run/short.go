package run

import (
	"context"
	"fmt"
	"math"

	"fourwire/driver"
	"fourwire/internal/ledger"
	"fourwire/quantity"
	"fourwire/sequence"
	"fourwire/sequence/plan"
)

// Shorter is the ability of a load to be a short circuit. A *driver.Load has it.
type Shorter interface {
	Short(ctx context.Context, on bool) error
}

var _ Shorter = (*driver.Load)(nil)

// known is a time by the clock of the run: between the first and the last moment at which it can have begun and ended.
type known struct {
	least, most float64 // s
	has         bool
}

// middle is in the midst of what it can be, and by how much it can be off.
func (k known) middle() (x, half float64) { return (k.least + k.most) / 2, (k.most - k.least) / 2 }

// short shorts an output for a time. What limits the current is asked of every source before: the short draws whatever they allow.
func (r *runner) short(ctx context.Context, s *sequence.Short) error {
	how := r.plan.Short(s)
	if how == nil {
		return r.stop(Fault, "nothing serves %s", s.Role)
	}
	role := &r.roles[how.Role]
	if err := r.sourcesLimited(ctx, s.Role); err != nil {
		return err
	}
	before := r.state[how.Role]
	if role.sink != nil && !before.On {
		return r.stop(Input, "%s is off: it goes on before it is a short circuit", s.Role)
	}
	r.touched[role.Channel.Instrument] = true
	r.note("short", "info", fmt.Sprintf("%s: short circuit at %s for %s, by %s", s.Role, role.Need.Node, s.For, how.Text()))
	began := r.clock.Now()
	if err := r.makeShort(ctx, how, role, true); err != nil {
		return err
	}
	made := r.clock.Now()
	if r.cfg.Busy != nil {
		r.cfg.Busy(seconds(s.For.SI))
	}
	err := func() error {
		defer r.cfg.Spans.EnterWhole(ledger.FixedWait, "").Leave()
		return r.sleep(ctx, max(0, seconds(s.For.SI)-made.Sub(began)/2))
	}()
	if err != nil {
		return err // the way out switches the load off
	}
	ends := r.clock.Now()
	if err := r.makeShort(ctx, how, role, false); err != nil {
		return err
	}
	if r.under != nil {
		gone := r.clock.Now()
		r.under.lasts = known{least: math.Max(0, ends.Sub(made).Seconds()), most: gone.Sub(began).Seconds(), has: true}
	}
	return r.checkInstrument(ctx, role.Channel.Instrument)
}

// sourcesLimited asks every source that is on for its current limit, and looks whether the guard of its node allows it.
func (r *runner) sourcesLimited(ctx context.Context, who string) error {
	if _, err := r.inspectAll(ctx); err != nil { // what is set differs from what was sent: that is an error
		return err
	}
	for i := range r.roles {
		role := &r.roles[i]
		if role.feed == nil || !r.state[i].On {
			continue
		}
		amps := r.state[i].Amps
		if math.IsNaN(amps) {
			return r.stop(Safety, "nothing limits what %s puts into a short of %s: set its amps first", role.Need.Name, who)
		}
		if g := role.Guard.Amps; g.Set && amps > g.High {
			return r.stop(Safety, "%s is limited to %s, and the guard of %s allows %s: no short of %s is made", role.Need.Name, quantity.Amp(amps), role.Need.Node, g, who)
		}
	}
	return nil
}

// makeShort makes the short, or takes it away: the load then holds what it held.
func (r *runner) makeShort(ctx context.Context, how *plan.Short, role *roleState, on bool) (err error) {
	switch {
	case role.relay != nil:
		return r.turn(ctx, how.Role, on)
	case how.Own:
		able, ok := role.sink.(Shorter)
		if !ok {
			return r.stop(Bench, "%s (%s) cannot be a short circuit", role.Need.Name, role.Channel)
		}
		r.shorting = role
		if err = able.Short(ctx, on); err == nil && !on {
			r.shorting = nil
		}
	case on:
		err = role.sink.Hold(ctx, how.Hold)
	default:
		err = role.sink.Hold(ctx, r.state[how.Role].Hold)
	}
	if err != nil {
		return r.of(role, err)
	}
	return nil
}

// abandonShort ends a short on the way out of a run, when its input is off: whoever switches it on again does not expect one.
func (r *runner) abandonShort(ctx context.Context) {
	role := r.shorting
	if role == nil {
		return
	}
	r.shorting = nil
	ctx, cancel := r.clock.WithTimeout(ctx, r.cfg.OffWithin)
	defer cancel()
	if err := role.sink.(Shorter).Short(ctx, false); err != nil {
		r.note("safe", "warn", fmt.Sprintf("that %s is no short circuit any more cannot be confirmed: %v", role.Need.Name, err))
	}
}
