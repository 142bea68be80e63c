package e2e

import (
	"context"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"fourwire/record"
	"fourwire/sequence/run"
	"fourwire/sim"
	"fourwire/sim/instrument"
	"fourwire/transport"
	"fourwire/transport/transporttest"
)

// hundred is 100 points in all the ways that steps nest: a sweep with a point of its own around one whose values come from outside, a
// repeat, conditions, labels, names that were derived further out, and a summary over all of it.
const hundred = `fourwire: sequence/1
title: a hundred points
params:
  loads: {about: load currents, default: {from: 100 mA, to: 2 A, points: 9}}
needs:
  feed: {role: source, node: dut.in, volts: 9..16 V, amps: 0..2.5 A}
  sink: {role: load, node: dut.out, amps: 0..3 A, at_volts: 4.5 V}
guard:
  dut.in:  {volts: ..18 V, amps: ..2.8 A}
  dut.out: {volts: ..5.6 V, amps: ..3.3 A}
steps:
  - zero: [v(dut.out)]
  - sweep: {vin: {from: 9 V, to: 16 V, points: 5}}
    label: line
    steps:
      - {load: sink, input: off}
      - {source: feed, volts: vin, amps: 2.5 A}
      - settle: {until: v(dut.in) within 0.1 % for 20 ms, at_most: 5 s}
      - settle: {until: v(dut.out) within 0.2 % for 20 ms, at_most: 2 s}
      - measure: {open: v(dut.out)}
      - derive: {least: open - 0.4 V}
      - sweep: {iout: loads}
        steps:
          - {load: sink, hold: iout}
          - settle: {until: v(dut.out) within 0.1 % for 20 ms, at_most: 2 s}
          - measure: {vi: v(dut.in), ii: i(dut.in), vo: v(dut.out), io: i(dut.out)}
          - derive:
              efficiency: vo * io / (vi * ii)
              sag: open - vo
          - judge: {limit: efficiency >= 80 %, when: io >= 500 mA, clause: "4.2"}
          - judge: {limit: vo >= least}
      - when: v(dut.out) > 4 V
        steps:
          - repeat: 10
            steps:
              - {load: sink, hold: 0.5 A + 0.01 A * n}
              - measure: {again: v(dut.out)}
              - judge: {limit: again >= 4.7 V}
  - {load: sink, input: off}
  - {source: feed, output: off}
summary:
  - derive:
      best: max(efficiency)
      mean_sag: mean(sag)
      steady: span(again)
  - judge: {limit: best >= 88 %}
  - judge: {limit: mean_sag <= 50 mV}
`

// recorded runs with a record, up to whatever ends the run.
func (c *chain) recorded(ctx context.Context, o options, dir string) (run.Summary, error) {
	c.t.Helper()
	seed := o.seed
	w, err := record.Create(dir, record.Start{Tool: "fourwire test", Title: "e2e", Seed: &seed, Clock: c.sim.Clock(), Ledger: &c.ledger, Planned: c.plan.Points})
	if err != nil {
		c.t.Fatal(err)
	}
	if err := w.Columns(recordColumns(c), c.plan.Parts); err != nil {
		c.t.Fatal(err)
	}
	return c.into(ctx, o, w, nil)
}

func recordColumns(c *chain) []record.Column {
	var out []record.Column
	for _, col := range c.plan.Columns {
		out = append(out, record.Column{Name: col.Name, Kind: record.ColumnKind(col.Kind), Dim: col.Dim, Expr: col.Expr, Node: col.Node, From: col.From})
	}
	return out
}

func (c *chain) into(ctx context.Context, o options, w *record.Writer, resume *run.Resume) (run.Summary, error) {
	c.t.Helper()
	if err := c.open(o); err != nil {
		c.t.Fatal(err)
	}
	s, err := run.Run(ctx, run.Config{Plan: c.plan, Instruments: c.instruments, Clock: c.sim.Clock(), Ledger: &c.ledger, Observe: c.observe, Sink: w, Resume: resume})
	end := record.End{Outcome: s.Outcome, Exit: run.ExitStatus(s, err)}
	if err != nil {
		end.Reason = err.Error()
	}
	if o.killed {
		if err := w.Close(); err != nil {
			c.t.Fatal(err)
		}
		return s, err
	}
	if err := w.Finish(end); err != nil {
		c.t.Fatal(err)
	}
	return s, err
}

