package battery

import (
	"math"
	"slices"
)

// response fills out with what a pair of 1 ohm and the time constant tau shows at each sample of a record, starting from
// rest, and slope with its derivative by ln tau where slope is not nil. Exact for currents held over their intervals.
func response(r *Record, edges []float64, tau float64, out, slope []float64) {
	u, du := 0.0, 0.0 // at the beginning of the interval; du is the derivative by ln tau
	for i, a := range r.Amps {
		h := edges[i+1] - edges[i]
		x := h / tau
		e := math.Exp(-x)
		if r.Means {
			// the mean of u over the interval: a + (u - a) g, g = (1 - e)/x
			g := 1.0
			if x > 1e-9 {
				g = -math.Expm1(-x) / x
			}
			out[i] = a + (u-a)*g
			if slope != nil {
				slope[i] = du*g + (u-a)*(g-e) // dg/dln tau = g - e
			}
		} else {
			y := (r.Seconds[i] - edges[i]) / tau
			f := math.Exp(-y)
			out[i] = a + (u-a)*f
			if slope != nil {
				slope[i] = du*f + (u-a)*f*y
			}
		}
		if slope != nil {
			du = du*e + (u-a)*e*x
		}
		u = a + (u-a)*e
	}
}

// median of some numbers; NaN of none. The slice is not changed.
func median(x []float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	s := slices.Clone(x)
	slices.Sort(s)
	if n := len(s); n%2 == 0 {
		return (s[n/2-1] + s[n/2]) / 2
	}
	return s[len(s)/2]
}
