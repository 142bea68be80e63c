package drain

import (
	"fmt"
	"math"
)

const (
	floorShare    = 0.01 // of the time that a mode must hold to be the floor
	gridStep      = 0.01 // of the axis on which the floor is looked for: 1 % of the current, or of the noise where that is larger
	floorKernel   = 0.02
	gaussQuartile = 0.3186393639643752 // of |x|, x standard normal: its lower quartile
	contrast      = 0.05               // of the floor: changes smaller than that are no event, as the floor itself moves with temperature
	stepsAbove    = 3                  // resolution steps
	leaveSamples  = 2
	manySigmas    = 3
	rippleJumps   = 5
	levelNoise    = 0.005 // of a level: what is less is no change of it
)

// floor is what the first pass says of the floor.
type floor struct {
	amps, noise    float64
	low, high      float64 // the mode it belongs to
	delta, back    float64 // above the floor where an event begins and ends
	share          float64 // of the time in the mode
	offTo, offFrom int64   // the device has no supply before the one index and from the other on
	off            bool
	offAmps        float64
	offLimit       float32             // what is above is not off
	noises         [coarseBins]float32 // standard deviation of neighbours, by level; what tells a change of level from noise
	words          string
}

// axis is linear where the noise hides the sign of a current, and logarithmic above.
type axis struct{ scale, low float64 }

func (a axis) at(amps float64) float64 { return (math.Asinh(amps/a.scale) - a.low) / gridStep }
func (a axis) amps(at float64) float64 { return math.Sinh(at*gridStep+a.low) * a.scale }

// findFloor looks for the lowest mode with a noticeable part of the time.
func (a *analysis) findFloor(s *scan) *floor {
	f := &floor{offTo: s.from, offFrom: s.to, offLimit: float32(math.Inf(-1))}
	step := 0.0
	for _, r := range a.o.Ranges {
		if r.Step > 0 && (step == 0 || r.Step < step) {
			step = r.Step
		}
	}
	bins := s.histogram.Bins()
	tile, tiles := s.spreads.quantile(0, coarseBins-1, 0.1)
	jump, jumps := 0.0, int64(0)
	for _, q := range []float64{0.25, 0.5} { // coarse steps leave the lower quartile at 0
		if jump, jumps = s.jumps.quantile(0, coarseBins-1, q); jump > 0 {
			break
		}
	}
	scale := jump / (math.Sqrt2 * gaussQuartile)
	if tiles > 0 && (jumps == 0 || tile < scale) {
		scale = tile
	}
	scale = max(scale, step/math.Sqrt(12), 1e-12)
	if math.IsNaN(scale) {
		scale = 1e-12
	}
	s.levelNoises(f, scale)

	density, x := s.density(bins, scale, f)
	found := modes(density)
	first := s.off(f, found, bins, x)
	pick := len(found) - 1
	for i := first; i < len(found); i++ {
		if s.share(found[i], bins, x) >= floorShare {
			pick = i
			break
		}
	}
	m := found[pick]
	f.share = s.share(m, bins, x)
	f.low, f.high = x.amps(float64(m.from)), x.amps(float64(m.to))
	// near the peak only: the tails belong to edges and to what decays
	edge := m.peak
	for edge < m.to && edge < len(density) && density[edge] > density[m.peak]/20 {
		edge++
	}
	if edge < m.to {
		f.high = x.amps(float64(edge))
	}
	f.amps = centre(bins, f.low, f.high)

	from, to := coarse(float32(max(0, f.low))), coarse(float32(max(0, f.high)))
	if f.low < 0 {
		from, to = 0, max(to, coarse(float32(-f.low)))
	}
	f.noise = scale
	var how string
	if q, n := s.jumps.quantile(from, to, 0.25); n >= 16 {
		f.noise, how = q/(math.Sqrt2*gaussQuartile), "differences between neighbours"
	}
	if q, n := s.spreads.quantile(from, to, 0.5); n >= 8 && q > f.noise {
		f.noise, how = q, fmt.Sprintf("spread of %d-sample tiles", tileSamples)
	}
	f.noise = max(f.noise, step/math.Sqrt(12))
	sigmas := falseAlarm(float64(s.samples), 0.01)
	f.delta = max(sigmas*f.noise, contrast*math.Abs(f.amps), stepsAbove*step)
	f.back = f.delta / 2
	f.words = fmt.Sprintf("the floor is the lowest mode of the distribution with at least %g %% of the time; it holds %.3g %% of it", floorShare*100, 100*f.share)
	switch {
	case f.delta == sigmas*f.noise:
		f.words += fmt.Sprintf("; an event begins %.2f times its noise above it (noise from the %s), which by chance happens once in a hundred recordings of this length", sigmas, how)
	case f.delta == stepsAbove*step:
		f.words += fmt.Sprintf("; an event begins %d steps of the resolution above it, its noise being smaller", stepsAbove)
	default:
		f.words += fmt.Sprintf("; an event begins %.3g %% above it, its noise being smaller than that", 100*contrast)
	}
	f.words += fmt.Sprintf(", goes back to the last sample that was not half as far above it, and ends with %d samples in a row that are not; the floor is followed as it drifts", leaveSamples)
	return f
}

// falseAlarm is how many standard deviations normal noise exceeds with the given chance in so many samples.
func falseAlarm(samples, chance float64) float64 {
	return math.Sqrt2 * math.Erfcinv(min(1, 2*chance/samples))
}

