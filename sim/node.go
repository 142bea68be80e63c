package sim

import (
	"math"
	"time"

	"fourwire/sim/circuit"
	"fourwire/sim/device"
	"fourwire/sim/instrument"
)

// NodeTruth is the true state of a wireless node.
type NodeTruth struct {
	State         string
	Volts, Amps   float64 // at its supply terminals, capacitors included
	Cycles, Boots int
}

// NodeEvent is one state that a wireless node has been in.
type NodeEvent struct {
	State    string
	Start    time.Duration // since the bench was switched on
	Duration time.Duration
	Coulombs float64 // into its supply terminals meanwhile, its capacitors included
	Volts    float64 // at its supply terminals at the end
}

// wirelessNode is a node on the bench: the loads of its states, and the capacitors that stand beside them. It is a Mover.
type wirelessNode struct {
	*device.Node
	bench          *Bench
	plus, minus    circuit.Node
	branches       []circuit.Branch // what its supply current is made of
	contact, drain *contact         // of the radio's capacitor; nil: there is none
	radio          *capacitor
	meter          *meter
	events         newest[NodeEvent]
	since          int64
	charge         float64 // at the beginning of the present state
	last           device.NodeState
}

// inrushCare is how much the bend of the radio's capacitor counts: as much as on a bench without a node. Its charge, a small part of that of
// a cycle, is then right to some parts in ten thousand.
const inrushCare = fineBend

// contact is a resistance that is there or not.
type contact struct {
	siemens float64
	closed  bool
}

// Current makes contact a circuit.OnePort.
func (c *contact) Current(volts float64) (amps, siemens float64) {
	if !c.closed {
		return 0, 0
	}
	return volts * c.siemens, c.siemens
}

func (p *builder) wirelessNode(d *Device, seed instrument.Seed) {
	plus, minus := p.node(d.Plus), p.node(d.Minus)
	n := &wirelessNode{Node: &device.Node{NodeParams: d.Node}, bench: p.bench, plus: plus, minus: minus}
	n.Draw = func(what string, number uint64) float64 {
		return seed.Uniform(instrument.Key{Instrument: d.Name, What: what, Number: number})
	}
	n.branches = append(n.branches, p.net.AddOnePort(d.Name, plus, minus, n.Node))
	if f := d.Node.BulkF; f > 0 {
		name := d.Name + " bulk capacitor"
		if ohm := d.Node.BulkOhm; ohm > 0 {
			inside := p.net.AddNode(name)
			n.branches = append(n.branches, p.net.AddResistor(name+" resistance", plus, inside, max(ohm, circuit.MinOhm)))
			p.capacitor(name, inside, minus, f)
		} else {
			n.branches = append(n.branches, p.capacitor(name, plus, minus, f))
		}
	}
	if f := d.Node.RadioF; f > 0 {
		inside := p.net.AddNode(d.Name + " radio")
		n.contact, n.drain = &contact{siemens: 1 / d.Node.RadioOhm}, &contact{siemens: 1 / d.Node.RadioDrainOhm, closed: true}
		n.branches = append(n.branches, p.net.AddOnePort(d.Name+" radio switch", plus, inside, n.contact))
		p.net.AddOnePort(d.Name+" radio drain", inside, minus, n.drain)
		_, n.radio = p.heldCapacitor(d.Name+" radio capacitor", inside, minus, f)
		n.radio.care = 0
	}
	p.bench.engine.allowed = fineBend
	n.meter = p.bench.meter(d.Name, n.amps, n.volts)
	p.bench.engine.movers = append(p.bench.engine.movers, n)
	p.bench.wireless = append(p.bench.wireless, named[*wirelessNode]{d.Name, n})
}

func (n *wirelessNode) amps() float64 {
	sum := 0.0
	for _, b := range n.branches {
		sum += n.bench.engine.net.Amps(b)
	}
	return sum
}

func (n *wirelessNode) volts() float64 { return n.bench.engine.net.Between(n.plus, n.minus) }

// Aim makes wirelessNode a Mover.
func (n *wirelessNode) Aim(int64) {}

