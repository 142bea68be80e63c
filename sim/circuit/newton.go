package circuit

import "math"

const (
	maxIterations   = 50
	voltsTolerance  = 1e-9  // accept a Newton step below this, absolute (V) and relative
	ampsTolerance   = 1e-12 // accept a residual below this (A) ...
	ampsRelative    = 1e-11 // ... plus this part of the largest branch current
	roundings       = 8     // ... plus this many roundings of the node's own terms
	machineEpsilon  = 0x1p-52
	marchIterations = 4000
	runaway         = 1e9 // V; no bench has such a node
)

// work is the storage of the solver, sized once for a network.
type work struct {
	size     int       // unknowns: nodes without ground
	jacobian []float64 // size x size, row-major
	lu       []float64
	residual []float64 // sum of the currents leaving the node, A
	gmin     []float64 // leak of each unknown to ground, S
	stiff    []float64 // sum of the magnitudes of all slopes at the node, S
	step     []float64
	left     []float64 // residual that a damped step should leave, A
	volts    []float64 // iterate, ground included
	trial    []float64
	from     []float64
	high     []float64 // open-circuit voltages
	lambda   []float64 // solution at the largest share of the demand so far
	known    []bool
	demanded []bool // nodes that feed a demanding port
	stopped  []bool // nodes that have stopped on their open-circuit voltage
	maxAmps  float64
	bad      Branch // the part whose current was not finite

	loadShare  float64 // scale of the currents of demanding one-ports
	inputShare float64 // scale of the first-port currents of demanding two-ports
	iterations int
}

func (n *Network) prepare() {
	size := len(n.nodes) - 1
	w := &n.work
	if w.size == size && w.volts != nil {
		return
	}
	*w = work{
		size:     size,
		jacobian: make([]float64, size*size),
		lu:       make([]float64, size*size),
		residual: make([]float64, size),
		stiff:    make([]float64, size),
		gmin:     make([]float64, size),
		step:     make([]float64, size),
		left:     make([]float64, size),
		volts:    make([]float64, size+1),
		trial:    make([]float64, size+1),
		from:     make([]float64, size+1),
		high:     make([]float64, size+1),
		known:    make([]bool, size+1),
		demanded: make([]bool, size+1),
		stopped:  make([]bool, size+1),
		lambda:   make([]float64, size+1),
	}
}

func (n *Network) markDemand() {
	clear(n.work.demanded)
	for i := range n.onePorts {
		if e := &n.onePorts[i]; e.demand {
			n.work.demanded[e.plus] = true
		}
	}
	for i := range n.twoPorts {
		if e := &n.twoPorts[i]; e.demand {
			n.work.demanded[e.plus1] = true
		}
	}
	n.work.demanded[Ground] = false
}

// spreadGmin gives every node its leak to ground: GminSiemens, or more where that would drown in the rounding of the
// conductances at the node.
func (n *Network) spreadGmin() {
	gmin := n.work.gmin
	clear(gmin)
	for i := range n.resistors {
		e := &n.resistors[i]
		for _, node := range [...]Node{e.plus, e.minus} {
			if node > 0 {
				gmin[node-1] += e.siemens
			}
		}
	}
	for i, siemens := range gmin {
		gmin[i] = max(GminSiemens, roundings*machineEpsilon*siemens)
	}
}

func (w *work) stamp(row, column Node, siemens float64) {
	if row > 0 && column > 0 {
		w.jacobian[(int(row)-1)*w.size+int(column)-1] += siemens
	}
}

func (w *work) inject(node Node, amps, stiffness float64) {
	if node > 0 {
		w.residual[node-1] += amps
		w.stiff[node-1] += stiffness
	}
}

