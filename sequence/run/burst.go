package run

import (
	"context"
	"fmt"
	"math"
	"time"

	"fourwire/quantity"
	"fourwire/sequence"
	"fourwire/sequence/plan"
)

// How an aperture is chosen; own choice.
const (
	probeAperture = 2 * time.Millisecond // short against a swing that matters
	probeSeconds  = 0.25
	swingBeyond   = 3.0 // times the stated noise, from which a scatter counts as a swing
	mostReadings  = 20_000
)

// weights is a taper over the passes of a series, adding up to 1. Taken over a swing of frequency f for the time T, the error of the
// mean falls as 1/(fT) without one, as 1/(fT)^2 with a triangle, as 1/(fT)^3 with a Hann window: the side lobes of their spectra.
func weights(taper sequence.Taper, n int) []float64 {
	out := make([]float64, n)
	sum := 0.0
	for k := range out {
		u := (float64(k) + 0.5) / float64(n)
		switch taper {
		case sequence.Triangle:
			out[k] = 1 - math.Abs(2*u-1)
		case sequence.NoTaper:
			out[k] = 1
		default:
			out[k] = 1 - math.Cos(2*math.Pi*u)
		}
		sum += out[k]
	}
	for k := range out {
		out[k] /= sum
	}
	return out
}

// stray is the standard error of a weighted mean, as seen: the standard deviation of the weighted means over three half-long windows, at the
// beginning, in the middle and at the end. A half-long window strays more than the whole, by 1.4 for noise and by more for a swing, so that
// this is no underestimate.
func (s *series) stray(i int, taper sequence.Taper) float64 {
	n := s.passes()
	half := n / 2
	w := weights(taper, half)
	var means [3]float64
	for m, from := range [3]int{0, (n - half) / 2, n - half} {
		for k := range half {
			means[m] += w[k] * s.values[i][from+k].X
		}
	}
	middle := (means[0] + means[1] + means[2]) / 3
	var sum float64
	for _, m := range means {
		sum += (m - middle) * (m - middle)
	}
	return math.Sqrt(sum / 2)
}

// takeWeighted takes readings for a time and weights them.
func (r *runner) takeWeighted(ctx context.Context, g *group, s *sequence.Measure) (taken, error) {
	r.expectAll(g)
	all := newSeries(g)
	var err error
	for err == nil && (all.passes() < sequence.LeastReadings || all.elapsed()+all.cycle/2 < s.Burst.For.SI) && all.passes() < mostReadings {
		err = r.pass(ctx, g, all, g.mirrored && all.passes()%2 == 1)
	}
	return r.finishSeries(g, all, s.Burst.Taper), err
}

// finishSeries makes the values of a series: weighted means with what strays as a term of its own, corrected.
func (r *runner) finishSeries(g *group, all *series, taper sequence.Taper) taken {
	if all.passes() == 0 {
		return taken{}
	}
	w := weights(taper, all.passes())
	t := r.weighted(g, all, w)
	r.addSkew(g, all, &t)
	for i := range g.gauges {
		if t.overload[i] || all.passes() < 4 || r.cfg.Ledger == nil {
			continue
		}
		stated := r.scatterOf(t.values[i])
		if stray := all.stray(i, taper); stray > 2*stated {
			t.values[i] = r.plus(t.values[i], r.ripple(g, i, 0), math.Sqrt(stray*stray-stated*stated))
		}
	}
	r.correct(g, &t)
	return t
}