// Commit makes wirelessNode a Mover.
func (n *wirelessNode) Commit(int64) {}

// Horizon makes wirelessNode a Mover.
func (n *wirelessNode) Horizon(int64) int64 { return n.Next() }

// Resting makes wirelessNode a Mover: between its timers nothing moves by itself.
func (n *wirelessNode) Resting() bool { return true }

// Condition makes wirelessNode a Mover.
func (n *wirelessNode) Condition() uint32 { return n.Node.Condition(n.volts()) }

// React makes wirelessNode a Mover.
func (n *wirelessNode) React(now int64) bool {
	volts := n.volts()
	if !n.Step(now, volts) {
		return false
	}
	charge := n.meter.charge.Value()
	n.events.add(NodeEvent{n.last.String(), time.Duration(n.since), time.Duration(now - n.since), charge - n.charge, volts})
	n.since, n.charge, n.last = now, charge, n.State()
	if n.contact != nil {
		n.contact.closed, n.drain.closed = n.RadioOn(), !n.RadioOn()
		n.radio.care = 0 // how it empties is not seen from outside
		if n.RadioOn() {
			n.radio.care = inrushCare
		}
	}
	return true
}

func (n *wirelessNode) truth() NodeTruth {
	return NodeTruth{n.State().String(), n.volts(), n.amps(), n.Cycles(), n.Boots()}
}

// NodeEvents returns the states that a wireless node has been in and left, in order; of a long run the newest quarter of a million.
// It is nil for what is no wireless node.
func (b *Bench) NodeEvents(device string) []NodeEvent {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, n := range b.wireless {
		if n.name == device {
			return n.it.events.list()
		}
	}
	return nil
}

// BatteryTruth is the true state of a battery.
type BatteryTruth struct {
	Charge      float64 // state of charge, 0..1
	OpenVolts   float64
	Volts, Amps float64 // at its terminals; amps out of it
	Open        bool    // it has disconnected
}

// cell is a battery on the bench. It is a Mover.
type cell struct {
	*device.Battery
	net    *circuit.Network
	branch circuit.Branch
	at     int64
}

func (p *builder) battery(d *Device) error {
	made, err := device.NewBattery(d.Battery)
	if err != nil {
		return err
	}
	c := &cell{Battery: made, net: p.net}
	c.branch = p.net.AddOnePort(d.Name, p.node(d.Plus), p.node(d.Minus), made)
	p.bench.engine.allowed = fineBend
	p.bench.meterBranch(d.Name, c.branch)
	p.bench.engine.movers = append(p.bench.engine.movers, c)
	p.bench.cells = append(p.bench.cells, named[*cell]{d.Name, c})
	return nil
}

func (c *cell) out() float64 {
	if amps := c.net.Amps(c.branch); !math.IsNaN(amps) {
		return -amps
	}
	return 0
}

// Aim makes cell a Mover.
func (c *cell) Aim(at int64) { c.Battery.Aim(float64(at-c.at) * 1e-9) }

// Commit makes cell a Mover.
func (c *cell) Commit(at int64) {
	c.Take(c.out())
	c.at = at
}

// Horizon makes cell a Mover.
func (c *cell) Horizon(now int64) int64 { return now + max(int64(c.LongestStep()*1e9), 1000) }

// Resting makes cell a Mover: its charge moves always.
func (c *cell) Resting() bool { return false }

// Condition makes cell a Mover.
func (c *cell) Condition() uint32 {
	v, _ := c.net.PortVolts(c.branch)
	return c.Battery.Condition(v)
}

// React makes cell a Mover.
func (c *cell) React(now int64) bool {
	if now > c.at { // time has jumped
		c.Aim(now)
	}
	c.Commit(now)
	if v, _ := c.net.PortVolts(c.branch); c.Battery.Condition(v) != 0 {
		c.Open = !c.Open
		c.Battery.Aim(0)
		return true
	}
	return false
}

func (c *cell) truth() BatteryTruth {
	v, _ := c.net.PortVolts(c.branch)
	return BatteryTruth{c.Charge, c.OpenCircuit(), v, c.out(), c.Open}
}
