package run

import (
	"context"

	"fourwire/sequence"
)

// followCapture goes by a capture whose point is in the record. One whose point is not whole is made again: what looks at it needs its samples.
func (r *runner) followCapture(ctx context.Context, s *sequence.Capture, f *frame) error {
	w := f.row
	known := w != nil && (w.measured || r.beginRecalled(w))
	if !known || !w.whole {
		return r.here(f)
	}
	r.numbered(s.Trace)
	return r.steps(ctx, s.Steps)
}

// followList takes what a list leaves a role at.
func (r *runner) followList(s *sequence.List, f *frame) error {
	i, err := r.role(s.Role)
	if err != nil {
		return err
	}
	q, err := r.amount(s.Levels[len(s.Levels)-1])
	if err != nil {
		return err
	}
	next := r.state[i]
	var as sequence.Step = &sequence.Load{Pos: s.Pos, Role: s.Role}
	if s.Of == sequence.Volts {
		next.Volts, as = q.SI, &sequence.Source{Pos: s.Pos, Role: s.Role}
	} else {
		next.Hold = q
	}
	r.state[i] = next
	f.trail = append(f.trail, passed{as, r.ordinal, i, next})
	return nil
}
