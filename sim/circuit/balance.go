package circuit

import "math"

// Balance is the sum of the power over every part of a network, which is zero when energy closes.
type Balance struct {
	NetWatts      float64 // sum of the power that every part takes
	GrossWatts    float64 // sum of the magnitudes
	RoundingWatts float64 // what rounding and the smallest current that a solution tells from zero can leave in NetWatts
}

// Relative returns the net power against the gross power, beyond rounding.
func (b Balance) Relative() float64 {
	excess := math.Abs(b.NetWatts) - b.RoundingWatts
	if excess <= 0 {
		return 0
	}
	return excess / b.GrossWatts
}

// Balance sums the power of every part at the last solution, and of gmin. A right solution has Relative below 1e-9.
func (n *Network) Balance() Balance {
	var sum Balance
	take := func(watts float64) {
		sum.NetWatts += watts
		sum.GrossWatts += math.Abs(watts)
	}
	for b := range n.branches {
		v1, v2 := n.PortVolts(Branch(b))
		i1, i2 := n.currents(Branch(b))
		take(v1 * i1)
		take(v2 * i2)
	}
	for i, v := range n.volts[1:] {
		if n.work.size == len(n.volts)-1 {
			take(n.work.gmin[i] * v * v)
			sum.RoundingWatts += math.Abs(v) * (ampsTolerance + n.work.rounding(i, n.volts))
		}
	}
	return sum
}

// Floating returns the nodes that nothing but gmin joins to ground at the last solution: an open lead, a part that is off.
// Their voltages are defined but mean nothing. The result is nil when there are none.
func (n *Network) Floating() []Node {
	group := make([]Node, len(n.nodes))
	for i := range group {
		group[i] = Node(i)
	}
	root := func(node Node) Node {
		for group[node] != node {
			node = group[node]
		}
		return node
	}
	join := func(a, b Node, siemens float64) {
		if math.Abs(siemens) <= 10*GminSiemens { // far below anything on a bench
			return
		}
		a, b = root(a), root(b)
		group[max(a, b)] = min(a, b)
	}
	for i := range n.resistors {
		e := &n.resistors[i]
		join(e.plus, e.minus, e.siemens)
	}
	for i := range n.onePorts {
		e := &n.onePorts[i]
		join(e.plus, e.minus, math.Max(math.Abs(e.slope), math.Abs(e.amps)))
	}
	for i := range n.twoPorts {
		e := &n.twoPorts[i]
		join(e.plus1, e.minus1, math.Abs(e.slopes.S11)+math.Abs(e.slopes.S12)+math.Abs(e.amps1))
		join(e.plus2, e.minus2, math.Abs(e.slopes.S21)+math.Abs(e.slopes.S22)+math.Abs(e.amps2))
	}
	var floating []Node
	for i := range group[1:] {
		if root(Node(i+1)) != Ground {
			floating = append(floating, Node(i+1))
		}
	}
	return floating
}