// evaluate fills the residual and the Jacobian at the node voltages v and keeps every branch current.
// It reports false, with the part in w.bad, when a current or a slope is not finite.
func (n *Network) evaluate(v []float64) bool {
	w := &n.work
	clear(w.jacobian)
	for i := range w.residual {
		w.residual[i] = w.gmin[i] * v[i+1]
		w.stiff[i] = w.gmin[i]
		w.jacobian[i*w.size+i] = w.gmin[i]
	}
	w.maxAmps = 0
	for i := range n.resistors {
		e := &n.resistors[i]
		g := e.siemens
		e.amps = g * (v[e.plus] - v[e.minus])
		n.stampPort(e.plus, e.minus, e.plus, e.minus, g)
		w.inject(e.plus, e.amps, g)
		w.inject(e.minus, -e.amps, g)
		w.maxAmps = max(w.maxAmps, math.Abs(e.amps))
	}
	for i := range n.onePorts {
		e := &n.onePorts[i]
		amps, slope := e.part.Current(v[e.plus] - v[e.minus])
		if e.demand {
			amps, slope = amps*w.loadShare, slope*w.loadShare
		}
		if !finite(amps) || !finite(slope) {
			w.bad = n.branchOf(isOnePort, i)
			return false
		}
		e.amps, e.slope = amps, slope
		n.stampPort(e.plus, e.minus, e.plus, e.minus, slope)
		stiffness := math.Abs(slope)
		w.inject(e.plus, amps, stiffness)
		w.inject(e.minus, -amps, stiffness)
		w.maxAmps = max(w.maxAmps, math.Abs(amps))
	}
	for i := range n.twoPorts {
		e := &n.twoPorts[i]
		amps1, amps2, s := e.part.Currents(v[e.plus1]-v[e.minus1], v[e.plus2]-v[e.minus2])
		if e.demand {
			amps1, s.S11, s.S12 = amps1*w.inputShare, s.S11*w.inputShare, s.S12*w.inputShare
		}
		if !finite(amps1) || !finite(amps2) || !finite(s.S11+s.S12+s.S21+s.S22) {
			w.bad = n.branchOf(isTwoPort, i)
			return false
		}
		e.amps1, e.amps2, e.slopes = amps1, amps2, s
		n.stampPort(e.plus1, e.minus1, e.plus1, e.minus1, s.S11)
		n.stampPort(e.plus1, e.minus1, e.plus2, e.minus2, s.S12)
		n.stampPort(e.plus2, e.minus2, e.plus1, e.minus1, s.S21)
		n.stampPort(e.plus2, e.minus2, e.plus2, e.minus2, s.S22)
		stiff1 := math.Abs(s.S11) + math.Abs(s.S12)
		stiff2 := math.Abs(s.S21) + math.Abs(s.S22)
		w.inject(e.plus1, amps1, stiff1)
		w.inject(e.minus1, -amps1, stiff1)
		w.inject(e.plus2, amps2, stiff2)
		w.inject(e.minus2, -amps2, stiff2)
		w.maxAmps = max(w.maxAmps, math.Abs(amps1), math.Abs(amps2))
	}
	return true
}

// stampPort adds the slope of a current that flows from fromPlus to fromMinus and depends on the voltage of byPlus against byMinus.
func (n *Network) stampPort(fromPlus, fromMinus, byPlus, byMinus Node, siemens float64) {
	w := &n.work
	w.stamp(fromPlus, byPlus, siemens)
	w.stamp(fromPlus, byMinus, -siemens)
	w.stamp(fromMinus, byPlus, -siemens)
	w.stamp(fromMinus, byMinus, siemens)
}

func (n *Network) branchOf(k kind, index int) Branch {
	for b := range n.branches {
		if n.branches[b].kind == k && n.branches[b].index == index {
			return Branch(b)
		}
	}
	return -1
}

// acceptable tells whether the residual and the Newton step at v are both small enough to call v a solution.
func (w *work) acceptable(v []float64) bool {
	for i, step := range w.step {
		if !(math.Abs(step) < voltsTolerance*(1+math.Abs(v[i+1]))) {
			return false
		}
	}
	return w.balanced(v)
}

func (w *work) balanced(v []float64) bool {
	allowed := ampsTolerance + ampsRelative*w.maxAmps
	for i, r := range w.residual {
		if !(math.Abs(r) < allowed+w.rounding(i, v)) {
			return false
		}
	}
	return true
}

// rounding is the current at unknown i, in A, that cannot be told from zero: roundings of its largest terms.
func (w *work) rounding(i int, v []float64) float64 {
	sum := w.stiff[i] * math.Abs(v[i+1])
	for j, g := range w.jacobian[i*w.size : (i+1)*w.size] {
		sum += math.Abs(g * v[j+1])
	}
	return roundings * machineEpsilon * sum
}

type outcome uint8

const (
	converged outcome = iota
	flipped           // the sign of the determinant changed: on the way across the nose
	wandering         // the iteration limit was reached
	notFinite         // a part gave a current that is not a number
)

