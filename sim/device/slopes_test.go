package device_test

import (
	"math"
	"testing"

	"fourwire/sim/circuit"
)

type modal interface {
	circuit.TwoPort
	circuit.Modal
}

func modeOf(number int) circuit.Mode { return circuit.Mode(number) }

// checkSlopes compares the slopes of a two-port with central differences, unless a corner lies between the two points.
func checkSlopes(t *testing.T, name string, currents func(v1, v2 float64) (float64, float64, circuit.Slopes), v1, v2 float64) {
	t.Helper()
	_, _, s := currents(v1, v2)
	h1, h2 := 1e-6*math.Max(1e-4, math.Abs(v1)), 1e-6*math.Max(1e-4, math.Abs(v2))
	a1, a2, sa := currents(v1+h1, v2)
	b1, b2, sb := currents(v1-h1, v2)
	c1, c2, sc := currents(v1, v2+h2)
	d1, d2, sd := currents(v1, v2-h2)
	compare := func(which string, slope, difference, before, after, rounding float64) {
		t.Helper()
		scale := math.Max(math.Abs(slope), math.Abs(difference))
		if math.Abs(before-after) > 1e-3*scale {
			return // a corner
		}
		if math.Abs(slope-difference) > 1e-3*scale+1e-7+rounding {
			t.Errorf("%s at %g V, %g V: slope %s is %g S, the difference says %g S", name, v1, v2, which, slope, difference)
		}
	}
	compare("11", s.S11, (a1-b1)/(2*h1), sb.S11, sa.S11, 1e-15*math.Abs(a1)/h1)
	compare("21", s.S21, (a2-b2)/(2*h1), sb.S21, sa.S21, 1e-15*math.Abs(a2)/h1)
	compare("12", s.S12, (c1-d1)/(2*h2), sd.S12, sc.S12, 1e-15*math.Abs(c1)/h2)
	compare("22", s.S22, (c2-d2)/(2*h2), sd.S22, sc.S22, 1e-15*math.Abs(c2)/h2)
}
