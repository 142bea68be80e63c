package transport

import (
	"bytes"
	"context"
	"errors"
	"fmt"
)

// WithEcho returns a link for an instrument that sends every message back before it answers. The echo is awaited by Send,
// compared and thrown away. A wrong echo is ErrGarbled: what came is either a late answer, or the message did not arrive as sent.
func WithEcho(l Link) Link { return &echoing{Link: l} }

type echoing struct {
	Link
	echo []byte
}

func (e *echoing) Unwrap() Link { return e.Link }

func (e *echoing) Send(ctx context.Context, msg []byte) error {
	if err := e.Link.Send(ctx, msg); err != nil {
		return err
	}
	var err error
	e.echo, err = e.Link.Receive(ctx, e.echo)
	if err != nil {
		return fmt.Errorf("waiting for the echo of %s: %w", shortened(msg), err)
	}
	if sent := bytes.TrimRight(msg, "\r\n"); !bytes.Equal(bytes.TrimRight(e.echo, "\r\n"), sent) {
		text := fmt.Sprintf("the echo of %s reads %s", shortened(msg), shortened(e.echo))
		return &Error{Op: "send", Address: addressOf(e.Link), Err: Explain(text, ErrGarbled)}
	}
	return nil
}

// Resync brings a link back into step by asking something that has an answer of its own kind: it clears the link where it can,
// sends probe, and drops every response until known says that one is the answer to probe. Late answers of earlier queries are
// dropped on the way. Choose a probe that changes nothing and whose answer no other query gives. ctx ends the attempt; give it
// as much time as the slowest query that may still be answered.
func Resync(ctx context.Context, l Link, probe []byte, known func(response []byte) bool) error {
	var msg []byte
	for {
		if c, ok := As[Clearer](l); ok {
			if err := c.Clear(ctx); err != nil {
				return err
			}
		}
		err := l.Send(ctx, probe)
		for err == nil {
			if msg, err = l.Receive(ctx, msg); err == nil && known(msg) {
				return nil
			}
		}
		if !errors.Is(err, ErrGarbled) && !errors.Is(err, ErrTooLong) {
			return err // what makes no sense may be the rest of an old answer: only that is worth another round
		}
		if ctx.Err() != nil {
			return err
		}
	}
}
