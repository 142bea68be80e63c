package run_test

import (
	"context"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"fourwire/driver"
	"fourwire/driver/bench"
	"fourwire/driver/model"
	"fourwire/internal/diag"
	"fourwire/quantity/measured"
	"fourwire/record"
	"fourwire/record/trace"
	"fourwire/sequence"
	"fourwire/sequence/plan"
	"fourwire/sequence/run"
	"fourwire/sim"
	"fourwire/sim/instrument"
)

const beaconFolder = "../../examples/beacon"

const beaconHead = `fourwire: sequence/1
title: beacon
needs:
  cell: {role: source, node: node-a.supply, volts: 0..3.3 V, amps: 0..200 mA}
  log: {role: recorder, node: node-a.supply, volts: 0..3.3 V, amps: 0..200 mA, every: 200 us}
guard:
  node-a.supply: {volts: -0.3..3.6 V, amps: ..250 mA}
`

// beacon is the simulated battery bench of the examples, in process, with a record on the disk.
type beacon struct {
	t      testing.TB
	plan   *plan.Plan
	models map[string]*model.Model
	sim    *sim.Bench
	ledger measured.Ledger
	dir    string
	events []run.Event
	watch  func(run.Event)
}

func beaconFile(t testing.TB, name string) []byte {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(beaconFolder, name))
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// newBeacon binds steps, below the head above, to the bench; faults are more lines of the scenario.
func newBeacon(t testing.TB, steps, faults string) *beacon {
	t.Helper()
	b := &beacon{t: t, models: map[string]*model.Model{}, dir: filepath.Join(t.TempDir(), "record")}
	var found diag.Findings
	seq := sequence.Read("beacon.yaml", []byte(beaconHead+steps), nil, &found)
	wires := bench.Read("bench.yaml", beaconFile(t, "bench.yaml"), &found)
	scene := sim.Read("beacon.scenario.yaml", append(beaconFile(t, "beacon.scenario.yaml"), faults...), &found)
	if found.Failed() {
		t.Fatalf("%v", found.List())
	}
	for _, in := range wires.Instruments {
		data, _ := model.FromLibrary(in.Model)
		b.models[in.Name] = model.Read(in.Model, data, &found)
	}
	files := map[string][]byte{}
	for _, f := range seq.Files {
		files[f.Name] = beaconFile(t, f.Name)
	}
	b.plan = plan.BindWith(seq, wires, b.models, plan.Options{Files: files}, &found)
	if found.Failed() {
		t.Fatalf("%v", found.List())
	}
	var err error
	if b.sim, err = sim.New(scene, sim.Options{}); err != nil {
		t.Fatal(err)
	}
	return b
}

func (b *beacon) open() map[string]run.Instrument {
	b.t.Helper()
	out := map[string]run.Instrument{}
	for _, in := range b.plan.Bench.Instruments {
		if !b.plan.Uses(in.Name) {
			continue
		}
		link, err := b.sim.Link(in.Name)
		if err != nil {
			b.t.Fatal(err)
		}
		one, err := driver.Open(context.Background(), driver.Config{Name: in.Name, Address: in.Address, Model: b.models[in.Name], Link: link, Clock: b.sim.Clock(), Ledger: &b.ledger,
			AmbientKelvin: b.plan.Bench.AmbientKelvin})
		if err != nil {
			b.t.Fatal(err)
		}
		b.t.Cleanup(func() { one.Close() })
		out[in.Name] = run.Opened(one)
	}
	return out
}

func (b *beacon) columns() []record.Column {
	var out []record.Column
	for _, c := range b.plan.Columns {
		out = append(out, record.Column{Name: c.Name, Kind: record.ColumnKind(c.Kind), Dim: c.Dim, Expr: c.Expr, Node: c.Node, From: c.From})
	}
	return out
}

