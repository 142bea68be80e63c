package e2e

import (
	"context"
	"math"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"fourwire/internal/diag"
	"fourwire/record"
	"fourwire/record/trace"
	"fourwire/sim"
	"fourwire/sim/instrument"
)

// Each kind of event that a capture can wait for: the edge that it makes must lie at time zero of the trace, to two samples and what the event is away from it, and
// the start of the trace, less what came before, must be when the simulator switched, to the uncertainty that the record states. Instruments take 10 ms for each
// command, so a start that was taken when the samples were fetched would be off by more.
func TestWhenAnEventWas(t *testing.T) {
	list := "- list: sink\n        amps: [1 A, 0 A]\n        dwell: 3 ms"
	goesOn := "- {load: sink, hold: 1 A}"
	off := strings.Replace(stageSequence, "  - load: sink\n    hold: 0 A\n  - wait: 20 ms\n  - measure: {dcv: v(out), dci: i(out)}\n", "", 1)
	slow := strings.NewReplacer("output_capacitor: 88 uF", "output_capacitor: 10 uF, crossover: 10 kHz, damping: 30 %", "kind: load}", "kind: load, processing: 10 ms}", "kind: source-measure-unit,", "kind: source-measure-unit, processing: 10 ms,").Replace(simpleStage)
	var found diag.Findings
	fresh, err := sim.New(sim.Read("t.yaml", []byte(slow), &found), sim.Options{})
	if err != nil || found.Failed() {
		t.Fatal(err, found.List())
	}
	begins := fresh.Clock().Now() // of every bench of this scenario
	for _, c := range []struct {
		name, text, when, steps string
		edge                    float64 // s, of the current through 0.5 A; NaN: it comes some time behind
		switches                bool    // the event is that the load goes on
	}{
		{"level, rising", stageSequence, "io rises above 0.5 A", list, 0, false},
		{"level, falling", stageSequence, "io falls below 0.5 A", list, -3e-3, false},
		{"level of a voltage", stageSequence, "vo falls below 3.25 V", list, 0, false},
		{"the load goes on", off, "sink goes on", goesOn, 0, true},
		{"a level that the load's going on makes", off, "io rises above 0.5 A", goesOn, 0, true},
		{"first step of a list", stageSequence, "sink steps", list, 0, false},
		{"software", stageSequence, "software", list, math.NaN(), false},
		{"at once", stageSequence, "at once", list, math.NaN(), false},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			text := strings.NewReplacer("when: io rises above 0.5 A", "when: "+c.when, list, c.steps, "for: 2.4 ms", "for: 24 ms", "before: 20 %", "before: 20 %").Replace(c.text)
			if c.when == "at once" {
				text = strings.Replace(text, "    before: 20 %\n", "", 1)
			}
			got, world := captureWith(t, context.Background(), text, stageBench, slow, 3, false, nil)
			if got.err != nil {
				t.Fatal(got.err)
			}
			kept := keptCapture(t, got.dir, "step")
			tr, err := trace.Open(filepath.Join(got.dir, record.TracesFolder), "step")
			if err != nil {
				t.Fatal(err)
			}
			defer tr.Close()
			head := tr.Head()
			at, err := time.Parse(time.RFC3339Nano, kept.At)
			if err != nil || !(kept.AtU > 0) || kept.AtU > 0.1 {
				t.Fatalf("%v: the event was at %q to %g s", err, kept.At, kept.AtU)
			}
			if off := at.Sub(head.Start).Seconds() - float64(head.Trigger)*head.IntervalSeconds; math.Abs(off) > 1e-6 {
				t.Errorf("the trace starts %g s beside the event", off)
			}
			if !math.IsNaN(c.edge) {
				if edge := edgeOf(t, tr, "io", 0.5); math.Abs(edge-c.edge) > 20e-6 {
					t.Errorf("the current passes 0.5 A at %g s, and %g s is wanted", edge, c.edge)
				}
			}
			if !c.switches {
				return
			}
			for _, e := range world.Events() {
				if e.Kind != instrument.Switched || e.Instrument != "sink" || e.Value == 0 {
					continue
				}
				was := begins.Add(e.At)
				if off := at.Sub(was).Seconds(); math.Abs(off) > kept.AtU+1e-4 {
					t.Errorf("the load went on %g s beside what is said, to %g s", off, kept.AtU)
				} else {
					t.Logf("off by %.2f ms, stated %.2f ms", 1e3*off, 1e3*kept.AtU)
				}
			}
		})
	}
}

// edgeOf is when a signal first passes a level, either way, behind a tenth of what is before time zero.
func edgeOf(t *testing.T, tr *trace.Trace, signal string, level float64) float64 {
	t.Helper()
	k, head := tr.Signal(signal), tr.Head()
	was := math.NaN()
	for block, err := range tr.Blocks([]int{k}, 0, tr.Len()) {
		if err != nil {
			t.Fatal(err)
		}
		for n, x := range block.Values[0] {
			if is := float64(x) - level; is*was < 0 {
				return float64(block.Start+int64(n)-head.Trigger) * head.IntervalSeconds
			} else {
				was = is
			}
		}
	}
	t.Fatalf("%s never passes %g", signal, level)
	return 0
}
