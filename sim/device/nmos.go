package device

import (
	"math"

	"fourwire/sim/circuit"
)

// Mosfet is an N-channel enhancement transistor by the square law (level 1), with its body diode. It is a
// circuit.TwoPort: the first port is drain to source, the second gate to source.
//
//	off 0; linear K (vo Vds - Vds^2/2)(1 + lambda Vds); saturation K vo^2/2 (1 + lambda Vds); vo = Vgs - Vto
type Mosfet struct {
	GainAPerV2     float64 // K = KP W/L at 300 K
	ThresholdV     float64 // Vto at 300 K
	LambdaPerV     float64 // channel length modulation
	ThresholdVPerK float64 // change of the threshold, -2 to -5 mV/K
	Celsius        float64
	Body           Diode // from source to drain; SaturationA 0 is none
}

// Validate refuses parameters that cannot be.
func (m *Mosfet) Validate() error {
	c := check{part: "transistor"}
	c.positive("GainAPerV2", m.GainAPerV2)
	c.within("ThresholdV", m.ThresholdV, -100, 100)
	c.notNegative("LambdaPerV", m.LambdaPerV)
	c.within("ThresholdVPerK", m.ThresholdVPerK, -1, 1)
	c.within("Celsius", m.Celsius, -zeroCelsius+1, 1000)
	if err := c.err(); err != nil {
		return err
	}
	if m.Body.SaturationA == 0 {
		return nil
	}
	return m.Body.Validate()
}

// Drain returns the drain current in A and its slopes by Vds and Vgs in S (the second is the transconductance).
func (m *Mosfet) Drain(drainV, gateV float64) (amps, byDrain, byGate float64) {
	if drainV < 0 { // the channel works with drain and source exchanged
		i, d, g := m.channel(-drainV, gateV-drainV)
		amps, byDrain, byGate = -i, d+g, -g
	} else {
		amps, byDrain, byGate = m.channel(drainV, gateV)
	}
	if m.Body.SaturationA > 0 {
		i, g := m.Body.Current(-drainV)
		amps, byDrain = amps-i, byDrain+g
	}
	return amps, byDrain, byGate
}

func (m *Mosfet) channel(drainV, gateV float64) (amps, byDrain, byGate float64) {
	kelvin := m.Celsius + zeroCelsius
	k := m.GainAPerV2 * math.Pow(kelvin/300, -1.5)
	over := gateV - m.ThresholdV - m.ThresholdVPerK*(kelvin-300)
	if over <= 0 {
		return 0, 0, 0
	}
	modulation := 1 + m.LambdaPerV*drainV
	if drainV >= over {
		i := k * over * over / 2
		return i * modulation, i * m.LambdaPerV, k * over * modulation
	}
	i := k * (over*drainV - drainV*drainV/2)
	return i * modulation, k*(over-drainV)*modulation + i*m.LambdaPerV, k * drainV * modulation
}

// Currents makes Mosfet a circuit.TwoPort; the gate takes no current.
func (m *Mosfet) Currents(drainV, gateV float64) (amps1, amps2 float64, slopes circuit.Slopes) {
	amps, byDrain, byGate := m.Drain(drainV, gateV)
	return amps, 0, circuit.Slopes{S11: byDrain, S12: byGate}
}
