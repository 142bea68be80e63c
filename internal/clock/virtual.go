package clock

import (
	"container/heap"
	"context"
	"sync"
	"time"
)

// Virtual is a clock that stands still until someone sleeps on it, and then jumps.
//
// Sleep moves it forward at once, stopping on the way at every deadline of a context made by WithTimeout, in order of time
// and, at equal times, in order of creation. One goroutine is meant to drive it: then the course of events is the same in
// every run. It is safe for use from several, but two that sleep at once each push the time forward by their own pause.
type Virtual struct {
	drive sync.Mutex // held while the time moves: one sleeper at a time, hooks included

	mu      sync.Mutex // guards what follows
	now     time.Time
	pending deadlines
	made    uint64
	hooks   []func(to time.Time)
}

// NewVirtual returns a clock that shows start and stands still.
func NewVirtual(start time.Time) *Virtual {
	return &Virtual{now: start.Round(0)} // Round strips the machine's monotonic reading
}

// OnAdvance adds a hook that is called whenever the time has moved, with the new time, before contexts that are due are
// done and before Sleep returns: the place to move a simulated world along. Hooks run in the order in which they were added, on the
// goroutine that sleeps. A hook may use Now, Since and WithTimeout; it must not sleep.
func (v *Virtual) OnAdvance(hook func(to time.Time)) {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.hooks = append(v.hooks[:len(v.hooks):len(v.hooks)], hook)
}

// Now returns the virtual time.
func (v *Virtual) Now() time.Time {
	v.mu.Lock()
	defer v.mu.Unlock()
	return v.now
}

// Since returns how much virtual time lies between t and now.
func (v *Virtual) Since(t time.Time) time.Duration { return v.Now().Sub(t) }

// Sleep moves the time forward by d and returns nil. Where ctx is done first (a deadline of this clock on the way, or a cancel
// by a hook) the time stops there and Sleep returns the error of ctx. Of several that sleep in one call of [Together], none pushes the time
// beyond what the others sleep for.
func (v *Virtual) Sleep(ctx context.Context, d time.Duration) error {
	if p := courseOf(ctx); p != nil && p.of.clock == v {
		if err := ctx.Err(); err != nil || d <= 0 {
			return err
		}
		p.rest(ctx, nil, v.Now().Add(d))
		return ctx.Err()
	}
	v.drive.Lock()
	defer v.drive.Unlock()
	if err := ctx.Err(); err != nil || d <= 0 {
		return err
	}
	target := v.Now().Add(d)
	for {
		arrived := v.step(target)
		if err := ctx.Err(); err != nil {
			return err
		}
		if arrived {
			return nil
		}
	}
}

// step moves to the earliest pending deadline, or to target where none comes before it, and reports whether target is reached.
func (v *Virtual) step(target time.Time) (arrived bool) {
	v.mu.Lock()
	to := target
	if len(v.pending) > 0 && v.pending[0].deadline.Before(target) {
		to = v.pending[0].deadline
	}
	moved := to.After(v.now)
	if moved {
		v.now = to
	}
	hooks := v.hooks
	v.mu.Unlock()

	if moved {
		for _, hook := range hooks {
			hook(to)
		}
	}
	for {
		v.mu.Lock()
		var due *timed
		if len(v.pending) > 0 && !v.pending[0].deadline.After(to) {
			due = heap.Pop(&v.pending).(*timed)
		}
		v.mu.Unlock()
		if due == nil {
			return to.Equal(target)
		}
		due.finish(context.DeadlineExceeded)
	}
}

// WithTimeout returns a child of ctx that is done once the virtual time has come to now + d. Its Deadline is in virtual time.
func (v *Virtual) WithTimeout(ctx context.Context, d time.Duration) (context.Context, context.CancelFunc) {
	v.mu.Lock()
	v.made++
	child := &timed{clock: v, parent: ctx, deadline: v.now.Add(d), order: v.made, place: -1, done: make(chan struct{})}
	if d > 0 {
		heap.Push(&v.pending, child)
	}
	v.mu.Unlock()

	if d <= 0 {
		child.finish(context.DeadlineExceeded)
		return child, func() {}
	}
	child.followParent()
	return child, func() { child.finish(context.Canceled) }
}

// forget takes a context that is done out of the queue.
func (v *Virtual) forget(t *timed) {
	v.mu.Lock()
	defer v.mu.Unlock()
	if t.place >= 0 {
		heap.Remove(&v.pending, t.place)
	}
}

// deadlines is a heap of contexts, the earliest deadline first.
type deadlines []*timed

func (q deadlines) Len() int { return len(q) }

func (q deadlines) Less(i, j int) bool {
	if q[i].deadline.Equal(q[j].deadline) {
		return q[i].order < q[j].order
	}
	return q[i].deadline.Before(q[j].deadline)
}

func (q deadlines) Swap(i, j int) {
	q[i], q[j] = q[j], q[i]
	q[i].place, q[j].place = i, j
}

func (q *deadlines) Push(x any) {
	t := x.(*timed)
	t.place = len(*q)
	*q = append(*q, t)
}

func (q *deadlines) Pop() any {
	last := len(*q) - 1
	t := (*q)[last]
	(*q)[last] = nil
	*q = (*q)[:last]
	t.place = -1
	return t
}
