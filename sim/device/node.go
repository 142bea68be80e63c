package device

import (
	"fmt"
	"math"
)

// NodeParams are the figures of a duty-cycled wireless node. Its states follow one another by timers; each has a load law of its own.
type NodeParams struct {
	SleepA                          float64 // between two cycles
	TickA                           float64 // of the clock's short wake-ups while it sleeps
	TickNs, TickEveryNs             int64   // 0: no ticks
	WakeA, SampleA, ProcessA        float64
	WakeNs, SampleNs, ProcessNs     int64
	TransmitW                       float64 // constant power
	TransmitNs                      int64
	ReceiveA                        float64 // window behind each transmission
	ReceiveNs                       int64
	RetryShare                      float64 // probability that a transmission is repeated
	Retries                         int     // at most so many times in one cycle
	PeriodNs                        int64   // from wake to wake
	Jitter                          float64 // of the period, relative, evenly within +-
	RadioF, RadioOhm, RadioDrainOhm float64 // the radio's capacitor, the switch that charges it, and what empties it behind the open switch
	BulkF, BulkOhm                  float64 // across the supply
	BootA                           float64
	BootNs                          int64
	BrownOutV, RestartV             float64
	ResetNs                         int64   // it stays off for so long at least
	OffA                            float64 // while it is off
}

// longestNodeSeconds bounds every time of a node: about a year.
const longestNodeSeconds = 3.2e7

// Validate refuses figures that cannot be.
func (p *NodeParams) Validate() error {
	c := check{part: "node"}
	for _, f := range [...]struct {
		name  string
		value float64
	}{
		{"sleep", p.SleepA}, {"tick", p.TickA}, {"wake", p.WakeA}, {"sample", p.SampleA}, {"process", p.ProcessA}, {"transmit", p.TransmitW},
		{"receive", p.ReceiveA}, {"boot", p.BootA}, {"off", p.OffA}, {"radio_capacitor", p.RadioF}, {"bulk_capacitor", p.BulkF},
		{"bulk_resistance", p.BulkOhm}, {"brown_out", p.BrownOutV},
	} {
		c.notNegative(f.name, f.value)
	}
	for _, f := range [...]struct {
		name string
		ns   int64
	}{
		{"tick_time", p.TickNs}, {"tick_every", p.TickEveryNs}, {"wake_time", p.WakeNs}, {"sample_time", p.SampleNs}, {"process_time", p.ProcessNs},
		{"transmit_time", p.TransmitNs}, {"receive_time", p.ReceiveNs}, {"boot_time", p.BootNs},
	} {
		c.within(f.name, float64(f.ns)*1e-9, 0, longestNodeSeconds)
	}
	c.within("period", float64(p.PeriodNs)*1e-9, 1e-3, longestNodeSeconds)
	c.within("retry", p.RetryShare, 0, 1)
	c.within("jitter", p.Jitter, 0, 0.5)
	c.within("reset_time", float64(p.ResetNs)*1e-9, 1e-6, longestNodeSeconds)
	if p.RadioF > 0 {
		c.within("radio_switch", p.RadioOhm, 1e-3, math.MaxFloat64)
		c.within("radio_drain", p.RadioDrainOhm, 1e-3, math.MaxFloat64)
	}
	if p.RestartV < p.BrownOutV {
		c.add("restart is %g V; it must not be below brown_out, %g V", p.RestartV, p.BrownOutV)
	}
	if p.TickNs > 0 && p.TickEveryNs <= p.TickNs {
		c.add("tick_every must be longer than tick_time")
	}
	return c.err()
}

// NodeState is what a node is doing.
type NodeState uint8

// The states.
const (
	NodeOff NodeState = iota
	NodeBoot
	NodeSleep
	NodeTick
	NodeWake
	NodeSample
	NodeProcess
	NodeTransmit
	NodeReceive
)

func (s NodeState) String() string {
	names := [...]string{"off", "boot", "sleep", "tick", "wake", "sample", "process", "transmit", "receive"}
	if int(s) < len(names) {
		return names[s]
	}
	return fmt.Sprintf("state %d", uint8(s))
}

// Node is a duty-cycled wireless node: sleep, wake, sample, process, transmit, receive, and again. It is a circuit.OnePort between its
// supply terminals; the capacitors of NodeParams are parts of their own, which whoever builds the network adds.
//
// Times are int64 nanoseconds. Chance is Draw's, so that a node is the same for the same seed.
type Node struct {
	NodeParams
	// Draw returns a number evenly spread over -1..1, always the same one for the same arguments; nil is 0 always.
	Draw func(what string, number uint64) float64

	state    NodeState
	until    int64 // when the present state ends by itself
	wake     int64 // when the next cycle begins
	tick     int64 // when the next tick begins
	rearmed  bool  // off, and the reset time is over
	cycle    uint64
	repeated int
	boots    int
}

// never is the time of what does not come by itself.
const never = math.MaxInt64

// State returns what the node is doing.
func (n *Node) State() NodeState { return n.state }

// Cycles returns how many cycles have begun.
func (n *Node) Cycles() int { return int(n.cycle) }

