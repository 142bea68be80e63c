package access

import (
	"crypto/rand"
	"sync"
	"time"

	"fourwire/internal/clock"
)

const (
	sessionFor  = 12 * time.Hour
	maxSessions = 1000
)

// Sessions are the browsers that have shown a token: each has a random word that it sends instead. They end with the process.
type Sessions[T any] struct {
	Clock clock.Clock // nil is the machine's

	mu    sync.Mutex // guards what follows
	known map[string]session[T]
}

type session[T any] struct {
	value T
	until time.Time
}

// New opens a session.
func (s *Sessions[T]) New(value T) (word string, until time.Time) {
	word = rand.Text() + rand.Text() // 260 bits
	now := clock.Or(s.Clock).Now()
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.known == nil {
		s.known = map[string]session[T]{}
	}
	oldest, at := "", now.Add(sessionFor)
	for word, one := range s.known {
		if one.until.Before(now) {
			delete(s.known, word)
		} else if one.until.Before(at) {
			oldest, at = word, one.until
		}
	}
	if len(s.known) >= maxSessions {
		delete(s.known, oldest)
	}
	until = now.Add(sessionFor)
	s.known[word] = session[T]{value, until}
	return word, until
}

// Find tells whose session it is.
func (s *Sessions[T]) Find(word string) (value T, ok bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	one, ok := s.known[word]
	if !ok || one.until.Before(clock.Or(s.Clock).Now()) {
		return value, false
	}
	return one.value, true
}

// End ends a session.
func (s *Sessions[T]) End(word string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.known, word)
}
