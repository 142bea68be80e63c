// Package clocktest has a clock for tests of what waits for hours while other processes go on in real time.
package clocktest

import (
	"context"
	"sync"
	"sync/atomic"
	"time"

	"fourwire/internal/clock"
)

// Ahead is the machine's clock, which a test puts forward by hand: whoever sleeps until then wakes up.
type Ahead struct {
	machine clock.Clock

	mu    sync.Mutex // guards what follows
	by    time.Duration
	moved chan struct{} // closed when it is put forward
}

// New gives a clock that shows the machine's time.
func New() *Ahead { return &Ahead{machine: clock.Real(), moved: make(chan struct{})} }

// Forward puts the clock forward.
func (a *Ahead) Forward(d time.Duration) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.by += d
	close(a.moved)
	a.moved = make(chan struct{})
}

func (a *Ahead) look() (time.Time, chan struct{}) {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.machine.Now().Add(a.by), a.moved
}

// Now is the time that the clock shows.
func (a *Ahead) Now() time.Time { now, _ := a.look(); return now }

// Since is how long ago t was on this clock.
func (a *Ahead) Since(t time.Time) time.Duration { return a.Now().Sub(t) }

// Sleep returns when the clock shows d more, by itself or because it was put forward.
func (a *Ahead) Sleep(ctx context.Context, d time.Duration) error {
	return a.sleepUntil(ctx, a.Now().Add(d))
}

func (a *Ahead) sleepUntil(ctx context.Context, until time.Time) error {
	for {
		now, moved := a.look()
		left := until.Sub(now)
		if left <= 0 || ctx.Err() != nil {
			return ctx.Err()
		}
		timer, stop := a.machine.WithTimeout(ctx, left)
		select {
		case <-timer.Done():
		case <-moved:
		}
		stop()
	}
}

// WithTimeout gives a context that ends when the clock shows d more.
func (a *Ahead) WithTimeout(ctx context.Context, d time.Duration) (context.Context, context.CancelFunc) {
	inner, cancel := context.WithCancel(ctx)
	out := &ending{Context: inner}
	until := a.Now().Add(d)
	go func() {
		if a.sleepUntil(inner, until) == nil {
			out.late.Store(true)
			cancel()
		}
	}()
	return out, cancel
}

// ending is a context that says by what it ended.
type ending struct {
	context.Context
	late atomic.Bool
}

// Err is context.DeadlineExceeded where the time was up.
func (e *ending) Err() error {
	err := e.Context.Err()
	if err != nil && e.late.Load() {
		return context.DeadlineExceeded
	}
	return err
}
