package sim

import (
	"math"

	"fourwire/sim/circuit"
	"fourwire/sim/device"
	"fourwire/sim/instrument"
)

// single holds the figures of parts that are characterised by themselves.
type single struct {
	Solar         device.Solar
	Mosfet        device.Mosfet
	Gate          string  // node
	EMF           float64 // V, in series with a resistor
	LeakOhm       float64 // across a capacitor; 0 is none
	AbsorbShare   float64 // of a capacitor, behind a resistance
	AbsorbSeconds float64 // its time constant
}

// component builds a part that is characterised by itself; false where the kind is none of these.
func (p *builder) component(d *Device, passive func(circuit.Branch)) bool {
	plus, minus := p.node(d.Plus), p.node(d.Minus)
	switch d.Kind {
	case "resistor":
		r := d.Resistor
		var part circuit.OnePort = &r
		if d.Single.EMF != 0 {
			part = &device.WithEMF{Part: part, Volts: d.Single.EMF}
		}
		branch := p.net.AddOnePort(d.Name, plus, minus, part)
		if r.Heat.TauSecond > 0 {
			r.Held, r.Celsius = true, r.Heat.AmbientC
			w := &warming{Resistor: &r, net: p.net, branch: branch, celsius: r.Celsius}
			p.bench.engine.movers = append(p.bench.engine.movers, w)
		}
		passive(branch)
	case "led":
		diode := d.Diode
		passive(p.net.AddOnePort(d.Name, plus, minus, &diode))
	case "solar-cell":
		cell := d.Single.Solar
		passive(p.net.AddOnePort(d.Name, plus, minus, &cell))
	case "mosfet":
		m := d.Single.Mosfet
		passive(p.net.AddTwoPort(d.Name, plus, minus, p.node(d.Single.Gate), minus, &m))
	default:
		return false
	}
	return true
}

// absorbing adds what leaks through a capacitor, and what it takes up slowly.
func (p *builder) absorbing(d *Device) {
	plus, minus := p.node(d.Plus), p.node(d.Minus)
	if d.Single.LeakOhm > 0 {
		p.net.AddResistor(d.Name+" leakage", plus, minus, d.Single.LeakOhm)
	}
	if share := d.Single.AbsorbShare * d.Farad; share > 0 {
		inner := p.net.AddNode(d.Name + " absorption")
		p.net.AddResistor(d.Name+" absorption resistance", plus, inner, d.Single.AbsorbSeconds/share)
		p.capacitor(d.Name+" absorption", inner, minus, share)
	}
}

// warming is a resistor whose temperature follows its power with a delay. It is a Mover.
type warming struct {
	*device.Resistor
	net    *circuit.Network
	branch circuit.Branch

	at      int64
	celsius float64 // at the last commit
	watts   float64
}

// Aim makes warming a Mover. The temperature follows the power as it was at the start of the step.
func (w *warming) Aim(at int64) {
	w.Resistor.Celsius = w.Heat.After(w.celsius, w.watts, duration(float64(at-w.at)*1e-9))
}

// Commit makes warming a Mover.
func (w *warming) Commit(at int64) {
	w.at, w.celsius, w.watts = at, w.Resistor.Celsius, w.net.Watts(w.branch)
}

// Horizon makes warming a Mover.
func (w *warming) Horizon(now int64) int64 {
	if w.Resting() {
		return instrument.Never
	}
	return now + max(1, int64(w.Heat.TauSecond*1e9/40))
}

// Resting makes warming a Mover.
func (w *warming) Resting() bool { return math.Abs(w.Heat.Steady(w.watts)-w.celsius) < warmKelvin }

// Condition makes warming a Mover.
func (w *warming) Condition() uint32 { return 0 }

// React makes warming a Mover.
func (w *warming) React(now int64) bool {
	w.Commit(now)
	return false
}
