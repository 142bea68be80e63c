package run_test

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"fourwire/record"
	"fourwire/sequence/run"
	"fourwire/sim/instrument"
)

// rails is the example of four rails with a fault in its scenario, and another body under its rails step.
func rails(t *testing.T, body, fault string) *buoy {
	t.Helper()
	return railsWith(t, func(text string) string {
		if body == "" {
			return text
		}
		return text[:strings.Index(text, "    steps:\n")] + "    steps:\n" + body
	}, fault)
}

func railsWith(t *testing.T, change func(string) string, fault string) *buoy {
	t.Helper()
	file := func(name string) string {
		data, err := os.ReadFile(filepath.Join("../../examples/rails", name))
		if err != nil {
			t.Fatal(err)
		}
		return string(data)
	}
	return newBuoy(t, change(file("order.yaml")), 0, func(string, string) (string, string) {
		return file("bench.yaml"), file("board.scenario.yaml") + fault
	})
}

// switched is in which order outputs went on and off, as the simulator saw it.
func switched(b *buoy) (on, off []string, offAt []time.Duration, tripped time.Duration) {
	for _, e := range b.sim.Events() {
		switch {
		case e.Kind == instrument.Tripped && tripped == 0:
			tripped = e.At
		case e.Kind == instrument.Switched && e.Value > 0:
			on = append(on, e.Instrument)
		case e.Kind == instrument.Switched:
			if slices.Contains(on, e.Instrument) && !slices.Contains(off, e.Instrument) {
				off, offAt = append(off, e.Instrument), append(offAt, e.At)
			}
		}
	}
	return on, off, offAt, tripped
}

var (
	upward   = []string{"psu-main", "psu-io", "psu-memory", "psu-core"}
	downward = []string{"psu-core", "psu-memory", "psu-io", "psu-main"}
)

func TestRailsComeUpInOrderAndGoDownInReverse(t *testing.T) {
	b := rails(t, "", "")
	k, _ := b.mustRun()
	on, off, _, _ := switched(b)
	if !slices.Equal(on, upward) || !slices.Equal(off, downward) {
		t.Errorf("on %v, off %v", on, off)
	}
	if len(k.points) != 1 || !k.points[0].Valid {
		t.Fatalf("%+v", k.points)
	}
	c := k.points[0].Cells
	if !(0 < c["t_io"].SI && c["t_io"].SI < c["t_memory"].SI && c["t_memory"].SI < c["t_core"].SI && c["t_core"].U > 0) {
		t.Errorf("%+v", c)
	}
}

// A protection of rail 3 trips while all are up: the other three go off in reverse, all of them inside the 150 ms that the sequence allows,
// counted by the simulator from the trip on.
func TestAFaultOfOneRailTakesAllOff(t *testing.T) {
	allowed := 150 * time.Millisecond
	for _, c := range []struct{ name, body string }{
		{"while nothing is done", "      - wait: 2 s\n      - measure: {v_core: v(board.core)}\n"},
		{"while it is measured", "      - repeat: 60\n        steps:\n          - measure: {v_core: v(board.core), v_io: v(board.io)}\n"},
		{"while something settles", "      - settle: {until: v(board.core) within 0.0001 % for 100 ms, at_most: 3 s}\n      - measure: {v_core: v(board.core)}\n"},
	} {
		t.Run(c.name, func(t *testing.T) {
			for _, when := range []string{"700 ms", "731 ms", "777 ms"} {
				b := rails(t, c.body, "faults:\n  - {kind: over-voltage, instrument: psu-memory, at: "+when+"}\n")
				w, err := record.Create(b.dir, record.Start{Tool: "test", Title: "rails", Clock: b.sim.Clock(), Ledger: &b.ledger, Planned: b.plan.Points})
				if err != nil {
					t.Fatal(err)
				}
				if err := w.Columns(b.columns(), b.plan.Parts); err != nil {
					t.Fatal(err)
				}
				_, err = run.Run(context.Background(), run.Config{Plan: b.plan, Instruments: b.open(), Clock: b.sim.Clock(), Ledger: &b.ledger, Sink: w, Observe: func(e run.Event) { b.events = append(b.events, e) }})
				var stop *run.Stop
				if !errors.As(err, &stop) || stop.Kind != run.Safety || !strings.Contains(err.Error(), "memory (psu-memory) tripped") {
					t.Fatalf("%v\n%s", err, b.said())
				}
				on, off, offAt, tripped := switched(b)
				if !slices.Equal(on, upward) {
					t.Errorf("on %v", on)
				}
				var rest []string // the faulty one went off by itself
				last := time.Duration(0)
				for i, name := range off {
					if name != "psu-memory" {
						rest, last = append(rest, name), offAt[i]
					}
				}
				if !slices.Equal(rest, []string{"psu-core", "psu-io", "psu-main"}) {
					t.Errorf("off %v", off)
				}
				if took := last - tripped; tripped == 0 || took > allowed || took <= 0 {
					t.Errorf("all off %v after the trip, %v allowed", took, allowed)
				} else {
					t.Logf("fault at %s: all off %v after the trip", when, took)
				}
				data, err := os.ReadFile(filepath.Join(b.dir, record.RailsFile("supply")))
				if err != nil {
					t.Fatal(err)
				}
				var kept record.Rails
				if err := kept.UnmarshalJSON(data); err != nil || kept.Fault == nil {
					t.Fatalf("%v %s", err, data)
				}
				// the limit is judged: a number with U, that holds what happened
				judged := 0
				rec, err := record.Open(b.dir)
				if err != nil {
					t.Fatal(err)
				}
				for _, v := range rec.Verdicts {
					if v.Limit != "rails supply all off <= 150 ms" {
						continue
					}
					judged++
					if took := (last - tripped).Seconds(); v.Outcome != record.Pass || v.Bound != 0.15 || v.Unit != "s" || took > v.Value+v.U || took < v.Value-v.U {
						t.Errorf("it took %g s: %+v", took, v)
					}
				}
				if judged != 1 {
					t.Errorf("%d verdicts about the limit", judged)
				}
				// what the record says is an upper bound of what happened
				if said := time.Duration(kept.Fault.OffAfterSeconds * float64(time.Second)); said < last-tripped || !kept.Fault.Within {
					t.Errorf("the record says %v, it took %v", said, last-tripped)
				}
			}
		})
	}
}

