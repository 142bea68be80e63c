package run

import (
	"context"
	"fmt"
	"math"

	"fourwire/driver/model"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/sequence"
)

// overlap reads a value once more on another range where its range changes from one point of a sweep to the next, and notes the step
// between them: on the way up at the last point that the old range holds, on the way down at the first one on the new range.
func (r *runner) overlap(ctx context.Context, g *group, s *sequence.Measure, t taken) error {
	for i, k := range g.gauges {
		before, now := g.ranges[i], g.readings[i].RangeFull
		g.ranges[i] = now
		if t.overload[i] || math.IsNaN(t.values[i].X) {
			continue
		}
		gauge, dim := &r.gauges[k], t.values[i].Dim
		other, change := 0.0, ""
		switch x := math.Abs(t.values[i].X); {
		case before != 0 && before != now && g.met[i] != now:
			other, change = before, fmt.Sprintf("%s: %s goes from %s to %s", s.Readings[i].Name, gauge.Channel, quantity.Of(before, dim), quantity.Of(now, dim))
			if !model.Pick(gauge.Specs, before).Holds(x) {
				r.note("range", "info", change+"; the old range does not hold this value: the step between them is not seen")
				continue
			}
		case x <= now && x*r.ahead(dim) > now && g.pinned[i] == 0:
			if other = next(gauge.Ranges, now); other == 0 {
				continue
			}
			change = fmt.Sprintf("%s: %s is about to go from %s to %s", s.Readings[i].Name, gauge.Channel, quantity.Of(now, dim), quantity.Of(other, dim))
		default:
			continue
		}
		g.met[i] = math.Max(now, other)
		if err := r.bothRanges(ctx, g, s, i, other, change); err != nil {
			return err
		}
	}
	return nil
}

// ahead is how much the coordinate of the innermost sweep grows to its next value; 0 where there is none, or it is another quantity.
func (r *runner) ahead(dim quantity.Dimension) float64 {
	f := &r.frames[len(r.frames)-1]
	if f.coord.Dim != dim {
		return 0
	}
	return f.ahead
}

func (r *runner) bothRanges(ctx context.Context, g *group, s *sequence.Measure, i int, other float64, change string) error {
	one, err := r.newGroup(&sequence.Measure{Readings: s.Readings[i : i+1], Aperture: s.Aperture})
	if err != nil {
		return err
	}
	dim := gaugeDim(&r.gauges[g.gauges[i]])
	one.expect[0] = other
	again := newSeries(one)
	if err := r.pass(ctx, one, again, false); err != nil {
		return err
	}
	if again.overload[0] || one.readings[0].RangeFull != other {
		r.note("range", "info", change+"; the other range overflows here")
		return nil
	}
	step := measured.Sub(again.values[0][0], r.raw(g, i))
	if other < g.readings[i].RangeFull {
		step = measured.Map(-step.X, step.Dim, step, -1) // from the lower range to the higher one
	}
	u := r.expanded(step)
	beyond := u > 0 && math.Abs(step.X) > u
	if beyond {
		change += ", by more than both are uncertain"
	}
	r.note("range", level(!beyond), fmt.Sprintf("%s; read on both at this point, the higher one shows %s more (U %s)", change, step.Quantity().Text(3), quantity.Of(u, dim).Text(2)))
	return nil
}

// raw is the last reading of a group with its zero subtracted, and nothing else.
func (r *runner) raw(g *group, i int) measured.Value {
	v := g.readings[i].Value
	if z, ok := r.zeros[zeroKey{g.gauges[i], g.readings[i].RangeFull}]; ok {
		v = measured.Sub(v, z)
	}
	return v
}
