package main

import (
	"errors"
	"fmt"
	"math"
	"os"
	"strings"

	"fourwire/driver/bench"
	"fourwire/driver/hazard"
	"fourwire/quantity"
	"fourwire/record"
	"fourwire/report/terminal"
	"fourwire/sequence"
)

// cautionsFor lists what a test on this bench could hurt somebody with: by the guard of the sequence, else by what it needs, else by what the bench says
// that nodes are meant for.
func cautionsFor(tb *testBench, seq *sequence.Sequence) []hazard.Note {
	var nodes []hazard.Node
	done := map[string]bool{}
	for _, w := range tb.bench.Wiring {
		if done[w.Node] {
			continue
		}
		done[w.Node] = true
		known := tb.bench.Node(w.Node)
		n := hazard.Node{Name: w.Node, Farads: known.Farads, BleederOhm: known.BleederOhm, Volts: known.NominalVolts}
		if seq != nil {
			planNode(&n, seq)
		}
		nodes = append(nodes, n)
	}
	touch := tb.bench.Touch
	if touch == (bench.Touch{}) {
		touch = bench.Touch{CautionVolts: 42, WarnVolts: 60}
	}
	return hazard.Of(nodes, touch)
}

// planNode takes over what a sequence says of a node.
func planNode(n *hazard.Node, seq *sequence.Sequence) {
	widest := func(s quantity.Span) float64 {
		most := 0.0
		for _, x := range []float64{s.Low, s.High} {
			if s.Set && !math.IsInf(x, 0) {
				most = max(most, math.Abs(x))
			}
		}
		return most
	}
	volts := 0.0
	for _, need := range seq.Needs {
		if need.Node == n.Name {
			volts, n.Amps = max(volts, widest(need.Volts)), max(n.Amps, widest(need.Amps))
		}
	}
	for _, g := range seq.Guards {
		if g.Node == n.Name {
			volts, n.Amps = max(widest(g.Volts), volts), max(widest(g.Amps), n.Amps)
			n.Watts = widest(g.Watts)
		}
	}
	if volts > 0 {
		n.Volts = volts
	}
	for _, need := range seq.Needs {
		if need.Node == n.Name && need.Role == sequence.RoleLoad && n.Watts == 0 {
			n.Watts = n.Volts * widest(need.Amps)
		}
	}
}

func (a *app) printCautions(notes []hazard.Note) {
	if len(notes) == 0 {
		return
	}
	stream := terminal.Detect(a.err, os.Getenv)
	fmt.Fprintln(a.err, "Take care:")
	for _, n := range notes {
		fmt.Fprintln(a.err, stream.Fold(printable(n.String()), "  "))
	}
}

// acknowledge has somebody by name take note of what is dangerous to touch. --yes does not do that: who it was goes into the record.
func (r *oneRun) acknowledge(notes []hazard.Note) error {
	if hazard.Gravest(notes) < hazard.Warning {
		return nil
	}
	name := strings.TrimSpace(r.flags.acknowledge)
	if name == "" && !r.flags.yes {
		fmt.Fprint(r.app.err, "Voltages that are dangerous to touch: type your name to acknowledge the warning: ")
		name = strings.TrimSpace(r.app.readLine())
	}
	if name == "" {
		return &failure{status: exitBench, err: errors.New("the warning was not acknowledged; nothing was switched on"), hint: `--yes does not acknowledge it: give --acknowledge "your name"`}
	}
	r.flags.acknowledge = name
	var grave []string
	for _, n := range notes {
		if n.Level == hazard.Warning {
			grave = append(grave, n.Text)
		}
	}
	return r.writer.Event(record.Event{Level: "warn", Kind: "acknowledged", Text: name + " acknowledged: " + strings.Join(grave, "; "), Fields: map[string]any{"name": name}})
}
