package transport

import (
	"context"
	"errors"
	"fmt"
)

// The kinds of failure, for errors.Is. One error can be of several kinds: a response that was cut by the deadline is ErrTimeout
// and ErrPartial, one that was cut by the instrument's going away ErrLost and ErrPartial. A time-out is also
// context.DeadlineExceeded, and a call that was cancelled is context.Canceled.
var (
	ErrTimeout = errors.New("time ran out")
	ErrPartial = errors.New("part of a message only")
	ErrLost    = errors.New("the connection is lost")
	ErrClosed  = errors.New("the link is closed")
	ErrAstray  = errors.New("the link is out of step with the instrument")
	ErrTooLong = errors.New("the response is longer than allowed")
	ErrGarbled = errors.New("the response makes no sense")
	ErrBusy    = errors.New("in use elsewhere")
	ErrRefused = errors.New("connection refused")
)

// Error is a failed operation on a link.
type Error struct {
	Op      string // open, send, receive, clear, redial, close
	Address string // as of Address.String
	Err     error
}

// Error returns the address, the operation and the cause.
func (e *Error) Error() string { return e.Address + ": " + e.Op + ": " + e.Err.Error() }

// Unwrap returns the cause.
func (e *Error) Unwrap() error { return e.Err }

// Timeout reports whether the time ran out.
func (e *Error) Timeout() bool { return errors.Is(e.Err, ErrTimeout) }

// Explain returns an error that reads as text and is, for errors.Is and errors.As, each of kinds. Wires use it to say in plain words
// what happened without losing the cause.
func Explain(text string, kinds ...error) error {
	return &explained{text: text, kinds: kinds}
}

type explained struct {
	text  string
	kinds []error
}

func (e *explained) Error() string   { return e.text }
func (e *explained) Unwrap() []error { return e.kinds }

// Interrupted explains why work under ctx ended early: the time ran out, or somebody stopped it. what says what had not come about,
// such as "no answer came".
func Interrupted(ctx context.Context, what string, kinds ...error) error {
	cause := context.Cause(ctx)
	kinds = append(kinds, ctx.Err(), cause)
	if errors.Is(ctx.Err(), context.DeadlineExceeded) {
		return Explain(what+" before the time ran out", append(kinds, ErrTimeout)...)
	}
	return Explain(fmt.Sprintf("%s before the call was stopped (%v)", what, cause), kinds...)
}
