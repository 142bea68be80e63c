// Package clock hands out time: the machine's own, or a virtual one in which hours pass as fast as they can be computed.
//
// Everything below the commands that needs the time, a pause or a time-out asks a [Clock] for it, so that the same code
// drives a real bench in real time and a simulated one in virtual time.
package clock

import (
	"context"
	"time"
)

// Clock tells the time and lets it pass.
type Clock interface {
	// Now returns the wall time of this clock.
	Now() time.Time

	// Since returns how long ago t was. Where t came from Now of the same clock the result is monotonic: a step of the
	// machine's wall time does not disturb it.
	Since(t time.Time) time.Duration

	// Sleep returns nil after d, or the error of ctx as soon as ctx is done. With d at or below zero it only looks at ctx.
	Sleep(ctx context.Context, d time.Duration) error

	// WithTimeout returns a child of ctx that is done, with context.DeadlineExceeded, once d has passed on this clock.
	// Call the returned function when the work is over, as for context.WithTimeout.
	WithTimeout(ctx context.Context, d time.Duration) (context.Context, context.CancelFunc)
}

// Real returns the machine's clock.
func Real() Clock { return machine{} }

// Or returns c, or the machine's clock where c is nil. It lets the zero value of an options struct mean real time.
func Or(c Clock) Clock {
	if c == nil {
		return machine{}
	}
	return c
}

// IsReal reports whether c (nil included) is the machine's clock, so that a deadline of one of its contexts means the same
// to the operating system.
func IsReal(c Clock) bool {
	_, ok := Or(c).(machine)
	return ok
}

type machine struct{}

func (machine) Now() time.Time                  { return time.Now() }
func (machine) Since(t time.Time) time.Duration { return time.Since(t) }

func (machine) Sleep(ctx context.Context, d time.Duration) error {
	if err := ctx.Err(); err != nil || d <= 0 {
		return err
	}
	if ctx.Done() == nil {
		time.Sleep(d)
		return nil
	}
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (machine) WithTimeout(ctx context.Context, d time.Duration) (context.Context, context.CancelFunc) {
	return context.WithTimeout(ctx, d)
}
