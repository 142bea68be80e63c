package drain

import "math"

// Stats are the sums of a stretch of samples, from which its mean, RMS, charge and energy follow. The zero value is an empty stretch.
type Stats struct {
	Count    int64
	Sum      float64 // A
	Squares  float64 // A^2
	Product  float64 // sum of amps times volts, W; 0 without volts
	VoltSum  float64 // V
	Min, Max float32 // A; 0 where Count is 0
}

// StatsOf goes once through amps, and volts beside it, which is nil or as long. A NaN makes Sum a NaN.
func StatsOf(amps, volts []float32) Stats {
	if len(amps) == 0 {
		return Stats{}
	}
	if volts == nil {
		return current(amps)
	}
	return currentAndVoltage(amps, volts[:len(amps)])
}

// current keeps four lanes of each sum, so that additions do not wait for each other.
func current(x []float32) Stats {
	var a, b, c, d, e, f, g, h float64
	n := int64(len(x))
	lo, hi := x[0], x[0]
	for ; len(x) >= 4; x = x[4:] {
		y := x[:4:4]
		p, q, r, t := float64(y[0]), float64(y[1]), float64(y[2]), float64(y[3])
		a, b, c, d = a+p, b+q, c+r, d+t
		e, f, g, h = e+p*p, f+q*q, g+r*r, h+t*t
		for _, v := range y {
			if v < lo { // not min and max, which are four times slower here
				lo = v
			}
			if v > hi {
				hi = v
			}
		}
	}
	for _, v := range x {
		a, e = a+float64(v), e+float64(v)*float64(v)
		if v < lo {
			lo = v
		}
		if v > hi {
			hi = v
		}
	}
	return Stats{Count: n, Sum: a + b + (c + d), Squares: e + f + (g + h), Min: lo, Max: hi}
}

func currentAndVoltage(x, u []float32) Stats {
	var a, b, c, d, e, f, g, h float64
	n := int64(len(x))
	lo, hi := x[0], x[0]
	for ; len(x) >= 2 && len(u) >= 2; x, u = x[2:], u[2:] {
		p, q, v, w := float64(x[0]), float64(x[1]), float64(u[0]), float64(u[1])
		a, b = a+p, b+q
		c, d = c+p*p, d+q*q
		e, f = e+p*v, f+q*w
		g, h = g+v, h+w
		for _, i := range x[:2:2] {
			if i < lo {
				lo = i
			}
			if i > hi {
				hi = i
			}
		}
	}
	if len(x) > 0 {
		p, v := float64(x[0]), float64(u[0])
		a, c, e, g = a+p, c+p*p, e+p*v, g+v
		if x[0] < lo {
			lo = x[0]
		}
		if x[0] > hi {
			hi = x[0]
		}
	}
	return Stats{Count: n, Sum: a + b, Squares: c + d, Product: e + f, VoltSum: g + h, Min: lo, Max: hi}
}

// Plus joins two stretches.
func (s Stats) Plus(t Stats) Stats {
	switch {
	case t.Count == 0:
		return s
	case s.Count == 0:
		return t
	}
	return Stats{
		s.Count + t.Count, s.Sum + t.Sum, s.Squares + t.Squares, s.Product + t.Product, s.VoltSum + t.VoltSum,
		min(s.Min, t.Min), max(s.Max, t.Max),
	}
}

// Mean is the mean current in A; NaN of nothing.
func (s Stats) Mean() float64 { return s.Sum / float64(s.Count) }

// RMS is the root of the mean square in A; NaN of nothing.
func (s Stats) RMS() float64 { return math.Sqrt(s.Squares / float64(s.Count)) }

// Charge is in C.
func (s Stats) Charge(intervalSeconds float64) float64 { return s.Sum * intervalSeconds }

// Energy is in J: of the recorded volts, or with nominalVolts above 0 as if the voltage had been that.
func (s Stats) Energy(intervalSeconds, nominalVolts float64) float64 {
	if nominalVolts > 0 {
		return s.Sum * nominalVolts * intervalSeconds
	}
	return s.Product * intervalSeconds
}

// spread is the standard deviation in A.
func (s Stats) spread() float64 {
	n := float64(s.Count)
	return math.Sqrt(max(0, s.Squares/n-(s.Sum/n)*(s.Sum/n)))
}
