package e2e

import (
	"context"
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
	"fourwire/sequence"
	"fourwire/sequence/plan"
	"fourwire/sequence/run"
	"fourwire/sim"
	"fourwire/sim/instrument"
	"fourwire/transport"
)

const examples = "../../examples/buoy"

// chain is everything from the sequence file to the simulated device.
type chain struct {
	t           testing.TB
	plan        *plan.Plan
	sim         *sim.Bench
	ledger      measured.Ledger
	instruments map[string]run.Instrument
	names       []string

	points   []record.Point
	truths   []sim.Truth // at the moment each point was finished
	verdicts []record.Verdict
	results  map[string]record.Result
	events   []string
}

type options struct {
	set      map[string]string
	sequence string // text in place of the file's
	seed     uint64
	wrap     func(instrument string, l transport.Link) transport.Link
	scenario func(text string) string // changes the truth
	bench    func(text string) string // changes the belief
}

func read(t testing.TB, file string) string {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(examples, file))
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

func through(change func(string) string, text string) []byte {
	if change != nil {
		text = change(text)
	}
	return []byte(text)
}

// newChain reads everything and makes the bench; nothing is opened yet.
func newChain(t testing.TB, file string, o options) *chain {
	t.Helper()
	c := &chain{t: t, results: map[string]record.Result{}}
	var found diag.Findings
	text := o.sequence
	if text == "" {
		text = read(t, file)
	}
	var set []sequence.Setting
	for name, value := range o.set {
		set = append(set, sequence.Setting{Name: name, Value: value})
	}
	seq := sequence.Read(file, []byte(text), set, &found)
	b := bench.Read("bench.yaml", through(o.bench, read(t, "bench.yaml")), &found)
	scenario := sim.Read("buoy.scenario.yaml", through(o.scenario, read(t, "buoy.scenario.yaml")), &found)
	if found.Failed() {
		t.Fatalf("%v", found.List())
	}
	models := map[string]*model.Model{}
	for _, in := range b.Instruments {
		data, ok := model.FromLibrary(in.Model)
		if !ok {
			t.Fatalf("the library has no %s", in.Model)
		}
		models[in.Name] = model.Read(in.Model, data, &found)
	}
	c.plan = plan.Bind(seq, b, models, &found)
	if found.Failed() {
		t.Fatalf("%v", found.List())
	}
	var err error
	options := sim.Options{}
	if o.seed != 0 {
		options.Seed = &o.seed
	}
	if c.sim, err = sim.New(scenario, options); err != nil {
		t.Fatal(err)
	}
	c.instruments = map[string]run.Instrument{}
	for _, in := range b.Instruments {
		if c.plan.Uses(in.Name) {
			c.names = append(c.names, in.Name)
		}
	}
	return c
}

// open opens every instrument that the plan uses.
func (c *chain) open(o options) error {
	for _, in := range c.plan.Bench.Instruments {
		if !c.plan.Uses(in.Name) {
			continue
		}
		link, err := c.sim.Link(in.Name)
		if err != nil {
			return err
		}
		if o.wrap != nil {
			link = o.wrap(in.Name, link)
		}
		data, _ := model.FromLibrary(in.Model)
		var found diag.Findings
		one, err := driver.Open(context.Background(), driver.Config{
			Name: in.Name, Address: in.Address, Model: model.Read(in.Model, data, &found), Link: link, Clock: c.sim.Clock(), Ledger: &c.ledger,
			AmbientKelvin: c.plan.Bench.AmbientKelvin,
		})
		if err != nil {
			return err
		}
		c.t.Cleanup(func() { one.Close() })
		c.instruments[in.Name] = run.Opened(one)
	}
	return nil
}

// run opens and runs.
func (c *chain) run(ctx context.Context, o options) (run.Summary, error) {
	c.t.Helper()
	if err := c.open(o); err != nil {
		return run.Summary{}, err
	}
	return run.Run(ctx, run.Config{Plan: c.plan, Instruments: c.instruments, Clock: c.sim.Clock(), Ledger: &c.ledger, Observe: c.observe})
}

func (c *chain) observe(e run.Event) {
	switch {
	case e.Point != nil:
		c.points, c.truths = append(c.points, *e.Point), append(c.truths, c.sim.Truth())
	case e.Verdict != nil:
		c.verdicts = append(c.verdicts, *e.Verdict)
	case e.Result != nil:
		c.results[e.Result.Name+e.Result.Part] = *e.Result
	default:
		c.events = append(c.events, e.Kind+": "+e.Text)
	}
}

// whole runs an example that must come to its end.
func whole(t testing.TB, file string, o options) (*chain, run.Summary) {
	t.Helper()
	c := newChain(t, file, o)
	s, err := c.run(context.Background(), o)
	if err != nil {
		t.Fatalf("%v\n%s", err, strings.Join(c.events, "\n"))
	}
	return c, s
}

// lit names the instruments whose output or input is on, by the simulator's own log.
func (c *chain) lit() []string {
	on := map[string]bool{}
	for _, e := range c.sim.Events() {
		switch e.Kind {
		case instrument.Switched:
			on[e.Instrument] = e.Value == 1
		case instrument.Tripped, instrument.ResetDone:
			on[e.Instrument] = false
		}
	}
	var out []string
	for _, name := range c.names {
		if on[name] {
			out = append(out, name)
		}
	}
	return out
}
