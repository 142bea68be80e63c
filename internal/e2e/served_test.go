package e2e

import (
	"context"
	"os"
	"regexp"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"fourwire/driver"
	"fourwire/internal/clock"
	"fourwire/internal/diag"
	"fourwire/quantity/measured"
	"fourwire/record"
	"fourwire/sequence/plan"
	"fourwire/sequence/run"
	"fourwire/sim"
	"fourwire/sim/instrument"
	"fourwire/sim/serve"
	"fourwire/transport"
	"fourwire/transport/dial"
)

// answerWithin is how long an instrument of these tests may take to answer, in real time; a usual one has 2 s.
const answerWithin = time.Second

// servedRun is one run over real sockets: what went in and what came out of it.
type servedRun struct {
	faults string                                // of the scenario, as a list
	sink   func(run.Sink, *atomic.Bool) run.Sink // nil: the writer; the flag tells that the scenario's fault has happened
	clock  func(*atomic.Bool) clock.Clock        // nil: the machine's
	// between puts something between the runner and the instruments; nil: nothing.
	between func([]serve.Endpoint) []serve.Endpoint

	summary run.Summary
	err     error
	record  *record.Record
	events  []sim.Event
	said    []string // what the run told, as "level kind: text"
	wire    []string
	hit     atomic.Bool
}

// serveAndRun serves the buoy's bench with faults on sockets of this machine, as fast as it goes, and runs a plan against it; everything but the
// process is as the command has it.
func serveAndRun(t *testing.T, p *plan.Plan, first *chain, r *servedRun) {
	t.Helper()
	var found diag.Findings
	text := read(t, "buoy.scenario.yaml")
	// a wide lock-out: behind a source in its limit the device then starts seldom, and the simulation has little to do
	text = strings.Replace(text, "starts_above: 4.5 V", "starts_above: 8 V", 1)
	if r.faults != "" {
		text += "\nfaults:\n" + r.faults
	}
	scenario := sim.Read("buoy.scenario.yaml", []byte(text), &found)
	if scenario == nil {
		t.Fatal(found.List())
	}
	b, err := sim.New(scenario, sim.Options{})
	if err != nil {
		t.Fatal(err)
	}
	var endpoints []serve.Endpoint
	for _, name := range b.Instruments() {
		endpoints = append(endpoints, serve.Endpoint{Instrument: name, Address: "tcp://127.0.0.1:0"})
	}
	ctx, cancel := context.WithCancel(context.Background())
	ready, over := make(chan []serve.Endpoint, 1), make(chan error, 1)
	go func() {
		over <- serve.Serve(ctx, b, serve.Options{Endpoints: endpoints, Ready: func(e []serve.Endpoint) { ready <- e }, Event: func(_ time.Time, e sim.Event) {
			if e.Kind == instrument.Struck {
				r.hit.Store(true)
			}
		}})
	}()
	defer func() {
		cancel()
		if err := <-over; err != nil {
			t.Error(err)
		}
	}()
	var addresses []serve.Endpoint
	select {
	case addresses = <-ready:
	case err := <-over:
		over <- nil
		t.Fatal(err)
	}
	if r.between != nil {
		addresses = r.between(addresses)
	}
	c := clock.Real()
	if r.clock != nil {
		c = r.clock(&r.hit)
	}
	r.against(t, p, first, addresses, c)
	r.events = b.Events()
}

// against opens the instruments at their addresses and runs.
func (r *servedRun) against(t *testing.T, p *plan.Plan, first *chain, addresses []serve.Endpoint, c clock.Clock) {
	t.Helper()
	dir := t.TempDir() + "/record"
	w, err := record.Create(dir, record.Start{Tool: "test", Title: p.Sequence.Title, Planned: p.Points})
	if err != nil {
		t.Fatal(err)
	}
	defer w.Close()
	var columns []record.Column
	for _, k := range p.Columns {
		columns = append(columns, record.Column{Name: k.Name, Kind: record.ColumnKind(k.Kind), Dim: k.Dim, Expr: k.Expr, Node: k.Node, From: k.From})
	}
	if err := w.Columns(columns, p.Parts); err != nil {
		t.Fatal(err)
	}
	ledger := &measured.Ledger{}
	instruments := map[string]run.Instrument{}
	var mu sync.Mutex
	d := &dial.Dialer{Tap: func(a transport.Address) transport.Tap {
		return func(_ time.Time, _ time.Duration, way byte, message []byte) {
			mu.Lock()
			defer mu.Unlock()
			for _, e := range addresses {
				if a.Place() == e.Address {
					r.wire = append(r.wire, e.Instrument+" "+string(way)+" "+string(message))
				}
			}
		}
	}}
	for _, e := range addresses {
		if !p.Uses(e.Instrument) {
			continue
		}
		a, err := transport.ParseAddress(e.Address)
		if err != nil {
			t.Fatal(err)
		}
		link, err := d.Dial(context.Background(), a)
		if err != nil {
			t.Fatal(err)
		}
		m := *first.models[e.Instrument]
		m.Wire.AnswerWithin = answerWithin
		one, err := driver.Open(context.Background(), driver.Config{
			Name: e.Instrument, Address: e.Address, Model: &m, Link: link, Clock: c, Ledger: ledger, AmbientKelvin: p.Bench.AmbientKelvin,
		})
		if err != nil {
			t.Fatal(err)
		}
		defer one.Close()
		instruments[e.Instrument] = run.Opened(one)
	}
	config := run.Config{Plan: p, Instruments: instruments, Clock: c, Ledger: ledger, Sink: w, OffWithin: 2 * answerWithin, DischargeWithin: time.Second,
		Observe: func(e run.Event) { r.said = append(r.said, e.Level+" "+e.Kind+": "+e.Text) }}
	if r.sink != nil {
		config.Sink = r.sink(w, &r.hit)
	}
	r.summary, r.err = run.Run(context.Background(), config)
	end := record.End{Outcome: r.summary.Outcome, Exit: run.ExitStatus(r.summary, r.err)}
	if r.err != nil {
		end.Reason = r.err.Error()
	}
	if err := w.Finish(end); err != nil {
		t.Error(err)
	}
	if r.record, err = record.Open(dir); err != nil {
		t.Fatal(err)
	}
}

