package device

import (
	"math"
)

// Diode is a junction with series resistance, also a light-emitting one; a circuit.OnePort from anode to cathode.
//
//	V = n Vt ln(1 + I/Is) + I Rs
type Diode struct {
	SaturationA float64 // Is at NominalC
	Emission    float64 // n
	SeriesOhm   float64 // Rs
	NominalC    float64 // temperature that SaturationA belongs to, degC
	Celsius     float64 // junction temperature, degC
	BandGapEV   float64 // Eg; 0 is 1.11 (silicon)
	BreakdownV  float64 // reverse voltage at which BreakdownA flows; 0 is none
	BreakdownA  float64
}

// Validate refuses parameters that cannot be.
func (d *Diode) Validate() error {
	c := check{part: "diode"}
	c.positive("SaturationA", d.SaturationA)
	c.positive("Emission", d.Emission)
	c.notNegative("SeriesOhm", d.SeriesOhm)
	c.within("NominalC", d.NominalC, -zeroCelsius+1, 1000)
	c.within("Celsius", d.Celsius, -zeroCelsius+1, 1000)
	c.notNegative("BandGapEV", d.BandGapEV)
	c.notNegative("BreakdownV", d.BreakdownV)
	if d.BreakdownV > 0 {
		c.positive("BreakdownA", d.BreakdownA)
	}
	return c.err()
}

// Saturation returns the saturation current in A at the junction temperature:
// Is (T/T0)^(3/n) exp(Eg/(n k) (1/T0 - 1/T)).
func (d *Diode) Saturation() float64 {
	if d.Celsius == d.NominalC {
		return d.SaturationA
	}
	gap := d.BandGapEV
	if gap == 0 {
		gap = 1.11
	}
	t, t0 := d.Celsius+zeroCelsius, d.NominalC+zeroCelsius
	perKelvin := thermalVolt(d.Celsius) / t
	return d.SaturationA * math.Pow(t/t0, 3/d.Emission) * math.Exp(gap/(d.Emission*perKelvin)*(1/t0-1/t))
}

// Current makes Diode a circuit.OnePort. It is exact and finite at every voltage: with series resistance the equation
// is solved for w = (I + Is) Rs/(n Vt), w + ln w = x, which neither overflows nor needs a limited exponential.
func (d *Diode) Current(volts float64) (amps, siemens float64) {
	nvt := d.Emission * thermalVolt(d.Celsius)
	is := d.Saturation()
	amps, siemens = junction(volts, nvt, is, d.SeriesOhm)
	if d.BreakdownV > 0 {
		reverse, slope := junction(-volts-d.BreakdownV, nvt, d.BreakdownA, d.SeriesOhm)
		amps -= max(reverse+d.BreakdownA, 0)
		siemens += slope
	}
	return amps, siemens
}

// Forward returns the voltage in V at a forward current in A.
func (d *Diode) Forward(amps float64) float64 {
	nvt := d.Emission * thermalVolt(d.Celsius)
	return nvt*math.Log1p(amps/d.Saturation()) + amps*d.SeriesOhm
}

func junction(volts, nvt, is, rs float64) (amps, siemens float64) {
	const (
		steepest   = 1e3   // A; an ideal junction goes on linearly above
		negligible = 1e-12 // series drop against nVt
	)
	u := volts / nvt
	if rs == 0 {
		if most := math.Log(steepest / is); u > most {
			slope := steepest / nvt
			return steepest - is + slope*(volts-most*nvt), slope
		}
		return is * math.Expm1(u), is * math.Exp(u) / nvt
	}
	a := is * rs / nvt
	if volts < 0 || a*math.Exp(min(u, 700)) < negligible {
		return is * math.Expm1(u), is * math.Exp(u) / nvt
	}
	w := plusLog(u + a + math.Log(a))
	return nvt*w/rs - is, w / (rs * (1 + w))
}

// plusLog solves w + ln w = x by Newton's method from w = x or exp(x): the Lambert W function of exp(x).
func plusLog(x float64) float64 {
	w := x
	if x <= 1 {
		w = math.Exp(x)
	}
	for range 20 {
		step := (w + math.Log(w) - x) / (1 + 1/w)
		w -= step
		if math.Abs(step) <= 1e-15*w {
			break
		}
	}
	return w
}
