package run

import (
	"context"
	"errors"
	"fmt"
	"time"

	"fourwire/driver"
	"fourwire/quantity"
	"fourwire/sequence"
	"fourwire/sequence/plan"
)

// Lister runs through levels by itself. A *driver.List is one.
type Lister interface {
	Load(context.Context, driver.ListPlan) error
	Start(context.Context) error
	Await(ctx context.Context, longest time.Duration) error
}

// ListerOf is the ability of an Instrument to run lists.
type ListerOf interface {
	List(channel int) (Lister, error)
}

func (o opened) List(channel int) (Lister, error) { return o.Instrument.List(channel) }

func listerOf(in Instrument, channel int) (Lister, error) {
	one, ok := in.(ListerOf)
	if !ok {
		return nil, errors.New("it runs no lists")
	}
	return one.List(channel)
}

// runningList is a list under way.
type runningList struct {
	role  int
	of    sequence.Function
	last  float64
	whole time.Duration
	list  Lister
}

// list has a role run through levels by itself. Inside a capture it ends behind the event, else at once.
func (r *runner) list(ctx context.Context, s *sequence.List) error {
	i, err := r.role(s.Role)
	if err != nil {
		return err
	}
	role := &r.roles[i]
	list, err := listerOf(r.cfg.Instruments[role.Channel.Instrument], role.Channel.Number)
	if err != nil {
		return r.of(role, err)
	}
	p := driver.ListPlan{Of: functionOf(s.Of)}
	guard := role.Guard.Volts
	if s.Of == sequence.Amps {
		guard = role.Guard.Amps
	}
	for _, e := range s.Levels {
		q, err := r.setpoint(ctx, e, s.Role, guard)
		if err != nil {
			return err
		}
		p.Levels = append(p.Levels, q.SI)
	}
	for _, e := range s.Dwell {
		v, err := r.eval(ctx, e)
		if err != nil {
			return err
		}
		p.Dwell = append(p.Dwell, v.X)
	}
	last := p.Levels[len(p.Levels)-1]
	if at := r.state[i]; s.Of == sequence.Volts {
		if p.Safe = at.Volts; last != p.Safe {
			return r.stop(Input, "the list of %s ends at %s, and it is set to %s: a list ends where it began", s.Role, quantity.Volt(last), quantity.Volt(at.Volts))
		}
	} else if at.Hold.Dim != quantity.Current {
		return r.stop(Input, "%s holds %s: a list of currents needs it to hold a current first", s.Role, at.Hold)
	}
	if !r.state[i].On {
		return r.stop(Input, "%s is off: it goes on before its list begins", s.Role)
	}
	r.touched[role.Channel.Instrument] = true
	if err := list.Load(ctx, p); err != nil {
		return r.of(role, err)
	}
	whole, _ := s.Duration(r)
	r.running = append(r.running, runningList{i, s.Of, last, seconds(whole), list})
	began := r.clock.Now()
	if err := list.Start(ctx); err != nil {
		return r.of(role, err)
	}
	r.acted(i, sequence.OnSteps, began)
	if r.under != nil {
		return nil
	}
	return r.endLists(ctx)
}

// endLists waits for the lists under way, and has what ran them hold their last level as a setting.
func (r *runner) endLists(ctx context.Context) error {
	for len(r.running) > 0 {
		one := r.running[0]
		role := &r.roles[one.role]
		if r.cfg.Busy != nil {
			r.cfg.Busy(one.whole + captureSlack)
		}
		if err := one.list.Await(ctx, one.whole+captureSlack); err != nil {
			return r.of(role, err)
		}
		r.running = r.running[1:]
		if one.of == sequence.Volts {
			if err := role.feed.SetVolts(ctx, quantity.Volt(one.last)); err != nil {
				return r.of(role, err)
			}
			r.state[one.role].Volts = one.last
			continue
		}
		hold := quantity.Of(one.last, quantity.Current)
		if err := role.sink.Hold(ctx, hold); err != nil {
			return r.of(role, err)
		}
		r.state[one.role].Hold = hold
		r.note("output", "info", fmt.Sprintf("%s holds %s behind its list", role.Need.Name, hold))
	}
	return nil
}

// connectCaptures finds the digitisers that the plan names.
func (r *runner) connectCaptures(at func(name string) (Instrument, error)) error {
	r.digitisers = map[plan.Channel]Digitiser{}
	for i := range r.plan.Captures {
		one := &r.plan.Captures[i]
		if one.From != "" {
			if _, err := at(one.From); err != nil {
				return err
			}
		}
		for _, p := range one.Parts {
			in, err := at(p.Channel.Instrument)
			if err != nil {
				return err
			}
			able, ok := in.(CapturerOf)
			if !ok {
				return fmt.Errorf("%s cannot capture", p.Channel)
			}
			if r.digitisers[p.Channel], err = able.Digitiser(p.Channel.Number); err != nil {
				return fmt.Errorf("%s: %w", p.Channel, err)
			}
		}
	}
	return nil
}
