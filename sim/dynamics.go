package sim

import (
	"math"

	"fourwire/sim/circuit"
	"fourwire/sim/device"
)

// dynamic is a state besides those of the capacitors that moves by itself while time passes: the current of an inductance.
type dynamic interface {
	// prepare sets the companion model for a step of h after one of last (0: the state before is not known).
	prepare(h, last int64)
	// rest sets it for a point at which nothing moves.
	rest()
	// trial is the state at the end of the step, as it was solved.
	trial() float64
	// states are the state at the present time and one step earlier.
	states() (now, before float64)
	// take makes the end of the step the present.
	take()
}

// How much a current may bend in a step; and what counts as no movement.
const (
	bendAmps         = 5e-3
	bendAmpsRelative = 1e-2
	stillAmps        = 1e-9
	// unseenCare is how much the ringing of a control loop counts while nobody takes samples: readings are means over much longer.
	unseenCare = 0.1
)

// inductor joins two nodes; between steps it holds its current. Its winding is part of it.
type inductor struct {
	henry, ohm   float64
	net          *circuit.Network
	branch       circuit.Branch
	amps, before float64
	base, gain   float64 // current = base + gain*(volts - ohm*current)
	still        bool
}

// Current makes inductor a circuit.OnePort.
func (l *inductor) Current(volts float64) (amps, siemens float64) {
	if l.still {
		return volts / l.ohm, 1 / l.ohm
	}
	d := 1 / (1 + l.gain*l.ohm)
	return (l.base + l.gain*volts) * d, l.gain * d
}

func (l *inductor) prepare(h, last int64) {
	l.still = false
	l.base, l.gain = l.amps, float64(h)*1e-9/l.henry
	if last > 0 {
		w := float64(h) / float64(last)
		k := (1 + w) / (1 + 2*w)
		l.base = ((1+w)*l.amps - w*w/(1+w)*l.before) * k
		l.gain *= k
	}
}

func (l *inductor) rest()                        { l.still = true }
func (l *inductor) trial() float64               { return l.net.Amps(l.branch) }
func (l *inductor) states() (now, prior float64) { return l.amps, l.before }
func (l *inductor) take()                        { l.before, l.amps = l.amps, l.trial() }

// looped is the control loop of a converter on the bench.
type looped struct {
	device.Looped
	net     *circuit.Network
	in, out circuit.Node
}

func (l looped) prepare(h, last int64)        { l.ControlLoop().Prepare(h, last) }
func (l looped) rest()                        { l.ControlLoop().Rest() }
func (l looped) states() (now, prior float64) { return l.ControlLoop().Amps() }
func (l looped) trial() float64               { return device.Trial(l.Looped, l.net.Volts(l.in), l.net.Volts(l.out)) }
func (l looped) take()                        { l.TakeLoop(l.net.Volts(l.in), l.net.Volts(l.out)) }

// bendOf tells how much a state departs from the straight line of the step before, against what is allowed; w is the length of the step over
// that of the one before.
func bendOf(d dynamic, w float64) float64 {
	now, before := d.states()
	next := d.trial()
	return math.Abs(next-now-w*(now-before)) / (bendAmps + bendAmpsRelative*math.Abs(next))
}

// hum has every voltmeter at the output of a converter sample its ripple, where the converter is to have one.
func (p *builder) hum(s *Scenario, wires []Wire) {
	for i := range s.Devices {
		d := &s.Devices[i]
		if !d.Ripple {
			continue
		}
		for _, part := range p.bench.parts {
			c, ok := part.it.(*converter)
			if !ok || part.name != d.Name {
				continue
			}
			buck, ok := c.model.(*device.Buck)
			for k := range wires {
				if w := &wires[k]; ok && !w.Ammeter && (w.Node == d.Out || w.SenseAt == d.Out) {
					if channel, _, err := p.channel(w); err == nil {
						channel.Hum(func() (volts, hertz float64) { return buck.Ripple(&c.point) })
					}
				}
			}
		}
	}
}

// inductor puts an inductor between two nodes.
func (p *builder) inductor(name string, plus, minus circuit.Node, henry, ohm float64) circuit.Branch {
	l := &inductor{henry: henry, ohm: max(ohm, circuit.MinOhm), net: p.net, still: true}
	l.branch = p.net.AddOnePort(name, plus, minus, l)
	p.bench.engine.dynamics = append(p.bench.engine.dynamics, l)
	return l.branch
}
