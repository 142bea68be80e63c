package sim

import (
	"math"

	"fourwire/sim/circuit"
)

// Taken is what has gone into a part, or out of a channel, since the bench was switched on: integrated by the engine over its own steps,
// not from anything that an instrument has measured.
type Taken struct{ Coulombs, Joules float64 }

// meter integrates a current, and the power that goes with it. Both signals go evenly from step to step, and over a step of that kind the
// integrals are exact.
type meter struct {
	amps, volts    func() float64
	i, v           float64 // at the end of the last step
	charge, energy circuit.Sum
}

// jump takes the present values as the start of the next step, after a change that took no time.
func (m *meter) jump() { m.i, m.v = held(m.amps(), m.i), held(m.volts(), m.v) }

// held is a value, or the last one where there is none: the network has no operating point for a moment.
func held(value, last float64) float64 {
	if math.IsNaN(value) {
		return last
	}
	return value
}

func (m *meter) advance(seconds float64) {
	i, v := held(m.amps(), m.i), held(m.volts(), m.v)
	m.charge.Add((m.i + i) / 2 * seconds)
	m.energy.Add(((m.v*m.i+v*i)/3 + (m.v*i+v*m.i)/6) * seconds)
	m.i, m.v = i, v
}

func (m *meter) taken() Taken { return Taken{m.charge.Value(), m.energy.Value()} }

// meter begins to integrate something under a name.
func (b *Bench) meter(name string, amps, volts func() float64) *meter {
	m := &meter{amps: amps, volts: volts}
	b.engine.meters = append(b.engine.meters, m)
	b.meters = append(b.meters, named[*meter]{name, m})
	return m
}

// meterBranch integrates what goes into the first port of a part.
func (b *Bench) meterBranch(name string, branch circuit.Branch) *meter {
	net := b.engine.net
	return b.meter(name, func() float64 { return net.Amps(branch) }, func() float64 { v, _ := net.PortVolts(branch); return v })
}
