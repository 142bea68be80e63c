package pulse

import (
	"errors"
	"math"
)

// crossing is where the signal passes a reference level, counted in samples, with the standard uncertainties of that place.
type crossing struct {
	at     float64
	noise  float64 // by the noise of the samples
	form   float64 // by what lies between samples
	slope  float64 // per sample
	share  float64 // of the way from low to high
	reason Reason
}

const (
	fitHeight = 0.06 // of the amplitude: a crossing is fitted over so much on either side of its level
	fitCubic  = 8    // samples for a cubic; fewer are fitted by a straight line where that follows them
	fitLeast  = 3    // fewer are interpolated
)

// cross locates the passage through a level near a guess, within the samples low..high. slope is a guess too, per sample,
// with the sign of the passage; height is how far the fit reaches on either side of the level, most how far it may where that
// holds few samples.
//
// A cubic is fitted to the samples that lie, by the fit itself, within that height, and to fewer where it does not follow them
// as far; a fourth power then takes part, so that no bend is left out of U. Too few samples for that are interpolated by a
// monotone cubic between the neighbours of the crossing.
func (w *wave[T]) cross(ref, guess, slope, height, most float64, low, high int) crossing {
	height = max(height, min(most, fitCubic/2*math.Abs(slope)))
	if p, at, ok := w.crossFit(ref, guess, slope, height, height, low, high); ok {
		return w.raised(&p, at, ref, slope)
	}
	return w.crossBetween(ref, guess, slope > 0, low, high)
}

// crossFit takes the heights before and after the passage apart.
func (w *wave[T]) crossFit(ref, guess, slope, back, ahead float64, low, high int) (polynomial, float64, bool) {
	left, right := back/math.Abs(slope), ahead/math.Abs(slope)
	var p polynomial
	at := guess
	window := func() bool {
		from, to := max(low, int(math.Ceil(at-left))), min(high, int(math.Floor(at+right)))
		degree := 3
		switch n := to - from + 1; {
		case n < fitLeast:
			return false
		case n < fitCubic:
			degree = 1
		}
		var ok bool
		if p, ok = fitPolynomial(w.y, from, to, degree); !ok {
			return false
		}
		if p.terms == 2 { // a line may be carried on by a sample
			if place := p.centre + (ref-p.base-p.k[0])/p.k[1]*p.half; p.k[1]*slope > 0 && math.Abs(place-p.centre) <= p.half+1 {
				at = place
				return true
			}
			return false
		}
		place, ok := p.crosses(ref, at)
		if ok && p.slope(place)*slope > 0 {
			at = place
			return true
		}
		return false
	}
	for range 4 {
		if !window() {
			return polynomial{}, 0, false
		}
		was := left + right
		left, right = p.reach(at, -1, back, 2.5*left), p.reach(at, 1, ahead, 2.5*right)
		if math.Abs(left+right-was) < 0.1*was {
			break
		}
	}
	for !p.follows(w.scatter()) {
		left, right = 0.7*left, 0.7*right
		if p.terms == 2 || !window() {
			return polynomial{}, 0, false
		}
	}
	return p, at, true
}

// placed is the crossing of a fit.
func (w *wave[T]) placed(p *polynomial, at float64) crossing {
	s := p.slope(at)
	return crossing{at: at, slope: s, noise: w.corr() * p.spread(at) / math.Abs(s), form: quantisation(w.step, w.sd) / math.Abs(s)}
}

// raised lets the next degree take part: what it would add may hide in the noise and move the place as far as that does. Where
// there are too few samples for it, what it would move is left open.
func (w *wave[T]) raised(p *polynomial, at, ref, slope float64) crossing {
	c := w.placed(p, at)
	next, ok := fitPolynomial(w.y, p.from, p.to, p.terms)
	if !ok {
		return c
	}
	place, ok := next.crosses(ref, at)
	if !ok || next.slope(place)*slope <= 0 {
		return c
	}
	if next.samples() <= next.terms {
		c.form = math.Hypot(c.form, place-at)
		return c
	}
	// the slope of the lower degree is the quieter one
	wider := next.spread(place) / p.spread(at)
	c.at, c.noise, c.form = place, c.noise*wider, c.form*max(1, wider)
	return c
}