// takeAuto looks for a swing with short readings, makes the aperture a whole number of its periods, and takes weighted readings until
// their standard error is below the target.
func (r *runner) takeAuto(ctx context.Context, g *group, s *sequence.Measure) (taken, error) {
	begun := r.clock.Now()
	r.expectAll(g)
	least, most := r.apertures(g)
	g.aperture = min(max(probeAperture, least), most)
	probe := newSeries(g)
	atMost := s.Burst.AtMost.SI
	for probe.passes() < 2*sequence.LeastReadings || probe.elapsed() < min(probeSeconds, atMost/4) {
		if err := r.pass(ctx, g, probe, false); err != nil {
			return r.finishSeries(g, probe, s.Burst.Taper), err
		}
	}
	which, swing := r.swing(g, probe)
	g.aperture = min(max(plan.DefaultAperture, least), most)
	how := "no swing"
	if which >= 0 {
		how = fmt.Sprintf("a swing of %s, its frequency not found", quantity.Of(swing, quantity.Ratio).Text(2))
		if hertz := probe.frequency(which); hertz > 0 {
			periods := math.Ceil(plan.DefaultAperture.Seconds() * hertz)
			if whole := seconds(math.Round(periods/hertz*1e6) / 1e6); whole >= least && whole <= most {
				g.aperture = whole
				how = fmt.Sprintf("a swing of %s at %s", quantity.Of(swing, quantity.Ratio).Text(2), quantity.Of(hertz, quantity.Frequency).Text(3))
			}
		}
	}
	all := newSeries(g)
	for next := sequence.LeastReadings; ; next += max(2, next/4) {
		for all.passes() < next {
			if err := r.pass(ctx, g, all, g.mirrored && all.passes()%2 == 1); err != nil {
				return r.finishSeries(g, all, s.Burst.Taper), err
			}
		}
		error, worst := r.reached(g, all, s)
		late := r.clock.Since(begun).Seconds() >= atMost || all.passes() >= mostReadings
		if worst >= 0 && !late {
			continue
		}
		text := fmt.Sprintf("%d readings of %s for each value, %s", all.passes(), g.aperture, how)
		if worst >= 0 {
			r.note("aperture", "warn", fmt.Sprintf("%s; after %s the standard error of %s is still %s, %s is wanted", text, s.Burst.AtMost,
				s.Readings[worst].Name, quantity.Of(error, quantity.Ratio).Text(2), s.Burst.Within))
		}
		r.remark("%s", text)
		return r.finishSeries(g, all, s.Burst.Taper), nil
	}
}

// reached gives the reading whose standard error is furthest above the target, -1 where none is. What the stated noise alone
// explains is not waited for.
func (r *runner) reached(g *group, all *series, s *sequence.Measure) (error float64, worst int) {
	worst = -1
	w := weights(s.Burst.Taper, all.passes())
	for i := range g.gauges {
		if all.overload[i] {
			continue
		}
		v := r.mean(all.values[i], w, g.readings[i].Inputs)
		stray := all.stray(i, s.Burst.Taper)
		if part := stray / math.Abs(v.X); stray > 2*r.scatterOf(v) && part > s.Burst.Within.SI && part > error {
			error, worst = part, i
		}
	}
	return error, worst
}

// apertures is what all meters of a group can integrate for.
func (r *runner) apertures(g *group) (least, most time.Duration) {
	most = math.MaxInt64
	for _, k := range g.gauges {
		if a := r.gauges[k].Aperture; a.Most > 0 {
			least, most = max(least, a.Least), min(most, a.Most)
		}
	}
	return least, max(most, least)
}

// swing finds the reading that scatters most against its value, beyond the noise that its model states: its index and the standard
// deviation as a ratio. -1: none.
func (r *runner) swing(g *group, s *series) (which int, part float64) {
	which = -1
	for i := range g.gauges {
		if s.overload[i] {
			continue
		}
		_, _, scatter := s.line(i)
		mean := r.mean(s.values[i], weights(sequence.NoTaper, s.passes()), "")
		stated := 0.0
		if r.cfg.Ledger != nil {
			stated = r.scatterOf(s.values[i][0])
		}
		if p := scatter / math.Abs(mean.X); scatter > swingBeyond*stated && p > part {
			which, part = i, p
		}
	}
	return which, part
}

// frequency is where the spectrum of one reading is strongest, in hertz, between two periods in the series and what its cycle can
// show; 0 where nothing stands out. The readings are freed of their line and tapered; the peak is refined by a parabola.
func (s *series) frequency(i int) float64 {
	n := s.passes()
	slope, middle, _ := s.line(i)
	mean := 0.0
	for _, v := range s.values[i] {
		mean += v.X / float64(n)
	}
	w := weights(sequence.Hann, n)
	rest := make([]float64, n)
	for k, v := range s.values[i] {
		rest[k] = w[k] * (v.X - mean - slope*(s.at[i][k]-middle))
	}
	span := s.elapsed()
	power := func(hertz float64) float64 {
		var c, q float64
		for k, x := range rest {
			sin, cos := math.Sincos(2 * math.Pi * hertz * s.at[i][k])
			c, q = c+x*cos, q+x*sin
		}
		return c*c + q*q
	}
	step := 1 / (8 * span)
	best, at, sum, count := 0.0, 0.0, 0.0, 0.0
	for f := 2 / span; f < 0.48/s.cycle; f += step {
		p := power(f)
		sum, count = sum+p, count+1
		if p > best {
			best, at = p, f
		}
	}
	if best == 0 || best < 3*sum/count {
		return 0
	}
	low, high := power(at-step), power(at+step)
	if bend := low - 2*best + high; bend < 0 {
		at += step * (low - high) / (2 * bend)
	}
	return at
}
