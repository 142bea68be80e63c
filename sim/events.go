package sim

import (
	"fmt"
	"time"

	"fourwire/sim/instrument"
)

// Event is one thing that happened on the bench.
type Event struct {
	At         time.Duration // simulated time since the bench was switched on
	Instrument string        // or the device
	Channel    int           // from 1; 0 is a device
	Kind       instrument.EventKind
	Text       string  // the name of a setting, of a mode, of a protection
	Value      float64 // SI
}

// String is the event on one line.
func (e Event) String() string {
	who := e.Instrument
	if e.Channel > 0 {
		who = fmt.Sprintf("%s.%d", who, e.Channel)
	}
	text := fmt.Sprintf("%.9f s %s %s", e.At.Seconds(), who, e.Kind)
	if e.Text != "" {
		text += " " + e.Text
	}
	if e.Kind == instrument.SetValue || e.Kind == instrument.Tripped {
		text += fmt.Sprintf(" %.6g", e.Value)
	}
	return text
}

// What is kept of a long run: the newest events, in pieces that are used again.
const (
	eventPiece  = 4096
	eventPieces = 64
)

// newest holds the newest of many. The zero value is empty.
type newest[T any] struct{ pieces [][]T }

func (l *newest[T]) add(e T) {
	last := len(l.pieces) - 1
	if last < 0 || len(l.pieces[last]) == eventPiece {
		l.turn()
		last = len(l.pieces) - 1
	}
	l.pieces[last] = append(l.pieces[last], e)
}

// turn begins a new piece; from some length on in the place of the oldest.
func (l *newest[T]) turn() {
	if len(l.pieces) < eventPieces {
		l.pieces = append(l.pieces, make([]T, 0, eventPiece))
		return
	}
	oldest := l.pieces[0][:0]
	copy(l.pieces, l.pieces[1:])
	l.pieces[len(l.pieces)-1] = oldest
}

// list copies all that is kept, in order.
func (l *newest[T]) list() []T {
	var all []T
	for _, p := range l.pieces {
		all = append(all, p...)
	}
	return all
}

// Events returns what has happened so far, in order; of a long run the newest quarter of a million.
func (b *Bench) Events() []Event {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.events.list()
}

// OnEvent has f called at each event, as it happens; nil ends that. f runs under the bench's lock: it must not call the bench.
func (b *Bench) OnEvent(f func(Event)) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.onEvent = f
}
