package pulse

import "math"

// excursion is how far the signal goes beyond a level.
type excursion struct {
	size, u float64 // in the unit of the samples; u is a standard uncertainty, that of the level not included
	at      float64 // in samples
	slope   float64 // per sample, of the fit at the top: not zero where the top is an edge
	seen    bool    // it stands out of the noise; if not, size is 0 and twice u is the least that would have been seen
}

// excursion looks in the samples from..to for the farthest excursion beyond a level, upward for sign 1 and downward for -1.
//
// The greatest of many noisy samples is always too great. So means over windows of 8, 16, 32... samples, up to longest, are
// compared, each in units of its own scatter; the window in which the excursion stands out most (as a filter matched to its
// form would find) is where a quartic is fitted, over fewer samples where it does not follow them. Own method.
func (w *wave[T]) excursion(from, to int, level, sign float64, longest int) excursion {
	from, to = max(0, from), min(len(w.y)-1, to)
	n := to - from + 1
	if n < 1 {
		return excursion{}
	}
	scatter := w.scatter()
	single, at := w.farthest(from, to, level, sign)
	best, centre, width := single/max(scatter, math.SmallestNonzeroFloat64), float64(at), 1
	for size := 1; size*block <= min(longest, n); size *= 2 {
		mean, first := w.farthestMean((from+block-1)/block, (to+1)/block, size, level, sign)
		own := scatter
		if size > 1 {
			own = math.Hypot(w.corr(), w.floor)
		}
		if z := mean * math.Sqrt(float64(size*block)) / max(own, math.SmallestNonzeroFloat64); z > best && mean > 0 {
			best, centre, width = z, float64(first*block)+float64(size*block-1)/2, size*block
		}
	}
	// a short one may lie across two blocks: windows of these widths are tried at every sample
	for slid := 4; slid <= 2*block && slid <= min(longest, n); slid *= 2 {
		mean, first := w.farthestSlid(from, to, slid, level, sign)
		if z := mean * math.Sqrt(float64(slid)) / max(math.Hypot(w.corr(), w.floor), scatter, math.SmallestNonzeroFloat64); z > best && mean > 0 {
			best, centre, width = z, float64(first)+float64(slid-1)/2, slid
		}
	}
	needed := math.Sqrt(2*math.Log(2*float64(n))) + 1
	if !(best > needed) {
		ordinary := float64(max(1, min(longest/2, n)))
		return excursion{u: needed * math.Hypot(w.corr()/math.Sqrt(ordinary), quantisation(w.step, w.sd)) / 2, at: centre}
	}
	e := excursion{seen: true, size: single, u: scatter, at: float64(at)}
	if width > 1 {
		if fitted, ok := w.summit(centre, float64(width)/2, from, to, level, sign); ok {
			e = fitted
		} else if width >= block {
			mean := sign * (restOf(w.y, int(centre)-width/2+1, int(centre)+width/2+1).mean - level)
			e = excursion{seen: true, size: mean, u: math.Hypot(w.corr()/math.Sqrt(float64(width)), math.Abs(single-mean)/4), at: centre}
		}
	}
	e.u = math.Hypot(e.u, quantisation(w.step, w.sd))
	return e
}

// farthest is the largest single excursion.
func (w *wave[T]) farthest(from, to int, level, sign float64) (size float64, at int) {
	y := w.y[from : to+1]
	best := y[0]
	if sign > 0 {
		for i, v := range y {
			if v > best {
				best, at = v, i
			}
		}
	} else {
		for i, v := range y {
			if v < best {
				best, at = v, i
			}
		}
	}
	return sign * (float64(best) - level), from + at
}

// farthestSlid is the largest mean excursion over windows of so many samples.
func (w *wave[T]) farthestSlid(from, to, width int, level, sign float64) (mean float64, first int) {
	sum := 0.0
	for i := from; i < from+width; i++ {
		sum += float64(w.y[i]) - level
	}
	best, first := sign*sum, from
	for i := from + width; i <= to; i++ {
		sum += float64(w.y[i]) - float64(w.y[i-width])
		if s := sign * sum; s > best {
			best, first = s, i-width+1
		}
	}
	return best / float64(width), first
}

// farthestMean is the largest mean excursion over windows of size blocks within the blocks from..to-1.
func (w *wave[T]) farthestMean(from, to, size int, level, sign float64) (mean float64, first int) {
	if w.blocks.sums == nil {
		w.blocks = blockSumsOf(w.y)
	}
	mean, first = math.Inf(-1), from
	if to > len(w.blocks.sums)-1 {
		to = len(w.blocks.sums) - 1
	}
	scale := sign / float64(size*block)
	offset := sign * (w.blocks.base - level)
	for i := from; i+size <= to; i++ {
		if m := (w.blocks.sums[i+size]-w.blocks.sums[i])*scale + offset; m > mean {
			mean, first = m, i
		}
	}
	return mean, first
}

// summit fits a quartic around a peak and reads its top.
func (w *wave[T]) summit(centre, half float64, from, to int, level, sign float64) (excursion, bool) {
	const leastFit = 8
	var p polynomial
	place := centre
	fit := func() bool {
		a, b := max(from, int(math.Ceil(place-half))), min(to, int(math.Floor(place+half)))
		if b-a+1 < leastFit {
			return false
		}
		var ok bool
		p, ok = fitPolynomial(w.y, a, b, 4)
		return ok
	}
	for range 4 {
		if !fit() {
			return excursion{}, false
		}
		was := place
		place = p.summit(sign)
		if math.Abs(place-was) < 0.1*half {
			break
		}
	}
	for !p.follows(w.scatter()) {
		half *= 0.75
		if !fit() {
			break
		}
		place = p.summit(sign)
	}
	e := excursion{seen: true, at: place, size: sign * (p.at(place) - level), slope: p.slope(place)}
	e.u = w.corr() * p.spread(place)
	if !p.follows(w.scatter()) {
		e.u = math.Hypot(e.u, math.Sqrt(p.rss/float64(p.samples())))
	}
	return e, true
}
