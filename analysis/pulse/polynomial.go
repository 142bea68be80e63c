package pulse

import "math"

// most is the number of coefficients of the highest degree in use, 4.
const most = 5

// polynomial is fitted by least squares to the samples from..to, in the variable s = (i - centre) / half.
type polynomial struct {
	from, to     int
	centre, half float64
	base         float64 // taken off the samples
	terms        int
	k            [most]float64
	inverse      [most][most]float64 // of the normal equations: covariance of k for a noise of 1
	rss          float64
}

// fitPolynomial needs more samples than coefficients; ok is false otherwise.
func fitPolynomial[T Sample](y []T, from, to, degree int) (p polynomial, ok bool) {
	from, to = max(0, from), min(len(y)-1, to)
	n := to - from + 1
	p = polynomial{from: from, to: to, centre: float64(from+to) / 2, half: float64(n-1) / 2, terms: degree + 1}
	if n < p.terms || n < 2 {
		return p, false
	}
	p.base = float64(y[(from+to)/2])
	var moments [2*most - 1]float64
	var right [most]float64
	for i := from; i <= to; i++ {
		s, v := (float64(i)-p.centre)/p.half, float64(y[i])-p.base
		s2 := s * s
		moments[0]++
		moments[2] += s2
		moments[4] += s2 * s2
		moments[6] += s2 * s2 * s2
		moments[8] += s2 * s2 * s2 * s2
		right[0] += v
		right[1] += v * s
		right[2] += v * s2
		right[3] += v * s2 * s
		right[4] += v * s2 * s2
	} // the odd moments vanish: the window is symmetrical about its centre
	if !p.solve(&moments, &right) {
		return p, false
	}
	for i := from; i <= to; i++ {
		r := float64(y[i]) - p.at(float64(i))
		p.rss += r * r
	}
	return p, true
}

// solve inverts the normal equations by Gauss-Jordan elimination; they are positive definite and, in s, well scaled.
func (p *polynomial) solve(moments *[2*most - 1]float64, right *[most]float64) bool {
	var a [most][2 * most]float64
	for i := range p.terms {
		for j := range p.terms {
			a[i][j] = moments[i+j]
		}
		a[i][most+i] = 1
	}
	for c := range p.terms {
		if !(a[c][c] > 1e-12*moments[0]) {
			return false
		}
		scale := 1 / a[c][c]
		for j := range a[c] {
			a[c][j] *= scale
		}
		for r := range p.terms {
			if f := a[r][c]; r != c && f != 0 {
				for j := range a[r] {
					a[r][j] -= f * a[c][j]
				}
			}
		}
	}
	for i := range p.terms {
		for j := range p.terms {
			p.inverse[i][j] = a[i][most+j]
			p.k[i] += a[i][most+j] * right[j]
		}
	}
	return true
}

func (p *polynomial) samples() int { return p.to - p.from + 1 }

// at is the fitted value at a place counted in samples.
func (p *polynomial) at(i float64) float64 {
	s, sum := (i-p.centre)/p.half, 0.0
	for j := p.terms - 1; j >= 0; j-- {
		sum = sum*s + p.k[j]
	}
	return p.base + sum
}

// slope is per sample.
func (p *polynomial) slope(i float64) float64 {
	s, sum := (i-p.centre)/p.half, 0.0
	for j := p.terms - 1; j >= 1; j-- {
		sum = sum*s + float64(j)*p.k[j]
	}
	return sum / p.half
}

// spread is the standard uncertainty of the fitted value for samples with independent noise of standard deviation 1.
func (p *polynomial) spread(i float64) float64 {
	s := (i - p.centre) / p.half
	var powers [most]float64
	powers[0] = 1
	for j := 1; j < p.terms; j++ {
		powers[j] = powers[j-1] * s
	}
	var sum float64
	for j := range p.terms {
		for k := range p.terms {
			sum += powers[j] * powers[k] * p.inverse[j][k]
		}
	}
	return math.Sqrt(max(0, sum))
}

// follows tells whether the residuals are no larger than noise explains: chi-squared within four of its standard deviations.
func (p *polynomial) follows(noise float64) bool {
	dof := float64(p.samples() - p.terms)
	if dof < 1 {
		return true
	}
	return p.rss <= noise*noise*(dof+4*math.Sqrt(2*dof))
}

// crosses finds where the polynomial passes a level, the place nearest to a guess within its window.
func (p *polynomial) crosses(level, near float64) (place float64, ok bool) {
	const grid = 64
	best := math.Inf(1)
	low, width := float64(p.from), float64(p.to-p.from)
	before, after := p.at(low)-level, 0.0
	for j := 1; j <= grid; j++ {
		x := low + width*float64(j)/grid
		after = p.at(x) - level
		if before == 0 || before*after < 0 {
			a, b := x-width/grid, x
			if before == 0 {
				b = a
			}
			for range 48 {
				m := (a + b) / 2
				if v := p.at(m) - level; v == 0 || v*before < 0 {
					b = m
				} else {
					a = m
				}
			}
			if d := math.Abs(b - near); d < best {
				best, place, ok = d, b, true
			}
		}
		before = after
	}
	if d := math.Abs(low + width - near); after == 0 && d < best {
		place, ok = low+width, true
	}
	return place, ok
}

// summit is where sign times the polynomial is greatest within its window.
func (p *polynomial) summit(sign float64) float64 {
	const grid = 64
	low, width := float64(p.from), float64(p.to-p.from)
	best := low
	for j := 1; j <= grid; j++ {
		if x := low + width*float64(j)/grid; sign*p.at(x) > sign*p.at(best) {
			best = x
		}
	}
	a, b := max(low, best-width/grid), min(low+width, best+width/grid)
	for range 60 { // golden section would save half of the evaluations; thirds are plain
		m, n := a+(b-a)/3, b-(b-a)/3
		if sign*p.at(m) < sign*p.at(n) {
			a = m
		} else {
			b = n
		}
	}
	if x := (a + b) / 2; sign*p.at(x) > sign*p.at(best) {
		best = x
	}
	return best
}
