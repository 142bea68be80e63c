package transporttest

import (
	"context"
	"fmt"
	"sync"

	"fourwire/transport"
)

// Fault breaks one message on one of the links that it is wrapped around: the k-th that is sent or received, all links counted
// together. A message sent is not delivered; a response is taken from the link and lost. The call returns Err, and everything
// after it works again, so that a test can check what is done about it. With Dead set, the wire is cut instead: that call and
// all later ones on that link fail.
type Fault struct {
	Err  error // nil is a time-out (or, with Dead, a lost connection)
	Dead bool

	mu    sync.Mutex // guards what follows
	k     int
	count int
	where string
}

// NewFault returns a fault at message k, counted from 1.
func NewFault(k int) *Fault { return &Fault{k: k} }

// Wrap returns l with the fault in its way.
func (f *Fault) Wrap(l transport.Link) *Failing { return &Failing{Link: l, Fault: f} }

// Fired reports whether message k has come.
func (f *Fault) Fired() bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.count >= f.k
}

// Where says which message was broken, for a test's report; "" before that.
func (f *Fault) Where() string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.where
}

// hits counts one message and reports whether it is the one.
func (f *Fault) hits(what func() string) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.count++
	if f.count != f.k {
		return false
	}
	f.where = fmt.Sprintf("message %d, %s", f.k, what())
	return true
}

func (f *Fault) err() error {
	switch {
	case f.Err != nil:
		return f.Err
	case f.Dead:
		return transport.Explain("the connection is lost (a fault put in by a test)", transport.ErrLost)
	}
	return transport.Explain("no answer came before the time ran out (a fault put in by a test)", transport.ErrTimeout, context.DeadlineExceeded)
}

// Failing is a link with a fault in its way.
type Failing struct {
	transport.Link
	*Fault
	dead bool
}

// FailAt returns l with message k broken, counted from 1 over Send and Receive. When a test has run and Fired is false, k was past the end.
func FailAt(k int, l transport.Link) *Failing { return NewFault(k).Wrap(l) }

// Unwrap returns the link behind the fault.
func (f *Failing) Unwrap() transport.Link { return f.Link }

// Send counts, and passes the message on unless it is the one.
func (f *Failing) Send(ctx context.Context, msg []byte) error {
	if f.dead || f.hits(func() string { return fmt.Sprintf("sent %q", msg) }) {
		return f.failed("send")
	}
	return f.Link.Send(ctx, msg)
}

// Receive counts, and returns the response unless it is the one.
func (f *Failing) Receive(ctx context.Context, into []byte) ([]byte, error) {
	if f.dead {
		return into[:0], f.failed("receive")
	}
	msg, err := f.Link.Receive(ctx, into)
	if f.hits(func() string { return fmt.Sprintf("received %q", msg) }) {
		return into[:0], f.failed("receive")
	}
	return msg, err
}

func (f *Failing) failed(op string) error {
	f.dead = f.Dead
	return &transport.Error{Op: op, Address: "faulty link", Err: f.err()}
}
