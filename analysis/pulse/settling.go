package pulse

import "math"

func (w *wave[T]) settling(t *Transition, k int, all []places, band float64) {
	_, top, sign := w.ends(k)
	p := all[k]
	if p.middle.reason != "" {
		t.Settled, t.Settling = missing(p.middle.reason), missing(p.middle.reason)
		return
	}
	_, to := w.state(k, all)
	levelError := math.Hypot(top.u, band*math.Hypot(w.low.u, w.high.u))
	s := w.settle(int(p.middle.at), to, top.x, band*w.amplitude(), levelError, 0.8*w.duration(k, p))
	if s.reason != "" {
		t.Settled, t.Settling = missing(s.reason), missing(s.reason)
		return
	}
	straight, way, ok := w.straightOn(k, p.last, s.at, band, to)
	switch {
	case ok:
		apart := math.Abs(straight.at - s.at)
		// a fit that is too steep is late and too sure of it: the slope is taken to be no more than 0.6 times that of the chord
		chord := (1 - travelled(p.last.share, sign) - band) * w.amplitude() / math.Abs(straight.at-p.last.at)
		gentle := min(math.Abs(straight.slope), 0.6*chord)
		own := math.Hypot(math.Hypot(straight.noise, straight.form)*math.Abs(straight.slope), levelError) / gentle
		// a wide interval is that of an entry which may be undone; else half of what the two fits differ by stands for the form
		if s.u < 4*own+apart {
			s.at, s.u = straight.at, math.Hypot(own, apart/2)
		}
	case way > 0:
		s.u = math.Hypot(s.u, way/10) // by so much may a corner bend the wider fit
	}
	t.Settled = figure(w.seconds(s.at), w.interval*s.u)
	middle := w.placeError([]crossing{p.middle}, []float64{1})
	t.Settling = figure(w.interval*(s.at-p.middle.at), w.interval*math.Hypot(s.u, middle))
}

// settled is the last entry into a band, in samples.
type settled struct {
	at, u  float64 // u is a standard uncertainty
	reason Reason
}

// settle finds when the signal is last outside a band about a level, within the samples from..to; it is taken to be outside at
// from. longest is over how many samples it may be averaged: a feature much shorter than that is smoothed where the noise
// demands it, and only there.
//
// An entry that noise may undo (a ring whose peak just touches the band) makes the figure as uncertain as it is: U reaches to
// the entries into bands that are wider and narrower by the expanded uncertainty of the signal there. Own method.
func (w *wave[T]) settle(from, to int, level, band, levelError, longest float64) settled {
	width := 1
	if need := math.Pow(8*w.corr()/band, 2); need > 1 {
		width = int(math.Ceil(need/block)) * block
		if need > math.Max(longest, 1) || width > (to-from)/2 {
			if w.outsideAtEnd(max(from, to-max(block, int(longest))), to, level, band) {
				return settled{reason: NotSettled}
			}
			return settled{reason: TooNoisy}
		}
	}
	half := max(float64(width)/2, 0)
	if width > 1 {
		half = max(half, longest/2)
		// the decision inside or outside is as noisy as these means: as long as the form of the signal allows
		width = max(width, int(min(longest/2, float64(to-from)/4))/block*block)
	}
	nominal, spread, ok := w.lastOutside(from, to, level, band, width, half)
	if !ok {
		return settled{reason: NotSettled}
	}
	own := 2 * math.Hypot(spread, levelError)
	out := settled{at: nominal}
	reach := 0.0
	for _, other := range []float64{band + own, max(band/4, band-own)} {
		place, _, ok := w.lastOutside(from, to, level, other, width, half)
		if !ok {
			place = float64(to)
		}
		reach = max(reach, math.Abs(place-nominal))
	}
	out.u = reach / 2
	if width == 1 {
		out.u = math.Hypot(out.u, 0.1) // of a sample, for the straight line between two
	}
	return out
}

