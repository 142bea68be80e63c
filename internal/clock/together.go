package clock

import (
	"context"
	"errors"
	"slices"
	"sync"
	"time"
)

// ErrNobody says that a course of events on a virtual clock waits for a [Signal] while every other one waits, too: nobody is left to give it.
var ErrNobody = errors.New("everything on this clock waits for a signal, and nobody is left to give one")

// Together has several courses of events take place at the same time, each with its own context, and returns when all have ended.
//
// On the machine's clock each is a goroutine. On a virtual clock one at a time goes on, until it sleeps on that clock or waits for a [Signal] with
// the context that it was given, or with one made of it; time moves when all of them do, to the moment at which the first has something to do.
// Those of one moment go on in the order of the courses. So the same courses come out the same every time.
func Together(ctx context.Context, c Clock, courses ...func(context.Context)) {
	v, virtual := c.(*Virtual)
	if !virtual || courseOf(ctx) != nil {
		var all sync.WaitGroup
		for _, one := range courses {
			all.Go(func() { one(ctx) })
		}
		all.Wait()
		return
	}
	t := &together{clock: v}
	for n := range courses {
		t.all = append(t.all, &course{of: t, number: n, ready: true, turn: make(chan struct{}, 1)})
	}
	var all sync.WaitGroup
	for n, one := range courses {
		p := t.all[n]
		all.Go(func() {
			<-p.turn
			defer p.end()
			one(context.WithValue(ctx, courseKey{}, p))
		})
	}
	if len(t.all) > 0 {
		t.mu.Lock()
		t.pass(t.next())
		t.mu.Unlock()
	}
	all.Wait()
}

// together is courses of events that take turns on one virtual clock.
type together struct {
	clock *Virtual

	mu  sync.Mutex // guards what follows, the courses included
	all []*course
}

// course is one of them. Exactly one that has not ended goes on at a time.
type course struct {
	of     *together
	number int
	turn   chan struct{} // its turn

	ready  bool // it has not begun yet
	asleep bool
	until  time.Time       // of one that is asleep
	signal *Signal         // that it waits for
	ctx    context.Context // of what it waits with
	alone  bool            // what it waits for will not come
	ended  bool
}

type courseKey struct{}

func courseOf(ctx context.Context) *course {
	p, _ := ctx.Value(courseKey{}).(*course)
	return p
}

func (t *together) pass(to *course) {
	if to != nil {
		to.ready, to.asleep, to.signal, to.ctx = false, false, nil, nil
		to.turn <- struct{}{}
	}
}

// end leaves the others to go on.
func (p *course) end() {
	p.of.mu.Lock()
	defer p.of.mu.Unlock()
	p.ended = true
	p.of.pass(p.of.next())
}

// rest lets the others go on until this one is ready, or its context is done.
func (p *course) rest(ctx context.Context, signal *Signal, until time.Time) (alone bool) {
	p.of.mu.Lock()
	p.ctx, p.signal, p.asleep, p.until, p.alone = ctx, signal, signal == nil, until, false
	p.of.pass(p.of.next())
	p.of.mu.Unlock()
	<-p.turn
	return p.alone
}

// next finds who goes on, and moves time until somebody can; nil where all have ended. The caller holds the lock.
func (t *together) next() *course {
	for {
		var first *course // asleep for the shortest time
		left := false
		for _, p := range t.all {
			if p.ended {
				continue
			}
			left = true
			switch {
			case p.ready, p.ctx != nil && p.ctx.Err() != nil, p.signal != nil && p.signal.Given(), p.asleep && !p.until.After(t.clock.Now()):
				return p
			}
			if p.asleep && (first == nil || p.until.Before(first.until)) {
				first = p
			}
		}
		if !left {
			return nil
		}
		target, ok := t.clock.firstDeadline()
		if first != nil && (!ok || first.until.Before(target)) {
			target, ok = first.until, true
		}
		if !ok {
			i := slices.IndexFunc(t.all, func(p *course) bool { return !p.ended })
			t.all[i].alone = true
			return t.all[i]
		}
		t.clock.drive.Lock()
		t.clock.step(target)
		t.clock.drive.Unlock()
	}
}

// firstDeadline is when the next context of this clock is done.
func (v *Virtual) firstDeadline() (time.Time, bool) {
	v.mu.Lock()
	defer v.mu.Unlock()
	if len(v.pending) == 0 {
		return time.Time{}, false
	}
	return v.pending[0].deadline, true
}

// Signal is something that one course of events waits for and another one gives, once. On a virtual clock, time goes on meanwhile.
type Signal struct {
	by    *course // who waits for it; nil: whoever has real time
	mu    sync.Mutex
	given bool
	come  chan struct{}
}

// NewSignal makes a signal for the course of events that ctx belongs to. It alone waits for it.
func NewSignal(ctx context.Context) *Signal {
	return &Signal{by: courseOf(ctx), come: make(chan struct{})}
}

// Give gives the signal; a second time changes nothing.
func (s *Signal) Give() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.given {
		s.given = true
		close(s.come)
	}
}

// Given tells whether it has been given.
func (s *Signal) Given() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.given
}

// Wait waits for the signal, or until ctx is done. A signal that has been given comes before a context that is done.
func (s *Signal) Wait(ctx context.Context) error {
	if s.by == nil {
		select {
		case <-s.come:
			return nil
		default:
		}
		select {
		case <-s.come:
			return nil
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	for !s.Given() {
		if err := ctx.Err(); err != nil {
			return err
		}
		if s.by.rest(ctx, s, time.Time{}) && !s.Given() {
			return ErrNobody
		}
	}
	return nil
}
