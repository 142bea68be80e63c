package driver

import (
	"slices"
	"time"

	"fourwire/internal/clock"
)

// Times is how fast an instrument has been found to answer.
type Times struct {
	WireSeconds       float64 // what an exchange spends on its way, on average
	ProcessingSeconds float64 // from a query until its answer, without the wire; median of those queries that had to wait for nothing else
	Queries           int     // so many of them; 0: nothing is known
}

// Times tells how fast the instrument has answered so far. Nothing is known where no account of time is kept.
func (in *Instrument) Times() Times { return in.wire.seen.times() }

// exchanges keeps how long plain queries took: a query by itself, whose answer waits for no reading.
type exchanges struct {
	sent  time.Time // of the last message
	count int       // messages since the last answer
	bytes int       // in them
	alone bool      // nobody else was spoken to meanwhile

	took   []time.Duration // every skip-th, without the wire
	skip   int
	passed int
	ways   time.Duration
	seen   int
}

// mostTimed is how many durations are kept; beyond that every second one is dropped.
const mostTimed = 512

func (e *exchanges) sends(now time.Time, bytes int, alone bool) {
	e.sent, e.alone = now, alone && (e.count == 0 || e.alone)
	e.count++
	e.bytes += bytes
}

func (e *exchanges) answered(c clock.Clock, way time.Duration, plain bool) {
	plain = plain && e.count == 1 && e.alone // a command before the query would be worked on first
	e.count, e.bytes = 0, 0
	if !plain {
		return
	}
	e.seen++
	e.ways += way
	if e.passed++; e.passed < e.skip {
		return
	}
	e.passed = 0
	e.took = append(e.took, max(0, c.Since(e.sent)-way))
	if len(e.took) == mostTimed {
		for k := range mostTimed / 2 {
			e.took[k] = e.took[2*k]
		}
		e.took, e.skip = e.took[:mostTimed/2], max(1, e.skip)*2
	}
}

func (e *exchanges) times() Times {
	if e.seen == 0 {
		return Times{}
	}
	sorted := slices.Sorted(slices.Values(e.took))
	t := Times{WireSeconds: e.ways.Seconds() / float64(e.seen), Queries: e.seen}
	if len(sorted) > 0 {
		t.ProcessingSeconds = sorted[len(sorted)/2].Seconds()
	}
	return t
}