// run runs with a record, to whatever end.
func (b *beacon) run(ctx context.Context) (*record.Record, run.Summary, error) {
	b.t.Helper()
	w, err := record.Create(b.dir, record.Start{Tool: "test", Title: "beacon", Clock: b.sim.Clock(), Ledger: &b.ledger})
	if err != nil {
		b.t.Fatal(err)
	}
	return b.into(ctx, w, nil)
}

func (b *beacon) into(ctx context.Context, w *record.Writer, on *run.Resume) (*record.Record, run.Summary, error) {
	b.t.Helper()
	if err := w.Columns(b.columns(), b.plan.Parts); err != nil {
		b.t.Fatal(err)
	}
	s, err := run.Run(ctx, run.Config{Plan: b.plan, Instruments: b.open(), Clock: b.sim.Clock(), Ledger: &b.ledger, Sink: w, Resume: on, Observe: func(e run.Event) {
		b.events = append(b.events, e)
		if b.watch != nil {
			b.watch(e)
		}
	}})
	end := record.End{Outcome: s.Outcome, Exit: run.ExitStatus(s, err)}
	if err != nil {
		end.Reason = err.Error()
	}
	if ferr := w.Finish(end); ferr != nil {
		b.t.Fatal(ferr)
	}
	rec, ferr := record.Open(b.dir)
	if ferr != nil {
		b.t.Fatal(ferr)
	}
	return rec, s, err
}

// mustEnd runs to a good end.
func (b *beacon) mustEnd() (*record.Record, run.Summary) {
	b.t.Helper()
	rec, s, err := b.run(context.Background())
	if err != nil {
		b.t.Fatalf("%v\n%s", err, b.said())
	}
	return rec, s
}

func (b *beacon) said() string {
	var out []string
	for _, e := range b.events {
		out = append(out, e.Kind+": "+e.Text)
	}
	return strings.Join(out, "\n")
}

func (b *beacon) trace(name string) *trace.Trace {
	b.t.Helper()
	t, err := trace.Open(filepath.Join(b.dir, record.TracesFolder), name)
	if err != nil {
		b.t.Fatal(err)
	}
	b.t.Cleanup(func() { t.Close() })
	return t
}

func (b *beacon) mustBeOff() {
	b.t.Helper()
	on := map[string]bool{}
	for _, e := range b.sim.Events() {
		switch e.Kind {
		case instrument.Switched:
			on[e.Instrument] = e.Value == 1
		case instrument.Tripped, instrument.ResetDone:
			on[e.Instrument] = false
		}
	}
	for name, lit := range on {
		if lit {
			b.t.Errorf("%s is still on", name)
		}
	}
}

const powered = `steps:
  - {source: cell, volts: 3 V, amps: 200 mA}
  - {wait: 10 s}
`