// reach is how far from a place the polynomial needs to move by a height, at most limit; direction is -1 or 1.
func (p *polynomial) reach(at, direction, height, limit float64) float64 {
	const grid = 40
	level := p.at(at)
	for j := 1; j <= grid; j++ {
		d := limit * float64(j) / grid
		// beyond its window a cubic cannot be trusted far
		if x := at + direction*d; math.Abs(p.at(x)-level) >= height || math.Abs(x-p.centre) > 2*p.half {
			return d
		}
	}
	return limit
}

// crossBetween interpolates between the two samples around the passage that is nearest to a guess.
func (w *wave[T]) crossBetween(ref, guess float64, rising bool, low, high int) crossing {
	best, found := -1, math.Inf(1)
	for i := max(low, int(guess)-1-4*block); i < min(high, int(guess)+2+4*block); i++ {
		a, b := float64(w.y[i])-ref, float64(w.y[i+1])-ref
		if rising && a < 0 && b >= 0 || !rising && a > 0 && b <= 0 {
			if d := math.Abs(float64(i) + 0.5 - guess); d < found {
				best, found = i, d
			}
		}
	}
	if best < 0 {
		return crossing{reason: NotReached}
	}
	a, b := float64(w.y[best]), float64(w.y[best+1])
	straight := (ref - a) / (b - a)
	before, after := b-a, b-a
	if best > 0 {
		before = a - float64(w.y[best-1])
	}
	if best+2 < len(w.y) {
		after = float64(w.y[best+2]) - b
	}
	f := monotone(before, b-a, after, straight)
	// noise makes the difference that is chosen for its crossing too great: the mean over three steps may be nearer
	slope := math.Copysign(min(math.Abs(b-a), math.Abs(before+b-a+after)/3), b-a)
	if slope == 0 || slope*(b-a) < 0 || math.Abs(before)+math.Abs(after) < 0.2*math.Abs(b-a) {
		slope = b - a
	}
	c := crossing{at: float64(best) + f, slope: slope, noise: w.sd * math.Hypot(f, 1-f) / math.Abs(slope)}
	// the truth lies about as far from the cubic as that from the straight line, or as the third difference makes a cubic go (at
	// most 0.064 of it); a corner may hide anywhere between two samples of an edge that has no more than them
	c.form = math.Hypot(f-straight, 0.064*(before-2*(b-a)+after)/(b-a))
	if math.Abs(before)+math.Abs(after) < 0.2*math.Abs(b-a) {
		c.form = math.Hypot(0.5-f, 1/math.Sqrt(12))
	}
	c.form = math.Hypot(c.form, quantisation(w.step, w.sd)/math.Abs(slope))
	return c
}

// monotone solves the monotone cubic between two samples for the share of the rise that the straight line has at f. The three
// differences are those before, between and after them (Fritsch and Carlson 1980, with harmonic means as slopes).
func monotone(before, between, after, f float64) float64 {
	harmonic := func(a, b float64) float64 {
		if a*b <= 0 {
			return 0
		}
		return 2 * a * b / (a + b) / between
	}
	m0, m1 := harmonic(before, between), harmonic(between, after)
	value := func(t float64) float64 {
		return t*(1-t)*(1-t)*m0 + t*t*(3-2*t) - t*t*(1-t)*m1
	}
	low, high := 0.0, 1.0
	for range 50 {
		if m := (low + high) / 2; value(m) < f {
			low = m
		} else {
			high = m
		}
	}
	return (low + high) / 2
}

// reference locates the passage of edge k through a share of the way. The one nearest to the middle counts.
func (w *wave[T]) reference(k int, share float64) crossing {
	e := w.edges[k]
	ref := w.low.x + share*w.amplitude()
	low, high := w.between(k)
	sign := 1.0
	if !e.rising {
		sign = -1
	}
	slope := sign * w.amplitude() / e.width
	guess, reason := w.walk(e, ref, sign, low, high)
	if reason != "" {
		return crossing{reason: reason}
	}
	if far := math.Abs(guess - e.middle()); far > 0 && math.Abs(share-0.5) > 0.1 {
		slope = sign * math.Abs(share-0.5) * w.amplitude() / max(1, far)
	}
	most := min(0.25, 0.9*share, 0.9*(1-share)) * w.amplitude()
	c := w.cross(ref, guess, slope, fitHeight*w.amplitude(), most, low, high)
	c.share = share
	return c
}

