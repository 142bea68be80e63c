package run

import (
	"context"
	"fmt"
	"math"
	"strings"

	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/sequence"
)

// sweep runs the steps of a sweep for each of its values, then for those that it chooses itself.
func (r *runner) sweep(ctx context.Context, s *sequence.Sweep) error {
	at := r.ordinal
	values, err := s.Values.Work(r)
	if err != nil {
		return r.stop(Input, "the values of the sweep cannot be worked out: %w", err)
	}
	refined := r.newRefined(s, at, values)
	var first []named
	passes := 0
	done := func(v quantity.Quantity) {
		if passes++; passes == 1 {
			first = r.popped
		}
		refined.add(v, r.popped, r.good)
	}
	label := s.Label
	if s.BothWays {
		label = sequence.OutLabel
	}
	if err := r.along(ctx, s, values, label, done); err != nil {
		return err
	}
	if s.BothWays {
		back := make([]quantity.Quantity, len(values))
		for i, v := range values {
			back[len(values)-1-i] = v
		}
		if err := r.along(ctx, s, back, sequence.BackLabel, done); err != nil {
			return err
		}
	}
	if err := r.refine(ctx, refined, done); err != nil {
		return err
	}
	if !s.RepeatFirst || len(values) == 0 {
		return nil
	}
	if err := r.block(ctx, s.Steps, frame{name: s.Name, coord: measured.Exact(values[0]), label: sequence.RepeatLabel}); err != nil {
		return err
	}
	if r.ff == nil {
		r.drift(fmt.Sprintf("%s %s", s.Name, values[0]), first, r.popped)
	}
	return nil
}

// along runs the steps of a sweep for each of some values: by lists where the sweep is fast and the instruments can, else one by one.
func (r *runner) along(ctx context.Context, s *sequence.Sweep, values []quantity.Quantity, label string, done func(quantity.Quantity)) error {
	fast, err := r.newFast(s, label)
	if err != nil {
		return err
	}
	for i := 0; i < len(values); {
		n, err := fast.list(ctx, values[i:], done)
		if err != nil {
			return err
		}
		if i += n; n > 0 {
			continue
		}
		v := values[i]
		f := frame{name: s.Name, coord: measured.Exact(v), label: label}
		if i+1 < len(values) && v.SI != 0 {
			f.ahead = math.Abs(values[i+1].SI / v.SI)
		}
		r.good = false
		fast.steps()
		if err := r.block(ctx, s.Steps, f); err != nil {
			return err
		}
		done(v)
		i++
	}
	return fast.end(ctx)
}

// drift notes what a first point has moved by when it was measured once more. Errors that both share cancel in the difference.
func (r *runner) drift(at string, first, again []named) {
	var parts []string
	beyond := false
	for _, a := range first {
		for _, b := range again {
			if a.name != b.name || math.IsNaN(a.value.X) || math.IsNaN(b.value.X) {
				continue
			}
			d := measured.Sub(b.value, a.value)
			u := r.expanded(d)
			beyond = beyond || math.Abs(d.X) > u && u > 0
			parts = append(parts, fmt.Sprintf("%s by %s (U %s)", a.name, d.Quantity().Text(3), quantity.Of(u, d.Dim).Text(2)))
		}
	}
	if len(parts) > 0 {
		r.note("drift", level(!beyond), fmt.Sprintf("%s measured once more at the end has moved: %s", at, strings.Join(parts, ", ")))
	}
}
