package sim

import (
	"bytes"
	"context"
	"fmt"
	"time"

	"fourwire/sim/instrument"
	"fourwire/sim/scpi"
	"fourwire/transport"
)

// Link opens an in-process link to an instrument. Send hands a message over at the present simulated time and returns; what it does
// happens when its processing time has passed on the bench's clock. Receive sleeps on that clock until the response is there, so that
// several instruments measure at once when all were sent to before the first is received from.
//
// The link has a device clear (transport.Clearer) and can be opened again (transport.Redialer).
func (b *Bench) Link(name string) (transport.Link, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	s, err := b.station(name)
	if err != nil {
		return nil, err
	}
	l := &link{bench: b, station: s, address: "sim:" + name}
	l.open()
	return l, nil
}

// allOfIt asks for a whole response at once.
const allOfIt = 1 << 30

type link struct {
	bench   *Bench
	station *station
	address string
	session *scpi.Session // used under the bench's lock
	astray  error
	closed  bool

	// of an instrument with troubles
	cuts    int
	last    []byte
	backlog [][]byte // whole answers that stand before what the session gives
}

func (l *link) open() {
	l.session = l.station.Device().Open(scpi.SessionOptions{Messages: true, NoTerminator: true})
	l.backlog, l.last = nil, nil
	if l.station.troubles != nil {
		l.cuts = l.station.troubles.cuts
	}
}

func (l *link) failed(op string, err error) error {
	return &transport.Error{Op: op, Address: l.address, Err: err}
}

func (l *link) refusal() error {
	return transport.Explain(fmt.Sprintf("%v since an answer was not taken (%v); clear the link first", transport.ErrAstray, l.astray), transport.ErrAstray)
}

// Send hands over one message.
func (l *link) Send(ctx context.Context, msg []byte) error {
	if err := ctx.Err(); err != nil {
		return l.failed("send", transport.Interrupted(ctx, "nothing was sent"))
	}
	msg = bytes.TrimRight(msg, "\r\n")
	b := l.bench
	for first := true; ; first = false {
		b.mu.Lock()
		switch {
		case l.closed:
			b.mu.Unlock()
			return l.failed("send", transport.ErrClosed)
		case first && l.astray != nil && bytes.IndexByte(msg, '?') >= 0:
			b.mu.Unlock()
			return l.failed("send", l.refusal())
		}
		if first && l.station.troubles != nil && !l.cut() && !b.hears(l.station, msg) && !l.cut() {
			b.mu.Unlock()
			return nil // it got there, and nobody cares
		}
		if l.cut() {
			b.mu.Unlock()
			return l.failed("send", lostLink())
		}
		l.station.Heard(b.engine.now)
		n := l.session.Feed(msg, true)
		b.run(l.station)
		msg = msg[n:]
		b.mu.Unlock()
		if len(msg) == 0 {
			return nil
		}
		if n > 0 {
			continue
		}
		if err := l.wait(ctx); err != nil { // the input buffer is full
			return l.failed("send", transport.Explain("part of the message was sent: "+err.Error(), err, transport.ErrPartial))
		}
	}
}

// Receive waits, in simulated time, for one response.
func (l *link) Receive(ctx context.Context, into []byte) ([]byte, error) {
	msg := into[:0]
	b := l.bench
	for {
		b.mu.Lock()
		switch {
		case l.closed:
			b.mu.Unlock()
			return msg, l.failed("receive", transport.ErrClosed)
		case l.astray != nil:
			b.mu.Unlock()
			return msg, l.failed("receive", l.refusal())
		}
		if l.cut() {
			b.mu.Unlock()
			return msg, l.failed("receive", lostLink())
		}
		if len(l.backlog) > 0 {
			msg = append(msg, l.backlog[0]...)
			l.backlog = l.backlog[1:]
			b.mu.Unlock()
			return msg, nil
		}
		p, end := l.session.Receive(allOfIt)
		msg = append(msg, p...)
		if len(p) > 0 && !end {
			b.run(l.station) // a full output queue may have held the rest
		}
		if end && l.station.troubles != nil {
			msg, end = l.spoiled(msg)
			b.mu.Unlock()
			if end {
				return msg, nil
			}
			continue
		}
		b.mu.Unlock()
		if end {
			return msg, nil
		}
		if len(p) > 0 {
			continue
		}
		if err := l.wait(ctx); err != nil {
			b.mu.Lock()
			l.astray = err
			b.mu.Unlock()
			return msg, l.failed("receive", err)
		}
	}
}

