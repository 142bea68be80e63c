package e2e

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

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

const beaconExamples = "../../examples/beacon"

// long tells whether the full sizes are run, whose figures are printed. The small ones that are always on are the same tests.
func long() bool { return os.Getenv("FOURWIRE_LONG") == "1" }

// beacon is the battery bench in process, in virtual time, with a record on the disk.
type beacon struct {
	t      testing.TB
	plan   *plan.Plan
	sim    *sim.Bench
	ledger measured.Ledger
	dir    string
	said   []string

	record  *record.Record
	summary run.Summary
	err     error
}

type beaconOptions struct {
	set      []sequence.Setting
	sequence string                   // text in place of the file's
	files    map[string]string        // battery files in place of those of the folder, by the name in the sequence
	scenario func(text string) string // changes the truth
	bench    func(text string) string // changes the belief
	watch    func(*beacon, run.Event)
}

// runBeacon runs a sequence of the beacon to whatever end.
func runBeacon(t testing.TB, file string, o beaconOptions) *beacon {
	t.Helper()
	read := func(name string) []byte {
		data, err := os.ReadFile(filepath.Join(beaconExamples, name))
		if err != nil {
			t.Fatal(err)
		}
		return data
	}
	b := &beacon{t: t, dir: filepath.Join(t.TempDir(), "record")}
	var found diag.Findings
	text := o.sequence
	if text == "" {
		text = string(read(file))
	}
	seq := sequence.Read(file, []byte(text), o.set, &found)
	wires := bench.Read("bench.yaml", through(o.bench, string(read("bench.yaml"))), &found)
	scene := sim.Read("beacon.scenario.yaml", through(o.scenario, string(read("beacon.scenario.yaml"))), &found)
	if found.Failed() {
		t.Fatalf("%v", found.List())
	}
	models, files := map[string]*model.Model{}, map[string][]byte{}
	for _, in := range wires.Instruments {
		data, _ := model.FromLibrary(in.Model)
		models[in.Name] = model.Read(in.Model, data, &found)
	}
	for _, f := range seq.Files {
		if own, ok := o.files[f.Name]; ok {
			files[f.Name] = []byte(own)
			continue
		}
		files[f.Name] = read(f.Name)
	}
	b.plan = plan.BindWith(seq, wires, models, plan.Options{Files: files}, &found)
	if found.Failed() {
		t.Fatalf("%v", found.List())
	}
	var err error
	if b.sim, err = sim.New(scene, sim.Options{}); err != nil {
		t.Fatal(err)
	}
	w, err := record.Create(b.dir, record.Start{Tool: "test", Title: b.plan.Sequence.Title, Clock: b.sim.Clock(), Ledger: &b.ledger})
	if err != nil {
		t.Fatal(err)
	}
	defer w.Close()
	var columns []record.Column
	for _, c := range b.plan.Columns {
		columns = append(columns, record.Column{Name: c.Name, Kind: record.ColumnKind(c.Kind), Dim: c.Dim, Expr: c.Expr, Node: c.Node, From: c.From})
	}
	if err := w.Columns(columns, b.plan.Parts); err != nil {
		t.Fatal(err)
	}
	instruments := map[string]run.Instrument{}
	for _, in := range wires.Instruments {
		if !b.plan.Uses(in.Name) {
			continue
		}
		link, err := b.sim.Link(in.Name)
		if err != nil {
			t.Fatal(err)
		}
		one, err := driver.Open(context.Background(), driver.Config{Name: in.Name, Address: in.Address, Model: models[in.Name], Link: link, Clock: b.sim.Clock(), Ledger: &b.ledger,
			AmbientKelvin: wires.AmbientKelvin})
		if err != nil {
			t.Fatal(err)
		}
		defer one.Close()
		instruments[in.Name] = run.Opened(one)
	}
	b.summary, b.err = run.Run(context.Background(), run.Config{Plan: b.plan, Instruments: instruments, Clock: b.sim.Clock(), Ledger: &b.ledger, Sink: w, Observe: func(e run.Event) {
		if e.Kind != "recording" {
			b.said = append(b.said, e.Kind+": "+e.Text)
		}
		if o.watch != nil {
			o.watch(b, e)
		}
	}})
	end := record.End{Outcome: b.summary.Outcome, Exit: run.ExitStatus(b.summary, b.err)}
	if b.err != nil {
		end.Reason = b.err.Error()
	}
	if err := w.Finish(end); err != nil {
		t.Fatal(err)
	}
	if b.record, err = record.Open(b.dir); err != nil {
		t.Fatal(err)
	}
	if on := b.lit(); len(on) > 0 {
		t.Errorf("still on: %v", on)
	}
	return b
}

// mustEnd fails where the run did not come to its end.
func (b *beacon) mustEnd() *beacon {
	b.t.Helper()
	if b.err != nil {
		b.t.Fatalf("%v\n%s", b.err, strings.Join(b.said, "\n"))
	}
	return b
}

// lit names the units whose output is on, by the simulator's own log.
func (b *beacon) lit() (on []string) {
	state := map[string]bool{}
	for _, e := range b.sim.Events() {
		switch e.Kind {
		case instrument.Switched:
			state[e.Instrument] = e.Value == 1
		case instrument.Tripped, instrument.ResetDone:
			state[e.Instrument] = false
		}
	}
	for name, lit := range state {
		if lit {
			on = append(on, name)
		}
	}
	return on
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

// drainOf is what was found in a trace of a record.
func drainOf(t testing.TB, dir, trace string) *record.Drain {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(dir, record.AnalysisFolder, trace+".drain.json"))
	if err != nil {
		t.Fatal(err)
	}
	d := decode[record.Drain](t, string(data))
	return &d
}

// cell is the value of a column that only one row has.
func (b *beacon) cell(name string) float64 {
	b.t.Helper()
	for _, p := range b.record.Rows {
		if c, ok := p.Cells[name]; ok {
			return c.SI
		}
	}
	b.t.Fatalf("no row has %s", name)
	return 0
}

// beaconHead begins a sequence on unit A.
func beaconHead(every string) string {
	return fmt.Sprintf(`fourwire: sequence/1
title: Beacon node
bench: bench.yaml
needs:
  cell: {role: source,   node: node-a.supply, volts: 0..3.3 V, amps: 0..200 mA}
  log:  {role: recorder, node: node-a.supply, volts: 0..3.3 V, amps: 0..200 mA, every: %s}
guard:
  node-a.supply: {volts: -0.3..3.6 V, amps: ..250 mA}
steps:
`, every)
}

func decode[T any](t testing.TB, text string) (v T) {
	t.Helper()
	if err := json.Unmarshal([]byte(text), &v); err != nil {
		t.Fatalf("%v: %.400s", err, text)
	}
	return v
}
