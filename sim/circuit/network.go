// Package circuit finds the DC operating point of a small bench network and steps its linear states exactly in time.
//
// A network has nodes (ground is node 0), resistors, one-ports (current as a function of one voltage: loads, sources,
// diodes) and two-ports (currents into two ports as a function of both port voltages: converters, remotely sensed
// sources, transistors). It is built once; afterwards the settings of its parts change through the pointers that were
// added, and Solve or Settle finds the new point from the previous one without allocating.
//
// Sign rule: a current is counted into the plus terminal. A load has a positive current, a delivering source a negative
// one. Everything is in SI units.
//
// Modes with memory (under-voltage lock-out, pulse skipping, a latch) never change inside the Newton iteration. A part
// that has them implements Modal, and Settle changes at most one mode between two solutions.
//
// A Network belongs to one goroutine at a time.
package circuit

import (
	"errors"
	"fmt"
	"math"
)

// Node is the index of a node; Ground is 0.
type Node int

// Ground is the reference node of every network.
const Ground Node = 0

// Branch is the handle of a part in a network, in the order of adding.
type Branch int

// MinOhm is the smallest resistance that a network takes; below it the rounding of node voltages hides the current.
const MinOhm = 1e-6

// GminSiemens joins every node to ground, so that a floating node has a defined voltage (Network.Floating names it).
// It is more at nodes of very large conductances, whose rounding would hide it.
const GminSiemens = 1e-12

// OnePort is a part with two terminals.
type OnePort interface {
	// Current returns the current into the plus terminal in A and its slope dI/dV in S, at volts across the terminals.
	// It must be defined and finite at every finite voltage.
	Current(volts float64) (amps, siemens float64)
}

// TwoPort is a part with two pairs of terminals, which may share one (a converter's ground).
type TwoPort interface {
	// Currents returns the currents into the plus terminals of both ports, in A, and their slopes, at the port voltages.
	Currents(volts1, volts2 float64) (amps1, amps2 float64, slopes Slopes)
}

// Slopes is the Jacobian of a two-port in S: Sij is the slope of current i by voltage j.
type Slopes struct{ S11, S12, S21, S22 float64 }

// Demander is a part whose current may fall while its voltage rises (constant power), so that the network may collapse.
// A one-port's current, or the current of a two-port's first port, is scaled when the solver looks for the largest
// supported fraction of the demand.
type Demander interface{ DemandsPower() bool }

// Starter is a part that knows its open-circuit port voltages, in V; NaN where it does not. A solution starts from them.
type Starter interface {
	StartVolts() (volts1, volts2 float64)
}

type resistor struct {
	plus, minus Node
	siemens     float64
	amps        float64
}

type onePort struct {
	part        OnePort
	plus, minus Node
	demand      bool
	starter     Starter
	amps, slope float64
}

type twoPort struct {
	part          TwoPort
	plus1, minus1 Node
	plus2, minus2 Node
	demand        bool
	starter       Starter
	amps1, amps2  float64
	slopes        Slopes
}

type kind uint8

const (
	isResistor kind = iota
	isOnePort
	isTwoPort
)

type branch struct {
	name  string
	kind  kind
	index int // into the slice of its kind
}

// Network is a set of nodes and parts. The zero value is not ready; use New.
type Network struct {
	// Watch, when set, sees the node voltages of every Newton iterate (ground included). For tests and for tracing a
	// failure; the slice is only valid during the call.
	Watch func(volts []float64)

	nodes     []string
	branches  []branch
	resistors []resistor
	onePorts  []onePort
	twoPorts  []twoPort
	modal     []modal
	problems  []error

	volts   []float64 // accepted solution, ground included
	solved  bool      // volts hold a solution, of the present or of earlier settings
	current bool      // the currents of the parts belong to volts
	work    work
	report  Report
}

// New returns a network that has only ground.
func New() *Network {
	return &Network{nodes: []string{"ground"}, volts: []float64{0}}
}

// AddNode adds a node and returns its index. The name appears in errors and warnings.
func (n *Network) AddNode(name string) Node {
	n.nodes = append(n.nodes, name)
	n.volts = append(n.volts, 0)
	n.solved = false
	return Node(len(n.nodes) - 1)
}

// Nodes returns the number of nodes, ground included.
func (n *Network) Nodes() int { return len(n.nodes) }

// NodeName returns the name that the node was added with.
func (n *Network) NodeName(node Node) string { return n.nodes[node] }

// BranchName returns the name that the part was added with.
func (n *Network) BranchName(b Branch) string { return n.branches[b].name }

// AddResistor joins two nodes by ohms. +Inf is an open connection. A value below MinOhm, a negative or a NaN is a
// building error, which Err and every solution report.
func (n *Network) AddResistor(name string, plus, minus Node, ohms float64) Branch {
	n.wants(name, plus, minus)
	g, err := conductance(name, ohms)
	if err != nil {
		n.problems = append(n.problems, err)
	}
	n.resistors = append(n.resistors, resistor{plus: plus, minus: minus, siemens: g})
	return n.add(name, isResistor, len(n.resistors)-1)
}

