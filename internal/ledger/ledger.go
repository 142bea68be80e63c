// Package ledger keeps account of where the time of a run goes: every moment belongs to exactly one kind of span, so that the
// kinds add up to the whole.
package ledger

import (
	"cmp"
	"slices"
	"time"

	"fourwire/internal/clock"
)

// Kind is what a span of time is spent on.
type Kind string

// The kinds of span. They are those that predictions and reports use, too.
const (
	Transfer   Kind = "transfer"    // messages and answers on their way
	Processing Kind = "processing"  // instruments at work on commands and answers
	OutputUp   Kind = "output up"   // outputs that rise
	OutputDown Kind = "output down" // outputs that fall
	Settle     Kind = "settle"      // the device settles
	FixedWait  Kind = "fixed wait"  // a time that somebody wrote down
	Aperture   Kind = "aperture"    // readings are being taken
	Range      Kind = "range"       // measuring ranges change
	ReadBack   Kind = "read-back"   // data that an instrument keeps are fetched
	InUse      Kind = "in use"      // an instrument is used by another site meanwhile
	Host       Kind = "host"        // this program: whatever is nothing else
	Operator   Kind = "operator"    // a person is waited for
)

// Kinds lists all kinds in the order in which they are shown.
func Kinds() []Kind {
	return []Kind{Transfer, Processing, OutputUp, OutputDown, Settle, FixedWait, Aperture, Range, ReadBack, InUse, Host, Operator}
}

// Ledger is the account of one run. It is used by one goroutine at a time. A nil Ledger takes everything and keeps nothing.
type Ledger struct {
	clock clock.Clock
	began time.Time
	ended time.Time // zero: it goes on
	since time.Time // beginning of the piece of time that is not booked yet
	stack []account
	step  string
	sums  map[account]*sum
	last  *sum // of the account that was booked last
	key   account
}

// account is what time is booked on.
type account struct {
	kind       Kind
	instrument string
	step       string // place of the step in its file
	whole      bool   // what is entered inside stays here
	apart      bool   // it is no part of what it was entered inside
}

type sum struct {
	count int
	took  time.Duration
}

// New begins an account; until something is entered, time is the host's.
func New(c clock.Clock) *Ledger {
	c = clock.Or(c)
	now := c.Now()
	return &Ledger{clock: c, began: now, since: now, sums: map[account]*sum{}}
}

// Step tells at which step of the sequence the run is: "drain.yaml:12:5"; empty between steps.
func (l *Ledger) Step(place string) {
	if l == nil || l.step == place {
		return
	}
	l.book(l.present(), l.clock.Now(), 0)
	l.step = place
}

// Place is the step that the run is at.
func (l *Ledger) Place() string {
	if l == nil {
		return ""
	}
	return l.step
}

// Entry is a span that has not ended. Its zero value, which a nil Ledger gives, may be left like any other.
type Entry struct {
	ledger *Ledger
	depth  int
}

// Enter begins a span; the instrument may be empty. Spans that begin before it has ended are not part of it. Every entry must be
// left, the last one first:
//
//	defer l.Enter(ledger.Range, "dmm-in").Leave()
func (l *Ledger) Enter(kind Kind, instrument string) Entry { return l.enter(kind, instrument, false) }

// EnterWhole begins a span that contains whatever is entered inside: the messages by which a run sees that something has settled
// belong to the settling.
func (l *Ledger) EnterWhole(kind Kind, instrument string) Entry {
	return l.enter(kind, instrument, true)
}

// EnterApart begins a span that is no part of the one around it, even where that contains whatever is entered inside: the time for which
// another site has an instrument is no part of the settling.
func (l *Ledger) EnterApart(kind Kind, instrument string) Entry {
	if l == nil {
		return Entry{}
	}
	l.book(l.present(), l.clock.Now(), 0)
	l.stack = append(l.stack, account{kind: kind, instrument: instrument, step: l.step, whole: true, apart: true})
	return Entry{l, len(l.stack)}
}