// Boots returns how often the node has started.
func (n *Node) Boots() int { return n.boots }

// RadioOn tells whether the switch of the radio's supply is closed.
func (n *Node) RadioOn() bool { return n.state == NodeTransmit || n.state == NodeReceive }

// Next returns the time at which the node goes on by itself.
func (n *Node) Next() int64 {
	if n.state == NodeOff && n.rearmed {
		return never
	}
	return n.until
}

// DemandsPower makes Node a circuit.Demander: its current falls while the voltage rises when it transmits.
func (n *Node) DemandsPower() bool { return true }

// leastKnee is the voltage below which any load of a node is resistive when it has no brown-out threshold; from memory, where logic stops.
const leastKnee = 0.5

// kneeShare is the part of the brown-out threshold below which loads are resistive: far enough below not to be seen while the node is on.
const kneeShare = 0.8

func (n *Node) knee() float64 { return max(kneeShare*n.BrownOutV, leastKnee) }

// Current makes Node a circuit.OnePort.
func (n *Node) Current(volts float64) (amps, siemens float64) {
	knee := n.knee()
	if n.state == NodeTransmit {
		if volts >= knee {
			amps = n.TransmitW / volts
			return amps, -amps / volts
		}
		g := n.TransmitW / (knee * knee)
		return g * volts, g
	}
	amps = n.amps()
	if volts >= knee {
		return amps, 0
	}
	return amps * volts / knee, amps / knee
}

func (n *Node) amps() float64 {
	switch n.state {
	case NodeBoot:
		return n.BootA
	case NodeSleep:
		return n.SleepA
	case NodeTick:
		return n.TickA
	case NodeWake:
		return n.WakeA
	case NodeSample:
		return n.SampleA
	case NodeProcess:
		return n.ProcessA
	case NodeReceive:
		return n.ReceiveA
	}
	return n.OffA
}

// Condition tells whether a supply voltage is one at which the node does something at once: 1 is brown-out, 2 that it can start again.
func (n *Node) Condition(volts float64) uint32 {
	switch {
	case n.state != NodeOff && volts < n.BrownOutV:
		return 1
	case n.state == NodeOff && n.rearmed && volts >= n.RestartV:
		return 2
	}
	return 0
}

// Step lets the node do what it does at a time and a supply voltage, and tells whether its state has changed.
func (n *Node) Step(now int64, volts float64) (changed bool) {
	switch {
	case n.state != NodeOff && volts < n.BrownOutV:
		n.enter(NodeOff, now+n.ResetNs)
		n.rearmed = false
		return true
	case n.state != NodeOff:
	case !n.rearmed && now < n.until:
		return false
	default:
		n.rearmed = true
		if volts < n.RestartV || volts <= 0 {
			return false
		}
		n.boots++
		n.wake = now + n.BootNs
		n.enter(NodeBoot, n.wake)
		changed = true
	}
	for guard := 0; now >= n.until && guard < 32; guard++ { // states of no length are passed through
		n.advance(n.until)
		changed = true
	}
	return changed
}

func (n *Node) enter(s NodeState, until int64) { n.state, n.until = s, until }

// advance goes to the state behind the present one, which ends at a time.
func (n *Node) advance(at int64) {
	switch n.state {
	case NodeBoot, NodeSleep, NodeTick:
		if n.state == NodeSleep && at < n.wake {
			n.enter(NodeTick, min(at+n.TickNs, n.wake))
			return
		}
		if n.state == NodeTick && at < n.wake {
			n.sleep(at)
			return
		}
		n.begin(at)
	case NodeWake:
		n.enter(NodeSample, at+n.SampleNs)
	case NodeSample:
		n.enter(NodeProcess, at+n.ProcessNs)
	case NodeProcess:
		n.enter(NodeTransmit, at+n.TransmitNs)
	case NodeTransmit:
		n.enter(NodeReceive, at+n.ReceiveNs)
	case NodeReceive:
		if n.repeated < n.Retries && (1+n.draw("retry", n.cycle<<8|uint64(n.repeated)))/2 < n.RetryShare {
			n.repeated++
			n.enter(NodeTransmit, at+n.TransmitNs)
			return
		}
		n.sleep(at)
	}
}

// begin starts a cycle and plans the next one.
func (n *Node) begin(at int64) {
	n.cycle++
	n.repeated = 0
	span := float64(n.PeriodNs) * (1 + n.Jitter*n.draw("period", n.cycle))
	n.wake = at + int64(math.Round(span))
	n.enter(NodeWake, at+n.WakeNs)
}

// sleep goes to sleep, until the next tick or the next cycle.
func (n *Node) sleep(at int64) {
	end := n.wake
	if n.TickNs > 0 {
		for n.tick <= at { // ticks that fell into the active part are not made up for
			n.tick += ((at-n.tick)/n.TickEveryNs + 1) * n.TickEveryNs
		}
		end = min(end, n.tick)
	}
	n.enter(NodeSleep, max(end, at))
}

func (n *Node) draw(what string, number uint64) float64 {
	if n.Draw == nil {
		return 0
	}
	return n.Draw(what, number)
}