// What was recorded, found and worked out for five minutes of the beacon is held against the charge that the simulator's engine has
// integrated for certain, which comes from no sample; how far it may be off is the unit's accuracy, as the drain states it.
func TestADayInSmall(t *testing.T) {
	b := newBeacon(t, powered+`
  - record: day
    with: log
    of: {v: v(node-a.supply), i: i(node-a.supply)}
    every: 1 ms
    for: 5 min
  - drain: day
    gives: {mean: i_mean, charge: q, energy: e, peak: i_peak, lowest: v_low, time: t, events: n, sleep: i_sleep, sleep_time: sleeping}
  - life: Beacon
    battery: cells/lithium-primary.battery.yaml
    current: i_mean
    peak: i_peak
    gives: {life: life, low: low, high: high, usable: usable}
  - derive: {watts: e / t}
  - judge: {limit: low >= 1 a}
`, "")
	var before, after sim.Taken
	b.watch = func(e run.Event) {
		switch {
		case strings.Contains(e.Text, "is being recorded"):
			before = b.sim.Truth().Taken["smu-a.1"]
		case e.Kind == "recorded":
			after = b.sim.Truth().Taken["smu-a.1"]
		}
	}
	rec, s := b.mustEnd()
	p := rec.Rows[0]
	if !p.Valid || s.Points != 1 {
		t.Fatalf("%+v", p)
	}
	q, e := p.Cells["q"], p.Cells["e"]
	if truth := after.Coulombs - before.Coulombs; math.Abs(q.SI-truth) > q.U+1e-3*truth || !(q.U > 0 && q.U < 0.01*q.SI) { // a few samples come after the five minutes
		t.Errorf("charge %g +/- %g, in truth %g", q.SI, q.U, truth)
	}
	if truth := after.Joules - before.Joules; math.Abs(e.SI-truth) > 0.01*truth {
		t.Errorf("energy %g, in truth %g", e.SI, truth)
	}
	if got := p.Cells["t"].SI; math.Abs(got-300) > 1e-9 {
		t.Errorf("%g s were looked at", got)
	}
	if got := p.Cells["i_sleep"].SI; math.Abs(got-1.2e-6) > 0.1e-6 { // the scenario's sleep: 1.2 uA, and what ticks meanwhile
		t.Errorf("sleep %g A", got)
	}
	life, low, high := p.Cells["life"].SI, p.Cells["low"].SI, p.Cells["high"].SI
	if want := p.Cells["usable"].SI / p.Cells["i_mean"].SI; !(low < life && life < high) || !(life < want && life > 0.8*want) { // self-discharge comes on top of the mean current
		t.Errorf("life %g s, %g to %g; charge over current %g", life, low, high, want)
	}
	if watts, want := p.Cells["watts"].SI, 3*p.Cells["i_mean"].SI; math.Abs(watts-want) > 0.01*want {
		t.Errorf("%g W, want about %g", watts, want)
	}
	if len(rec.Verdicts) != 1 || rec.Verdicts[0].Outcome != record.Pass {
		t.Errorf("verdicts %+v", rec.Verdicts)
	}
	tr := b.trace("day")
	if st := tr.Statement(); !st.Complete || st.Received < 300_000 || st.Received != st.Expected || st.Lost != 0 || math.Abs(st.CoulombsCounted-st.CoulombsReceived) > 1e-5*st.CoulombsCounted {
		t.Errorf("statement %+v", st)
	}
	var kept record.Drain
	data, err := os.ReadFile(filepath.Join(b.dir, "analysis", "day.drain.json"))
	if err != nil || json.Unmarshal(data, &kept) != nil || len(kept.States) < 2 || len(kept.Life) != 1 || kept.Life[0].EndedBy == "" {
		t.Errorf("analysis: %v, %+v", err, kept.Life)
	}
	events, err := os.ReadFile(filepath.Join(b.dir, "analysis", "day.events.csv"))
	if lines := strings.Count(string(events), "\n"); err != nil || lines != 1+int(p.Cells["n"].SI) {
		t.Errorf("%d lines of events, %v", lines, err)
	}
	if checked, err := record.Check(b.dir); err != nil || !checked.Whole {
		t.Errorf("verify: %+v, %v", checked, err)
	}
	b.mustBeOff()
}

// A gap makes the point invalid with its place and length; what the index does not tell, the unit's own counts and the clock do.
func TestGapsInARecording(t *testing.T) {
	for _, c := range []struct {
		name, fault string
		why         []string // parts of what is said of the point
		gaps        int
	}{
		{name: "the index jumps", fault: "{kind: recording-gap, instrument: smu-a, into: 12.0042 s, for: 30 ms}", why: []string{"30 ms missing at 12.004", "150 samples"}, gaps: 1},
		{name: "the index goes on", fault: "{kind: silent-gap, instrument: smu-a, into: 12 s, for: 30 ms}", why: []string{"the unit took", "missing at a place that is not known"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newBeacon(t, powered+`
  - {record: hunt, with: log, of: {i: i(node-a.supply)}, every: 200 us, for: 70 s}
  - {drain: hunt, gives: {mean: i_mean}}
  - judge: {limit: i_mean <= 1 mA}
`, "\nfaults:\n  - "+c.fault+"\n")
			rec, s := b.mustEnd()
			p := rec.Rows[0]
			if p.Valid || s.Invalid != 1 {
				t.Fatalf("the point is valid: %+v", p)
			}
			for _, part := range c.why {
				if !strings.Contains(p.Why, part) {
					t.Errorf("%q does not say %q", p.Why, part)
				}
			}
			if st := b.trace("hunt").Statement(); st.Complete || len(st.Gaps) != c.gaps || len(st.Why) == 0 {
				t.Errorf("statement %+v", st)
			}
			if len(rec.Verdicts) > 0 && rec.Verdicts[0].Outcome == record.Pass {
				t.Error("a limit is met with an invalid point")
			}
		})
	}
}

