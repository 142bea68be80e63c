package run

import (
	"context"
	"errors"
	"fmt"

	"fourwire/driver"
	"fourwire/sequence"
)

// Switcher is a switch of a fixture. A *driver.Relay is one.
type Switcher interface {
	Turn(ctx context.Context, closed bool) error
	Closed(context.Context) (bool, error)
}

// SwitcherOf is the ability of an Instrument to switch nodes.
type SwitcherOf interface {
	Switch(channel int) (Switcher, error)
}

func (o opened) Switch(channel int) (Switcher, error) {
	var one *driver.Relay
	one, err := o.Instrument.Relay(channel)
	return one, err
}

func switcherOf(in Instrument, channel int) (Switcher, error) {
	one, ok := in.(SwitcherOf)
	if !ok {
		return nil, errors.New("it switches nothing")
	}
	return one.Switch(channel)
}

// switching closes or opens a switch.
func (r *runner) switching(ctx context.Context, s *sequence.Switching) error {
	i, err := r.role(s.Role)
	if err != nil {
		return err
	}
	on := s.To == sequence.On
	if r.state[i].On == on {
		return nil
	}
	for k := range r.roles {
		if r.roles[k].feed != nil && r.state[k].On && !s.Hot {
			return r.stop(Input, "%s would move while source %s is on", r.roles[i].SwitchText(), r.roles[k].Need.Name)
		}
	}
	return r.turn(ctx, i, on)
}

func (r *runner) turn(ctx context.Context, i int, on bool) error {
	role := &r.roles[i]
	ctx, release, err := r.claim(ctx, role.Channel.Instrument)
	if err != nil {
		return err
	}
	defer release()
	r.touched[role.Channel.Instrument] = true
	r.state[i].On = r.state[i].On || on // whatever comes of it: it may be closed
	if err := role.relay.Turn(ctx, on); err != nil {
		return r.of(role, err)
	}
	r.state[i].On = on
	r.note("output", "info", role.Need.Name+map[bool]string{true: " closed", false: " open"}[on])
	return r.checkInstrument(ctx, role.Channel.Instrument)
}

// openSwitches opens what this run has closed, on the way out: once every source is off. Where one may still be on they stay as they are, since
// opening one under current draws an arc.
func (r *runner) openSwitches(ctx context.Context, unsafe error) error {
	var all error
	for i := range r.roles {
		role := &r.roles[i]
		if role.relay == nil || !r.state[i].On {
			continue
		}
		if unsafe != nil {
			r.note("safe", "warn", fmt.Sprintf("%s stays closed: a source may still be on", role.SwitchText()))
			continue
		}
		own, cancel := r.clock.WithTimeout(ctx, r.cfg.OffWithin)
		if err := r.turn(own, i, false); err != nil {
			all = errors.Join(all, err)
			r.note("safe", "warn", fmt.Sprintf("that %s is open cannot be confirmed: %v", role.SwitchText(), err))
		}
		cancel()
	}
	return all
}
