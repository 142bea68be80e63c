package driver

import (
	"context"
	"errors"
)

// Action is something to do with one instrument.
type Action struct {
	Instrument *Instrument
	Do         func(ctx context.Context) error
}

// Together does several actions without one instrument waiting for another: while the answer of one is awaited, the next is spoken to. Actions of
// one instrument follow one another in their order. An action speaks to its own instrument alone, with the context that it is given. All actions
// are done whatever becomes of the others; their errors are joined.
func Together(ctx context.Context, actions ...Action) error {
	var all []error
	for _, a := range actions {
		all = append(all, a.Do(ctx))
	}
	return errors.Join(all...)
}