// A sample beyond the guard, which no reading would have seen, ends the run for safety; the trace is kept, marked as not complete. A
// transmission takes 140 mW for 58 ms.
func TestASampleBeyondTheGuardEndsTheRun(t *testing.T) {
	b := newBeacon(t, powered, "")
	steps := powered + "  - {record: hunt, with: log, of: {i: i(node-a.supply), v: v(node-a.supply)}, every: 1 ms, for: 5 min}\n"
	var found diag.Findings
	seq := sequence.Read("beacon.yaml", []byte(strings.Replace(beaconHead, "..250 mA", "..250 mA, watts: ..100 mW", 1)+steps), nil, &found)
	b.plan = plan.Bind(seq, b.plan.Bench, b.models, &found)
	if found.Failed() {
		t.Fatalf("%v", found.List())
	}
	_, s, err := b.run(context.Background())
	if run.ExitStatus(s, err) != 5 || !strings.Contains(err.Error(), "is outside its guard, 0 W..100 mW") && !strings.Contains(err.Error(), "is outside its guard, ..100 mW") || !strings.Contains(err.Error(), "of hunt") {
		t.Fatalf("%v", err)
	}
	if st := b.trace("hunt").Statement(); st.Complete || st.Received == 0 || st.Received > 90_000 || !strings.Contains(strings.Join(st.Why, ";"), "ended early") {
		t.Errorf("statement %+v", st)
	}
	b.mustBeOff()
}

// An interruption leaves the outputs off and a trace that ends there; the run that goes on records it again from its beginning.
func TestAnInterruptedRecordingIsMadeAgain(t *testing.T) {
	steps := powered + `
  - {record: first, with: log, of: {i: i(node-a.supply)}, every: 1 ms, for: 1 min}
  - {drain: first, gives: {charge: q1}}
  - repeat: 1
    steps:
      - {record: second, with: log, of: {i: i(node-a.supply)}, every: 1 ms, for: 2 min}
      - {drain: second, against: first, gives: {charge: q2, change: change}}
`
	b := newBeacon(t, steps, "")
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	b.watch = func(e run.Event) {
		if e.Kind == "recording" && strings.HasPrefix(e.Text, "second: 1 min") {
			cancel()
		}
	}
	rec, s, err := b.run(ctx)
	if run.ExitStatus(s, err) != 130 {
		t.Fatalf("%v", err)
	}
	b.mustBeOff()
	if st := b.trace("second").Statement(); st.Complete || st.Received < 60_000 || st.Received > 90_000 {
		t.Errorf("statement %+v", st)
	}
	if st := b.trace("first").Statement(); !st.Complete {
		t.Errorf("statement of the first %+v", st)
	}

	next := newBeacon(t, steps, "")
	next.dir = b.dir
	next.sim = later(t, rec.Ended.Add(time.Hour))
	w, on, err := record.Resume(b.dir, "test", next.sim.Clock(), &next.ledger)
	if err != nil {
		t.Fatal(err)
	}
	terms, err := record.ReadTerms(b.dir)
	if err != nil {
		t.Fatal(err)
	}
	rec, s, err = next.into(context.Background(), w, &run.Resume{Started: rec.Started, Rows: on.Rows, Held: on.Held, Verdicts: on.Verdicts, Log: on.Log, Terms: terms})
	if err != nil {
		t.Fatalf("%v\n%s", err, next.said())
	}
	if len(rec.Rows) != 2 || !rec.Rows[0].Valid || !rec.Rows[1].Valid || s.Points != 2 {
		t.Fatalf("%+v\n%s", rec.Rows, next.said())
	}
	if st := next.trace("second").Statement(); !st.Complete || st.Received < 120_000 {
		t.Errorf("statement %+v", st)
	}
	if strings.Contains(next.said(), "first is being recorded") {
		t.Error("what was whole was recorded again")
	}
	if checked, err := record.Check(b.dir); err != nil || !checked.Whole {
		t.Errorf("%+v, %v", checked, err)
	}
	next.mustBeOff()
}

