package sweep

import (
	"math"

	"fourwire/analysis/uncertain"
	"fourwire/quantity"
	"fourwire/quantity/measured"
)

// summit looks for the peak around the highest point, within the piece low..high of the curve that has no kink.
type summit struct {
	points
	top                int
	low, high          int
	kinkLow, kinkHigh  *Kink // bounds the piece; nil: the end of the sweep
	ledger             *measured.Ledger
	from, to           int // the window
	fit                *curve
	extraY, extraPlace float64 // standard uncertainty of the top, and of its place on the axis, by the form of the curve
}

func (s *summit) find() (Peak, error) {
	if s.high-s.low+1 < 3 {
		return s.short(), nil
	}
	if err := s.window(); err != nil {
		return Peak{}, err
	}
	place := s.fit.highest(s.t[s.from], s.t[s.to])
	s.form(place)
	low, high, flat := s.where(place)
	switch {
	case place == s.t[s.high] && s.kinkHigh != nil:
		return s.atKink(s.kinkHigh, s.high, s.high+1), nil
	case place == s.t[s.low] && s.kinkLow != nil:
		return s.atKink(s.kinkLow, s.low, s.low-1), nil
	}
	peak := Peak{Low: s.onX(low), High: s.onX(high), Points: s.to - s.from + 1, Flat: flat}
	peak.Y = s.scattered(s.fit.combination(s.fit.powers(place, 0)), s.fit.scattered(s.fit.powers(place, 0)), s.extraY)
	switch {
	case place == s.t[s.high]:
		peak.Kind, peak.X = AtEnd, s.x[s.high]
	case place == s.t[s.low]:
		peak.Kind, peak.X = AtEnd, s.x[s.low]
	default:
		peak.X = s.placed(place, flat)
	}
	return peak, nil
}

// scattered adds what the fit's residuals and the form of the curve say to a value.
func (s *summit) scattered(v measured.Value, scatter, form float64) measured.Value {
	v = widened(v, s.ledger, scatterInput("fitted peak"), scatter)
	return widened(v, s.ledger, measured.Input{Name: "form of the curve at the peak", Kind: measured.Noise, Shape: measured.Rectangular}, form)
}

// onX turns a place on the axis back into x.
func (s *summit) onX(t float64) float64 {
	if s.log {
		return math.Exp(t)
	}
	return t
}

// placed is the place of the summit as a value: with slope b + 2ct of the fit, it moves by minus the change of the slope there
// over the second derivative.
func (s *summit) placed(place float64, flat bool) measured.Value {
	x, dim := s.onX(place), s.x[0].Dim
	if flat {
		return measured.Exact(quantity.Of(x, dim)) // a linear propagation means nothing; the interval is added by the caller
	}
	bend := 2 * s.fit.coefficients[2] / (s.fit.half * s.fit.half)
	factors := s.fit.powers(place, 1)
	for j := range factors {
		factors[j] /= -bend
	}
	moves := s.scattered(s.fit.combination(factors), s.fit.scattered(factors), s.extraPlace)
	stretch := 1.0
	if s.log {
		stretch = x
	}
	return measured.Map(x, dim, moves, stretch)
}

// window chooses the points and fits the parabola.
func (s *summit) window() error {
	s.from, s.to = max(s.low, s.top-minimumSide), min(s.high, s.top+minimumSide)
	// what one side lacks the other gives, so that the fit has residuals
	s.to = min(s.high, max(s.to, s.from+2*minimumSide))
	s.from = max(s.low, min(s.from, s.to-2*minimumSide))
	for {
		f, err := s.polynomial(2)
		if err != nil {
			return err
		}
		s.fit = f
		enough := f.at(s.t[s.top]) - windowSigmas*f.scatter()
		growLow := s.from > s.low && s.top-s.from < windowSide && f.at(s.t[s.from]) > enough
		growHigh := s.to < s.high && s.to-s.top < windowSide && f.at(s.t[s.to]) > enough
		if !growLow && !growHigh {
			return nil
		}
		if growLow {
			s.from--
		}
		if growHigh {
			s.to++
		}
	}
}

