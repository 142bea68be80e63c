package component_test

import (
	"math"
	"strings"
	"testing"

	"fourwire/analysis/component"
)

// A resistor of 100 ohm at 25 degC with 100 ppm/K and 250 K/W has 100.6211 ohm at 5 V (published result of the steady state), so its change is
// 0.6211 ohm for 5 V x 49.6913 mA = 0.248457 W: 2.5 ohm/W. The law V = V0 + (R + k P) I is that of such a part exactly.
func TestResistorThatHeatsItself(t *testing.T) {
	const cold, perWatt, offset = 100.0, 2.5, 20e-6
	var points []component.Point
	for _, volts := range []float64{-5, -4, -2.5, -1, 1, 2.5, 4, 5} {
		// R = cold + k V^2/R, the quadratic of the steady state
		r := (cold + math.Sqrt(cold*cold+4*perWatt*volts*volts)) / 2
		points = append(points, component.Point{Volts: volts + offset, Amps: volts / r})
	}
	points = append(points, component.Point{Volts: 9, Amps: 0.05, Compliance: true})
	if r := points[7].Volts / points[7].Amps; math.Abs(r-100.6211) > 1e-3 {
		t.Fatalf("%g ohm at 5 V", r)
	}
	f, err := component.FitResistor(points)
	if err != nil || !f.HeatSeen || f.Counts.Compliance != 1 || f.Counts.Used != 8 {
		t.Fatalf("%v, heat %v, %+v", err, f.HeatSeen, f.Counts)
	}
	if math.Abs(f.Ohms.X-cold) > 1e-4 || math.Abs(f.PerWatt.X-perWatt) > 1e-3 || math.Abs(f.Offset.X-offset) > 1e-6 {
		t.Errorf("%g ohm, %g ohm/W, %g V", f.Ohms.X, f.PerWatt.X, f.Offset.X)
	}
}

// Without heat none is seen. What noise hides of it is in U of the resistance, unless all points have about the same power.
func TestResistorWithoutHeat(t *testing.T) {
	var points []component.Point
	for i, amps := range []float64{-0.2, -0.1, 0.1, 0.2, 0.3, 0.4} {
		noise := []float64{3, -5, 4, -1, -3, 2}[i] * 1e-6
		points = append(points, component.Point{Volts: 47*amps + noise, Amps: amps, UVolts: 10e-6})
	}
	f, err := component.FitResistor(points)
	if err != nil || f.HeatSeen || !f.Heat || math.Abs(f.PerWatt.X) > f.PerWatt.U {
		t.Fatalf("%v, %+v", err, f)
	}
	if math.Abs(f.Ohms.X-47) > f.Ohms.U || f.Ohms.U > 70e-6 || f.Ohms.U < 20e-6 {
		t.Errorf("%.9g ohm, U %g", f.Ohms.X, f.Ohms.U)
	}
	for i := range points {
		points[i].Amps = math.Copysign(0.2, points[i].Amps) * (1 + 1e-4*float64(i))
		points[i].Volts = 47*points[i].Amps + points[i].Volts - 47*[]float64{-0.2, -0.1, 0.1, 0.2, 0.3, 0.4}[i]
	}
	f, err = component.FitResistor(points)
	if err != nil || f.Heat || f.PerWatt.X != 0 || math.Abs(f.Ohms.X-47) > f.Ohms.U || f.Ohms.U > 60e-6 {
		t.Fatalf("%v, %+v", err, f)
	}
	if _, err := component.FitResistor(points[:2]); err == nil || !strings.Contains(err.Error(), "needs 3 usable points") {
		t.Errorf("two points: %v", err)
	}
	same := []component.Point{{Volts: 1, Amps: 0.1}, {Volts: 1.1, Amps: 0.1}, {Volts: 0.9, Amps: 0.1}}
	if _, err := component.FitResistor(same); err == nil || !strings.Contains(err.Error(), "currents do not differ") {
		t.Errorf("one current: %v", err)
	}
}
