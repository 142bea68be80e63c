package clock

import (
	"context"
	"sync"
	"time"
)

// timed is a context with a deadline in virtual time.
//
// It is an implementation of its own, since the standard ones give context.Canceled to everything that is ended by hand. The
// context package finds its AfterFunc method and so needs no goroutine to follow it: children are done before Sleep returns.
type timed struct {
	clock    *Virtual
	parent   context.Context
	deadline time.Time
	order    uint64
	place    int // in the clock's heap, guarded by its mutex; -1 is outside
	done     chan struct{}

	mu        sync.Mutex // guards what follows
	err       error
	unfollow  func() bool
	followers map[uint64]func()
	followed  uint64
}

// Deadline returns the virtual time at which the context ends, or that of the parent where it is earlier.
func (t *timed) Deadline() (time.Time, bool) {
	if d, ok := t.parent.Deadline(); ok && d.Before(t.deadline) {
		return d, true
	}
	return t.deadline, true
}

func (t *timed) Done() <-chan struct{} { return t.done }

func (t *timed) Value(key any) any { return t.parent.Value(key) }

// Err looks at the parent too, so that it is right even before the parent's news has come by channel.
func (t *timed) Err() error {
	t.mu.Lock()
	err := t.err
	t.mu.Unlock()
	if err != nil {
		return err
	}
	if err := t.parent.Err(); err != nil {
		t.finish(err)
		t.mu.Lock()
		defer t.mu.Unlock()
		return t.err
	}
	return nil
}

// AfterFunc has f called once the context is done. The context package uses it to register children; f runs on the goroutine that
// ends this context, so that virtual time cannot pass in between.
func (t *timed) AfterFunc(f func()) (stop func() bool) {
	t.mu.Lock()
	if t.err != nil {
		t.mu.Unlock()
		f()
		return func() bool { return false }
	}
	defer t.mu.Unlock()
	if t.followers == nil {
		t.followers = make(map[uint64]func())
	}
	t.followed++
	id := t.followed
	t.followers[id] = f
	return func() bool {
		t.mu.Lock()
		defer t.mu.Unlock()
		_, waiting := t.followers[id]
		delete(t.followers, id)
		return waiting
	}
}

// followParent ends t when its parent ends.
func (t *timed) followParent() {
	var stop func() bool
	switch parent := t.parent.(type) {
	case *timed:
		stop = parent.AfterFunc(func() { t.finish(parent.Err()) })
	default:
		if parent.Done() == nil {
			return
		}
		stop = context.AfterFunc(parent, func() { t.finish(parent.Err()) })
	}
	t.mu.Lock()
	ended := t.err != nil
	t.unfollow = stop
	t.mu.Unlock()
	if ended {
		stop()
	}
}

// finish ends the context with err, unless it has ended already, and then everything that follows it.
func (t *timed) finish(err error) {
	t.mu.Lock()
	if t.err != nil {
		t.mu.Unlock()
		return
	}
	t.err = err
	close(t.done)
	followers, last, unfollow := t.followers, t.followed, t.unfollow
	t.followers = nil
	t.mu.Unlock()

	t.clock.forget(t)
	if unfollow != nil {
		unfollow()
	}
	for id := uint64(1); id <= last; id++ { // in order of registration, to be the same in every run
		if f, ok := followers[id]; ok {
			f()
		}
	}
}