// polynomial fits the window; errors of x count by the slope that a first fit has at each point.
func (s *summit) polynomial(degree int) (*curve, error) {
	t, y, x := s.t[s.from:s.to+1], s.y[s.from:s.to+1], s.x[s.from:s.to+1]
	plain, err := fitCurve(t, y, degree)
	if err != nil {
		return nil, err
	}
	return fitCurve(t, along(y, x, func(i int) float64 { return plain.slope(t[i]) * s.stretch(s.from+i) }), degree)
}

// form asks how far the top and its place depend on the form of the curve: by what a cubic makes of the same points, and a
// tent (two straight lines that meet), where it fits them about as well. Three points have room for a parabola only: the
// place then is anywhere between the outer two.
func (s *summit) form(place float64) {
	y := s.fit.at(place)
	if s.to-s.from+1 <= 3 {
		s.extraY, s.extraPlace = math.Abs(y-s.y[s.top].X), (s.t[s.to]-s.t[s.from])/2
		return
	}
	if cubic, err := s.polynomial(3); err == nil {
		at := cubic.highest(s.t[s.from], s.t[s.to])
		s.extraY = math.Hypot(cubic.at(at)-y, cubic.scatterOf(cubic.powers(at, 0))/2)
		s.extraPlace = math.Hypot(at-place, s.wander(cubic, at)/2)
	}
	if knot, height, ok := s.tent(); ok {
		s.extraY, s.extraPlace = max(s.extraY, math.Abs(height-y)), max(s.extraPlace, math.Abs(knot-place))
	}
}

// wander is the standard uncertainty, by scatter, of the place at which a fit has its top; it is no more than the window is
// wide.
func (s *summit) wander(f *curve, place float64) float64 {
	width := s.t[s.to] - s.t[s.from]
	here, there := f.slope(place-width/100), f.slope(place+width/100)
	bend := (here - there) / (width / 50)
	if !(bend > 0) {
		return 0
	}
	return min(width, f.scatterOf(f.powers(place, 1))/bend)
}

// tent fits two straight lines that meet at a knot to the window, at the best of a number of knots; ok tells that it is a tent,
// and that its residuals do not refute it beside those of the parabola.
func (s *summit) tent() (knot, height float64, ok bool) {
	t, y := s.t[s.from:s.to+1], s.y[s.from:s.to+1]
	best := math.Inf(1)
	rows, heights := make([][]float64, len(t)), make([]float64, len(t))
	for i := range y {
		heights[i] = y[i].X
	}
	const steps = 2
	for k := steps; k <= (len(t)-2)*steps; k++ {
		at := t[k/steps]
		if k%steps != 0 {
			at += (t[k/steps+1] - at) * float64(k%steps) / steps
		}
		for i := range t {
			rows[i] = []float64{1, t[i] - at, math.Abs(t[i] - at)}
		}
		f, err := uncertain.LeastSquares(rows, heights, true)
		if err != nil {
			continue
		}
		rss := f.ResidualSD * f.ResidualSD * float64(f.DOF)
		c := f.Coefficients
		if rss < best {
			best, knot, height, ok = rss, at, c[0], math.Abs(c[1]) < -c[2]
		}
	}
	return knot, height, ok && best < 3*max(s.fit.rss, s.fit.explained())
}

// where gives the interval of the place on the axis: low is the first place in the window at which the slope may be zero or
// less, high the last at which it may be zero or more. It is flat where that is all of a side of the window.
func (s *summit) where(place float64) (low, high float64, flat bool) {
	spread := s.slopeSpread()
	low, high = s.t[s.from], s.t[s.to]
	if s.fit.slope(low) > 2*spread(low) {
		low = halve(low, place, func(t float64) bool { return s.fit.slope(t) > 2*spread(t) })
	} else if s.from > s.low {
		low, flat = s.t[s.from-1], true
	} else if flat = place != low; s.kinkLow != nil {
		low = s.t[s.low-1]
	}
	if s.fit.slope(high) < -2*spread(high) {
		high = halve(high, place, func(t float64) bool { return s.fit.slope(t) < -2*spread(t) })
	} else if s.to < s.high {
		high, flat = s.t[s.to+1], true
	} else {
		flat = flat || place != high
		if s.kinkHigh != nil {
			high = s.t[s.high+1]
		}
	}
	return low - 2*s.extraPlace, high + 2*s.extraPlace, flat
}

// halve finds where a condition that holds at from and not at to ceases to hold.
func halve(from, to float64, holds func(t float64) bool) float64 {
	for range 50 {
		if middle := (from + to) / 2; holds(middle) {
			from = middle
		} else {
			to = middle
		}
	}
	return to
}

