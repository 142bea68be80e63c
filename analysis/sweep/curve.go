package sweep

import (
	"errors"
	"math"
	"sort"

	"gonum.org/v1/gonum/mat"

	"fourwire/analysis/uncertain"
	"fourwire/quantity/measured"
)

// curve is a polynomial through points by least squares, in a variable scaled to about -1..1, that knows how each of its
// coefficients moves with each point.
type curve struct {
	middle, half float64
	values       Values
	coefficients []float64
	weights      *mat.Dense // of coefficient j on value i
	design       *mat.Dense
	rss          float64
	dof          int
}

// fitCurve fits a polynomial to values at t.
func fitCurve(t []float64, values Values, degree int) (*curve, error) {
	n, p := len(t), degree+1
	if n < p {
		return nil, &TooFew{Figure: "a curve", Have: n, Need: p}
	}
	low, high := t[0], t[0]
	for _, x := range t {
		low, high = min(low, x), max(high, x)
	}
	if low == high {
		return nil, errNoSpread
	}
	c := &curve{middle: (low + high) / 2, half: (high - low) / 2, values: values, coefficients: make([]float64, p), dof: n - p}
	c.design = mat.NewDense(n, p, nil)
	for i, x := range t {
		s, power := c.scaled(x), 1.0
		for j := range p {
			c.design.Set(i, j, power)
			power *= s
		}
	}
	identity := mat.NewDense(n, n, nil)
	for i := range n {
		identity.Set(i, i, 1)
	}
	var qr mat.QR
	qr.Factorize(c.design)
	c.weights = &mat.Dense{}
	if err := qr.SolveTo(c.weights, false, identity); err != nil {
		return nil, errors.New("the points lie too close together for a curve")
	}
	for j := range p {
		for i, v := range values {
			c.coefficients[j] += c.weights.At(j, i) * v.X
		}
	}
	for i, x := range t {
		r := values[i].X - c.at(x)
		c.rss += r * r
	}
	return c, nil
}

func (c *curve) scaled(t float64) float64 { return (t - c.middle) / c.half }

// powers are the factors of the coefficients in the curve's value (derivative 0) or slope (derivative 1) at t.
func (c *curve) powers(t float64, derivative int) []float64 {
	out, s := make([]float64, len(c.coefficients)), c.scaled(t)
	for j := range out {
		switch {
		case derivative == 0:
			out[j] = math.Pow(s, float64(j))
		case j > 0:
			out[j] = float64(j) * math.Pow(s, float64(j-1)) / c.half
		}
	}
	return out
}

func (c *curve) dot(factors []float64) float64 {
	var sum float64
	for j, f := range factors {
		sum += f * c.coefficients[j]
	}
	return sum
}

func (c *curve) at(t float64) float64    { return c.dot(c.powers(t, 0)) }
func (c *curve) slope(t float64) float64 { return c.dot(c.powers(t, 1)) }

// onValues turns factors of the coefficients into weights of the values.
func (c *curve) onValues(factors []float64) []float64 {
	out := make([]float64, len(c.values))
	for i := range out {
		for j, f := range factors {
			out[i] += f * c.weights.At(j, i)
		}
	}
	return out
}

// combination is a linear combination of the coefficients with the errors of the values propagated.
func (c *curve) combination(factors []float64) measured.Value {
	return combine(c.dot(factors), c.values[0].Dim, c.values, c.onValues(factors))
}

// scattered is the standard uncertainty of a combination by the excess scatter of the points.
func (c *curve) scattered(factors []float64) float64 {
	var sum float64
	for _, w := range c.onValues(factors) {
		sum += w * w
	}
	return c.excess() * math.Sqrt(sum)
}

// scatterOf is the standard uncertainty of a combination by all scatter of the points, their own terms included.
func (c *curve) scatterOf(factors []float64) float64 {
	var sum float64
	for _, w := range c.onValues(factors) {
		sum += w * w
	}
	return c.scatter() * math.Sqrt(sum)
}

// explained is the residual sum of squares to be expected from the error terms of the values: for each input the part of its
// effect that the curve cannot follow, |p|^2 - p'Hp with the hat matrix H. What all points share mostly vanishes in it.
func (c *curve) explained() float64 {
	type effect struct {
		input measured.ID
		row   int
		part  float64
	}
	var effects []effect
	for i, v := range c.values {
		for _, t := range v.Terms {
			effects = append(effects, effect{t.Input, i, t.Part})
		}
	}
	sort.Slice(effects, func(i, j int) bool { return effects[i].input < effects[j].input })
	p := len(c.coefficients)
	moved, seen := make([]float64, p), make([]float64, p)
	var sum float64
	for from := 0; from < len(effects); {
		var square float64
		for j := range p {
			moved[j], seen[j] = 0, 0
		}
		to := from
		for ; to < len(effects) && effects[to].input == effects[from].input; to++ {
			e := effects[to]
			square += e.part * e.part
			for j := range p {
				moved[j] += c.weights.At(j, e.row) * e.part
				seen[j] += c.design.At(e.row, j) * e.part
			}
		}
		for j := range p {
			square -= moved[j] * seen[j]
		}
		sum += max(0, square)
		from = to
	}
	return sum
}

// excess is the standard deviation of one point beyond what its error terms explain, widened by Student's t so that twice it
// covers 95 % with the degrees of freedom at hand.
func (c *curve) excess() float64 {
	if c.dof < 1 {
		return 0
	}
	over := (c.rss - c.explained()) / float64(c.dof)
	if over <= 0 {
		return 0
	}
	return math.Sqrt(over) * uncertain.Factor(uncertain.Coverage95, float64(c.dof)) / uncertain.Factor(uncertain.Coverage95, math.Inf(1))
}

// scatter is the standard deviation of one point about the curve: as seen, or as its error terms say where that is more.
func (c *curve) scatter() float64 {
	if c.dof < 1 {
		return 0
	}
	return math.Sqrt(max(c.rss, c.explained()) / float64(c.dof))
}

// highest is where the curve, of degree 3 at most, is greatest between two places.
func (c *curve) highest(from, to float64) float64 {
	best := from
	consider := func(t float64) {
		if t >= from && t <= to && c.at(t) > c.at(best) {
			best = t
		}
	}
	consider(to)
	k := append(append([]float64(nil), c.coefficients...), 0, 0, 0)
	b, a, d := k[1], 2*k[2], 3*k[3] // slope b + a s + d s^2
	if d == 0 {
		if a != 0 {
			consider(c.middle - c.half*b/a)
		}
		return best
	}
	if root := a*a - 4*b*d; root >= 0 {
		consider(c.middle + c.half*(-a+math.Sqrt(root))/(2*d))
		consider(c.middle + c.half*(-a-math.Sqrt(root))/(2*d))
	}
	return best
}
