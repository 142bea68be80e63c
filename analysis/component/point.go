package component

import (
	"fmt"
	"math"
)

// Point is one point of a current-voltage curve.
type Point struct {
	Volts, Amps   float64
	UVolts, UAmps float64 // expanded uncertainties (k = 2) of what the points do not share; both 0: not known
	// Compliance says that the source was at its limit: the point shows the source and is left out.
	Compliance bool
}

// Counts says what became of the points.
type Counts struct {
	Used       int
	Compliance int // left out: the source was at its limit
	Outside    int // left out: the model says nothing there, or the numbers are not finite
}

func (c Counts) need(what string, least int) error {
	if c.Used >= least {
		return nil
	}
	out := ""
	if c.Compliance+c.Outside > 0 {
		out = fmt.Sprintf(" (%d left out in compliance, %d outside the model)", c.Compliance, c.Outside)
	}
	return fmt.Errorf("%s needs %d usable points, there are %d%s; measure more", what, least, c.Used, out)
}

func finite(values ...float64) bool {
	for _, v := range values {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}

// sift keeps the points that a fit may use, and tells whether all of them state an uncertainty.
func sift(points []Point, usable func(Point) bool) (kept []Point, c Counts, weighted bool) {
	weighted = true
	for _, p := range points {
		switch {
		case p.Compliance:
			c.Compliance++
		case !finite(p.Volts, p.Amps, p.UVolts, p.UAmps) || !usable(p):
			c.Outside++
		default:
			c.Used++
			kept = append(kept, p)
			weighted = weighted && (p.UVolts > 0 || p.UAmps > 0)
		}
	}
	return kept, c, weighted && c.Used > 0
}

const (
	boltzmann = 1.380649e-23    // J/K, exact
	electron  = 1.602176634e-19 // C, exact
)

// ThermalVolts is kT/q: 25.865 mV at 300.15 K.
func ThermalVolts(kelvin float64) float64 { return boltzmann * kelvin / electron }