// A rail that does not come up in its time is a fault, too: those that are up go down, and the last one never goes on.
func TestARailThatIsNotGood(t *testing.T) {
	b := railsWith(t, func(text string) string {
		return strings.Replace(text, "v(board.memory) >= 95 % * 1.8 V", "v(board.memory) >= 1.95 V", 1)
	}, "")
	_, _, _, err := b.run(context.Background())
	if err == nil || !strings.Contains(err.Error(), "memory (psu-memory) is not good after 100 ms") || run.ExitStatus(run.Summary{}, err) != 5 {
		t.Errorf("%v", err)
	}
	on, off, _, _ := switched(b)
	if !slices.Equal(on, upward[:3]) || !slices.Equal(off, downward[1:]) {
		t.Errorf("on %v, off %v", on, off)
	}
}

// The order from one capture of all rails, not from what an instrument says of itself: each follows the one before by the 20 ms that the sequence
// states and what the computer takes to set the next one up, and the simulator's events say the same to half a millisecond.
func TestTheOrderOfRailsFromOneCapture(t *testing.T) {
	data, err := os.ReadFile("../../examples/rails/captured.yaml")
	if err != nil {
		t.Fatal(err)
	}
	b := railsWith(t, func(string) string { return string(data) }, "")
	w, err := record.Create(b.dir, record.Start{Tool: "test", Title: "rails", Clock: b.sim.Clock(), Ledger: &b.ledger, Planned: b.plan.Points})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Columns(b.columns(), b.plan.Parts); err != nil {
		t.Fatal(err)
	}
	if _, err := run.Run(context.Background(), run.Config{Plan: b.plan, Instruments: b.open(), Clock: b.sim.Clock(), Ledger: &b.ledger, Sink: w}); err != nil {
		t.Fatal(err)
	}
	if err := w.Finish(record.End{Outcome: record.Pass}); err != nil {
		t.Fatal(err)
	}
	rec, err := record.Open(b.dir)
	if err != nil || len(rec.Rows) != 1 {
		t.Fatalf("%v", err)
	}
	var onAt []time.Duration
	for _, e := range b.sim.Events() {
		if e.Kind == instrument.Switched && e.Value > 0 {
			onAt = append(onAt, e.At)
		}
	}
	if len(onAt) != 4 {
		t.Fatalf("%v", onAt)
	}
	// half of each rise at 400 V/s lies between going on and the middle of the passage
	volts := []float64{5, 3.3, 1.8, 1.2}
	for i, name := range []string{"main_to_io", "io_to_memory", "memory_to_core"} {
		want := (onAt[i+1] - onAt[i]).Seconds() + (volts[i+1]-volts[i])/2/400
		got := rec.Rows[0].Cells[name].SI
		if diff := got - want; diff < -1e-3 || diff > 1e-3 || want < 0.02 {
			t.Errorf("%s: %g s from the capture, %g s by the simulator's events", name, got, want)
		}
	}
}

// On instruments that take 60 ms for each command four rails cannot be off within 150 ms: the limit is judged, and is not met. An interruption is no fault of the rails, and
// judges nothing.
func TestRailsThatGoOffTooSlowly(t *testing.T) {
	text := func(name string) string {
		data, err := os.ReadFile(filepath.Join("../../examples/rails", name))
		if err != nil {
			t.Fatal(err)
		}
		return string(data)
	}
	order := text("order.yaml")
	order = order[:strings.Index(order, "    steps:\n")] + "    steps:\n      - wait: 8 s\n      - note: up\n      - wait: 8 s\n      - measure: {v_core: v(board.core)}\n"
	slowly := regexp.MustCompile(`processing: [0-9.]+ ms`).ReplaceAllString(text("board.scenario.yaml"), "processing: 60 ms")
	for _, fault := range []string{"faults:\n  - {kind: over-voltage, instrument: psu-memory, at: 9 s}\n", ""} {
		b := newBuoy(t, order, 0, func(string, string) (string, string) { return text("bench.yaml"), slowly + fault })
		ctx, cancel := context.WithCancel(context.Background())
		var verdicts []record.Verdict
		_, err := run.Run(ctx, run.Config{Plan: b.plan, Instruments: b.open(), Clock: b.sim.Clock(), Ledger: &b.ledger, Sink: &kept{}, Observe: func(e run.Event) {
			b.events = append(b.events, e)
			if e.Verdict != nil {
				verdicts = append(verdicts, *e.Verdict)
			}
			if fault == "" && e.Kind == "note" && e.Text == "up" {
				cancel()
			}
		}})
		cancel()
		if err == nil {
			t.Fatal("it ended well")
		}
		if fault == "" {
			if len(verdicts) > 0 {
				t.Errorf("an interruption was judged: %+v", verdicts)
			}
			continue
		}
		if len(verdicts) != 1 || verdicts[0].Outcome != record.Fail || !(verdicts[0].Value-verdicts[0].U > 0.15) {
			t.Errorf("%v: %+v\n%s", err, verdicts, b.said())
		}
	}
}
