package run

import (
	"context"

	"fourwire/driver"
)

// task is something to do with one instrument of the bench.
type task struct {
	instrument string
	do         func(context.Context) error
}

// spoken is an instrument whose answers can be awaited while others are spoken to.
type spoken interface{ spoken() *driver.Instrument }

func (o opened) spoken() *driver.Instrument { return o.Instrument }

// together does tasks of several instruments without one waiting for another. Their order among one another is open: it is for what neither
// raises anything nor switches anything on. Instruments that are not spoken to by the driver do theirs one after the other, up to the first that fails.
func (r *runner) together(ctx context.Context, tasks ...task) error {
	actions := make([]driver.Action, 0, len(tasks))
	for _, t := range tasks {
		in, ok := r.cfg.Instruments[t.instrument].(spoken)
		if !ok {
			break
		}
		actions = append(actions, driver.Action{Instrument: in.spoken(), Do: t.do})
	}
	if len(actions) == len(tasks) && len(tasks) > 1 {
		return driver.Together(ctx, actions...)
	}
	return inTurn(ctx, tasks)
}

// inTurn does tasks one after the other, up to the first that fails.
func inTurn(ctx context.Context, tasks []task) error {
	for _, t := range tasks {
		if err := t.do(ctx); err != nil {
			return err
		}
	}
	return nil
}

// inspectAll asks every role that is on what it is doing, and what it is set to; by role.
func (r *runner) inspectAll(ctx context.Context) ([]driver.Status, error) {
	return r.inspectBeside(ctx)
}

// inspectBeside is inspectAll beside other tasks, which go first at an instrument that has both.
func (r *runner) inspectBeside(ctx context.Context, tasks ...task) ([]driver.Status, error) {
	said := make([]driver.Status, len(r.roles))
	for i := range r.roles {
		role := &r.roles[i]
		if role.feed == nil && role.sink == nil || !r.state[i].On {
			continue
		}
		r.touched[role.Channel.Instrument] = true
		tasks = append(tasks, task{role.Channel.Instrument, func(ctx context.Context) (err error) {
			if said[i], err = r.inspect(ctx, i); err != nil {
				err = r.of(role, err)
			}
			return err
		}})
	}
	var names []string
	for _, t := range tasks {
		names = append(names, t.instrument)
	}
	ctx, release, err := r.claim(ctx, names...)
	if err != nil {
		return said, err
	}
	defer release()
	if err := r.together(ctx, tasks...); err != nil {
		return said, err
	}
	return said, r.settled(ctx, names)
}
