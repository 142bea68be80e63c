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
	models      map[string]*model.Model // by instrument
	scenario    *sim.Scenario
	sim         *sim.Bench
	ledger      measured.Ledger
	instruments map[string]run.Instrument
	names       []string

	points   []record.Point
	truths   []sim.Truth // at the moment each point was finished
	verdicts []record.Verdict
	results  map[string]record.Result
	events   []string

	watch func(record.Point) // of each point; nil: nobody
}

type options struct {
	set      map[string]string
	sequence string // text in place of the file's
	seed     uint64
	wrap     func(instrument string, l transport.Link) transport.Link
	scenario func(text string) string // changes the truth
	bench    func(text string) string // changes the belief
	killed   bool                     // the record gets no end
	after    func(points int)         // of a run that goes on: after each point
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
	c := &chain{t: t, models: map[string]*model.Model{}}
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
	c.scenario = sim.Read("buoy.scenario.yaml", through(o.scenario, read(t, "buoy.scenario.yaml")), &found)
	if found.Failed() {
		t.Fatalf("%v", found.List())
	}
	for _, in := range b.Instruments {
		data, ok := model.FromLibrary(in.Model)
		if !ok {
			t.Fatalf("the library has no %s", in.Model)
		}
		c.models[in.Name] = model.Read(in.Model, data, &found)
	}
	c.plan = plan.Bind(seq, b, c.models, &found)
	if found.Failed() {
		t.Fatalf("%v", found.List())
	}
	for _, in := range b.Instruments {
		if c.plan.Uses(in.Name) {
			c.names = append(c.names, in.Name)
		}
	}
	return c.fresh(o)
}

// fresh is the same chain with a bench that has just been switched on, and nothing kept.
func (c *chain) fresh(o options) *chain {
	c.t.Helper()
	out := &chain{t: c.t, plan: c.plan, models: c.models, scenario: c.scenario, names: c.names, instruments: map[string]run.Instrument{}, results: map[string]record.Result{}}
	options := sim.Options{}
	if o.seed != 0 {
		options.Seed = &o.seed
	}
	var err error
	if out.sim, err = sim.New(c.scenario, options); err != nil {
		c.t.Fatal(err)
	}
	return out
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
		one, err := driver.Open(context.Background(), driver.Config{
			Name: in.Name, Address: in.Address, Model: c.models[in.Name], Link: link, Clock: c.sim.Clock(), Ledger: &c.ledger,
			AmbientKelvin: c.plan.Bench.AmbientKelvin, Age: in.Age(c.sim.Clock().Now()),
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
	case e.Kind == "recalled":
	case e.Point != nil:
		c.points, c.truths = append(c.points, *e.Point), append(c.truths, c.sim.Truth())
		if c.watch != nil {
			c.watch(*e.Point)
		}
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
