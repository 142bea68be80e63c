package run_test

import (
	"context"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"fourwire/record"
	"fourwire/sequence/run"
	"fourwire/sim"
)

// cutAndGoOn runs a sequence on the bench that fresh makes until cut says so, switches everything off for an hour, and goes on with it on a bench that was switched on anew.
func cutAndGoOn(t *testing.T, fresh func() *buoy, cut func(run.Event) bool) (before, after *record.Record, b *buoy) {
	t.Helper()
	one := func(b *buoy, w *record.Writer, on *run.Resume, cut func(run.Event) bool) (*record.Record, error) {
		if err := w.Columns(b.columns(), b.plan.Parts); err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		s, err := run.Run(ctx, run.Config{Plan: b.plan, Instruments: b.open(), Clock: b.sim.Clock(), Ledger: &b.ledger, Sink: w, Resume: on, Observe: func(e run.Event) {
			if b.events = append(b.events, e); cut != nil && cut(e) {
				cancel()
			}
		}})
		end := record.End{Outcome: s.Outcome, Exit: run.ExitStatus(s, err)}
		if err != nil {
			end.Reason = err.Error()
		}
		if err := w.Finish(end); err != nil {
			t.Fatal(err)
		}
		rec, openErr := record.Open(b.dir)
		if openErr != nil {
			t.Fatal(openErr)
		}
		return rec, err
	}
	first := fresh()
	w, err := record.Create(first.dir, record.Start{Tool: "test", Title: "buoy", Clock: first.sim.Clock(), Ledger: &first.ledger})
	if err != nil {
		t.Fatal(err)
	}
	if before, err = one(first, w, nil, cut); err == nil {
		t.Fatal("it was not cut")
	}
	b = fresh()
	b.dir = first.dir
	if b.sim, err = sim.New(b.scene, sim.Options{Start: before.Ended.Add(time.Hour)}); err != nil {
		t.Fatal(err)
	}
	w, on, err := record.Resume(b.dir, "test", b.sim.Clock(), &b.ledger)
	if err != nil {
		t.Fatal(err)
	}
	terms, err := record.ReadTerms(b.dir)
	if err != nil {
		t.Fatal(err)
	}
	after, err = one(b, w, &run.Resume{Started: before.Started, Rows: on.Rows, Held: on.Held, Verdicts: on.Verdicts, Log: on.Log, Terms: terms}, nil)
	if err != nil {
		t.Fatalf("%v\n%s", err, b.said())
	}
	return before, after, b
}

// A run that was cut while a capture waited makes that capture again, and no other: the traces of whole points stay, and the point that was cut gets its own.
func TestARunThatWasCutInsideACaptureGoesOn(t *testing.T) {
	text := string(buoyFile(t, "load-transient.yaml"))
	text = strings.Replace(text, "          - list: sink\n", "          - note: armed\n          - list: sink\n", 1)
	fresh := func() *buoy {
		return newBuoy(t, text, 0, func(string, string) (string, string) {
			return string(buoyFile(t, "bench-fast.yaml")), string(buoyFile(t, "buoy.scenario.yaml"))
		})
	}
	armed := 0
	before, after, b := cutAndGoOn(t, fresh, func(e run.Event) bool {
		if e.Kind == "note" && e.Text == "armed" {
			armed++
		}
		return armed == 2
	})
	if len(before.Rows) < 1 || len(after.Rows) != 3 || len(after.Verdicts) != 9 {
		t.Fatalf("%d points before, %d behind, %d verdicts\n%s", len(before.Rows), len(after.Rows), len(after.Verdicts), b.said())
	}
	for i, p := range after.Rows {
		if p.Number != i+1 || !p.Valid || math.IsNaN(p.Cells["droop"].SI) || p.Cells["vin"].SI != []float64{9, 12, 16}[i] {
			t.Errorf("%+v", p)
		}
	}
	if was, is := before.Rows[0].Cells["droop"], after.Rows[0].Cells["droop"]; was.SI != is.SI {
		t.Errorf("the first point was measured again: %g, then %g", was.SI, is.SI)
	}
	var traces []string
	all, err := filepath.Glob(filepath.Join(b.dir, record.TracesFolder, "*.parquet"))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range all {
		traces = append(traces, filepath.Base(f))
	}
	if !slices.Equal(traces, []string{"edge-2.parquet", "edge-3.parquet", "edge.parquet"}) {
		t.Errorf("traces %v", traces)
	}
}

// A run that was cut while rails were up brings them up anew, in order, and goes on: points that are there stay, and so do the times that the rails gave.
func TestARunThatWasCutWhileRailsWereUpGoesOn(t *testing.T) {
	for _, at := range []int{2} {
		fresh := func() *buoy {
			return rails(t, "      - sweep: {pass: [1, 2, 3]}\n        steps:\n          - measure: {v_core: v(board.core), v_io: v(board.io)}\n      - measure: {v_main: v(board.main)}\n      - judge: {limit: v_main >= 4.9 V}\n", "")
		}
		before, after, b := cutAndGoOn(t, fresh, func(e run.Event) bool { return e.Kind == "point" && e.Point.Number == at+1 })
		if len(before.Rows) < at || len(after.Rows) != 4 {
			t.Fatalf("%d points before, %d behind\n%s", len(before.Rows), len(after.Rows), b.said())
		}
		numbered := map[int]record.Point{}
		for _, p := range after.Rows {
			numbered[p.Number] = p
			if !p.Valid {
				t.Errorf("%+v", p)
			}
		}
		for _, p := range before.Rows {
			if is := numbered[p.Number]; p.Valid && (is.Cells["v_core"].SI != p.Cells["v_core"].SI || is.At != p.At) {
				t.Errorf("point %d was measured again", p.Number)
			} else if !p.Valid && is.Cells["t_core"].SI != p.Cells["t_core"].SI {
				t.Errorf("the times of the rails: %+v, then %+v", p.Cells, is.Cells)
			}
		}
		on, off, _, _ := switched(b)
		if !slices.Equal(on, upward) || !slices.Equal(off, downward) {
			t.Errorf("on %v, off %v", on, off)
		}
		if _, err := os.Stat(filepath.Join(b.dir, record.RailsFile("supply-2"))); err != nil {
			t.Error(err)
		}
	}
}
