package device

import "math"

// jet is a value with its two partial derivatives, by the input and the output voltage of a converter: a loss model
// written once in jets yields the losses and the exact slopes that Newton's method needs.
type jet struct{ x, dIn, dOut float64 }

func constant(x float64) jet { return jet{x: x} }

func (p jet) add(q jet) jet       { return jet{p.x + q.x, p.dIn + q.dIn, p.dOut + q.dOut} }
func (p jet) sub(q jet) jet       { return jet{p.x - q.x, p.dIn - q.dIn, p.dOut - q.dOut} }
func (p jet) plus(c float64) jet  { return jet{p.x + c, p.dIn, p.dOut} }
func (p jet) times(c float64) jet { return jet{p.x * c, p.dIn * c, p.dOut * c} }

func (p jet) mul(q jet) jet {
	return jet{p.x * q.x, p.dIn*q.x + p.x*q.dIn, p.dOut*q.x + p.x*q.dOut}
}

func (p jet) div(q jet) jet {
	r := 1 / q.x
	x := p.x * r
	return jet{x, (p.dIn - x*q.dIn) * r, (p.dOut - x*q.dOut) * r}
}

func (p jet) square() jet { return jet{p.x * p.x, 2 * p.x * p.dIn, 2 * p.x * p.dOut} }

func (p jet) sqrt() jet {
	x := math.Sqrt(p.x)
	return jet{x, p.dIn / (2 * x), p.dOut / (2 * x)}
}

func (p jet) pow(c float64) jet {
	if p.x <= 0 {
		return jet{}
	}
	x := math.Pow(p.x, c)
	slope := c * x / p.x
	return jet{x, slope * p.dIn, slope * p.dOut}
}

// atLeast returns the larger of p and a constant.
func (p jet) atLeast(c float64) jet {
	if p.x >= c {
		return p
	}
	return constant(c)
}

// atMost returns the smaller of p and a constant.
func (p jet) atMost(c float64) jet {
	if p.x <= c {
		return p
	}
	return constant(c)
}

func lesser(p, q jet) jet {
	if p.x <= q.x {
		return p
	}
	return q
}
