package drain

import (
	"math"
	"slices"
)

const (
	inrushOver    = 1.5 // of the level that follows: a peak below that is none
	inrushHighest = 1.2 // of the highest peak of all other events
)

// inrush looks at the first event: what it drew until it had come down to the geometric mean of its peak and the level that follows.
func (a *analysis) inrush(r *Result, m *machine) {
	if len(r.Events) == 0 || len(m.early) == 0 {
		return
	}
	e := &r.Events[0]
	x := m.early[:min(int64(len(m.early)), e.Samples)]
	volts := m.earlyVolts
	if volts != nil {
		volts = volts[:min(len(volts), len(x))]
	}
	var others float64
	for i := 1; i < len(r.Events); i++ {
		others = max(others, r.Events[i].PeakAmps)
	}
	in := Inrush{Start: e.Start, OffAmps: math.NaN(), Joules: math.NaN(), BeginsWithin: e.Start == r.From}
	switch {
	case m.f.off:
		in.OffAmps, in.OffSeconds = m.f.offAmps, float64(m.f.offTo-r.From)*r.IntervalSeconds
	case in.BeginsWithin:
	case len(r.Events) > 1 && e.PeakAmps > inrushHighest*others:
		in.OnlyHighest = true
	default:
		return
	}
	top := 0
	for i, v := range x {
		if v > x[top] {
			top = i
		}
	}
	following := m.level
	if rest := x[min(len(x), top+1):]; len(rest) > 0 {
		sorted := slices.Clone(rest)
		slices.Sort(sorted)
		following = float64(sorted[len(sorted)/2])
	}
	peak := float64(x[top])
	if peak < inrushOver*following {
		return
	}
	limit := float32(math.Sqrt(peak * max(following, peak*1e-12)))
	end := top + 1
	for end < len(x) && (x[end] > limit || end+1 < len(x) && x[end+1] > limit) {
		end++
	}
	var s Stats
	if len(volts) == len(x) {
		s = StatsOf(x[:end], volts[:end])
		in.Joules = s.Energy(r.IntervalSeconds, 0)
	} else {
		s = StatsOf(x[:end], nil)
		if a.o.NominalVolts > 0 {
			in.Joules = s.Energy(r.IntervalSeconds, a.o.NominalVolts)
		}
	}
	in.Seconds, in.PeakAmps, in.Coulombs = float64(end)*r.IntervalSeconds, peak, s.Charge(r.IntervalSeconds)
	in.MeanAmps, in.FollowingAmps = s.Mean(), following
	r.Inrush = &in
}
