package sim

import (
	"fmt"
	"math"

	"fourwire/sim/circuit"
	"fourwire/sim/instrument"
)

// channelName is the channel as a scenario names it.
func (w *Wire) channelName() string {
	if w.Channel == 1 {
		return w.Instrument
	}
	return fmt.Sprintf("%s.%d", w.Instrument, w.Channel)
}

// faultyWire joins a source or load whose four conductors differ from each other.
func (p *builder) faultyWire(w *Wire, c *instrument.Channel, name string) {
	f := w.conductors
	plusAt, minusAt := p.line(w.Node), p.node(w.Against)
	if w.reversed {
		plusAt, minusAt = minusAt, plusAt
	}
	term, minus := p.net.AddNode(name+" terminal +"), p.net.AddNode(name+" terminal -")
	sense, senseMinus := p.net.AddNode(name+" sense +"), p.net.AddNode(name+" sense -")
	lead := p.net.AddResistor(name+" lead +", term, plusAt, f.plus)
	p.net.AddResistor(name+" lead -", minus, minusAt, f.minus)
	if !math.IsInf(f.sensePlus, 1) {
		p.net.AddResistor(name+" sense lead +", sense, p.node(f.sensePlusAt), f.sensePlus)
	}
	if !math.IsInf(f.senseMinus, 1) {
		p.net.AddResistor(name+" sense lead -", senseMinus, p.node(f.senseMinusAt), f.senseMinus)
	}
	c.ConnectFour(p.net, name, instrument.Terminals{Plus: term, Minus: minus, SensePlus: sense, SenseMinus: senseMinus}, lead)
	p.meterChannel(w, c)
	p.bench.engine.movers = append(p.bench.engine.movers, c)
	if farad := c.Farad(); farad > 0 {
		p.capacitor(name+" capacitor", term, minus, farad)
	}
}

// faultyMeter joins a voltmeter whose leads are open or exchanged.
func (p *builder) faultyMeter(w *Wire, c *instrument.Channel, name string) {
	plusAt, minusAt := p.node(w.Node), p.node(w.Against)
	if w.reversed {
		plusAt, minusAt = minusAt, plusAt
	}
	end := func(sign string, at circuit.Node, ohm float64) circuit.Node {
		if !math.IsInf(ohm, 1) {
			return at
		}
		return p.net.AddNode(name + " open end " + sign)
	}
	plus := end("+", plusAt, w.conductors.plus)
	c.ConnectMeter(p.net, name, plus, end("-", minusAt, w.conductors.minus))
}

// faultyAmmeter joins an ammeter whose line is open, exchanged or bridged.
func (p *builder) faultyAmmeter(w *Wire, name string, inner, outer circuit.Node, sign float64) (circuit.Node, float64) {
	if w.bypassed {
		p.net.AddResistor(name+" bypass", outer, inner, bypassOhm)
	}
	if w.reversed {
		sign = -sign
	}
	if w.conductors != nil && (math.IsInf(w.conductors.plus, 1) || math.IsInf(w.conductors.minus, 1)) {
		inner = p.net.AddNode(name + " open end")
	}
	return inner, sign
}

// faults builds what faults add to the network, and what they do to readings.
func (p *builder) faults(list []Fault, wires []Wire) error {
	for _, f := range list {
		if f.Kind == FaultShort {
			p.net.AddResistor("short at "+f.Node, p.node(f.Node), circuit.Ground, f.Ohm)
		}
	}
	for i := range wires {
		w := &wires[i]
		if w.rippleVolts == 0 {
			continue
		}
		from, _, err := p.channel(w)
		if err != nil {
			return err
		}
		ripple := &instrument.Ripple{Volts: w.rippleVolts, Hertz: w.rippleHertz, Active: from.Regulates}
		from.Disturb(ripple)
		for k := range wires { // every voltmeter of the node sees it
			if o := &wires[k]; k != i && o.Node == w.Node && !o.Ammeter {
				c, _, err := p.channel(o)
				if err != nil {
					return err
				}
				c.Disturb(ripple)
			}
		}
	}
	return nil
}