// wait sleeps until an instrument of the bench does something by itself, or until the context ends.
func (l *link) wait(ctx context.Context) error {
	b := l.bench
	b.mu.Lock()
	due, now := b.due(), b.engine.now
	b.mu.Unlock()
	span := time.Duration(due - now)
	if due == instrument.Never {
		deadline, ok := ctx.Deadline()
		if !ok {
			if err := ctx.Err(); err != nil {
				return transport.Interrupted(ctx, "no answer came")
			}
			return transport.Explain("no answer came, none is under way, and the call has no deadline: in simulated time it would wait for ever; was a query sent?", transport.ErrTimeout)
		}
		span = max(deadline.Sub(b.clock.Now()), 1)
	}
	if err := b.clock.Sleep(ctx, span); err != nil {
		return transport.Interrupted(ctx, "no answer came")
	}
	return nil
}

// Clear is the device clear: the instrument drops what it has of messages and answers. Its settings and errors stay.
func (l *link) Clear(ctx context.Context) error {
	if ctx.Err() != nil {
		return l.failed("clear", transport.Interrupted(ctx, "nothing was cleared"))
	}
	l.bench.mu.Lock()
	defer l.bench.mu.Unlock()
	if l.closed {
		return l.failed("clear", transport.ErrClosed)
	}
	if t := l.station.troubles; l.cut() || t != nil && t.hung {
		return l.failed("clear", lostLink())
	}
	l.session.Clear()
	l.backlog = nil
	l.bench.run(l.station)
	l.astray = nil
	return nil
}

// Redial gives the connection up and opens a new one.
func (l *link) Redial(ctx context.Context) error {
	if ctx.Err() != nil {
		return l.failed("redial", transport.Interrupted(ctx, "nothing was opened"))
	}
	l.bench.mu.Lock()
	defer l.bench.mu.Unlock()
	if t := l.station.troubles; t != nil && t.refuses {
		return l.failed("redial", transport.Explain("the instrument takes no connection", transport.ErrRefused))
	}
	l.session.Close()
	l.open()
	l.closed, l.astray = false, nil
	return nil
}

// Close ends the link. Commands that were sent and wait for their processing time are still executed.
func (l *link) Close() error {
	b := l.bench
	b.mu.Lock()
	defer b.mu.Unlock()
	if l.closed {
		return nil
	}
	l.closed = true
	c := &Conn{bench: b, station: l.station, session: l.session, closed: true}
	l.station.conns = append(l.station.conns, c)
	c.retire()
	return nil
}

func (l *link) cut() bool { return l.station.troubles != nil && l.station.troubles.cuts != l.cuts }

func lostLink() error {
	return transport.Explain("the connection is lost: the instrument ended it", transport.ErrLost)
}

// spoiled is what becomes of a whole answer; false where it does not arrive.
func (l *link) spoiled(msg []byte) ([]byte, bool) {
	if len(l.station.troubles.spoil) == 0 {
		l.last = append(l.last[:0], msg...)
		return msg, true
	}
	answers := l.station.troubles.spoiled(msg, l.last, "")
	l.last = append(l.last[:0:0], msg...)
	if len(answers) == 0 {
		return msg[:0], false
	}
	for _, a := range answers[1:] {
		l.backlog = append(l.backlog, bytes.Clone(a))
	}
	return append(msg[:0:0], answers[0]...), true
}
