package run

import (
	"context"
	"fmt"
	"math"

	"fourwire/internal/ledger"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/sequence"
)

// notBack is a value that has not come back to where it was.
type notBack struct {
	value    string // as the sequence has it
	was, now quantity.Quantity
	within   quantity.Quantity
	waited   quantity.Quantity
}

// Error says what was read.
func (n *notBack) Error() string {
	return fmt.Sprintf("%s is %s and was %s: it has not come back within %s in %s", n.value, n.now.Text(4), n.was.Text(4), n.within, n.waited)
}

// returns looks whether a value has come back to what it was when the step ran first. Where it does not, the points of this pass are not
// valid, and the run stops: a device that has latched up heats until its power is taken away.
func (r *runner) returns(ctx context.Context, s *sequence.Check) error {
	was, seen := r.references[s]
	if seen {
		defer r.cfg.Spans.EnterWhole(ledger.Settle, "").Leave()
	}
	begun := r.clock.Now()
	for {
		v, err := r.eval(ctx, s.Value)
		if err != nil {
			return err
		}
		if !seen {
			r.references[s] = v
			r.note("check", "info", fmt.Sprintf("%s is %s: what it has to come back to", s.Value.Text, v.Quantity().Text(4)))
			return nil
		}
		if r.isBack(s, was, v) {
			return nil
		}
		if r.clock.Since(begun) >= seconds(s.AtMost.SI) {
			n := &notBack{value: s.Value.Text, was: was.Quantity(), now: v.Quantity(), within: s.Within, waited: s.AtMost}
			for i := range r.frames {
				if w := r.frames[i].row; w != nil && w.measured {
					w.invalid("%v", n)
				}
			}
			return &Stop{Kind: Safety, Place: r.place, Where: r.where(), Err: n}
		}
		if err := r.sleep(ctx, seconds(s.AtMost.SI/looksBack)); err != nil {
			return err
		}
	}
}

// looksBack is how often a value is looked at while it has time to come back.
const looksBack = 20

// isBack allows the band and what both readings are uncertain by.
func (r *runner) isBack(s *sequence.Check, was, now measured.Value) bool {
	band := s.Within.SI
	if s.Within.Dim == quantity.Ratio && was.Dim != quantity.Ratio {
		band *= math.Abs(was.X)
	}
	difference := measured.Sub(now, was)
	return math.Abs(difference.X) <= band+difference.Expanded() // false for NaN
}