// between are the first and the last sample that belong to edge k: from the middle of the edge before to that of the next.
func (w *wave[T]) between(k int) (low, high int) {
	high = len(w.y) - 1
	if k > 0 {
		low = w.edges[k-1].after
	}
	if k+1 < len(w.edges) {
		high = w.edges[k+1].before
	}
	return low, high
}

// walk goes outward from the middle of an edge until a short mean passes the level.
func (w *wave[T]) walk(e edge, ref, sign float64, low, high int) (float64, Reason) {
	half := int(e.width / 40)
	mean := func(i int) float64 {
		from, to := max(low, i-half), min(high, i+half)
		var sum float64
		for _, y := range w.y[from : to+1] {
			sum += float64(y)
		}
		return sum / float64(to-from+1)
	}
	i := int(e.middle())
	up := sign*(mean(i)-ref) < 0 // the level lies ahead
	step := max(1, half/2)
	for {
		before := i
		if up {
			i += step
		} else {
			i -= step
		}
		if i < low || i > high {
			break
		}
		if up && sign*(mean(i)-ref) >= 0 || !up && sign*(mean(i)-ref) <= 0 {
			return float64(before+i) / 2, ""
		}
	}
	if i < 0 || i >= len(w.y) {
		return 0, CutOff
	}
	return 0, TurnsBack
}

// Instant is when a trace first passes a level upward or downward at or after an instant, in seconds of the trace's own time.
// No states are needed: the level is absolute. Noise that crosses the level back and forth counts as one passage.
func Instant[T Sample](tr Trace[T], level float64, rising bool, fromSeconds float64) (Figure, error) {
	s, err := tr.check(leastSamples)
	if err != nil {
		return Figure{}, err
	}
	if math.IsNaN(level) || math.IsInf(level, 0) || math.IsNaN(fromSeconds) {
		return Figure{}, errors.New("the level or the instant is no number")
	}
	w := waveOf(tr, s)
	return w.passes(level, rising, fromSeconds).figure(w), nil
}

// waveOf is a trace whose noise is that between neighbours; no states are looked for.
func waveOf[T Sample](tr Trace[T], s survey) *wave[T] {
	w := &wave[T]{y: tr.Samples, interval: tr.IntervalSeconds, start: tr.StartSeconds, step: tr.Step}
	w.floor = math.Hypot(tr.Step/math.Sqrt(12), rounding[T]()*max(math.Abs(s.least), math.Abs(s.greatest)))
	w.white = quickNoise(w.y)
	w.noise = noise{sd: w.white, kin: 1}
	w.low, w.high = level{x: s.least}, level{x: s.greatest}
	return w
}

// passes finds the first lasting passage: to beyond the level by more than noise, from before it by more than noise.
func (w *wave[T]) passes(ref float64, rising bool, fromSeconds float64) crossing {
	sign := 1.0
	if !rising {
		sign = -1
	}
	first := max(0, int(math.Ceil((fromSeconds-w.start)/w.interval-1e-9)))
	dead := min(5*w.scatter(), w.amplitude()/10)
	before := -1
	for i := first; i < len(w.y); i++ {
		v := sign * (float64(w.y[i]) - ref)
		switch {
		case v < -dead || v < 0 && dead == 0:
			before = i
		case v >= dead && before >= 0:
			guess := float64(before+i) / 2
			// noise makes the dead zone as wide as the passage is slow: its slope is that of the fit's first guess
			slope := sign * max(2*dead, math.Abs(float64(w.y[i])-float64(w.y[before]))) / float64(i-before)
			return w.cross(ref, guess, slope, max(2*dead, fitHeight*w.amplitude()), 0, first, len(w.y)-1)
		}
	}
	return crossing{reason: NotReached}
}

// figure is the instant of a crossing of an exact level.
func (c crossing) figure(w interface{ seconds(float64) float64 }) Figure {
	if c.reason != "" {
		return missing(c.reason)
	}
	one := w.seconds(1) - w.seconds(0)
	return figure(w.seconds(c.at), math.Hypot(c.noise, c.form)*one)
}