// goesOn resumes the record in dir with a bench that has just been switched on, later.
func (c *chain) goesOn(ctx context.Context, o options, dir string) (*chain, run.Summary, error) {
	c.t.Helper()
	rec, err := record.Open(dir)
	if err != nil {
		c.t.Fatal(err)
	}
	next := c.fresh(o)
	next.sim, err = sim.New(c.scenario, sim.Options{Seed: &o.seed, Start: rec.Ended.Add(time.Hour)})
	if err != nil {
		c.t.Fatal(err)
	}
	w, on, err := record.Resume(dir, "fourwire test", next.sim.Clock(), &next.ledger)
	if err != nil {
		c.t.Fatal(err)
	}
	terms, err := record.ReadTerms(dir)
	if err != nil {
		c.t.Fatal(err)
	}
	next.watch = func(record.Point) {
		if o.after != nil {
			o.after(len(next.points))
		}
	}
	resume := &run.Resume{Started: rec.Started, Rows: on.Rows, Held: on.Held, Verdicts: on.Verdicts, Log: on.Log, Terms: terms}
	s, err := next.into(ctx, o, w, resume)
	return next, s, err
}

// same compares a record that went on with an undisturbed one.
func same(t *testing.T, name string, got, want *record.Record) {
	t.Helper()
	if len(got.Rows) != len(want.Rows) {
		t.Fatalf("%s: %d rows, want %d", name, len(got.Rows), len(want.Rows))
	}
	for i, g := range got.Rows {
		w := want.Rows[i]
		if g.Number != w.Number || g.Part != w.Part || g.Status() != w.Status() || len(g.Cells) != len(w.Cells) {
			t.Errorf("%s: row %d is point %d %q %s %s with %d values, want %d %q %s with %d", name, i+1, g.Number, g.Part, g.Status(), g.Why, len(g.Cells), w.Number, w.Part, w.Status(), len(w.Cells))
		}
		if i > 0 && g.Number > got.Rows[i-1].Number && g.At < got.Rows[i-1].At {
			t.Errorf("%s: point %d is earlier than point %d", name, g.Number, got.Rows[i-1].Number)
		}
		for column, a := range g.Cells {
			b := w.Cells[column]
			if u := a.U + b.U; !math.IsNaN(u) && math.Abs(a.SI-b.SI) > u || math.IsNaN(u) && a.SI != b.SI {
				t.Errorf("%s: point %d %s is %v, want %v", name, g.Number, column, a.SI, b.SI)
			}
			// an uncertainty is worked out from a value; the value moved by its noise
			if math.Abs(a.U-b.U) > tolerance(column)*b.U {
				t.Errorf("%s: point %d U(%s) is %v, want %v", name, g.Number, column, a.U, b.U)
			}
		}
	}
	key := func(v record.Verdict) string { return fmt.Sprintf("%d %s %s %s", v.Point, v.Limit, v.Outcome, v.Where) }
	have := map[string]int{}
	for _, v := range want.Verdicts {
		have[key(v)]++
	}
	for _, v := range got.Verdicts {
		have[key(v)]--
	}
	for k, n := range have {
		if n != 0 {
			t.Errorf("%s: verdict %q: %+d", name, k, -n)
		}
	}
	if got.Counts != want.Counts || got.Outcome != want.Outcome || got.Exit != want.Exit {
		t.Errorf("%s: %+v %s %d, want %+v %s %d", name, got.Counts, got.Outcome, got.Exit, want.Counts, want.Outcome, want.Exit)
	}
	if len(got.Results) != len(want.Results) {
		t.Fatalf("%s: %d results, want %d", name, len(got.Results), len(want.Results))
	}
	for i, g := range got.Results {
		w := want.Results[i]
		if g.Name != w.Name || math.Abs(g.SI-w.SI) > g.U+w.U || math.Abs(g.U-w.U) > 0.15*w.U {
			t.Errorf("%s: %s = %v (U %v), want %v (U %v)", name, g.Name, g.SI, g.U, w.SI, w.U)
		}
	}
	if c, err := record.Check(got.Dir); err != nil || !c.Whole || len(c.Notes) > 0 {
		t.Errorf("%s: verify: %+v %v", name, c, err)
	}
}

