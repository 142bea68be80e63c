package run

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"fourwire/internal/diag"
	"fourwire/record"
	"fourwire/transport"
)

// Kind says why a run ended early.
type Kind uint8

// The kinds.
const (
	Bench       Kind = iota + 1 // an instrument is not reachable, refuses, or is not what it should be; the record cannot be written
	Input                       // the sequence asks for what cannot be worked out
	Safety                      // a guard, or a protection that tripped
	Fault                       // the program itself
	Interrupted                 // the context ended
)

// Stop is an early end, with where in the sequence it happened.
type Stop struct {
	Kind  Kind
	Place diag.Place // of the step; the zero Place before the first
	Where string     // coordinates: "vin 9 V, iout 3 A"
	Err   error
}

// Error is the place, the coordinates and the cause.
func (s *Stop) Error() string {
	var b strings.Builder
	if s.Place != (diag.Place{}) {
		b.WriteString(s.Place.String() + ": ")
	}
	if s.Where != "" {
		b.WriteString("at " + s.Where + ": ")
	}
	if s.Kind == Safety {
		b.WriteString("stopped for safety: ")
	}
	b.WriteString(s.Err.Error())
	return b.String()
}

// Unwrap gives the cause.
func (s *Stop) Unwrap() error { return s.Err }

// Elsewhere is the cause of the context of a run that ends for what has happened at another site; the run then ends with that kind.
type Elsewhere struct {
	Kind Kind
	Err  error
}

// Error says what has happened.
func (e *Elsewhere) Error() string { return e.Err.Error() }

// Unwrap gives the cause.
func (e *Elsewhere) Unwrap() error { return e.Err }

// ErrUnguarded ends a run, as the cause of its context, because nobody would switch off any more if the run were killed.
var ErrUnguarded = errors.New("the guardian of the bench is gone")

// NotSafe says that an output may still be on.
type NotSafe struct {
	Role, Channel string
	Err           error
}

// Error says it, and what to do.
func (n *NotSafe) Error() string {
	return fmt.Sprintf("%s (%s) may still be on: %v; switch it off at its front panel", n.Role, n.Channel, n.Err)
}

// Unwrap gives the cause.
func (n *NotSafe) Unwrap() error { return n.Err }

// The exit statuses of a run.
const (
	exitPass        = 0
	exitFail        = 1
	exitUndecided   = 2
	exitInput       = 3
	exitBench       = 4
	exitSafety      = 5
	exitInterrupted = 130
)

// ExitStatus is the status of a command for what Run gave: 0 every verdict pass (or nothing judged), 1 a verdict failed, 2
// undecided only, 3 the input is wrong, 4 the bench is not right, 5 stopped for safety or something may still be on, 130
// interrupted.
func ExitStatus(s Summary, err error) int {
	var live *NotSafe
	if errors.As(err, &live) {
		return exitSafety
	}
	var stop *Stop
	if errors.As(err, &stop) {
		switch stop.Kind {
		case Input:
			return exitInput
		case Safety, Fault:
			return exitSafety
		case Interrupted:
			return exitInterrupted
		}
		return exitBench
	}
	if err != nil {
		return exitBench
	}
	switch s.Outcome {
	case record.Fail:
		return exitFail
	case record.Undecided:
		return exitUndecided
	}
	return exitPass
}

// stopped makes a Stop of any error that ends the run, once, and notes it.
func (r *runner) stopped(ctx context.Context, err error) error {
	var stop *Stop
	if !errors.As(err, &stop) {
		stop = &Stop{Kind: Bench, Place: r.place, Where: r.where(), Err: err}
		err = stop
	}
	if relieved := r.relieved(); relieved != nil {
		stop.Kind, stop.Err = Safety, relieved
	} else if cause := context.Cause(ctx); errors.Is(cause, ErrUnguarded) {
		stop.Kind, stop.Err = Safety, cause
	}
	if ctx.Err() != nil && stop.Kind == Bench {
		stop.Kind = Interrupted
		var elsewhere *Elsewhere
		if errors.As(context.Cause(ctx), &elsewhere) {
			stop.Kind = elsewhere.Kind
		}
		if cause := context.Cause(ctx); cause != nil && !errors.Is(stop.Err, cause) {
			stop.Err = fmt.Errorf("%w (%w)", cause, stop.Err)
		}
	}
	if errors.Is(err, transport.ErrLost) {
		r.note("lost", "error", fmt.Sprintf("an instrument is lost and is not called again: %v", err))
	}
	r.keepRows(err)
	return err
}

// stop makes a Stop of the given kind at the step under way.
func (r *runner) stop(k Kind, format string, args ...any) error {
	return &Stop{Kind: k, Place: r.place, Where: r.where(), Err: fmt.Errorf(format, args...)}
}