// slopeSpread is the standard uncertainty of the fitted slope at t: error terms and excess scatter.
func (s *summit) slopeSpread() func(t float64) float64 {
	p := len(s.fit.coefficients)
	each, variance := make(Values, p), make([][]float64, p)
	unit := func(j int) []float64 { f := make([]float64, p); f[j] = 1; return f }
	excess := s.fit.excess()
	for j := range each {
		each[j] = s.fit.combination(unit(j))
	}
	for j := range each {
		variance[j] = make([]float64, p)
		for k := range each {
			variance[j][k] = measured.Covariance(each[j], each[k])
			wj, wk := s.fit.onValues(unit(j)), s.fit.onValues(unit(k))
			for i := range wj {
				variance[j][k] += excess * excess * wj[i] * wk[i]
			}
		}
	}
	return func(t float64) float64 {
		f := s.fit.powers(t, 1)
		var sum float64
		for j := range f {
			for k := range f {
				sum += f[j] * f[k] * variance[j][k]
			}
		}
		return math.Sqrt(max(0, sum))
	}
}

// atKink is the peak of a curve that rises as far as a change of mode: it lies between the points near, the last of this piece,
// and far, the first of the next. The fit is carried on as far as the change can be.
func (s *summit) atKink(k *Kink, near, far int) Peak {
	edge := s.fit.powers(s.t[far], 0)
	low, high := s.fit.at(s.t[near]), s.fit.at(s.t[far])
	beyond := high
	if k.Step == 0 {
		high = s.roof(near, far, high)
	}
	form := s.extraY
	if cubic, err := s.polynomial(min(3, s.to-s.from)); err == nil {
		form = max(form, min(math.Abs(cubic.at(s.t[far])-beyond), math.Abs(high-low)))
	}
	y := s.fit.combination(s.fit.powers(s.t[near], 0))
	y.X = (low + high) / 2
	p := Peak{Kind: AtKink, Points: s.to - s.from + 1, Low: k.Low.X, High: k.High.X}
	p.Y = s.scattered(y, max(s.fit.scattered(edge), s.fit.scatterOf(edge)), math.Hypot(form, (high-low)/2))
	p.X = k.At(s.ledger)
	return p
}

// roof bounds a cusp from above: neither side's curve can be left before the change, so that the top is at most where both
// meet.
func (s *summit) roof(near, far int, high float64) float64 {
	other := summit{points: s.points, low: far, high: min(len(s.t)-1, far+2*minimumSide), top: far}
	if far < near {
		other.low, other.high = max(0, far-2*minimumSide), far
	}
	if other.high-other.low < 2 {
		return high
	}
	other.from, other.to = other.low, other.high
	f, err := other.polynomial(2)
	if err != nil {
		return high
	}
	roof := math.Inf(-1)
	const steps = 50
	for i := range steps + 1 {
		t := s.t[near] + (s.t[far]-s.t[near])*float64(i)/steps
		roof = max(roof, min(s.fit.at(t), f.at(t)))
	}
	return max(roof, s.fit.at(s.t[near]))
}

// short is the peak of a piece too short for a curve: the highest point, and as unsure as its neighbours are far.
func (s *summit) short() Peak {
	below, above := max(0, s.top-1), min(len(s.x)-1, s.top+1)
	drop := s.y[s.top].X - min(s.y[s.low].X, s.y[s.high].X)
	return Peak{
		Kind: AtKink, Points: s.high - s.low + 1, X: s.x[s.top], Low: s.x[below].X, High: s.x[above].X, Flat: true,
		Y: s.scattered(s.y[s.top], 0, drop),
	}
}

// others widens the interval of the place by points outside the window that are not clearly lower than the peak.
func (s *summit) others(peak *Peak) {
	scatter := 0.0
	if s.fit != nil {
		scatter = s.fit.excess()
	}
	for i := range s.x {
		if s.fit != nil && i >= s.from && i <= s.to {
			continue
		}
		below := measured.Sub(peak.Y, s.y[i])
		if below.X < 2*math.Hypot(below.Std(), scatter) {
			peak.Low, peak.High = min(peak.Low, s.x[i].X), max(peak.High, s.x[i].X)
			peak.Flat = true
		}
	}
}
