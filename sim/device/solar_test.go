package device_test

import (
	"math"
	"testing"

	"fourwire/sim/device"
)

// Figures of a cell with the parameters that the published least-squares fit (implicit residual) to a measured 57 mm silicon cell has at 33 degC:
// 0.760260 A at short circuit, 0.572785 V at open circuit, 0.689351 A at 0.450644 V.
func TestSolarAgainstPublishedFigures(t *testing.T) {
	s := &device.Solar{PhotoA: 0.7607755, SaturationA: 0.3230208e-6, Emission: 1.481185, SeriesOhm: 36.37709e-3, ShuntOhm: 53.71853, Celsius: 33}
	if err := s.Validate(); err != nil {
		t.Fatal(err)
	}
	for volts, amps := range map[float64]float64{0: 0.760260, 0.450644: 0.689351, 0.572785: 0} {
		if got, _ := s.Current(volts); math.Abs(-got-amps) > 2e-6 {
			t.Errorf("%g V: %g A delivered, published %g A", volts, -got, amps)
		}
	}
}

// The solution fulfils the law, and the slope is that of the curve, from far in reverse to far beyond open circuit.
func TestSolarFulfilsItsLaw(t *testing.T) {
	const vt = 1.380649e-23 / 1.602176634e-19 * 306.15
	for _, rs := range []float64{0, 0.03, 3} {
		s := &device.Solar{PhotoA: 0.76, SaturationA: 0.31e-6, Emission: 1.48, SeriesOhm: rs, ShuntOhm: 53, Celsius: 33}
		for volts := -20.0; volts <= 5; volts += 0.05 {
			if rs == 0 && volts > 0.8 { // an ideal junction would carry any current there
				break
			}
			amps, slope := s.Current(volts)
			u := volts - amps*max(rs, 1e-9)
			law := 0.31e-6*math.Expm1(u/(1.48*vt)) + u/53 - 0.76
			if math.Abs(law-amps) > 1e-9*max(1, math.Abs(amps)) {
				t.Errorf("Rs %g, %g V: %g A, the law has %g A", rs, volts, amps, law)
			}
			const h = 1e-6
			up, _ := s.Current(volts + h)
			down, _ := s.Current(volts - h)
			if d := (up - down) / (2 * h); math.Abs(d/slope-1) > 1e-3 {
				t.Errorf("Rs %g, %g V: slope %g S, the curve has %g S", rs, volts, slope, d)
			}
		}
	}
}

func TestAnEMFShiftsTheCurve(t *testing.T) {
	w := &device.WithEMF{Part: &device.Resistor{OhmAt25: 1e-3, Heat: device.Heat{AmbientC: 25}}, Volts: 5e-6}
	for volts, want := range map[float64]float64{5e-6: 0, 1005e-6: 1, -995e-6: -1} {
		if amps, siemens := w.Current(volts); math.Abs(amps-want) > 1e-12 || siemens != 1000 {
			t.Errorf("%g V: %g A and %g S, want %g A and 1000 S", volts, amps, siemens, want)
		}
	}
}
