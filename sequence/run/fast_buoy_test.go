package run_test

import (
	"context"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"fourwire/driver"
	"fourwire/driver/bench"
	"fourwire/driver/model"
	"fourwire/internal/diag"
	"fourwire/quantity/measured"
	"fourwire/record"
	"fourwire/sequence"
	"fourwire/sequence/plan"
	"fourwire/sequence/run"
	"fourwire/sim"
)

// buoy is the simulated bench of the buoy's converter with a sequence on it.
type buoy struct {
	t      testing.TB
	plan   *plan.Plan
	models map[string]*model.Model
	sim    *sim.Bench
	scene  *sim.Scenario
	ledger measured.Ledger
	dir    string
	events []run.Event
}

func buoyFile(t testing.TB, name string) []byte {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("../../examples/buoy", name))
	if err != nil {
		t.Fatal(err)
	}
	return data
}

var processing = regexp.MustCompile(`processing: [0-9.]+ ms`)

// newBuoy makes the bench; each may change the bench file and the scenario.
func newBuoy(t testing.TB, text string, seed uint64, each func(bench, scene string) (string, string)) *buoy {
	t.Helper()
	b := &buoy{t: t, models: map[string]*model.Model{}, dir: filepath.Join(t.TempDir(), "record")}
	var found diag.Findings
	if whole, ok := strings.CutPrefix(text, "\x00"); ok {
		text = whole
	} else if !strings.HasPrefix(text, "fourwire:") {
		text = head + text
	}
	wired, scenario := string(buoyFile(t, "bench.yaml")), string(buoyFile(t, "buoy.scenario.yaml"))
	if each != nil {
		wired, scenario = each(wired, scenario)
	}
	seq := sequence.Read("buoy.yaml", []byte(text), nil, &found)
	wires := bench.Read("bench.yaml", []byte(wired), &found)
	scene := sim.Read("buoy.scenario.yaml", []byte(scenario), &found)
	if found.Failed() {
		t.Fatalf("%v", found.List())
	}
	for _, in := range wires.Instruments {
		data, _ := model.FromLibrary(in.Model)
		b.models[in.Name] = model.Read(in.Model, data, &found)
	}
	b.plan = plan.Bind(seq, wires, b.models, &found)
	if found.Failed() {
		t.Fatalf("%v", found.List())
	}
	b.scene = scene
	options := sim.Options{}
	if seed > 0 {
		options.Seed = &seed
	}
	var err error
	if b.sim, err = sim.New(scene, options); err != nil {
		t.Fatal(err)
	}
	return b
}

// slow gives every instrument 10 ms for each command.
func slow(bench, scene string) (string, string) {
	return bench, processing.ReplaceAllString(scene, "processing: 10 ms")
}

func (b *buoy) open() map[string]run.Instrument {
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

func (b *buoy) columns() []record.Column {
	var out []record.Column
	for _, c := range b.plan.Columns {
		out = append(out, record.Column{Name: c.Name, Kind: record.ColumnKind(c.Kind), Dim: c.Dim, Expr: c.Expr, Node: c.Node, From: c.From})
	}
	return out
}

// run runs into a list of points; took is the simulated time.
func (b *buoy) run(ctx context.Context) (k *kept, s run.Summary, took time.Duration, err error) {
	b.t.Helper()
	k = &kept{}
	in := b.open()
	begun := b.sim.Clock().Now()
	s, err = run.Run(ctx, run.Config{Plan: b.plan, Instruments: in, Clock: b.sim.Clock(), Ledger: &b.ledger, Sink: k, Observe: func(e run.Event) {
		b.events = append(b.events, e)
	}})
	return k, s, b.sim.Clock().Since(begun), err
}

func (b *buoy) mustRun() (*kept, time.Duration) {
	b.t.Helper()
	k, _, took, err := b.run(context.Background())
	if err != nil {
		b.t.Fatalf("%v\n%s", err, b.said())
	}
	return k, took
}

func (b *buoy) said() string {
	var lines []string
	for _, e := range b.events {
		lines = append(lines, e.Kind+": "+e.Text)
	}
	return strings.Join(lines, "\n")
}

// noted is the text of the first note of a kind; empty where there is none.
func (b *buoy) noted(kind string) string {
	for _, e := range b.events {
		if e.Kind == kind {
			return e.Text
		}
	}
	return ""
}
