package e2e

import (
	"context"
	"errors"
	"math"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"fourwire/driver/bench"
	"fourwire/driver/model"
	"fourwire/internal/diag"
	"fourwire/record"
	"fourwire/record/trace"
	"fourwire/sequence"
	"fourwire/sequence/plan"
	"fourwire/sequence/run"
)

// bound is the plan of a sequence on a bench of library models.
func bound(t *testing.T, seqText, benchText string) (*plan.Plan, []diag.Finding) {
	t.Helper()
	var found diag.Findings
	seq := sequence.Read("s.yaml", []byte(seqText), nil, &found)
	b := bench.Read("b.yaml", []byte(benchText), &found)
	if found.Failed() {
		t.Fatalf("%v", found.List())
	}
	models := map[string]*model.Model{}
	for _, in := range b.Instruments {
		data, _ := model.FromLibrary(in.Model)
		models[in.Name] = model.Read(in.Model, data, &found)
	}
	return plan.Bind(seq, b, models, &found), found.List()
}

// How the event of a capture comes to each instrument, by the lines of the bench and what the models wait for.
func TestHowAnEventComesToInstruments(t *testing.T) {
	lines := "triggers:\n  - {from: sink, to: feed, line: 1}\n"
	back := "triggers:\n  - {from: feed, to: sink, line: 3}\n"
	for _, c := range []struct {
		name, when, change, steps, lines string
		sees                             int
		line                             int
		apart                            bool
		pulse, says                      string
	}{
		{"level over a line", "io rises above 0.5 A", "", "", lines, 0, 1, false, "capture", ""},
		{"level without a line", "io rises above 0.5 A", "", "", "", -1, 0, true, "", "is not waited for"},
		{"level seen where no line begins", "vi falls below 11 V", "", "", back, 1, 3, false, "capture", ""},
		{"one instrument needs no line", "io rises above 0.5 A", ", vi: v(in)", "", "", 0, 0, false, "", ""},
		{"list", "sink steps", "", "", lines, -1, 1, false, "steps", ""},
		{"list without a line", "sink steps", "", "", "", 0, 0, false, "", "no trigger line leads from sink"},
		{"software over a line", "software", "", "", lines, 0, 1, false, "capture", ""},
		{"too fast", "io rises above 0.5 A", "interval: 2 us", "interval: 1 us", lines, 0, 0, false, "", "sink samples once every 2 us at the fastest"},
		{"too long", "io rises above 0.5 A", "for: 2.4 ms", "for: 500 ms", lines, 0, 0, false, "", "holds 32768 samples"},
		{"output", "sink goes on", "- list: sink\n        amps: [1 A, 0 A]\n        dwell: 3 ms", "- {load: sink, hold: 1 A}", lines, -1, 1, false, "output", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			text := strings.Replace(stageSequence, "io rises above 0.5 A", c.when, 1)
			if c.change != "" {
				text = strings.Replace(text, c.change, c.steps, 1)
			}
			benchText, _, _ := strings.Cut(stageBench, "triggers:")
			p, found := bound(t, text, benchText+c.lines)
			all := ""
			for _, f := range found {
				all += f.Error() + "\n"
			}
			if c.says != "" && !strings.Contains(all, c.says) {
				t.Errorf("the findings do not say %q: %s", c.says, all)
			}
			if c.line == 0 && c.says != "" && !c.apart {
				if len(p.Captures) != 0 {
					t.Errorf("%+v", p.Captures)
				}
				return
			}
			if len(p.Captures) != 1 {
				t.Fatalf("%d captures: %s", len(p.Captures), all)
			}
			got := p.Captures[0]
			if got.Sees != c.sees || got.Line != c.line || got.Apart != c.apart || got.Pulse != c.pulse {
				t.Errorf("sees %d, line %d, apart %v, pulse %q: %s", got.Sees, got.Line, got.Apart, got.Pulse, got.How)
			}
			if (got.SkewSeconds > 0) != (c.line > 0) {
				t.Errorf("skew %g s with line %d", got.SkewSeconds, got.Line)
			}
		})
	}
}

