package driver

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"time"

	"fourwire/internal/ledger"
)

// Action is something to do with one instrument.
type Action struct {
	Instrument *Instrument
	Do         func(ctx context.Context) error
}

// Together does several actions without one instrument waiting for another: while the answer of one is awaited, the next is spoken to, so that
// they work at the same time. Everything that an instrument is told keeps its order, and actions of one instrument follow one another; one that fails
// ends those behind it on the same instrument, and no others. The errors are joined, in the order of the actions.
//
// An action speaks to its own instrument alone, with the context that it is given. Which of two instruments does its part first is open: where that
// counts, use [InOrder].
func Together(ctx context.Context, actions ...Action) error {
	errs := make([]error, len(actions))
	lanes := lanesOf(actions)
	if len(lanes) == 1 {
		lanes[0].do(ctx, actions, errs)
		return oneOrAll(errs)
	}
	type running struct {
		next func() (struct{}, bool)
		stop func()
	}
	var all []running
	defer func() {
		for _, r := range all {
			r.stop()
		}
	}()
	for _, l := range lanes {
		next, stop := iter.Pull(func(yield func(struct{}) bool) {
			t := &turn{instrument: l.instrument, pause: func() { yield(struct{}{}) }}
			t.base = context.WithValue(ctx, turnKey{}, t)
			l.do(t.base, actions, errs)
		})
		all = append(all, running{next, stop})
	}
	for busy := all; len(busy) > 0; {
		left := busy[:0:0]
		for _, r := range busy {
			if _, more := r.next(); more {
				left = append(left, r)
			}
		}
		busy = left
	}
	return oneOrAll(errs)
}

// InOrder does actions one after the other, each complete before the next one begins: the instrument is asked for the end of its operations, where it
// can be. Two instruments that are only sent their commands in an order may carry them out in another.
func InOrder(ctx context.Context, actions ...Action) error {
	for i, a := range actions {
		if err := a.Do(ctx); err != nil {
			return err
		}
		if i+1 < len(actions) && actions[i+1].Instrument != a.Instrument {
			if err := a.Instrument.Complete(ctx); err != nil {
				return err
			}
		}
	}
	return nil
}

// Complete waits until the instrument has carried out what it was told. It is for what takes as long as an ordinary answer; an armed capture or a list is
// such an operation too, and is not waited for in this way. An instrument that cannot say when is not waited for.
func (in *Instrument) Complete(ctx context.Context) error {
	if !in.model.Dialect.CanAsk("end") {
		return nil
	}
	if err := in.hearPosed(ctx); err != nil {
		return err
	}
	return in.device.Synchronise(ctx)
}

// turn is the part of one instrument in what is done together.
type turn struct {
	instrument *Instrument
	base       context.Context // of its actions
	pause      func()          // gives the others their turn
	whole      ledger.Kind     // what its time goes into; empty: by the answer
}

// heldUp is how long others may take without an answer being given the time again that it has waited here.
const heldUp = 50 * time.Millisecond

// others gives the others their turn before an answer is waited for. The time that they take does not count against the time limit of that answer: it may
// lie there already.
func (t *turn) others(ctx context.Context) (context.Context, context.CancelFunc) {
	c := t.instrument.clock
	paused := c.Now()
	t.pause()
	took := c.Since(paused)
	limit, limited := ctx.Deadline()
	if !limited || took < heldUp || t.base.Err() != nil {
		return ctx, func() {}
	}
	return c.WithTimeout(t.base, limit.Sub(paused))
}

type turnKey struct{}

// turnOf is the turn that a context belongs to; nil where one instrument is spoken to alone.
func turnOf(ctx context.Context) *turn {
	t, _ := ctx.Value(turnKey{}).(*turn)
	return t
}

// lane is what one instrument has to do.
type lane struct {
	instrument *Instrument
	actions    []int
}

func lanesOf(actions []Action) []lane {
	var out []lane
	at := map[*Instrument]int{}
	for i, a := range actions {
		k, ok := at[a.Instrument]
		if !ok {
			k = len(out)
			at[a.Instrument] = k
			out = append(out, lane{instrument: a.Instrument})
		}
		out[k].actions = append(out[k].actions, i)
	}
	return out
}

func (l lane) do(ctx context.Context, actions []Action, errs []error) {
	for _, i := range l.actions {
		if errs[i] = actions[i].Do(ctx); errs[i] != nil {
			return
		}
	}
}

// oneOrAll is nil, the one error, or all of them.
func oneOrAll(errs []error) error {
	var found []error
	for _, err := range errs {
		if err != nil {
			found = append(found, err)
		}
	}
	if len(found) == 1 {
		return found[0]
	}
	return errors.Join(found...)
}

// errStranger says that an action spoke to another instrument than its own.
func (t *turn) errStranger(in string) error {
	return fmt.Errorf("an action of %s spoke to %s: each action speaks to its own instrument", t.instrument.config.Name, in)
}
