package driver

import (
	"context"
	"time"

	"fourwire/internal/ledger"
	"fourwire/transport"
)

// wire is the link of an instrument with the account of its time. Where several instruments are spoken to together, the others have
// their turn while an answer is awaited.
type wire struct {
	transport.Link
	in      *Instrument
	spans   *ledger.Ledger
	name    string
	way     time.Duration // what one exchange costs on its way
	perByte time.Duration // and each of its bytes
	seen    exchanges
	next    expectation
}

// expectation says what the wait for the next answer is spent on; the zero value is processing, and the way.
type expectation struct {
	kind  ledger.Kind
	first ledger.Kind // of the first part
	part  time.Duration
	at    time.Time // when that was so long; zero: it is so long whenever
}

// Unwrap is the link itself.
func (w *wire) Unwrap() transport.Link { return w.Link }

// Send hands a message over.
func (w *wire) Send(ctx context.Context, message []byte) error {
	t := turnOf(ctx)
	if t != nil && t.instrument != w.in {
		return t.errStranger(w.name)
	}
	if w.spans == nil {
		return w.Link.Send(ctx, message)
	}
	kind := ledger.Transfer
	if t != nil && t.whole != "" {
		kind = t.whole
	}
	w.seen.sends(w.in.clock.Now(), len(message), t == nil)
	entry := w.spans.Enter(kind, w.name)
	err := w.Link.Send(ctx, message)
	entry.Leave()
	return err
}

// Receive waits for an answer.
func (w *wire) Receive(ctx context.Context, into []byte) ([]byte, error) {
	t := turnOf(ctx)
	if t != nil {
		var cancel context.CancelFunc
		ctx, cancel = t.others(ctx)
		defer cancel()
	}
	if w.spans == nil {
		return w.Link.Receive(ctx, into)
	}
	e := w.next
	w.next = expectation{}
	plain := e == expectation{} && t == nil
	if !e.at.IsZero() {
		e.part = max(0, e.part-w.in.clock.Since(e.at)) // of what others were waited for meanwhile, it has passed
	}
	if e.kind == "" {
		e.kind = ledger.Processing
	}
	transfer := e.first == ""
	if t != nil && t.whole != "" {
		e.kind, e.part, transfer = t.whole, 0, false
	}
	entry := w.spans.Enter(e.kind, w.name)
	message, err := w.Link.Receive(ctx, into)
	way := w.way + time.Duration(w.seen.bytes+len(message))*w.perByte
	if transfer {
		e.first, e.part = ledger.Transfer, way
	}
	entry.LeaveFirst(e.first, e.part)
	w.seen.answered(w.in.clock, way, plain && err == nil)
	return message, err
}

// span is something that the time of an instrument goes into, with whatever is said meanwhile. Leave ends it.
type span struct {
	entry ledger.Entry
	turn  *turn
}

// whole begins a span. In one that has begun already it changes nothing.
func (in *Instrument) whole(ctx context.Context, kind ledger.Kind) span {
	spans := in.config.Spans
	if spans == nil {
		return span{}
	}
	if t := turnOf(ctx); t != nil { // spans of several instruments do not nest: each answer is booked by itself
		if t.whole != "" {
			return span{}
		}
		t.whole = kind
		return span{turn: t}
	}
	return span{entry: spans.EnterWhole(kind, in.config.Name)}
}

// Leave ends the span.
func (s span) Leave() {
	if s.turn != nil {
		s.turn.whole = ""
	}
	s.entry.Leave()
}

// expect says what the wait for the next answer is spent on: a first part of it, at most so long, and the rest.
func (in *Instrument) expect(first ledger.Kind, part time.Duration, rest ledger.Kind) {
	if in.config.Spans != nil {
		in.wire.next = expectation{kind: rest, first: first, part: max(part, 0), at: in.clock.Now()}
	}
}

// sleep lets time pass that goes into a kind of span.
func (in *Instrument) sleep(ctx context.Context, d time.Duration, kind ledger.Kind) error {
	if t := turnOf(ctx); t != nil {
		t.pause()
	}
	if d <= 0 {
		return in.clock.Sleep(ctx, d)
	}
	defer in.config.Spans.Enter(kind, in.config.Name).Leave()
	return in.clock.Sleep(ctx, d)
}