// A run that was interrupted behind an emulation knows where its battery stands, and does not play it again.
func TestARunGoesOnBehindAnEmulation(t *testing.T) {
	steps := `steps:
  - emulate: cell
    battery: cells/lithium-primary.battery.yaml
    amps: 200 mA
    from: 60 %
    until: {time: 40 s}
    keep: 20 s
    reads: {v_now: v(node-a.supply)}
    gives: {time: t, charge: soc, drawn: drawn}
    steps:
      - derive: {lower: v_now - 1 V}
      - judge: {limit: v_now >= 2 V}
  - repeat: 1
    steps:
      - {source: cell, volts: 3 V}
      - {record: day, with: log, of: {i: i(node-a.supply)}, every: 1 ms, for: 1 min}
      - {drain: day, gives: {charge: q}}
  - emulate: cell
    battery: cells/lithium-primary.battery.yaml
    until: {time: 20 s}
    keep: 20 s
    gives: {time: t2, charge: soc2, drawn: drawn2}
`
	b := newBeacon(t, steps, "")
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	b.watch = func(e run.Event) {
		if e.Kind == "recording" && strings.HasPrefix(e.Text, "day: 2") {
			cancel()
		}
	}
	rec, s, err := b.run(ctx)
	if run.ExitStatus(s, err) != 130 || len(rec.Rows) != 4 {
		t.Fatalf("%v, %d rows", err, len(rec.Rows))
	}
	next := newBeacon(t, steps, "")
	next.dir, next.sim = b.dir, later(t, rec.Ended.Add(time.Hour))
	w, on, err := record.Resume(b.dir, "test", next.sim.Clock(), &next.ledger)
	if err != nil {
		t.Fatal(err)
	}
	terms, err := record.ReadTerms(b.dir)
	if err != nil {
		t.Fatal(err)
	}
	again, s, err := next.into(context.Background(), w, &run.Resume{Started: rec.Started, Rows: on.Rows, Held: on.Held, Verdicts: on.Verdicts, Log: on.Log, Terms: terms})
	if err != nil || len(again.Rows) != 6 || s.Points != 6 || len(again.Verdicts) != 3 {
		t.Fatalf("%v; %d rows, %d points, %d verdicts\n%s", err, len(again.Rows), s.Points, len(again.Verdicts), next.said())
	}
	stood, begins := again.Rows[2].Cells["drawn"].SI, again.Rows[4].Cells["drawn2"].SI
	if math.Abs(stood-begins) > 1e-9 || stood <= 0 || again.Rows[2].Cells["lower"].SI < 1 {
		t.Errorf("%g C were drawn, it goes on at %g C", stood, begins)
	}
	if !strings.Contains(next.said(), "3 points are there") {
		t.Error(next.said())
	}
	next.mustBeOff()
}

