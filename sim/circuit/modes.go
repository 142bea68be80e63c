package circuit

import (
	"fmt"
	"strings"
)

// Mode is the number of a mode of one part; the part gives it a name.
type Mode uint8

// Modal is a part with modes that stay frozen while the network is solved. Settle asks it after each solution.
type Modal interface {
	// Mode returns the present mode.
	Mode() Mode
	// Wanted returns the mode that the part would take at these port voltages; the present one when it is content.
	Wanted(volts1, volts2 float64) Mode
	// SetMode changes the mode.
	SetMode(Mode)
	// ModeName names a mode for people.
	ModeName(Mode) string
	// Rank orders changes that are wanted at once, lower first: 0 a protection, 1 a device, 2 an instrument.
	Rank() int
}

// DefaultPasses is how many mode changes one Settle allows.
const DefaultPasses = 32

// Change is one change of mode.
type Change struct {
	Branch   Branch
	From, To Mode
}

// Report tells what happened in a Settle. It belongs to the network and is overwritten by the next Settle.
type Report struct {
	Changes   []Change // in order
	Collapsed bool     // a pass found no upper point and went on from rest
	Fraction  float64  // supported part of the demand in the first such pass, 0..1
	Chatter   bool     // the modes came back to a state they had before: they would change for ever
	CycleFrom int      // with Chatter: Changes[CycleFrom:] repeat
}

type modal struct {
	Modal
	branch Branch
}

func (n *Network) addModal(part any, b Branch) {
	if m, ok := part.(Modal); ok {
		n.modal = append(n.modal, modal{m, b})
	}
}

// Settle solves, lets at most one part change its mode, and repeats until every part is content. After a collapse it
// goes on from rest, so that the modes (lock-out, minimum-voltage line) decide what becomes of the bench.
// Modes that cycle are no error but a finding, Report.Chatter, with the last solution in place.
// The report belongs to the network until the next Settle. Errors: as Solve.
func (n *Network) Settle() (*Report, error) {
	r := &n.report
	*r = Report{Changes: r.Changes[:0], Fraction: 1}
	for {
		if err := n.solvePass(r); err != nil {
			return r, err
		}
		k := n.mostUrgent()
		if k < 0 {
			return r, nil
		}
		m := n.modal[k]
		change := Change{Branch: m.branch, From: m.Mode(), To: m.Wanted(n.PortVolts(m.branch))}
		r.Changes = append(r.Changes, change)
		m.SetMode(change.To)
		if from, cycle := r.cycle(); cycle {
			r.Chatter, r.CycleFrom = true, from
			m.SetMode(change.From)
			return r, nil
		}
		if len(r.Changes) >= DefaultPasses {
			r.Chatter, r.CycleFrom = true, 0
			return r, n.solvePass(r)
		}
	}
}

func (n *Network) solvePass(r *Report) error {
	err := n.Solve()
	collapse, ok := err.(*Collapse)
	if !ok {
		return err
	}
	if !r.Collapsed {
		r.Collapsed, r.Fraction = true, collapse.Fraction
	}
	return n.SolveLow()
}

func (n *Network) mostUrgent() int {
	best := -1
	for k, m := range n.modal {
		if m.Wanted(n.PortVolts(m.branch)) == m.Mode() {
			continue
		}
		if best < 0 || m.Rank() < n.modal[best].Rank() {
			best = k
		}
	}
	return best
}

// cycle tells whether the newest changes cancel each other, that is, whether all parts are back in modes they had before.
func (r *Report) cycle() (from int, yes bool) {
	for from = len(r.Changes) - 2; from >= 0; from-- {
		if r.cancels(from) {
			return from, true
		}
	}
	return 0, false
}

func (r *Report) cancels(from int) bool {
	since := r.Changes[from:]
	for i, first := range since {
		seen := false
		for _, earlier := range since[:i] {
			seen = seen || earlier.Branch == first.Branch
		}
		if seen {
			continue
		}
		last := first.To
		for _, later := range since[i:] {
			if later.Branch == first.Branch {
				last = later.To
			}
		}
		if last != first.From {
			return false
		}
	}
	return true
}

// Describe puts the findings of a report in words, one line each; nothing when there are none.
func (n *Network) Describe(r *Report) string {
	var lines []string
	if r.Collapsed {
		lines = append(lines, fmt.Sprintf("the voltage collapsed: the bench supports %.3g %% of the demand", 100*r.Fraction))
	}
	if r.Chatter {
		var steps []string
		for _, c := range r.Changes[r.CycleFrom:] {
			steps = append(steps, fmt.Sprintf("%s goes from %s to %s", n.BranchName(c.Branch), n.modeName(c.Branch, c.From), n.modeName(c.Branch, c.To)))
		}
		lines = append(lines, "chatter: "+strings.Join(steps, ", ")+", and again")
	}
	return strings.Join(lines, "\n")
}

func (n *Network) modeName(b Branch, m Mode) string {
	for _, part := range n.modal {
		if part.branch == b {
			return part.ModeName(m)
		}
	}
	return fmt.Sprint(m)
}
