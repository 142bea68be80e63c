package device

import "math"

// Resistor is a resistance that changes with its temperature; a circuit.OnePort.
type Resistor struct {
	OhmAt25 float64 // resistance at 25 degC
	PerK    float64 // temperature coefficient, 1/K
	Heat    Heat
	// Held keeps the temperature at Celsius during a solution (time steps). Otherwise the resistor is at its steady
	// temperature for the power it takes.
	Held    bool
	Celsius float64
}

// Validate refuses parameters that cannot be.
func (r *Resistor) Validate() error {
	c := check{part: "resistor"}
	c.positive("OhmAt25", r.OhmAt25)
	c.within("PerK", r.PerK, -0.1, 0.1)
	r.Heat.check(&c)
	return c.err()
}

// Ohms returns the resistance in ohm at a voltage across it. In the steady state R = R0 + k V^2/R, with R0 the value at
// ambient and k = R25 PerK KPerWatt, which is a quadratic in R. A strongly negative coefficient has no steady state
// above a voltage (thermal runaway); the resistance stays at half of R0 there, where the slope becomes vertical.
func (r *Resistor) Ohms(volts float64) float64 {
	if r.Held {
		return max(r.OhmAt25*(1+r.PerK*(r.Celsius-25)), r.OhmAt25*1e-3)
	}
	cold := max(r.OhmAt25*(1+r.PerK*(r.Heat.AmbientC-25)), r.OhmAt25*1e-3)
	k := r.OhmAt25 * r.PerK * r.Heat.KPerWatt
	return (cold + math.Sqrt(max(cold*cold+4*k*volts*volts, 0))) / 2
}

// Temperature returns the temperature in degC at a voltage across the resistor.
func (r *Resistor) Temperature(volts float64) float64 {
	if r.Held {
		return r.Celsius
	}
	return r.Heat.Steady(volts * volts / r.Ohms(volts))
}

// Current makes Resistor a circuit.OnePort.
func (r *Resistor) Current(volts float64) (amps, siemens float64) {
	ohms := r.Ohms(volts)
	amps, siemens = volts/ohms, 1/ohms
	if r.Held {
		return amps, siemens
	}
	k := r.OhmAt25 * r.PerK * r.Heat.KPerWatt
	if root := 2*ohms - r.OhmAt25*(1+r.PerK*(r.Heat.AmbientC-25)); root > 1e-9*ohms {
		slopeOhms := 2 * k * volts / root
		siemens -= amps / ohms * slopeOhms
	}
	return amps, siemens
}
