package e2e

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"fourwire/driver"
	"fourwire/internal/clock"
	"fourwire/internal/ledger"
	"fourwire/quantity/measured"
	"fourwire/record"
	"fourwire/sequence/run"
	"fourwire/sim/serve"
	"fourwire/transport"
	"fourwire/transport/dial"
)

// timed is a run with an account of its time.
type timed struct {
	spans   []ledger.Span
	wall    float64 // s, by the account
	watched float64 // s, by a stopwatch that knows nothing of it
	times   map[string]driver.Times
	summary run.Summary
	points  int
	chain   *chain
}

// of adds up a kind of span.
func (x *timed) of(kind ledger.Kind) float64 {
	sum := 0.0
	for _, s := range x.spans {
		if s.Kind == kind {
			sum += s.Seconds
		}
	}
	return sum
}

func (x *timed) print(t *testing.T, title string) {
	t.Helper()
	var b strings.Builder
	for _, k := range ledger.Kinds() {
		if sum := x.of(k); sum > 0 {
			fmt.Fprintf(&b, "\n  %-12s %9.4f s %6.2f %%", k, sum, 100*sum/x.wall)
		}
	}
	for name, one := range x.times {
		fmt.Fprintf(&b, "\n  %-12s wire %.3f ms, processing %.3f ms, %d queries", name, one.WireSeconds*1e3, one.ProcessingSeconds*1e3, one.Queries)
	}
	t.Logf("%s: %.4f s, %d points%s", title, x.wall, x.points, b.String())
}

// addsUp holds the account against the stopwatch.
func (x *timed) addsUp(t *testing.T) {
	t.Helper()
	sum := 0.0
	for _, s := range x.spans {
		sum += s.Seconds
	}
	if math.Abs(sum-x.watched) > 0.01*x.watched {
		t.Errorf("the spans add up to %.6f s, by the stopwatch it was %.6f s", sum, x.watched)
	}
	if math.Abs(sum-x.wall) > 1e-3*x.wall {
		t.Errorf("the spans add up to %.6f s of %.6f s", sum, x.wall)
	}
}

// inside runs in process, in virtual time. The stopwatch is the simulator's world, whose own time is read before and after.
func inside(t *testing.T, o options, file string) *timed {
	t.Helper()
	c := newChain(t, file, o)
	virtual := c.sim.Clock()
	began := c.sim.Clock().Now()
	l := ledger.New(virtual)
	return timedRun(t, c, l, virtual, func(name string) (transport.Link, time.Duration) {
		link, err := c.sim.Link(name)
		if err != nil {
			t.Fatal(err)
		}
		return link, 0
	}, func() float64 { return virtual.Now().Sub(began).Seconds() }, nil)
}

// overSockets serves the bench in real time on sockets of this machine and runs against it. The stopwatch is the machine's clock.
func overSockets(t *testing.T, o options, file string) *timed {
	t.Helper()
	c := newChain(t, file, o)
	var endpoints []serve.Endpoint
	for _, name := range c.names {
		endpoints = append(endpoints, serve.Endpoint{Instrument: name, Address: "tcp://127.0.0.1:0"})
	}
	ctx, cancel := context.WithCancel(context.Background())
	ready, over := make(chan []serve.Endpoint, 1), make(chan error, 1)
	go func() {
		over <- serve.Serve(ctx, c.sim, serve.Options{Endpoints: endpoints, Pace: 1, Ready: func(e []serve.Endpoint) { ready <- e }})
	}()
	defer func() {
		cancel()
		if err := <-over; err != nil {
			t.Error(err)
		}
	}()
	var at []serve.Endpoint
	select {
	case at = <-ready:
	case err := <-over:
		over <- nil
		t.Fatal(err)
	}
	dir := filepath.Join(t.TempDir(), "record")
	w, err := record.Create(dir, record.Start{Tool: "test", Title: c.plan.Sequence.Title, Planned: c.plan.Points})
	if err != nil {
		t.Fatal(err)
	}
	defer w.Close()
	var columns []record.Column
	for _, k := range c.plan.Columns {
		columns = append(columns, record.Column{Name: k.Name, Kind: record.ColumnKind(k.Kind), Dim: k.Dim, Expr: k.Expr, Node: k.Node, From: k.From})
	}
	if err := w.Columns(columns, c.plan.Parts); err != nil {
		t.Fatal(err)
	}
	d := &dial.Dialer{}
	began := time.Now()
	l := ledger.New(clock.Real())
	return timedRun(t, c, l, clock.Real(), func(name string) (transport.Link, time.Duration) {
		for _, e := range at {
			if e.Instrument != name {
				continue
			}
			a, err := transport.ParseAddress(e.Address)
			if err != nil {
				t.Fatal(err)
			}
			defer l.Enter(ledger.Transfer, name).Leave()
			before := time.Now()
			link, err := d.Dial(context.Background(), a)
			if err != nil {
				t.Fatal(err)
			}
			return link, time.Since(before)
		}
		t.Fatalf("%s is not served", name)
		return nil, 0
	}, func() float64 { return time.Since(began).Seconds() }, w)
}