// A sample beyond the guard ends the run for safety with the outputs off, and the samples are kept.
func TestASampleBeyondTheGuard(t *testing.T) {
	text := strings.Replace(stageSequence, "out: {volts: -1..5 V, amps: -1..2 A}", "out: {volts: 3.2..5 V, amps: -1..2 A}", 1)
	c := capture(t, text, stageBench, strings.Replace(simpleStage, "output_capacitor: 88 uF", "output_capacitor: 10 uF, crossover: 10 kHz, damping: 30 %", 1), 3, false)
	var stop *run.Stop
	if !errors.As(c.err, &stop) || stop.Kind != run.Safety || !strings.Contains(c.err.Error(), "of step, which is outside its guard") {
		t.Fatalf("%v", c.err)
	}
	for _, n := range c.summary.Nodes {
		if n.Node == "out" && !n.Discharged {
			t.Errorf("%+v", n)
		}
	}
	tr, err := trace.Open(filepath.Join(c.dir, record.TracesFolder), "step")
	if err != nil {
		t.Fatal(err)
	}
	tr.Close()
}

// Without a trigger line the computer triggers one instrument after the other, and what that took stands in the record and in the uncertainty of times
// between them.
func TestTriggeredOneAfterTheOther(t *testing.T) {
	text := strings.NewReplacer("when: io rises above 0.5 A", "when: software", "for: 2.4 ms", "for: 40 ms", "before: 20 %", "before: 10 %", "dwell: 3 ms", "dwell: [10 ms, 10 ms]", "amps: [1 A, 0 A]", "amps: [1 A, 0 A]").Replace(stageSequence)
	text = strings.Replace(text, "interval: 2 us", "interval: 10 us", 1)
	text = strings.Replace(text, "    of: vo\n    edge: io\n", "    of: vi\n    edge: io\n    slope: rising\n", 1)
	benchText, _, _ := strings.Cut(stageBench, "triggers:")
	c := capture(t, text, benchText, simpleStage, 3, false)
	if c.err != nil || len(c.points) != 1 {
		t.Fatalf("%d points, %v", len(c.points), c.err)
	}
	kept := keptCapture(t, c.dir, "step")
	if !kept.Apart || !(kept.Skew > 10e-6) || !(kept.Skew < 1) {
		t.Errorf("apart %v, skew %g s", kept.Apart, kept.Skew)
	}
	for _, f := range kept.Figures[0].List {
		if f.What == "recovery" && f.Missing == "" && !(f.U > kept.Skew) { // rectangular, k = 2: 2/sqrt(3) of it
			t.Errorf("recovery U %g s beside a skew of %g s", f.U, kept.Skew)
		}
	}
}

// What is interrupted while a capture waits leaves through the same way out: outputs off, capture ended, nodes looked at.
func TestInterruptedWhileACaptureWaits(t *testing.T) {
	text := strings.NewReplacer("io rises above 0.5 A", "io rises above 1.1 A", "before: 20 %", "before: 20 %\n    at_most: 5 s").Replace(stageSequence)
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	c, world := captureWith(t, ctx, text, stageBench, simpleStage, 3, false, func(d time.Duration) {
		if d > 5*time.Second { // the pause in which the event is waited for
			cancel()
		}
	})
	if !errors.Is(c.err, context.Canceled) {
		t.Fatalf("%v", c.err)
	}
	for name, ch := range world.Truth().Channels {
		if math.Abs(ch.Amps) > 0.01 {
			t.Errorf("%s is on: %+v", name, ch)
		}
	}
	for _, n := range c.summary.Nodes {
		if n.Err != nil {
			t.Errorf("%s could not be looked at: %v", n.Node, n.Err)
		}
	}
}

// What leads drop is taken off sample by sample: with 2 x 15 mohm between node and terminals a step of 1 A would add 30 mV to the shift. The shift of the stage
// itself is load regulation, 20 mohm at 1 A (own formula).
func TestLeadsAreTakenOffEachSample(t *testing.T) {
	scenario := strings.NewReplacer("set: 3.3 V,", "set: 3.3 V, regulation: 20 mohm, forced_pwm: yes,", "{channel: sink, node: out}", "{channel: sink, node: out, lead: 15 mohm}").Replace(simpleStage)
	benchText := strings.Replace(stageBench, "as: load, sense: remote, lead: 1 mohm", "as: load, sense: local, lead: 15 mohm", 1)
	text := strings.Replace(stageSequence, "at_volts: 3 V", "at_volts: 3.1 V", 1)
	c := capture(t, text, benchText, scenario, 5, false)
	off, u := c.within(t, "shift", -20e-3)
	if math.Abs(off) > u || u > 10e-3 { // the tolerance of the leads, a fifth, is in it
		t.Errorf("the shift is off by %.3g V with a U of %.3g V: %s", off, u, c.points[0].Why)
	}
	if s := keptCapture(t, c.dir, "step").Signals[0]; !s.Corrected || math.Abs(s.LeadOhm-0.03) > 1e-9 {
		t.Errorf("%+v", s)
	}
}