// levelNoises gives the noise at each level, from the lower quartile of the differences between neighbours there, so that a level that is
// only held for a few samples has it from them and not from its edges. Levels that are only passed have no noise of their own.
func (s *scan) levelNoises(f *floor, least float64) {
	for k := range f.noises {
		level := coarseLow(k + 1)
		noise := 0.0
		if q, few := s.jumps.quartile(k, level/5); few {
			noise = q / (math.Sqrt2 * gaussQuartile)
		}
		f.noises[k] = float32(max(least, levelNoise*level, noise))
	}
}

// quartile is the lower quartile of what is below limit; ok is false where that is not a good part of all.
func (b *byLevel) quartile(k int, limit float64) (q float64, ok bool) {
	var all, below int64
	top := noiseBin(float32(limit))
	for j, n := range b[k] {
		all += n
		if j < top {
			below += n
		}
	}
	if below < 4 || 4*below < all {
		return 0, false
	}
	q, _ = b.quantile(k, k, 0.25*float64(below)/float64(all))
	return q, true
}

// density is the distribution on the axis, smoothed.
func (s *scan) density(bins []Bin, scale float64, f *floor) ([]float64, axis) {
	x := axis{scale: scale}
	x.low = math.Asinh(bins[0].Mean()/scale) - 1
	density := make([]float64, int(x.at(bins[len(bins)-1].Mean())+1/gridStep)+2)
	for _, b := range bins {
		mean := b.Mean()
		own := min(0.5, s.ripple(coarse(float32(mean)))/math.Hypot(mean, scale))
		smear(density, x.at(mean), max(floorKernel, own, b.width()/math.Hypot(mean, scale)/2)/gridStep, float64(b.Count))
	}
	return density, x
}

// ripple is how wide a level is: its noise, and where tiles about there spread by not much more than neighbours differ, as under hum but
// not where the level changes now and then, one and a half times that.
func (s *scan) ripple(level int) float64 {
	q, n := s.jumps.quantile(level, level, 0.25)
	if n < 4 {
		return 0
	}
	jump := q / (math.Sqrt2 * gaussQuartile)
	tile, n := s.spreads.quantile(max(0, level-4), min(level+4, coarseBins-1), 0.25)
	if n >= 8 && tile <= rippleJumps*jump {
		return 1.5 * max(jump, tile)
	}
	return 0.7 * jump
}

func (b Bin) width() float64 { return min(b.High-b.Low, math.Abs(b.Mean())) }

// share of the time in a mode.
func (s *scan) share(m mode, bins []Bin, x axis) float64 {
	var n int64
	for _, b := range bins {
		if at := x.at(b.Mean()); at >= float64(m.from) && at < float64(m.to) {
			n += b.Count
		}
	}
	return float64(n) / float64(s.samples-s.without())
}

func (s *scan) without() int64 { return s.offSamples }

// off looks whether the lowest mode is the time before the supply was switched on, or after it was switched off: a current that is zero
// within its noise, all of it at the ends. It returns the first mode that may be the floor.
func (s *scan) off(f *floor, found []mode, bins []Bin, x axis) int {
	if len(found) < 2 {
		return 0
	}
	m := found[0]
	limit := x.amps(float64(m.to))
	if limit <= 0 {
		return 0
	}
	var n, all int64
	var sum float64
	for _, b := range bins {
		if b.Mean() < limit {
			n, sum = n+b.Count, sum+b.Sum
		}
		all += b.Count
	}
	mean := sum / float64(n)
	spread := 0.0
	for _, b := range bins {
		if b.Mean() < limit {
			spread += float64(b.Count) * (b.Mean() - mean) * (b.Mean() - mean)
		}
	}
	spread = math.Sqrt(spread / float64(n))
	if math.Abs(mean) > max(spread, lowestEdge) {
		return 0
	}
	up := coarseLow(coarse(float32(limit)) + 1)
	lead, trail := s.leading(up), s.trailing(up)
	if float64(lead+trail) < 0.9*float64(n) || lead+trail >= s.to-s.from {
		return 0
	}
	f.off, f.offAmps = true, mean
	f.offTo = s.from + lead
	if trail >= leaveSamples*tileSamples {
		f.offFrom, f.offLimit = s.to-trail, float32(limit)
	}
	s.offSamples = n
	return 1
}

// centre is the mean of a mode, without what is far from its median.
func centre(bins []Bin, low, high float64) float64 {
	var n int64
	for _, b := range bins {
		if m := b.Mean(); m >= low && m <= high {
			n += b.Count
		}
	}
	var seen int64
	median := math.NaN()
	for _, b := range bins {
		if m := b.Mean(); m >= low && m <= high {
			if seen += b.Count; 2*seen >= n {
				median = m
				break
			}
		}
	}
	// quartile below the median, which what decays from above does not reach
	seen = 0
	quarter := median
	for _, b := range bins {
		if m := b.Mean(); m >= low && m <= high {
			if seen += b.Count; 4*seen >= n {
				quarter = m
				break
			}
		}
	}
	reach := manySigmas*(median-quarter)/0.6745 + 0.01*math.Abs(median)
	n = 0
	var sum float64
	for _, b := range bins {
		if m := b.Mean(); math.Abs(m-median) <= reach && m >= low && m <= high {
			n, sum = n+b.Count, sum+b.Sum
		}
	}
	if n == 0 {
		return median
	}
	return sum / float64(n)
}