func timedRun(t *testing.T, c *chain, l *ledger.Ledger, k clock.Clock, link func(string) (transport.Link, time.Duration), watch func() float64, sink run.Sink) *timed {
	t.Helper()
	terms := &measured.Ledger{}
	instruments, opened := map[string]run.Instrument{}, map[string]*driver.Instrument{}
	for _, in := range c.plan.Bench.Instruments {
		if !c.plan.Uses(in.Name) {
			continue
		}
		one, way := link(in.Name)
		got, err := driver.Open(context.Background(), driver.Config{Name: in.Name, Model: c.models[in.Name], Link: one, Clock: k, Ledger: terms,
			AmbientKelvin: c.plan.Bench.AmbientKelvin, Spans: l, WireTime: way})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { got.Close() })
		opened[in.Name], instruments[in.Name] = got, run.Opened(got)
	}
	s, err := run.Run(context.Background(), run.Config{Plan: c.plan, Instruments: instruments, Clock: k, Ledger: terms, Spans: l, Sink: sink})
	x := &timed{spans: l.Spans(), wall: l.Elapsed().Seconds(), watched: watch(), times: map[string]driver.Times{}, summary: s, points: s.Points, chain: c}
	if err != nil {
		t.Fatal(err)
	}
	for name, in := range opened {
		x.times[name] = in.Times()
	}
	return x
}

// withWait is the example with a fixed wait before each reading.
func withWait(t *testing.T, wait string) string {
	t.Helper()
	text := read(t, "efficiency.yaml")
	changed := strings.Replace(text, "          - {load: sink, hold: iout}\n", "          - {load: sink, hold: iout}\n          - {wait: "+wait+"}\n", 1)
	if changed == text {
		t.Fatal("the example has no such step")
	}
	return changed
}

// Where a fixed wait of half a second a point is taken out, the run takes what the account said that it would: 60 points, and a few over sockets.
func TestTakingAWaitOutSavesWhatTheAccountSays(t *testing.T) {
	check := func(t *testing.T, how func(*testing.T, options, string) *timed, o options, tries int) {
		o.sequence = withWait(t, "500 ms")
		with := how(t, o, "efficiency.yaml")
		with.addsUp(t)
		o.sequence = ""
		without := how(t, o, "efficiency.yaml")
		without.addsUp(t)
		saved := 0.0
		for _, s := range with.spans {
			if s.Kind == ledger.FixedWait && s.Step != "" {
				saved += s.Seconds
				if s.Count != with.points {
					t.Errorf("the wait was counted %d times at %d points", s.Count, with.points)
				}
			}
		}
		predicted := with.wall - saved
		for math.Abs(predicted-without.wall) > 0.05*without.wall {
			if tries--; tries == 0 {
				t.Errorf("without the wait it was to take %.3f s and took %.3f s", predicted, without.wall)
				break
			}
			t.Logf("without the wait it was to take %.3f s and took %.3f s: is this machine busy?", predicted, without.wall)
			without = how(t, o, "efficiency.yaml")
		}
		if want := 0.5 * float64(with.points); saved < want || saved > want*1.02+0.02 {
			t.Errorf("%d waits of 500 ms took %.3f s", with.points, saved)
		}
		t.Logf("with the wait %.3f s; predicted without it %.3f s, taken %.3f s", with.wall, predicted, without.wall)
	}
	t.Run("virtual time", func(t *testing.T) {
		check(t, inside, options{}, 1)
	})
	t.Run("sockets", func(t *testing.T) {
		check(t, overSockets, options{set: map[string]string{"vin": "12 V", "iout": "{from: 100 mA, to: 3 A, points: 6, spacing: log}"}}, 3)
	})
}

