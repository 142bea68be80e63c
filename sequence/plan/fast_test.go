package plan_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"fourwire/driver/bench"
	"fourwire/driver/model"
	"fourwire/internal/diag"
	"fourwire/sequence"
	"fourwire/sequence/plan"
)

const fastHead = `fourwire: sequence/1
title: test
needs:
  feed: {role: source, node: dut.in, volts: 5..16 V, amps: 0..2.5 A}
  sink: {role: load, node: dut.out, amps: 0..3 A, at_volts: 4.5 V}
guard:
  dut.in: {volts: ..18 V, amps: ..2.8 A}
  dut.out: {volts: ..5.6 V, amps: ..3.3 A}
steps:
  - {source: feed, volts: 12 V, amps: 2.5 A}
`

// onBuoy binds a sequence to the bench of the buoy's converter, with the models of the library.
func onBuoy(t *testing.T, text string, change func(string) string, models func(map[string]*model.Model)) *plan.Plan {
	t.Helper()
	var found diag.Findings
	data, err := os.ReadFile(filepath.Join("../../examples/buoy", "bench.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	if change != nil {
		data = []byte(change(string(data)))
	}
	seq := sequence.Read("f.yaml", []byte(fastHead+text), nil, &found)
	b := bench.Read("bench.yaml", data, &found)
	if found.Failed() {
		t.Fatal(found.List())
	}
	all := map[string]*model.Model{}
	for _, in := range b.Instruments {
		data, _ := model.FromLibrary(in.Model)
		all[in.Name] = model.Read(in.Model, data, &found)
	}
	if models != nil {
		models(all)
	}
	p := plan.Bind(seq, b, all, &found)
	if found.Failed() {
		t.Fatal(found.List())
	}
	return p
}

// fastOf is the first fast sweep.
func fastOf(t *testing.T, p *plan.Plan) *plan.Fast {
	t.Helper()
	for _, s := range p.Sequence.Steps {
		if s, ok := s.(*sequence.Sweep); ok && s.Fast {
			return p.Fast(s)
		}
	}
	t.Fatal("no fast sweep")
	return nil
}

const fastLoad = `  - sweep: {iout: [1 A, 2 A, 3 A]}
    fast: yes
    steps:
      - {load: sink, hold: iout}
      - settle: {until: v(dut.out) within 0.1 % for 5 ms, at_most: 1 s}
      - measure: {vi: v(dut.in), ii: i(dut.in), vo: v(dut.out), io: i(dut.out)}
        aperture: 10 ms
`

func TestAFastSweepIsAList(t *testing.T) {
	p := onBuoy(t, fastLoad, nil, nil)
	f := fastOf(t, p)
	if f.Why != "" || p.Roles[f.Role].Need.Name != "sink" || f.Line != 1 || len(f.Takers) != 4 || f.Parts != 3 || f.Aperture != 5*time.Millisecond || f.Levels() != 85 || f.Safe != 0 {
		t.Errorf("%+v", f)
	}
	if text := p.Fit.Text(); !strings.Contains(strings.Join(strings.Fields(text), " "), "the sweep over iout (line 11) is a list of sink, which triggers dmm-in, amm-in, dmm-out, amm-out on line 1") {
		t.Error(text)
	}
	host := onBuoy(t, strings.Replace(fastLoad, "fast: yes", "fast: no", 1), nil, nil)
	if p.Predicted >= host.Predicted {
		t.Errorf("by list %v are predicted, from the host %v", p.Predicted, host.Predicted)
	}
	line := strings.Replace(strings.Replace(fastLoad, "{iout: [1 A, 2 A, 3 A]}", "{vin: [9 V, 12 V]}", 1), "{load: sink, hold: iout}", "{source: feed, volts: vin}", 1)
	line = strings.Replace(line, "settle: {until: v(dut.out) within 0.1 % for 5 ms, at_most: 1 s}", "wait: 50 ms", 1)
	if f := fastOf(t, onBuoy(t, line, nil, nil)); f.Why != "" || f.Line != 2 || f.Parts != 1 || f.Aperture != 10*time.Millisecond {
		t.Errorf("%+v", f)
	}
}

func TestWhyASweepIsSteppedFromTheHost(t *testing.T) {
	replaced := func(old, by string) string { return strings.Replace(fastLoad, old, by, 1) }
	for _, c := range []struct {
		name, text, why string
		change          func(string) string
		models          func(map[string]*model.Model)
	}{
		{name: "two settings", text: replaced("      - settle", "      - {source: feed, volts: 12 V}\n      - settle"), why: "two settings in one pass"},
		{name: "a settle before the setting", text: replaced("      - {load: sink, hold: iout}\n", "      - settle: {until: v(dut.in) within 1 % for 5 ms, at_most: 1 s}\n      - {load: sink, hold: iout}\n"), why: "waited for before the setting"},
		{name: "a setting behind the readings", text: fastLoad + "      - {load: sink, hold: 1 A}\n", why: "a setting behind the measure step"},
		{name: "another measure step", text: fastLoad + "      - measure: {v2: v(dut.out)}\n", why: "another measure step behind the measure step"},
		{name: "a condition on a node", text: fastLoad + "      - when: v(dut.out) > 1 V\n        steps:\n          - note: hello\n", why: "a condition that reads a node"},
		{name: "a check", text: fastLoad + "      - check: {returns: i(dut.in), within: 1 %, at_most: 1 s}\n", why: "a check step behind the measure step"},
		{name: "what is settled on is not measured", text: replaced("vo: v(dut.out), ", ""), why: "v(dut.out) is settled on and not measured"},
		{name: "averages", text: fastLoad + "        average: 4\n", why: "averages are taken by the host"},
		{name: "bursts", text: replaced("aperture: 10 ms", "aperture: auto"), why: "bursts are measured by the host"},
		{name: "no setting", text: replaced("      - {load: sink, hold: iout}\n", ""), why: "no setting in its steps"},
		{name: "a wait that changes", text: replaced("      - settle: {until: v(dut.out) within 0.1 % for 5 ms, at_most: 1 s}", "      - wait: iout / 1 A * 10 ms"), why: "the wait is not the same at each value"},
		{name: "a level that follows from a reading", text: replaced("hold: iout", "hold: iout * (v(dut.out) / 5 V)"), why: "the level follows from a reading"},
		{name: "no trigger lines on the bench", text: fastLoad, why: "no trigger line of the bench goes from sink to", change: func(s string) string { s, _, _ = strings.Cut(s, "triggers:"); return s }},
		{name: "a line that does not reach everybody", text: fastLoad, why: "no trigger line of the bench goes from sink to", change: func(s string) string { return strings.ReplaceAll(s, ", amm-out]", "]") }},
		{name: "a load without lists", text: fastLoad, why: "sink (sink) has no lists with trigger lines", models: func(all map[string]*model.Model) { all["sink"].Channels[0].Lists = nil }},
		{name: "a meter that hears no line", text: fastLoad, why: "amm-in takes no readings at pulses", models: func(all map[string]*model.Model) { all["amm-in"].Channels[0].Digitises = nil }},
		{name: "a list of two steps", text: fastLoad, why: "has 2 steps only", models: func(all map[string]*model.Model) { all["sink"].Channels[0].Lists.Steps = 2 }},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := onBuoy(t, c.text, c.change, c.models)
			f := fastOf(t, p)
			if !strings.Contains(f.Why, c.why) {
				t.Errorf("%q, want %q", f.Why, c.why)
			}
			if notes := strings.Join(p.Fit.Notes, "\n"); !strings.Contains(notes, "is stepped from the host: "+f.Why) {
				t.Error(notes)
			}
		})
	}
}

// A refined sweep is planned with as many points as it may take.
func TestRefinedSweepsArePlannedWhole(t *testing.T) {
	text := `  - sweep: {iout: {from: 50 mA, to: 3 A, points: 10, spacing: log}}
    refine: {by: vo, within: 1 mV, points: 30, gives: {low: from}}
    steps:
      - {load: sink, hold: iout}
      - measure: {vo: v(dut.out)}
`
	p := onBuoy(t, text, nil, nil)
	if p.Points != 31 || p.Sequence.CountPoints() != 31 {
		t.Errorf("%d points planned, %d counted", p.Points, p.Sequence.CountPoints())
	}
}
