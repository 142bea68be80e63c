package circuit

import (
	"errors"
	"fmt"
	"math"
	"strings"
)

// ErrCollapse means that no stable operating point exists near the open-circuit voltages: a constant-power demand is
// more than the source and the leads can carry. The error is a *Collapse.
var ErrCollapse = errors.New("the voltage collapses")

// ErrNoPoint means that the iteration found no operating point, although nothing shows that none exists.
var ErrNoPoint = errors.New("no operating point found")

// ErrNotFinite means that a part gave a current that is not a number.
var ErrNotFinite = errors.New("a part's current is not finite")

// Collapse says how much of the demand the network would support.
type Collapse struct {
	Fraction float64 // largest supported part of the demand, 0..1
	Scaled   []string
}

func (c *Collapse) Error() string {
	return fmt.Sprintf("%v: the bench supports %.3f %% of the demand of %s; lower the demand, or raise the source or shorten its leads",
		ErrCollapse, math.Floor(c.Fraction*1e5)/1e3, strings.Join(c.Scaled, ", "))
}

// Is makes errors.Is(err, ErrCollapse) true.
func (c *Collapse) Is(target error) bool { return target == ErrCollapse }

// Solve finds the operating point with all modes frozen, from the previous solution when there is one and from the
// open-circuit voltages otherwise. Of several stable points it finds the one that the history leads to.
// After an error the voltages of the previous solution stand as history, currents read as NaN, and no iterate is an answer.
// Errors: Err, ErrCollapse, ErrNotFinite, ErrNoPoint.
func (n *Network) Solve() error {
	if err := n.begin(); err != nil {
		return err
	}
	if !n.solved {
		return n.fromHigh()
	}
	w := &n.work
	copy(w.volts, n.volts)
	switch n.newton(w.volts) {
	case converged:
		n.accept(w.volts)
		return nil
	case notFinite:
		return n.badPart()
	}
	return n.fromHigh()
}

// SolveHigh is Solve without history: from the open-circuit voltages, which leads to the upper point of a bench that
// has two.
func (n *Network) SolveHigh() error {
	if err := n.begin(); err != nil {
		return err
	}
	return n.fromHigh()
}

// SolveLow finds the point that the network reaches from rest, all nodes at 0 V: power-up, or after a collapse.
func (n *Network) SolveLow() error {
	if err := n.begin(); err != nil {
		return err
	}
	w := &n.work
	clear(w.volts)
	switch n.march(w.volts) {
	case converged:
		n.accept(w.volts)
		return nil
	case notFinite:
		return n.badPart()
	}
	return n.noPoint()
}

// Solved tells whether the network holds a solution.
func (n *Network) Solved() bool { return n.solved }

// Forget drops the history, so that the next Solve starts from the open-circuit voltages.
func (n *Network) Forget() { n.solved = false }

// Iterations returns how many Newton iterations the last solution took, searches for a collapse included.
func (n *Network) Iterations() int { return n.work.iterations }

func (n *Network) begin() error {
	if len(n.problems) > 0 {
		return n.Err()
	}
	n.prepare()
	n.markDemand()
	n.current = false
	w := &n.work
	w.loadShare, w.inputShare, w.iterations = 1, 1, 0
	n.spreadGmin()
	n.guessHigh(w.high)
	return nil
}

func (n *Network) accept(v []float64) {
	copy(n.volts, v)
	n.solved, n.current = true, true
}

// fromHigh solves from the open-circuit voltages. A sign change of the determinant on the way down is only a suspicion
// of collapse, since an iterate may overshoot a nose that it is close to: raising the demand in steps decides.
func (n *Network) fromHigh() error {
	w := &n.work
	copy(w.volts, w.high)
	suspicion := n.newton(w.volts)
	switch suspicion {
	case converged:
		n.accept(w.volts)
		return nil
	case notFinite:
		return n.badPart()
	}
	scaled := n.demandNames(true)
	fraction, found := n.raise(&w.loadShare, nil)
	if fraction < 0 || len(scaled) == 0 {
		scaled = n.demandNames(false)
		fraction, found = n.raise(&w.loadShare, &w.inputShare)
	}
	w.loadShare, w.inputShare = 1, 1
	if found {
		n.accept(w.volts)
		return nil
	}
	if fraction >= 0 && len(scaled) > 0 && suspicion == flipped {
		return &Collapse{Fraction: fraction, Scaled: scaled}
	}
	copy(w.volts, w.high)
	switch n.march(w.volts) {
	case converged:
		n.accept(w.volts)
		return nil
	case notFinite:
		return n.badPart()
	}
	return n.noPoint()
}

