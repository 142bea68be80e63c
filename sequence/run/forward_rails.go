package run

import (
	"context"

	"fourwire/sequence"
)

// followRails goes by rails that came up. Where the run goes on while they are up they come up anew, in order and with their conditions, before anything else that
// was set behind them; the times that they gave stay those of the record.
func (r *runner) followRails(ctx context.Context, s *sequence.Rails) error {
	if len(s.Up) == 0 {
		r.forgetRails(s.Name)
		return nil
	}
	for _, rail := range s.Up {
		i, err := r.role(rail.Role)
		if err != nil {
			return err
		}
		next := r.state[i]
		volts, err := r.amount(rail.Volts)
		if err != nil {
			return err
		}
		amps, err := r.amount(rail.Amps)
		if err != nil {
			return err
		}
		next.Volts, next.Amps, next.On = volts.SI, amps.SI, true
		r.state[i] = next
	}
	f := &r.frames[len(r.frames)-1]
	f.trail = append(f.trail, passed{step: s, ordinal: r.ordinal, role: -1})
	if len(s.Gives) > 0 {
		if err := r.recall(f, namesOf(s.Gives)); err != nil {
			return err
		}
	}
	r.numbered(s.Name)
	if !s.HasSteps() {
		return nil
	}
	if err := r.steps(ctx, s.Steps); err != nil {
		return err
	}
	if r.ff == nil { // it went on in between
		r.place = s.At()
		return r.railsDown(ctx, s, s.Name)
	}
	r.forgetRails(s.Name)
	return nil
}

// forgetRails takes a group down in what is believed.
func (r *runner) forgetRails(name string) {
	for n := len(r.frames) - 1; n >= 0; n-- {
		trail := r.frames[n].trail
		for k := len(trail) - 1; k >= 0; k-- {
			s, ok := trail[k].step.(*sequence.Rails)
			if !ok || s.Name != name {
				continue
			}
			for _, rail := range s.Up {
				if i := r.plan.RoleIndex(rail.Role); i >= 0 {
					r.state[i].On = false
				}
			}
			r.frames[n].trail = append(trail[:k:k], trail[k+1:]...)
			return
		}
	}
}