// tolerance is how much of an uncertainty may differ. A run that goes on reads its zeros again: in the difference of a reading from before and
// one from after, the scatter of both stays.
func tolerance(column string) float64 {
	if column == "sag" {
		return 0.15
	}
	return 0.05
}

// stimuli is what was set at an instrument, by the simulator's own log.
func stimuli(c *chain, name string) []float64 {
	var out []float64
	for _, e := range c.sim.Events() {
		if e.Instrument == name && e.Kind == instrument.SetValue {
			out = append(out, e.Value)
		}
	}
	return out
}

// unlooped takes the control loop out of the converter, whose output then follows a load at once: what an undisturbed run finds after a step
// down, and one that goes on after a step up, otherwise differs by the tenths of a millivolt that settling to 0.1 % leaves.
func unlooped(s string) string {
	return regexp.MustCompile(`(?m)^    (crossover|damping):.*\n`).ReplaceAllString(s, "")
}

func TestARunGoesOnAfterItsLastWholePoint(t *testing.T) {
	o := options{sequence: hundred, seed: 11, scenario: unlooped}
	first := newChain(t, "hundred.yaml", o)
	undisturbed := filepath.Join(t.TempDir(), "undisturbed")
	if s, err := first.recorded(context.Background(), o, undisturbed); err != nil || s.Points != 100 {
		t.Fatalf("%d points, %v\n%s", s.Points, err, strings.Join(first.events, "\n"))
	}
	want, err := record.Open(undisturbed)
	if err != nil {
		t.Fatal(err)
	}
	// 7: inside the first inner sweep; 9: its end, before the point around it is whole; 15: in the repeat; 20: behind it
	for i, at := range []int{1, 7, 9, 10, 15, 20, 40, 98} {
		for _, killed := range []bool{i%2 == 0} {
			name := fmt.Sprintf("ended at %d, killed %v", at, killed)
			dir := filepath.Join(t.TempDir(), "r")
			ctx, cancel := context.WithCancelCause(context.Background())
			o := o
			o.killed = killed
			part := first.fresh(o)
			part.watch = func(p record.Point) {
				if len(part.points) == at {
					cancel(errors.New("interrupted"))
				}
			}
			if _, err := part.recorded(ctx, o, dir); err == nil {
				t.Fatalf("%s: not ended", name)
			}
			cancel(nil)
			o.killed = false
			next, s, err := first.goesOn(context.Background(), o, dir)
			if err != nil || s.Points != 100 {
				t.Fatalf("%s: %d points, %v\n%s", name, s.Points, err, strings.Join(next.events, "\n"))
			}
			if n := 100 - len(next.points); n != at {
				t.Errorf("%s: %d points were not measured again", name, n)
			}
			got, err := record.Open(dir)
			if err != nil {
				t.Fatal(err)
			}
			same(t, name, got, want)
			if len(got.Resumed) != 1 || got.Resumed[0].Points != at {
				t.Errorf("%s: resumed %+v", name, got.Resumed)
			}
			if len(next.lit()) > 0 {
				t.Errorf("%s: on: %v", name, next.lit())
			}
		}
	}
}

// What was set on the way to the points that are there is not set again: the source goes to its value at once, and the load takes up where
// it left.
func TestNoStimulusIsRepeated(t *testing.T) {
	o := options{sequence: hundred, seed: 11}
	first := newChain(t, "hundred.yaml", o)
	dir := filepath.Join(t.TempDir(), "r")
	ctx, cancel := context.WithCancelCause(context.Background())
	first.watch = func(p record.Point) {
		if len(first.points) == 45 {
			cancel(errors.New("interrupted"))
		}
	}
	if _, err := first.recorded(ctx, o, dir); err == nil {
		t.Fatal("not ended")
	}
	// 20 points of each of the first two voltages, five loads of the third, 12.5 V
	next, _, err := first.goesOn(context.Background(), o, dir)
	if err != nil {
		t.Fatal(err)
	}
	var lit []string
	for _, e := range next.sim.Events() {
		if e.Kind == instrument.Switched && e.Value == 1 {
			lit = append(lit, e.Instrument)
		}
	}
	if len(lit) < 2 || lit[0] != "feed-psu" || lit[1] != "sink" {
		t.Errorf("switched on in the order %v", lit)
	}
	volts := map[float64]bool{}
	for _, v := range stimuli(next, "feed-psu") {
		volts[v] = true
	}
	if volts[9] || volts[10.75] || !volts[12.5] || !volts[14.25] || !volts[16] {
		t.Errorf("the source was set to %v", stimuli(next, "feed-psu"))
	}
	loads := stimuli(next, "sink")
	for k, x := range loads { // of the sweep 0.1..2 A in steps of 0.2375 A the sixth is the first
		if near(x, 1.2875) {
			loads = loads[:k]
			break
		}
	}
	for _, x := range loads {
		for _, old := range []float64{0.1, 0.3375, 0.575, 0.8125, 1.05, 0.51, 0.6} {
			if near(x, old) {
				t.Errorf("the load was set to %v first: %v", x, loads)
			}
		}
	}
}