func later(t testing.TB, start time.Time) *sim.Bench {
	t.Helper()
	var found diag.Findings
	scene := sim.Read("beacon.scenario.yaml", beaconFile(t, "beacon.scenario.yaml"), &found)
	b, err := sim.New(scene, sim.Options{Start: start})
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// A unit that plays a worn cell while it records: what the node draws is counted from every sample, the readings at the points come from the
// recording, and the source makes the resistance itself, so that a transmission pulls the node down at once.
func TestABatteryIsPlayedWhileItIsRecorded(t *testing.T) {
	b := newBeacon(t, `steps:
  - record: worn
    with: log
    of: {i: i(node-a.supply), v: v(node-a.supply)}
    every: 200 us
    steps:
      - emulate: cell
        battery: cells/lithium-primary.battery.yaml
        amps: 200 mA
        from: 20 %
        until: {time: 90 s}
        keep: 30 s
        reads: {v_now: v(node-a.supply)}
        gives: {time: t, charge: soc, drawn: drawn, terminal: terminal}
        steps:
          - judge: {limit: v_now >= 2 V}
  - {drain: worn, from: 5 s, gives: {charge: q, lowest: v_low, peak: i_peak}}
`, "")
	rec, _ := b.mustEnd()
	if len(rec.Rows) != 5 {
		t.Fatalf("%d rows", len(rec.Rows))
	}
	var last record.Point
	for _, p := range rec.Rows {
		if _, ok := p.Cells["t"]; ok && p.Cells["t"].SI >= last.Cells["t"].SI {
			last = p
		}
		if v, ok := p.Cells["v_now"]; ok && (!p.Valid || math.Abs(v.SI-p.Cells["terminal"].SI) > 0.3) { // a transmission may be under way
			t.Errorf("%+v", p)
		}
	}
	st := b.trace("worn").Statement()
	if !st.Complete {
		t.Errorf("%+v", st)
	}
	// what was drawn from the battery is what was recorded, but for what was recorded before its output was on and behind its end
	if drawn := last.Cells["drawn"].SI; math.Abs(drawn-st.CoulombsReceived) > 0.01*st.CoulombsReceived {
		t.Errorf("%g C drawn, %g C recorded", drawn, st.CoulombsReceived)
	}
	// 20 % of charge: 3.5 ohm, and about 50 mA of a transmission more: a drop of 0.18 V and more, at once
	if low := outer(rec).Cells["v_low"].SI; !(low < 2.75 && low > 2) {
		t.Errorf("lowest voltage %g", low)
	}
	var kept record.Emulation
	data, err := os.ReadFile(filepath.Join(b.dir, "emulation", "cell-lithium-primary.json"))
	if err != nil || json.Unmarshal(data, &kept) != nil || kept.Resistance != "output" || kept.CountedBy != "every sample of the recording" || math.Abs(kept.Charge-last.Cells["soc"].SI) > 1e-9 {
		t.Errorf("%v %+v", err, kept)
	}
	b.mustBeOff()
}

func outer(rec *record.Record) record.Point {
	for _, p := range rec.Rows {
		if _, ok := p.Cells["q"]; ok {
			return p
		}
	}
	return record.Point{}
}

// What a drain gives of events is of the kind that takes most of the charge, which ticks of the clock, ten times as many, do not; and a mean
// that is left open by the length of its recording is decided by a longer one, which the advice says. The scenario: a report of about
// 3.2 mC in a minute.
func TestWhatAShortRecordingLeavesOpen(t *testing.T) {
	b := newBeacon(t, powered+`
  - {record: short, with: log, of: {i: i(node-a.supply)}, every: 1 ms, for: 10 min}
  - {drain: short, gives: {mean: i_mean, event_charge: q_report, period: t_report}}
  - judge: {limit: i_mean <= 65 uA, rule: guard band}
`, "")
	rec, _ := b.mustEnd()
	p := rec.Rows[0]
	if q, every := p.Cells["q_report"].SI, p.Cells["t_report"].SI; q < 2.9e-3 || q > 4e-3 || math.Abs(every-60) > 1 {
		t.Errorf("a report takes %g C and comes every %g s", q, every)
	}
	if len(rec.Verdicts) != 1 || rec.Verdicts[0].Outcome != record.Undecided || !strings.Contains(rec.Verdicts[0].Advice, "by this: record short for ") || !strings.Contains(rec.Verdicts[0].Advice, " in place of 10 min") {
		t.Errorf("%+v", rec.Verdicts)
	}
}
