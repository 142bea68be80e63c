package run

import (
	"context"
	"fmt"
	"math"
	"strconv"
	"time"

	"fourwire/internal/ledger"
	"fourwire/quantity"
	"fourwire/sequence"
)

const (
	settleReadings   = 5                      // wanted inside the window, so that a swing inside it is seen
	leastSettleRead  = time.Millisecond       // shortest aperture of a settling reading
	mostSettleRead   = 100 * time.Millisecond // longest
	leastSettleGap   = 200 * time.Microsecond // so that a value that needs no reading lets time pass
	mostGap          = time.Minute            // between two looks, beyond the time-out
	settleWhenUnsaid = 10 * time.Second       // time-out of a step that states none
)

// settle waits until a value has stayed within its band for the wanted time, on the evidence of readings. Where that does
// not come about in time the points that follow in this pass are marked not settled.
func (r *runner) settle(ctx context.Context, s *sequence.Settle) error {
	defer r.cfg.Spans.EnterWhole(ledger.Settle, "").Leave()
	window, atMost := seconds(s.For.SI), seconds(s.AtMost.SI)
	if atMost <= 0 {
		atMost = settleWhenUnsaid
	}
	aperture := min(max(window/settleReadings, leastSettleRead), mostSettleRead)
	var seen []sample
	begun := r.clock.Now()
	f := &r.frames[len(r.frames)-1]
	for {
		at := r.clock.Since(begun)
		value, band, err := r.settling(ctx, s, aperture)
		if err != nil {
			return err
		}
		seen = append(seen, sample{at, value})
		now := r.clock.Since(begun)
		if now < at || now-at > atMost+mostGap { // a reading does not take that long, and never less than nothing: the clock was set, or the computer slept
			r.note("settle", "warn", "the clock has jumped while "+s.Value.Text+" settled; waiting begins again")
			begun, seen = r.clock.Now(), nil
			continue
		}
		seen = trimmed(seen, now-window)
		low, high := extremes(seen)
		if len(seen) >= 2 && now-seen[0].at >= window && high-low <= band {
			f.late = ""
			return nil
		}
		if now >= atMost {
			f.late = fmt.Sprintf("%s not settled after %s: it moved by %s in the last %s, %s is allowed", s.Value.Text, atMost,
				quantity.Of(high-low, s.Within.Dim).String(), (now - seen[0].at).Round(time.Millisecond), s.Within)
			if s.Within.Dim == quantity.Ratio {
				f.late = fmt.Sprintf("%s not settled after %s: it moved by %s in the last %s, %s is allowed", s.Value.Text, atMost,
					quantity.Of((high-low)/math.Abs(value), quantity.Ratio), (now - seen[0].at).Round(time.Millisecond), s.Within)
			}
			r.note("settle", "warn", f.late, "step", strconv.Itoa(r.ordinal))
			return nil
		}
		if now == at {
			if err := r.sleep(ctx, leastSettleGap); err != nil {
				return err
			}
		}
	}
}

type sample struct {
	at    time.Duration
	value float64
}

// settling takes one look at the value; an overflowing reading is one that has not settled.
func (r *runner) settling(ctx context.Context, s *sequence.Settle, aperture time.Duration) (value, band float64, err error) {
	refs := s.Value.Nodes()
	if len(refs) > 0 {
		g, err := r.groupFor(s.Value, refs)
		if err != nil {
			return 0, 0, err
		}
		r.steady(s, g, aperture)
		g.aperture = aperture
	}
	if err := r.readNodes(ctx, s.Value, refs); err != nil {
		return 0, 0, err
	}
	for _, n := range refs {
		if math.IsNaN(r.nodes[nodeKey{n.Function, n.Node}].X) {
			return math.Inf(1), 0, nil
		}
	}
	result, err := s.Value.Eval(r)
	if err != nil {
		return 0, 0, r.stop(Input, "this cannot be worked out: %w", err)
	}
	band = s.Within.SI
	if s.Within.Dim == quantity.Ratio && result.Value.Dim != quantity.Ratio {
		band *= math.Abs(result.Value.X)
	}
	return result.Value.X, band, nil
}

// trimmed drops samples that are older than needed: the first one kept is the last at or before from.
func trimmed(seen []sample, from time.Duration) []sample {
	for len(seen) > 2 && seen[1].at <= from {
		seen = seen[1:]
	}
	return seen
}

func extremes(seen []sample) (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, s := range seen {
		low, high = math.Min(low, s.value), math.Max(high, s.value)
	}
	return low, high
}