// port is where a served instrument happens to be.
var port = regexp.MustCompile(`127\.0\.0\.1:\d+`)

// message is all that the run said of its end, with ports taken out.
func (r *servedRun) message() string {
	text := "no error"
	if r.err != nil {
		text = r.err.Error()
	}
	return port.ReplaceAllString(strings.ReplaceAll(text, "\n", "; "), "127.0.0.1:PORT")
}

// left names what is on at the end, by the simulator's own log.
func (r *servedRun) left() map[string]bool {
	on := map[string]bool{}
	for _, e := range r.events {
		switch e.Kind {
		case instrument.Switched:
			on[e.Instrument] = e.Value == 1
		case instrument.Tripped, instrument.ResetDone:
			delete(on, e.Instrument)
		}
		if !on[e.Instrument] {
			delete(on, e.Instrument)
		}
	}
	return on
}

// wrongOrder finds a source that this side switched off while a load was on that could be reached; empty where there was none. What went off by
// itself, by a trip or a failure of its power, is no order of ours.
func (r *servedRun) wrongOrder(unreachable string) string {
	on := map[string]bool{}
	for i, e := range r.events {
		if e.Kind == instrument.Tripped {
			delete(on, e.Instrument)
		}
		if e.Kind != instrument.Switched {
			continue
		}
		if e.Value == 1 {
			on[e.Instrument] = true
			continue
		}
		itself := i > 0 && r.events[i-1].Kind == instrument.Tripped || i+1 < len(r.events) && r.events[i+1].Kind == instrument.ResetDone
		if e.Instrument == "feed-psu" && on["sink"] && on["feed-psu"] && unreachable != "sink" && !itself {
			return e.String()
		}
		delete(on, e.Instrument)
	}
	return ""
}

// fullDisk is a record whose disk is full once the fault has happened.
type fullDisk struct {
	run.Sink
	hit *atomic.Bool
}

func (f fullDisk) full() error {
	if f.hit.Load() {
		return &os.PathError{Op: "write", Path: "points.csv", Err: syscall.ENOSPC}
	}
	return nil
}

func (f fullDisk) Point(p record.Point) error {
	return first(f.full, func() error { return f.Sink.Point(p) })
}
func (f fullDisk) Verdict(v record.Verdict) error {
	return first(f.full, func() error { return f.Sink.Verdict(v) })
}
func (f fullDisk) Result(r record.Result) error {
	return first(f.full, func() error { return f.Sink.Result(r) })
}
func (f fullDisk) Event(e record.Event) error {
	return first(f.full, func() error { return f.Sink.Event(e) })
}

func first(calls ...func() error) error {
	for _, call := range calls {
		if err := call(); err != nil {
			return err
		}
	}
	return nil
}

// jumping is the machine's clock, whose time of day is by so much off once the fault has happened. Its times have no monotonic part.
type jumping struct {
	clock.Clock
	hit *atomic.Bool
	by  time.Duration
}

func (j jumping) Now() time.Time {
	now := j.Clock.Now().Round(0)
	if j.hit.Load() {
		now = now.Add(j.by)
	}
	return now
}

func (j jumping) Since(t time.Time) time.Duration { return j.Now().Sub(t.Round(0)) }

// readingText is a reading with its unit: it differs a little from run to run.
var readingText = regexp.MustCompile(`\b\d+\.\d+ (m?[VAW])\b`)

// sameEveryTime takes out of a message what differs from run to run: ports and readings.
func sameEveryTime(text string) string {
	text = port.ReplaceAllString(strings.ReplaceAll(text, "\n", "; "), "127.0.0.1:PORT")
	return readingText.ReplaceAllString(text, "... $1")
}