// fast makes every instrument of the scenario a fast one.
func fast(text string) string {
	return regexp.MustCompile(`processing: [0-9.]+ ms`).ReplaceAllString(text, "processing: 0.3 ms")
}

// On fast instruments a run that is stepped by the host spends more than 95 % of its time in the instruments, on the wire and in the device. What is
// looked at is printed; the race detector makes the program an order of magnitude slower, and nothing is promised then.
func TestHostIsFasterThanFastInstruments(t *testing.T) {
	points := 20
	if os.Getenv("FOURWIRE_LONG") != "" {
		points = 400
	}
	o := options{scenario: fast, set: map[string]string{"vin": "12 V", "iout": fmt.Sprintf("{from: 100 mA, to: 3 A, points: %d, spacing: log}", points)}}
	var x *timed
	for tries := 3; ; { // the machine may be busy with something else
		x = overSockets(t, o, "efficiency.yaml")
		x.addsUp(t)
		x.print(t, "processing 0.3 ms")
		// the second in which a discharge is watched at the end is no work of instruments
		share := x.of(ledger.Host) / (x.wall - x.of(ledger.OutputDown))
		if share < 0.05 || raceDetector {
			break
		}
		if tries--; tries == 0 {
			t.Errorf("the host takes %.1f %% of the time", 100*share)
			break
		}
	}
	for name, one := range x.times {
		// 2 queries of 0.3 ms in a message, or one, and what this machine needs to hand it over; of a few queries only the sum is well known
		took := one.ProcessingSeconds
		if one.Queries < 5 {
			took += one.WireSeconds
		}
		if one.Queries > 0 && (took < 0.2e-3 || took > 20e-3) {
			t.Errorf("%s: %v s of processing", name, took)
		}
	}
}

// In virtual time the account is what the scenario says, to the digit: the program takes nothing, and plain queries take the stated processing.
func TestAccountInVirtualTime(t *testing.T) {
	x := inside(t, options{}, "efficiency.yaml")
	x.addsUp(t)
	x.print(t, "virtual time")
	if x.of(ledger.Host) != 0 {
		t.Errorf("the host took %v s of virtual time", x.of(ledger.Host))
	}
	texts := run.StepTexts(x.chain.plan.Sequence)
	at := map[string]float64{}
	for _, s := range x.spans {
		at[texts[s.Step]] += s.Seconds
	}
	if at["sweep iout"] == 0 || at["sweep vin"] != 0 || at[""] == 0 { // the errors of a point are asked for when its steps are done
		t.Errorf("by step: %v", at)
	}
	// the model files state 1 ms of processing where the scenario has 0.8 to 2 ms
	if part := x.chain.plan.Predicted.Seconds() / x.wall; part < 0.8 || part > 1.2 {
		t.Errorf("%s predicted, %v s taken", x.chain.plan.Predicted, x.wall)
	}
	for name, unit := range map[string]float64{"feed-psu": 2e-3, "sink": 1.5e-3, "dmm-in": 0.8e-3} { // buoy.scenario.yaml
		if got := x.times[name].ProcessingSeconds / unit; math.Abs(got-math.Round(got)) > 1e-6 || got < 1 || got > 3 {
			t.Errorf("%s: a plain query took %v s, a question takes %v s", name, x.times[name].ProcessingSeconds, unit)
		}
	}
	rises := 0
	for _, one := range x.summary.Responses {
		// 9 V at 400 V/s take 22.5 ms (scenario); a reading of a few ms decides when it is seen
		if one.Instrument == "feed-psu" {
			rises++
			if one.Up < 20e-3 || one.Up > 35e-3 || one.UpAfter > one.Up {
				t.Errorf("the source was up after %v s, and not before %v s", one.Up, one.UpAfter)
			}
		}
	}
	if rises != 1 {
		t.Errorf("%d rises of the source were seen", rises)
	}
}