func (l *Ledger) enter(kind Kind, instrument string, whole bool) Entry {
	if l == nil {
		return Entry{}
	}
	if n := len(l.stack); n > 0 && l.stack[n-1].whole {
		same := l.stack[n-1] // no span of its own
		same.apart = false
		l.stack = append(l.stack, same)
		return Entry{l, len(l.stack)}
	}
	l.book(l.present(), l.clock.Now(), 0)
	l.stack = append(l.stack, account{kind: kind, instrument: instrument, step: l.step, whole: whole})
	return Entry{l, len(l.stack)}
}

// Leave ends the span.
func (e Entry) Leave() { e.leave("", 0) }

// LeaveFirst ends the span and books its first part, at most d of what is not booked otherwise, on another kind: of a query's time the
// wire's part is transfer, and of the wait for a reading its aperture.
func (e Entry) LeaveFirst(kind Kind, d time.Duration) { e.leave(kind, d) }

func (e Entry) leave(first Kind, part time.Duration) {
	l := e.ledger
	if l == nil || len(l.stack) < e.depth {
		return
	}
	if e.depth > 1 && l.stack[e.depth-2].whole && !l.stack[e.depth-1].apart {
		l.stack = l.stack[:e.depth-1]
		return
	}
	now := l.clock.Now()
	a := l.present()
	if part > 0 {
		b := a
		b.kind = first
		until := l.since.Add(min(part, now.Sub(l.since)))
		l.book(b, until, 1)
	}
	l.book(a, now, 1)
	l.stack = l.stack[:e.depth-1]
}

// present is what time is booked on now.
func (l *Ledger) present() account {
	if n := len(l.stack); n > 0 {
		return l.stack[n-1]
	}
	return account{kind: Host, step: l.step}
}

// book puts the time since the last booking on an account.
func (l *Ledger) book(a account, now time.Time, times int) {
	a.whole, a.apart = false, false
	if l.last == nil || l.key != a {
		s := l.sums[a]
		if s == nil {
			s = &sum{}
			l.sums[a] = s
		}
		l.last, l.key = s, a
	}
	l.last.count += times
	l.last.took += now.Sub(l.since)
	l.since = now
}

// Span is the time that went into one kind of span at one step with one instrument.
type Span struct {
	Kind       Kind    `json:"kind"`
	Instrument string  `json:"instrument,omitempty"`
	Step       string  `json:"step,omitempty"` // place in the sequence file; empty: preparation and shutting down
	Count      int     `json:"count"`
	Seconds    float64 `json:"seconds"`
}

// Spans is the account up to now, the longest first.
func (l *Ledger) Spans() []Span {
	if l == nil {
		return nil
	}
	if l.ended.IsZero() {
		l.book(l.present(), l.clock.Now(), 0)
	}
	var out []Span
	for a, s := range l.sums {
		if s.took > 0 {
			out = append(out, Span{a.kind, a.instrument, a.step, s.count, s.took.Seconds()})
		}
	}
	Sort(out)
	return out
}

// Sort puts the longest first.
func Sort(spans []Span) {
	slices.SortFunc(spans, func(a, b Span) int {
		return cmp.Or(cmp.Compare(b.Seconds, a.Seconds), cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Instrument, b.Instrument), cmp.Compare(a.Step, b.Step))
	})
}

// Elapsed is the time since the account was begun, which its spans add up to.
func (l *Ledger) Elapsed() time.Duration {
	if l == nil {
		return 0
	}
	if !l.ended.IsZero() {
		return l.ended.Sub(l.began)
	}
	return l.clock.Since(l.began)
}

// Close ends the account: what comes later is not part of it. Nothing may be entered any more.
func (l *Ledger) Close() {
	if l == nil || !l.ended.IsZero() {
		return
	}
	l.ended = l.clock.Now()
	l.book(l.present(), l.ended, 0)
}
