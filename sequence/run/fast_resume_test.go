package run_test

import (
	"context"
	"math"
	"strings"
	"testing"
	"time"

	"fourwire/quantity"
	"fourwire/record"
	"fourwire/sequence/run"
	"fourwire/sim"
)

// recorded runs into a record, and is cut behind the point with a number; 0: not at all.
func (b *buoy) recorded(w *record.Writer, on *run.Resume, cut int) (*record.Record, error) {
	b.t.Helper()
	if err := w.Columns(b.columns(), b.plan.Parts); err != nil {
		b.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	s, err := run.Run(ctx, run.Config{Plan: b.plan, Instruments: b.open(), Clock: b.sim.Clock(), Ledger: &b.ledger, Sink: w, Resume: on, Observe: func(e run.Event) {
		b.events = append(b.events, e)
		if e.Kind == "point" && e.Point.Number == cut {
			cancel()
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
	return rec, err
}

// twice runs a sequence that is cut behind one point, and goes on with it on a bench that was switched on anew.
func twice(t *testing.T, text string, cut int, withTerms bool) (before, after *record.Record, b *buoy) {
	t.Helper()
	first := newBuoy(t, text, 0, cool)
	w, err := record.Create(first.dir, record.Start{Tool: "test", Title: "buoy", Clock: first.sim.Clock(), Ledger: &first.ledger})
	if err != nil {
		t.Fatal(err)
	}
	before, err = first.recorded(w, nil, cut)
	if err == nil {
		t.Fatalf("cut behind point %d: %v", cut, err)
	}
	next := newBuoy(t, text, 0, cool)
	next.dir = first.dir
	if next.sim, err = sim.New(next.scene, sim.Options{Start: before.Ended.Add(time.Hour)}); err != nil {
		t.Fatal(err)
	}
	w, on, err := record.Resume(next.dir, "test", next.sim.Clock(), &next.ledger)
	if err != nil {
		t.Fatal(err)
	}
	terms, err := record.ReadTerms(next.dir)
	if err != nil {
		t.Fatal(err)
	}
	if !withTerms {
		terms = nil
	}
	after, err = next.recorded(w, &run.Resume{Started: before.Started, Rows: on.Rows, Held: on.Held, Verdicts: on.Verdicts, Log: on.Log, Terms: terms}, 0)
	if err != nil {
		t.Fatalf("cut behind point %d: %v\n%s", cut, err, next.said())
	}
	for _, e := range next.events {
		if e.Kind == "recalled" && !strings.HasSuffix(e.Text, quantity.Of(e.Point.Cells["iout"].SI, quantity.Current).String()) {
			t.Errorf("point %d is at %g A, the run goes by at %s", e.Point.Number, e.Point.Cells["iout"].SI, e.Text)
		}
	}
	for i, p := range after.Rows {
		if p.Number != i+1 {
			t.Errorf("row %d has the number %d", i+1, p.Number)
		}
		if i < len(before.Rows) && p.Cells["io"].SI != before.Rows[i].Cells["io"].SI {
			t.Errorf("point %d was measured twice", i+1)
		}
	}
	return before, after, next
}

// A refined sweep goes on wherever it was cut off: with the places that it had chosen, and its results once.
func TestARefinedSweepGoesOn(t *testing.T) {
	text := curveOf(7, "    refine: {by: efficiency, within: 0.2 %, points: 16, over: io, gives: {peak: best, at: best_at, low: best_from, high: best_to}}\n") +
		"  - judge: {limit: best >= 90 %}\n  - measure: {after: v(dut.out)}\n"
	whole := newBuoy(t, text, 0, cool)
	k, _ := whole.mustRun()
	if len(k.points) != 17 {
		t.Fatalf("%d points: %s", len(k.points), whole.noted("refine"))
	}
	for _, cut := range []int{1, 7, 12, 16} {
		before, after, b := twice(t, text, cut, cut != 12)
		results := 0
		for _, p := range after.Rows {
			if c, ok := p.Cells["best"]; ok && !math.IsNaN(c.SI) {
				results++
				if !(p.Cells["best_from"].SI <= p.Cells["best_at"].SI && p.Cells["best_at"].SI <= p.Cells["best_to"].SI) || !(p.Cells["best_at"].U > 0) || math.IsNaN(p.Cells["after"].SI) {
					t.Errorf("%+v", p)
				}
			}
		}
		if len(before.Rows) < cut || len(after.Rows) < 12 || len(after.Rows) > 17 || results != 1 || len(after.Verdicts) != 1 {
			t.Errorf("cut behind %d: %d rows, then %d, %d results, %d verdicts\n%s", cut, len(before.Rows), len(after.Rows), results, len(after.Verdicts), b.said())
		}
	}
}

// A fast sweep that was cut goes on with its next point from the host, and with the rest as a list.
func TestAFastSweepGoesOn(t *testing.T) {
	text := strings.Replace(quickLoads, "[0.2 A, 0.5 A, 1 A, 1.5 A, 2 A, 2.5 A]", "{from: 0.25 A, to: 3 A, points: 12}", 1)
	for _, cut := range []int{1, 5, 12} {
		before, after, b := twice(t, text, cut, true)
		if len(before.Rows) != cut || len(after.Rows) != 14 || len(after.Verdicts) != 8 {
			t.Errorf("cut behind %d: %d rows, then %d, %d verdicts\n%s", cut, len(before.Rows), len(after.Rows), len(after.Verdicts), b.said())
		}
		if text := b.noted("fast"); cut < 9 != strings.Contains(text, "from 1 lists of sink") {
			t.Errorf("cut behind %d: %s", cut, text)
		}
		for i, p := range after.Rows[:12] {
			if math.Abs(p.Cells["io"].SI-0.25*float64(i+1)) > 5e-3 || !p.Valid {
				t.Errorf("%+v", p)
			}
		}
	}
}
