package driver

import (
	"context"

	"fourwire/internal/ledger"
)

// Relay is a channel that joins two nodes, or does not.
type Relay struct{ *channel }

// Relay gives the switch of a channel.
func (in *Instrument) Relay(ch int) (*Relay, error) {
	c, err := in.at(ch)
	if err != nil {
		return nil, err
	}
	if c.spec.Relay == nil {
		return nil, c.cannot("switching nodes")
	}
	return &Relay{c}, nil
}

// Turn closes or opens it, and verifies that it has. What flows through it then is for the caller: a switch that moves under current wears,
// and may weld.
func (r *Relay) Turn(ctx context.Context, closed bool) error {
	begun := r.in.clock.Now()
	if err := r.turn(ctx, closed); err != nil {
		return err
	}
	return r.in.sleep(ctx, max(0, r.spec.Relay.Moves-r.in.clock.Since(begun)), ledger.Settle)
}

// Closed asks whether it is closed.
func (r *Relay) Closed(ctx context.Context) (bool, error) {
	s, err := r.status(ctx)
	return s.On, err
}