// Falls of a demanding node in one Newton step, relative to its voltage.
const (
	longestFall  = 0.5 // never more
	suspectFall  = 0.2 // more may have jumped across the unstable branch, so that the way is gone again carefully
	carefulFall  = 0.1
	carefulTries = 200
	smallestV    = 1e-3 // of a node whose falls count, V
)

// newton iterates from v, in place. When an iterate fell so far that it may have jumped unseen across the unstable
// branch of a constant-power demand, it goes the way again in small steps, which see the determinant change its sign.
// A solution with a non-positive determinant is an unstable one and is not accepted.
func (n *Network) newton(v []float64) outcome {
	w := &n.work
	copy(w.from, v)
	end, deepest := n.iterate(v, longestFall, maxIterations)
	if end != converged || deepest <= suspectFall {
		return end
	}
	copy(v, w.from)
	end, _ = n.iterate(v, carefulFall, carefulTries)
	return end
}

func (n *Network) iterate(v []float64, fall float64, iterations int) (end outcome, deepest float64) {
	w := &n.work
	clear(w.stopped)
	for range iterations {
		w.iterations++
		if n.Watch != nil {
			n.Watch(v)
		}
		if !n.evaluate(v) {
			return w.failure(v), deepest
		}
		if sign := w.solveStep(0); sign <= 0 {
			return flipped, deepest
		}
		if w.acceptable(v) {
			return converged, deepest
		}
		share := 1.0
		for i, step := range w.step {
			if volts := v[i+1]; w.demanded[i+1] && volts > smallestV && volts <= w.high[i+1] {
				deepest = max(deepest, -step/volts)
				if -step*share > volts*fall {
					share = volts * fall / -step
				}
			}
		}
		for i, step := range w.step {
			w.move(i+1, v, share*step)
		}
	}
	return wandering, deepest
}

// move changes the voltage of a node by a step. The characteristic of a source, or of a regulated output, is nearly flat
// but for a narrow steep part at its open-circuit voltage, which an iterate from one flat part overshoots to the other:
// the first step across that voltage stops on it.
func (w *work) move(node int, v []float64, step float64) {
	before, corner := v[node], w.high[node]
	after := before + step
	if !w.stopped[node] && (before < corner && after > corner || before > corner && after < corner) {
		w.stopped[node] = true
		after = corner
	}
	v[node] = after
}

// march follows the network as if every node had a capacitor, from v, in place, with implicit steps that lengthen while
// the linear model of a step holds. It goes to the stable point that the network would reach in time from v, across
// regions of negative slope and over kinks where the Newton iteration circles.
func (n *Network) march(v []float64) outcome {
	w := &n.work
	if !n.evaluate(v) {
		return notFinite
	}
	before := w.norm()
	damping := 1.0
	for range marchIterations {
		w.iterations++
		if n.Watch != nil {
			n.Watch(v)
		}
		if w.balanced(v) && w.solveStep(0) > 0 && w.acceptable(v) {
			return converged
		}
		if w.solveStep(damping) <= 0 {
			damping = max(damping*4, 1e-3)
			continue
		}
		copy(w.trial, v)
		for i, step := range w.step {
			w.trial[i+1] += step
			w.left[i] = -damping * w.stiff[i] * step
		}
		if !n.evaluate(w.trial) {
			return w.failure(w.trial)
		}
		after := w.norm()
		if after <= before/2 || w.asPredicted() || w.balanced(w.trial) {
			copy(v, w.trial)
			before = after
			damping /= 4
			continue
		}
		if damping = max(damping*4, 1e-3); damping > 1e15 {
			return wandering
		}
		n.evaluate(v)
	}
	return wandering
}

// asPredicted tells whether the residual after a damped step is what the linear model left over, within half of it.
func (w *work) asPredicted() bool {
	off, size := 0.0, 0.0
	for i, r := range w.residual {
		off = max(off, math.Abs(r-w.left[i]))
		size = max(size, math.Abs(w.left[i]))
	}
	return off <= size/2
}

// norm is the largest residual current, in A.
func (w *work) norm() float64 {
	largest := 0.0
	for _, r := range w.residual {
		largest = max(largest, math.Abs(r))
	}
	return largest
}

// failure tells why a part's current is not finite at v: its own fault, or an iterate that ran away.
func (w *work) failure(v []float64) outcome {
	for _, volts := range v {
		if !(math.Abs(volts) < runaway) {
			return wandering
		}
	}
	return notFinite
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