func near(a, b float64) bool { return math.Abs(a-b) < 1e-6 }

// Whatever message breaks, the run can go on, and the record is as if nothing had happened.
func TestARunGoesOnAfterAnyBrokenMessage(t *testing.T) {
	o := options{sequence: hundred, seed: 3, scenario: unlooped, set: map[string]string{"loads": "[0.2 A, 1 A]"}}
	first := newChain(t, "hundred.yaml", o)
	undisturbed := filepath.Join(t.TempDir(), "undisturbed")
	if _, err := first.recorded(context.Background(), o, undisturbed); err != nil {
		t.Fatal(err)
	}
	want, err := record.Open(undisturbed)
	if err != nil {
		t.Fatal(err)
	}
	for k := 150; ; k += 173 * stride {
		fault := transporttest.NewFault(k)
		broken := o
		broken.wrap = func(_ string, l transport.Link) transport.Link { return fault.Wrap(l) }
		part := first.fresh(broken)
		dir := filepath.Join(t.TempDir(), "r")
		_, err := part.recorded(context.Background(), broken, dir)
		if !fault.Fired() {
			if k < 1000 {
				t.Errorf("only %d messages", k)
			}
			return
		}
		if err == nil {
			continue // a question that was asked once more
		}
		// a second time, at another place, before the end
		ctx, cancel := context.WithCancelCause(context.Background())
		rec, err := record.Open(dir)
		if err != nil {
			t.Fatal(err)
		}
		if rec.Reason == "" {
			t.Fatalf("message %d: the record has no reason", k)
		}
		again := o
		again.after = func(points int) {
			if points == 5 {
				cancel(errors.New("interrupted"))
			}
		}
		_, _, err = first.goesOn(ctx, again, dir)
		cancel(nil)
		if err != nil {
			if _, _, err = first.goesOn(context.Background(), o, dir); err != nil {
				t.Fatalf("message %d, %s: %v", k, fault.Where(), err)
			}
		}
		got, err := record.Open(dir)
		if err != nil {
			t.Fatal(err)
		}
		same(t, fmt.Sprintf("message %d, %s", k, fault.Where()), got, want)
	}
}

// What the passes around the point waited for after the source went on is waited for again before the load goes on: the device starts
// unloaded, and has its time.
func TestStartUpIsWaitedForAgain(t *testing.T) {
	o := options{seed: 5, sequence: strings.Replace(short, "  - settle: {until: v(dut.in) within 0.1 % for 20 ms, at_most: 1 s}", "  - wait: 3 s", 1)}
	first := newChain(t, "short.yaml", o)
	dir := filepath.Join(t.TempDir(), "r")
	ctx, cancel := context.WithCancelCause(context.Background())
	first.watch = func(record.Point) { cancel(errors.New("interrupted")) }
	if _, err := first.recorded(ctx, o, dir); err == nil {
		t.Fatal("not ended")
	}
	next, s, err := first.goesOn(context.Background(), o, dir)
	if err != nil || s.Points != 2 {
		t.Fatalf("%d points, %v", s.Points, err)
	}
	on := map[string]time.Duration{}
	for _, e := range next.sim.Events() {
		if e.Kind == instrument.Switched && e.Value == 1 {
			on[e.Instrument] = e.At
		}
	}
	if d := on["sink"] - on["feed-psu"]; d < 3*time.Second {
		t.Errorf("the load went on %v after the source", d)
	}
}
