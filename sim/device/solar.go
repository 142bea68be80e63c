package device

import "math"

// Solar is a solar cell: a photocurrent with a junction and a shunt across it, behind a series resistance; a circuit.OnePort whose plus
// terminal delivers in light.
//
//	0 = Is (exp(u/(n Vt)) - 1) + u/Rsh - Iph + (u - V)/Rs, with u across the junction
type Solar struct {
	PhotoA      float64 // Iph
	SaturationA float64 // Is
	Emission    float64 // n, of the whole string
	SeriesOhm   float64 // Rs
	ShuntOhm    float64 // Rsh
	Celsius     float64
}

// Validate refuses parameters that cannot be.
func (s *Solar) Validate() error {
	c := check{part: "solar cell"}
	c.notNegative("PhotoA", s.PhotoA)
	c.positive("SaturationA", s.SaturationA)
	c.positive("Emission", s.Emission)
	c.notNegative("SeriesOhm", s.SeriesOhm)
	c.positive("ShuntOhm", s.ShuntOhm)
	c.within("Celsius", s.Celsius, -zeroCelsius+1, 1000)
	return c.err()
}

// Current makes Solar a circuit.OnePort. The equation rises with u and is convex, so that Newton's steps from above come down to
// the solution without passing it.
func (s *Solar) Current(volts float64) (amps, siemens float64) {
	nvt := s.Emission * thermalVolt(s.Celsius)
	rs := max(s.SeriesOhm, 1e-9)
	u := volts + rs*(s.PhotoA+s.SaturationA+math.Max(0, -volts)/s.ShuntOhm)
	if volts > 0 {
		u = min(u, nvt*math.Log1p((s.PhotoA+volts/rs)/s.SaturationA))
	}
	var slope float64
	for range 200 {
		e := math.Exp(u / nvt)
		slope = s.SaturationA*e/nvt + 1/s.ShuntOhm
		step := (s.SaturationA*(e-1) + u/s.ShuntOhm - s.PhotoA + (u-volts)/rs) / (slope + 1/rs)
		u -= step
		if math.Abs(step) <= 1e-15*max(math.Abs(u), nvt) {
			break
		}
	}
	e := math.Exp(u / nvt)
	slope = s.SaturationA*e/nvt + 1/s.ShuntOhm
	return s.SaturationA*(e-1) + u/s.ShuntOhm - s.PhotoA, slope / (1 + slope*rs)
}
