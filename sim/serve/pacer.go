package serve

import (
	"context"
	"sync"
	"time"

	"fourwire/internal/clock"
	"fourwire/sim"
)

// pacer moves simulated time along with real time.
type pacer struct {
	bench  *sim.Bench
	clock  clock.Clock
	pace   float64
	jumps  bool
	kicked chan struct{}

	mu   sync.Mutex // held while simulated time moves
	last time.Time  // real time up to which the bench was moved
}

// catchUpFrom is the least real time that is worth a move.
const catchUpFrom = 5 * time.Microsecond

func newPacer(bench *sim.Bench, o Options) *pacer {
	p := &pacer{bench: bench, clock: clock.Or(o.Clock), pace: o.Pace, kicked: make(chan struct{}, 1)}
	if !(p.pace > 0) {
		p.pace, p.jumps = 1, true
	}
	p.last = p.clock.Now()
	return p
}

// kick tells the pacer that an instrument may have something to do later.
func (p *pacer) kick() { signal(p.kicked) }

// catchUp brings the bench to the present.
func (p *pacer) catchUp() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.advance()
}

func (p *pacer) advance() {
	now := p.clock.Now()
	gone := now.Sub(p.last)
	if gone < catchUpFrom {
		return
	}
	p.last = now
	p.pass(time.Duration(float64(gone)*p.pace), now, gone/2)
}

// firstPiece is the simulated time that is passed before it is known how long that takes.
const firstPiece = time.Millisecond

// pass lets simulated time pass, in pieces, and stops when that has taken longer than it may: a bench in which much happens at once can be slower
// than real time, and would never catch up with the time that catching up takes. Simulated time is then behind.
func (p *pacer) pass(left time.Duration, begun time.Time, mayTake time.Duration) {
	clock := p.bench.Clock()
	var done time.Duration
	for piece := firstPiece; left > 0; {
		piece = min(piece, left)
		_ = clock.Sleep(context.Background(), piece)
		done, left = done+piece, left-piece
		taken := p.clock.Since(begun)
		if taken >= mayTake {
			return
		}
		piece = min(2*piece, max(time.Duration(float64(done)*float64(mayTake-taken)/float64(taken+1)), time.Microsecond))
	}
}

// run moves the bench whenever an instrument is due, until ctx ends.
func (p *pacer) run(ctx context.Context) {
	for ctx.Err() == nil {
		wait, due := p.turn()
		switch {
		case !due:
			select {
			case <-ctx.Done():
			case <-p.kicked:
			}
		case wait > 0:
			p.rest(ctx, wait)
		}
	}
}

// turn brings the bench to the present, or to the next thing that somebody waits for, and returns the real time until something is due.
func (p *pacer) turn() (wait time.Duration, due bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.advance()
	at, due := p.bench.Due()
	if !due {
		return 0, false
	}
	ahead := at.Sub(p.bench.Clock().Now())
	if p.jumps && p.bench.Waiting() {
		_ = p.bench.Clock().Sleep(context.Background(), max(ahead, 1))
		return 0, true
	}
	return max(time.Duration(float64(ahead)/p.pace), catchUpFrom), true
}

// rest waits, but no longer than until there is news.
func (p *pacer) rest(ctx context.Context, d time.Duration) {
	if !clock.IsReal(p.clock) {
		_ = p.clock.Sleep(ctx, d)
		return
	}
	waiting, cancel := p.clock.WithTimeout(ctx, d)
	defer cancel()
	select {
	case <-waiting.Done():
	case <-p.kicked:
	}
}
