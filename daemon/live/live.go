// Package live hands events on to everybody who watches, each from where they left off: a bounded memory of the latest ones with
// numbers that go on counting.
//
// A watcher that is too slow, or was away for too long, is told so and has to load everything anew; nobody is waited for.
package live

import (
	"context"
	"strconv"
	"strings"
	"sync"
)

// Event is one event: Number is its place in the stream.
type Event[T any] struct {
	Number uint64
	Value  T
}

// Stream is a stream of events. All methods may be called by several goroutines.
type Stream[T any] struct {
	boot string

	mu   sync.Mutex // guards what follows
	ring []Event[T]
	next uint64        // number of the next event, from 1
	news chan struct{} // closed when there is one
}

// New makes a stream that remembers so many events. boot tells the ids of one life of the process from those of another.
func New[T any](boot string, remember int) *Stream[T] {
	return &Stream[T]{boot: boot, ring: make([]Event[T], 0, remember), next: 1, news: make(chan struct{})}
}

// Publish adds an event; make is given the id that it will have.
func (s *Stream[T]) Publish(event func(id string) T) {
	s.mu.Lock()
	e := Event[T]{s.next, event(s.ID(s.next))}
	if len(s.ring) < cap(s.ring) {
		s.ring = append(s.ring, e)
	} else {
		s.ring[(s.next-1)%uint64(cap(s.ring))] = e
	}
	s.next++
	news := s.news
	s.news = make(chan struct{})
	s.mu.Unlock()
	close(news)
}

// ID is the id of the event with a number.
func (s *Stream[T]) ID(number uint64) string { return s.boot + "-" + strconv.FormatUint(number, 10) }

// Last is the id of the latest event.
func (s *Stream[T]) Last() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.ID(s.next - 1)
}

// Cursor is where one watcher is.
type Cursor struct{ number uint64 }

// From finds the place behind an id; ok is false where what follows it is not remembered, and the place is then the end. An empty id is the end.
func (s *Stream[T]) From(id string) (c Cursor, ok bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	end := Cursor{s.next}
	if id == "" {
		return end, true
	}
	boot, text, _ := strings.Cut(id, "-")
	number, err := strconv.ParseUint(text, 10, 64)
	if err != nil || boot != s.boot || number >= s.next || number+1 < s.oldest() {
		return end, false
	}
	return Cursor{number + 1}, true
}

func (s *Stream[T]) oldest() uint64 { return s.next - uint64(len(s.ring)) }

// Next waits for events behind the cursor and gives up to most of them. missed tells that some were forgotten before they could be
// given; the cursor is then at the end. It returns nothing when ctx ends.
func (s *Stream[T]) Next(ctx context.Context, c *Cursor, most int) (events []Event[T], missed bool) {
	for {
		s.mu.Lock()
		if c.number < s.oldest() {
			c.number = s.next
			s.mu.Unlock()
			return nil, true
		}
		for n := c.number; n < s.next && len(events) < most; n++ {
			events = append(events, s.ring[(n-1)%uint64(cap(s.ring))])
		}
		c.number += uint64(len(events))
		news := s.news
		s.mu.Unlock()
		if len(events) > 0 {
			return events, false
		}
		select {
		case <-news:
		case <-ctx.Done():
			return nil, false
		}
	}
}