// raise solves without the demand and then raises it in steps, each from the solution before. It returns the largest
// fraction that solves (-1 when not even none does) and whether that is the whole, with the solution in w.volts.
func (n *Network) raise(share, share2 *float64) (fraction float64, whole bool) {
	const finest = 1e-7
	w := &n.work
	set := func(x float64) {
		*share = x
		if share2 != nil {
			*share2 = x
		}
	}
	at := w.lambda
	copy(at, w.high)
	set(0)
	if n.newton(at) != converged {
		copy(at, w.high)
		if n.march(at) != converged {
			return -1, false
		}
	}
	for step := 1.0; step > finest; {
		next := min(fraction+step, 1)
		set(next)
		copy(w.volts, at)
		if n.newton(w.volts) != converged {
			step /= 2
			continue
		}
		fraction = next
		copy(at, w.volts)
		if fraction == 1 {
			return 1, true
		}
		step *= 2
	}
	return fraction, false
}

func (n *Network) demandNames(loads bool) []string {
	var names []string
	for i := range n.onePorts {
		if n.onePorts[i].demand {
			names = append(names, n.branches[n.branchOf(isOnePort, i)].name)
		}
	}
	if loads {
		return names
	}
	for i := range n.twoPorts {
		if n.twoPorts[i].demand {
			names = append(names, n.branches[n.branchOf(isTwoPort, i)].name)
		}
	}
	return names
}

// guessHigh fills v with open-circuit voltages: what the parts know of themselves, carried on through the smallest
// resistances first (leads before loads).
func (n *Network) guessHigh(v []float64) {
	w := &n.work
	clear(v)
	clear(w.known)
	w.known[Ground] = true
	for n.guessFromStarters(v) || n.guessThroughResistor(v) || n.guessThroughPart(v) {
	}
}

func (n *Network) guessFromStarters(v []float64) (any bool) {
	for i := range n.onePorts {
		if e := &n.onePorts[i]; e.starter != nil {
			volts, _ := e.starter.StartVolts()
			any = n.guessPort(v, e.plus, e.minus, volts) || any
		}
	}
	for i := range n.twoPorts {
		if e := &n.twoPorts[i]; e.starter != nil {
			volts1, volts2 := e.starter.StartVolts()
			any = n.guessPort(v, e.plus1, e.minus1, volts1) || any
			any = n.guessPort(v, e.plus2, e.minus2, volts2) || any
		}
	}
	return any
}

func (n *Network) guessPort(v []float64, plus, minus Node, volts float64) bool {
	known := n.work.known
	switch {
	case !finite(volts) || known[plus] == known[minus]:
		return false
	case known[minus]:
		v[plus], known[plus] = v[minus]+volts, true
	default:
		v[minus], known[minus] = v[plus]-volts, true
	}
	return true
}

func (n *Network) guessThroughResistor(v []float64) bool {
	best := -1
	for i := range n.resistors {
		e := &n.resistors[i]
		if n.work.known[e.plus] != n.work.known[e.minus] && e.siemens > 0 && (best < 0 || e.siemens > n.resistors[best].siemens) {
			best = i
		}
	}
	return best >= 0 && n.guessPort(v, n.resistors[best].plus, n.resistors[best].minus, 0)
}

func (n *Network) guessThroughPart(v []float64) bool {
	for i := range n.onePorts {
		if e := &n.onePorts[i]; n.guessPort(v, e.plus, e.minus, 0) {
			return true
		}
	}
	for i := range n.twoPorts {
		e := &n.twoPorts[i]
		if n.guessPort(v, e.plus1, e.minus1, 0) || n.guessPort(v, e.plus2, e.minus2, 0) {
			return true
		}
	}
	return false
}

func (n *Network) badPart() error {
	b := n.work.bad
	return fmt.Errorf("%w: %s at %s; check its settings", ErrNotFinite, n.branches[b].name, n.dump(n.work.volts))
}

func (n *Network) noPoint() error {
	return fmt.Errorf("%w after %d iterations, the last at %s", ErrNoPoint, n.work.iterations, n.dump(n.work.volts))
}

func (n *Network) dump(v []float64) string {
	var s strings.Builder
	for i, name := range n.nodes[1:] {
		if i > 0 {
			s.WriteString(", ")
		}
		fmt.Fprintf(&s, "%s %.6g V", name, v[i+1])
	}
	return s.String()
}
