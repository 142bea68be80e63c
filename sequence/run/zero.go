package run

import (
	"context"
	"fmt"
	"math"

	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/sequence"
	"fourwire/sequence/plan"
)

// zeroKey is one range of one gauge.
type zeroKey struct {
	gauge int
	full  float64
}

const (
	zeroReadings = 4
	// a zero this many times beyond the stated offset is none: the node is charged, or a current flows. Own choice.
	zeroBeyond = 3
)

// zero reads what gauges show with everything off, on each of their ranges. The offset of a range is a shared input of all its
// readings, so that it cancels in the difference by itself.
func (r *runner) zero(ctx context.Context, s *sequence.Zero) error {
	for i := range r.state {
		if r.state[i].On {
			return r.stop(Input, "a zero is read with everything off; %s is on", r.roles[i].Need.Name)
		}
	}
	for _, reading := range s.Readings {
		g, err := r.newGroup(&sequence.Measure{Readings: []sequence.Reading{reading}})
		if err != nil {
			return err
		}
		if err := r.zeroRanges(ctx, g); err != nil {
			return err
		}
	}
	return nil
}

func (r *runner) zeroRanges(ctx context.Context, g *group) error {
	k := g.gauges[0]
	gauge := &r.gauges[k]
	for n, full := range gauge.Ranges {
		delete(r.zeros, zeroKey{k, full})
		g.expect[0] = full
		s := newSeries(g)
		for range zeroReadings {
			if err := r.pass(ctx, g, s, false); err != nil {
				return err
			}
		}
		if s.overload[0] || g.readings[0].RangeFull != full {
			r.note("zero", "warn", fmt.Sprintf("%s has no zero on the %s range of %s: it overflows there", gauge.Name(), quantity.Of(full, gaugeDim(gauge)), gauge.Channel))
			continue
		}
		z := r.mean(s.values[0], []float64{0.25, 0.25, 0.25, 0.25}, g.readings[0].Inputs)
		c := gauge.Specs[n].Contributions(0, plan.DefaultAperture.Seconds(), r.plan.Bench.AmbientKelvin)
		limit := zeroBeyond * math.Sqrt(3) * (c.Offset + c.TemperatureOffset + c.Noise + c.Quantisation)
		if !(math.Abs(z.X) <= limit) {
			r.note("zero", "warn", fmt.Sprintf("%s reads %s on the %s range of %s with everything off, more than %s: that is no zero, and is not subtracted", gauge.Name(),
				z.Quantity().Text(3), quantity.Of(full, z.Dim), gauge.Channel, quantity.Of(limit, z.Dim).Text(3)))
			continue
		}
		if r.cfg.Ledger != nil {
			for _, t := range z.Terms {
				if kind := r.cfg.Ledger.Input(t.Input).Kind; kind == measured.Noise || kind == measured.Quantisation {
					r.ofZero[t.Input] = true
				}
			}
		}
		r.zeros[zeroKey{k, full}] = z
		r.note("zero", "info", fmt.Sprintf("%s on the %s range of %s: zero %s", gauge.Name(), quantity.Of(full, z.Dim), gauge.Channel, z.Quantity().Text(3)))
	}
	return nil
}
