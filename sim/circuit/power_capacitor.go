package circuit

import (
	"math"
	"time"
)

// PowerCapacitor steps a capacitor that a source feeds through a resistance while a load takes constant power from it:
// C dv/dt = (Vs - v)/R - P/v. Each implicit step is the root of a quadratic, so that no step length is unstable.
type PowerCapacitor struct {
	ohm, farad   float64
	perStep      float64 // C/h, S
	euler, trapz float64
}

// NewPowerCapacitor prepares steps of h. Resistance and capacitance must be above 0.
func NewPowerCapacitor(ohm, farad float64, h time.Duration) PowerCapacitor {
	c := farad / h.Seconds()
	return PowerCapacitor{ohm: ohm, farad: farad, perStep: c, euler: c + 1/ohm, trapz: 2*c + 1/ohm}
}

// Next steps by the trapezoidal rule (second order). It reports false when the load pulls the capacitor down within
// the step, and then the voltage is not changed.
func (p *PowerCapacitor) Next(volts, sourceVolts, watts float64) (float64, bool) {
	flow := (sourceVolts-volts)/p.ohm - watts/volts
	return root(p.trapz, 2*p.perStep*volts+sourceVolts/p.ohm+flow, watts, volts)
}

// NextEuler steps by the backward Euler rule (first order), for the two steps after an event.
func (p *PowerCapacitor) NextEuler(volts, sourceVolts, watts float64) (float64, bool) {
	return root(p.euler, p.perStep*volts+sourceVolts/p.ohm, watts, volts)
}

func root(a, b, watts, volts float64) (float64, bool) {
	under := b*b - 4*a*watts
	if !(under >= 0) || b < 0 {
		return volts, false
	}
	return (b + math.Sqrt(under)) / (2 * a), true
}
