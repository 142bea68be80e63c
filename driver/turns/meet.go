package turns

import (
	"context"
	"errors"
	"slices"

	"fourwire/internal/clock"
	"fourwire/transport"
)

// Once prepares a shared instrument, unless another site has done so: a reset concerns all of them. The instrument has to be held. One that could not be prepared
// is an error for every site.
func (p *Party) Once(ctx context.Context, name string, prepare func(context.Context) error) error {
	one := p.pool.find(name)
	if one == nil {
		return prepare(ctx)
	}
	if !one.prepared { // whoever holds it is alone
		one.prepared, one.failed = true, prepare(ctx)
	}
	return one.failed
}

// Meet waits until every party has come here, or has left. Whoever comes last does what is to be done once for all of them; its error is everybody's.
func (p *Party) Meet(ctx context.Context, once func(context.Context) error) error {
	signal := clock.NewSignal(ctx)
	p.pool.mu.Lock()
	p.come = signal
	last := !p.pool.chosen && p.pool.met()
	p.pool.chosen = p.pool.chosen || last
	p.pool.mu.Unlock()
	if last {
		var err error
		if once != nil {
			err = once(ctx)
		}
		p.pool.dismiss(err)
		return err
	}
	if p.Busy != nil {
		p.Busy(waits)
		defer p.Busy(0)
	}
	if err := signal.Wait(ctx); err != nil {
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
		return err
	}
	if errors.Is(p.given, errLast) { // those that were waited for have left
		var err error
		if once != nil {
			err = once(ctx)
		}
		p.pool.dismiss(err)
		return err
	}
	return p.given
}

// errLast tells a party that it does what is to be done for all.
var errLast = errors.New("this is the last one")

// met tells whether all have come. The caller holds the lock.
func (p *Pool) met() bool {
	return !slices.ContainsFunc(p.parties, func(o *Party) bool { return !o.left && o.come == nil })
}

// dismiss lets all go on that have come.
func (p *Pool) dismiss(err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, o := range p.parties {
		if o.come != nil {
			o.given = err
			o.come.Give()
		}
	}
}

// Leave is called when the run of a site has ended: it is not waited for any more.
func (p *Party) Leave() {
	p.pool.mu.Lock()
	defer p.pool.mu.Unlock()
	p.left = true
	if p.pool.chosen || !p.pool.met() {
		return
	}
	for _, o := range p.pool.parties {
		if !o.left && o.come != nil && !o.come.Given() {
			o.given, p.pool.chosen = errLast, true
			o.come.Give()
			return
		}
	}
}

// Contact says which relay joins a metering channel to a node at present; empty: none, as far as is known. The meter has to be held.
func (p *Party) Contact(channel string) (relay string, known bool) {
	p.pool.mu.Lock()
	defer p.pool.mu.Unlock()
	relay, known = p.pool.contacts[channel]
	return relay, known
}

// SetContact notes which relay is closed; known is false while that is not certain.
func (p *Party) SetContact(channel, relay string, known bool) {
	p.pool.mu.Lock()
	defer p.pool.mu.Unlock()
	if !known {
		delete(p.pool.contacts, channel)
		return
	}
	p.pool.contacts[channel] = relay
}

// Link gives a link to a shared instrument through which only whoever holds it speaks.
func (p *Pool) Link(name string, l transport.Link) transport.Link {
	return &watched{Link: l, pool: p, name: name}
}

type watched struct {
	transport.Link
	pool *Pool
	name string
}

// Unwrap is the link itself.
func (w *watched) Unwrap() transport.Link { return w.Link }

// Send refuses what is said without holding the instrument.
func (w *watched) Send(ctx context.Context, message []byte) error {
	if err := w.admit(ctx); err != nil {
		return &transport.Error{Op: "send", Address: w.name, Err: err}
	}
	return w.told(w.Link.Send(ctx, message))
}

// Receive likewise.
func (w *watched) Receive(ctx context.Context, into []byte) ([]byte, error) {
	if err := w.admit(ctx); err != nil {
		return into[:0], &transport.Error{Op: "receive", Address: w.name, Err: err}
	}
	message, err := w.Link.Receive(ctx, into)
	return message, w.told(err)
}

func (w *watched) admit(ctx context.Context) error {
	w.pool.mu.Lock()
	defer w.pool.mu.Unlock()
	if !w.pool.began {
		return nil
	}
	for s := sectionOf(ctx); s != nil; s = s.around {
		for _, one := range s.places {
			if one.name != w.name {
				continue
			}
			one.speaker = s
			if one.holder == s {
				return nil
			}
		}
	}
	return ErrNotHeld
}

// told passes on that the connection is lost.
func (w *watched) told(err error) error {
	if err != nil && errors.Is(err, transport.ErrLost) && w.pool.lost != nil {
		w.pool.mu.Lock()
		began := w.pool.began
		w.pool.mu.Unlock()
		if began {
			w.pool.lost(w.name, err)
		}
	}
	return err
}

// Shares tells whether an instrument is a shared one.
func (p *Party) Shares(name string) bool { return p != nil && p.pool.Shares(name) }