// SetResistor changes the value of a resistor; +Inf opens it.
func (n *Network) SetResistor(b Branch, ohms float64) error {
	part := n.branches[b]
	if part.kind != isResistor {
		return fmt.Errorf("%s is not a resistor, so its resistance cannot be set", part.name)
	}
	g, err := conductance(part.name, ohms)
	if err == nil {
		n.resistors[part.index].siemens = g
	}
	return err
}

// AddOnePort joins two nodes by a part. The network keeps the pointer: a change of the part's settings acts at the next solution.
func (n *Network) AddOnePort(name string, plus, minus Node, part OnePort) Branch {
	n.wants(name, plus, minus)
	e := onePort{part: part, plus: plus, minus: minus}
	if d, ok := part.(Demander); ok {
		e.demand = d.DemandsPower()
	}
	e.starter, _ = part.(Starter)
	n.onePorts = append(n.onePorts, e)
	b := n.add(name, isOnePort, len(n.onePorts)-1)
	n.addModal(part, b)
	return b
}

// AddTwoPort joins two pairs of nodes by a part, first port first.
func (n *Network) AddTwoPort(name string, plus1, minus1, plus2, minus2 Node, part TwoPort) Branch {
	n.wants(name, plus1, minus1, plus2, minus2)
	e := twoPort{part: part, plus1: plus1, minus1: minus1, plus2: plus2, minus2: minus2}
	if d, ok := part.(Demander); ok {
		e.demand = d.DemandsPower()
	}
	e.starter, _ = part.(Starter)
	n.twoPorts = append(n.twoPorts, e)
	b := n.add(name, isTwoPort, len(n.twoPorts)-1)
	n.addModal(part, b)
	return b
}

// Err returns what is wrong with the way the network was built, all in one, or nil.
func (n *Network) Err() error { return errors.Join(n.problems...) }

// Volts returns the voltage of a node against ground, in V, in the last accepted solution.
func (n *Network) Volts(node Node) float64 { return n.volts[node] }

// Between returns the voltage of plus against minus, in V, in the last accepted solution.
func (n *Network) Between(plus, minus Node) float64 { return n.volts[plus] - n.volts[minus] }

// Amps returns the current into the plus terminal of a part (of a two-port's first port), in A; NaN after a failed solution.
func (n *Network) Amps(b Branch) float64 {
	amps, _ := n.currents(b)
	return amps
}

// Amps2 returns the current into the plus terminal of the second port of a two-port, in A; 0 for other parts.
func (n *Network) Amps2(b Branch) float64 {
	_, amps := n.currents(b)
	return amps
}

// Watts returns the power that a part takes, in W; negative when it delivers. For a converter it is its loss.
func (n *Network) Watts(b Branch) float64 {
	v1, v2 := n.PortVolts(b)
	i1, i2 := n.currents(b)
	return v1*i1 + v2*i2
}

// PortVolts returns the voltages across the ports of a part, in V; the second is 0 for a part with one port.
func (n *Network) PortVolts(b Branch) (volts1, volts2 float64) {
	switch part := n.branches[b]; part.kind {
	case isResistor:
		e := &n.resistors[part.index]
		return n.Between(e.plus, e.minus), 0
	case isOnePort:
		e := &n.onePorts[part.index]
		return n.Between(e.plus, e.minus), 0
	default:
		e := &n.twoPorts[part.index]
		return n.Between(e.plus1, e.minus1), n.Between(e.plus2, e.minus2)
	}
}

func (n *Network) currents(b Branch) (amps1, amps2 float64) {
	if !n.current {
		return math.NaN(), math.NaN()
	}
	switch part := n.branches[b]; part.kind {
	case isResistor:
		return n.resistors[part.index].amps, 0
	case isOnePort:
		return n.onePorts[part.index].amps, 0
	default:
		e := &n.twoPorts[part.index]
		return e.amps1, e.amps2
	}
}

func (n *Network) add(name string, k kind, index int) Branch {
	n.branches = append(n.branches, branch{name: name, kind: k, index: index})
	n.solved = false
	return Branch(len(n.branches) - 1)
}

func (n *Network) wants(name string, nodes ...Node) {
	for _, node := range nodes {
		if node < 0 || int(node) >= len(n.nodes) {
			n.problems = append(n.problems, fmt.Errorf("%s is joined to node %d, but the network has nodes 0 to %d", name, node, len(n.nodes)-1))
		}
	}
}

func conductance(name string, ohms float64) (float64, error) {
	switch {
	case math.IsInf(ohms, 1):
		return 0, nil
	case math.IsNaN(ohms) || ohms < MinOhm:
		return 0, fmt.Errorf("%s has a resistance of %g ohm; give at least %g ohm, or +Inf for an open connection", name, ohms, MinOhm)
	}
	return 1 / ohms, nil
}