// lastOutside is the last place outside a band, and the standard uncertainty of the signal there. A signal that is outside at
// the end has none.
func (w *wave[T]) lastOutside(from, to int, level, band float64, width int, half float64) (place, spread float64, ok bool) {
	if width == 1 {
		i := to
		for i > from && math.Abs(float64(w.y[i])-level) <= band {
			i--
		}
		if i == to {
			return 0, 0, false
		}
		a, b := float64(w.y[i])-level, float64(w.y[i+1])-level
		edge := math.Copysign(band, a)
		f := 1.0
		if a != b {
			f = min(1, max(0, (a-edge)/(a-b)))
		}
		return float64(i) + f, w.scatter(), true
	}
	if w.blocks.sums == nil {
		w.blocks = blockSumsOf(w.y)
	}
	size := width / block
	last := min((to+1)/block, len(w.blocks.sums)-1) - size
	first := (from + block - 1) / block
	i, deviation := last, 0.0
	for ; i >= first; i-- {
		if deviation = w.blocks.mean(i, i+size) - level; math.Abs(deviation) > band {
			break
		}
	}
	if i == last {
		return 0, 0, false
	}
	if i < first {
		// never seen outside but at the start: the entry is that of the transition itself
		i, deviation = first, float64(w.y[from])-level
	}
	guess := float64(i*block) + float64(width+block)/2
	return w.enters(guess, level+math.Copysign(band, deviation), level, half, from, to)
}

// enters refines the place at which the signal goes through the edge of a band towards its level.
func (w *wave[T]) enters(guess, edge, level, half float64, from, to int) (place, spread float64, ok bool) {
	place = guess
	for range 30 {
		p, good := fitPolynomial(w.y, max(from, int(math.Ceil(guess-half))), min(to, int(math.Floor(guess+half))), 3)
		if !good {
			break
		}
		spread = w.corr() * p.spread(min(float64(p.to), max(float64(p.from), place)))
		at, crosses := p.crosses(edge, guess)
		if crosses && p.slope(at)*(edge-level) < 0 {
			place = at
			spread = w.corr() * p.spread(at)
			if p.follows(w.scatter()) {
				if math.Abs(at-guess) < half/4 {
					return place, spread, true
				}
				guess = at
				continue
			}
		} else if p.follows(w.scatter()) {
			break
		}
		if half *= 0.8; half < 4 {
			break
		}
	}
	if spread == 0 {
		spread = w.scatter()
	}
	return place, spread, true
}

// straightOn locates the entry into the band of a signal that comes in about as steeply as it passed its last reference level
// and then stops: the fit ends before the corner, which would bend it. way is the length of the straight way from that level to
// the band, in samples; 0 where the signal comes in more gently.
func (w *wave[T]) straightOn(k int, last crossing, at, band float64, to int) (c crossing, way float64, ok bool) {
	if last.reason != "" {
		return c, 0, false
	}
	_, top, sign := w.ends(k)
	left := 1 - travelled(last.share, sign) - band
	way = left * w.amplitude() / math.Abs(last.slope)
	if left <= 0 || at-last.at > 1.65*way {
		return c, 0, false
	}
	edge := top.x - sign*band*w.amplitude()
	back, ahead := fitHeight*w.amplitude(), 0.75*band*w.amplitude()
	p, place, ok := w.crossFit(edge, last.at+1.1*way, last.slope, back, ahead, w.edges[k].before, to)
	if ok {
		c = w.placed(&p, place)
	}
	return c, way, ok
}

// travelled is how much of the way is done at a reference level, in the direction of the transition.
func travelled(share, sign float64) float64 {
	if sign < 0 {
		return 1 - share
	}
	return share
}

// outsideAtEnd tells a signal that still rings or drifts, which counts as noise where levels are concerned, from noise: it
// leaves the band for longer than noise between neighbours explains.
func (w *wave[T]) outsideAtEnd(from, to int, level, band float64) bool {
	for i := from; i+block <= to+1; i += block {
		if math.Abs(restOf(w.y, i, i+block).mean-level) > band+4*w.white/math.Sqrt(block) {
			return true
		}
	}
	return false
}
