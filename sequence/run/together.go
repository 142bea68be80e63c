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
	for _, t := range tasks {
		if err := t.do(ctx); err != nil {
			return err
		}
	}
	return nil
}
