package driver_test

import (
	"context"
	"errors"
	"math"
	"os"
	"slices"
	"testing"
	"time"

	"fourwire/driver"
	"fourwire/internal/diag"
	"fourwire/sim"
)

// The beacon node of the lake buoy on the simulated unit: what is fetched is held against the unit's own count, and against the charge that the
// simulator's engine integrates for certain, which comes from no sample. How far it may be off is the unit's accuracy, range by range.
func TestARecordingAgainstTheSimulator(t *testing.T) {
	text, err := os.ReadFile("../examples/beacon/beacon.scenario.yaml")
	must(t, err)
	var found diag.Findings
	scene := sim.Read("beacon.scenario.yaml", text, &found)
	if scene == nil {
		t.Fatal(found.List())
	}
	bench, err := sim.New(scene, sim.Options{})
	must(t, err)
	b, ctx := &simulated{Bench: bench}, context.Background()
	in := b.open(t, "smu-a", "source-measure-unit")
	source, err := in.Source(1)
	must(t, err)
	must(t, source.SetAmps(ctx, 0.5))
	must(t, source.SetVolts(ctx, 3))
	must(t, source.SetOhms(ctx, 0.5))
	must(t, source.Output(ctx, true))
	must(t, b.Clock().Sleep(ctx, 5*time.Second))
	r, err := in.Recorder(1)
	must(t, err)
	before := b.Truth().Taken["smu-a.1"].Coulombs
	started, err := r.Start(ctx, driver.Recording{Functions: []driver.Function{driver.Amps, driver.Volts}, IntervalSeconds: 1e-3, MostAmps: 0.3, VoltsFull: 4})
	must(t, err)
	if started.IntervalSeconds != 1e-3 || started.Depth != 4_000_000 || started.Within > 100*time.Millisecond {
		t.Errorf("started as %+v", started)
	}
	var s driver.Samples
	var coulombs, off, lowest float64
	taken, handovers, ranged := int64(0), int64(0), -1
	lowest = math.Inf(1)
	for fetch := 0; taken < 130_000 || s.Count > 0; fetch++ {
		least := 10_000
		if taken >= 130_000 {
			if fetch, least = 0, 0; r.Stop(ctx) != nil {
				t.Fatal("it does not stop")
			}
		}
		must(t, r.Fetch(ctx, 20_000, least, &s))
		if s.Start != taken || s.Lost != 0 || s.Overloads != 0 || s.Count < least {
			t.Fatalf("a block of %d samples from %d on, %d were there; lost %d, overloads %d", s.Count, s.Start, taken, s.Lost, s.Overloads)
		}
		for i, run := range s.Runs[0] {
			end := s.Count
			if i+1 < len(s.Runs[0]) {
				end = s.Runs[0][i+1].At
			}
			if run.Range != ranged && ranged >= 0 {
				handovers++
			}
			ranged = run.Range
			span := started.Ranges[0][run.Range]
			for _, x := range s.Values[0][run.At:end] {
				if !span.Holds(float64(x)) {
					t.Fatalf("%v A on the range %v A", x, span.Full)
				}
				coulombs += float64(x) * 1e-3
				off += (span.Accuracy.Gain*math.Abs(float64(x)) + span.Accuracy.Offset) * 1e-3
			}
		}
		if s.Count > 0 {
			lowest = math.Min(lowest, float64(slices.Min(s.Values[1])))
		}
		taken += int64(s.Count)
	}
	truth := b.Truth().Taken["smu-a.1"].Coulombs - before
	if d := coulombs - truth; math.Abs(d) > off {
		t.Errorf("%v C were recorded and %v C went: off by %v, %v allowed", coulombs, truth, d, off)
	}
	if truth < 5e-3 || off > 0.1*truth {
		t.Errorf("%v C in 130 s, known to %v: this checks nothing", truth, off)
	}
	totals, err := r.Totals(ctx)
	must(t, err)
	if totals.Taken != taken || totals.Lost != 0 || totals.Handovers != handovers || handovers < 10 || math.Abs(totals.Coulombs-coulombs) > 1e-4*coulombs {
		t.Errorf("the unit counts %+v; %d samples with %d hand-overs and %v C were fetched", totals, taken, handovers, coulombs)
	}
	if lowest > 2.985 || lowest < 2.9 { // about 47 mA and more through 0.5 ohm while it sends: 3 V - 24 mV and more
		t.Errorf("with 0.5 ohm the lowest voltage is %v V", lowest)
	}
	must(t, in.Release(ctx))
}

// A buffer that runs over is told: the index jumps, and what is lost is counted. A recording that is under way when the run is given up is
// over, and the output is off.
func TestALostSpanAndAnAbortAgainstTheSimulator(t *testing.T) {
	b, ctx := simulate(t), context.Background()
	in := b.open(t, "smu-1", "source-measure-unit")
	source, err := in.Source(1)
	must(t, err)
	must(t, source.SetAmps(ctx, 1))
	must(t, source.SetVolts(ctx, 1))
	must(t, source.Output(ctx, true))
	r, err := in.Recorder(1)
	must(t, err)
	started, err := r.Start(ctx, driver.Recording{Functions: []driver.Function{driver.Amps}, IntervalSeconds: 10e-6, MostAmps: 1})
	must(t, err)
	must(t, b.Clock().Sleep(ctx, time.Duration(1.5*float64(started.Depth)*10e3))) // half a buffer too long
	var s driver.Samples
	next, missing, gaps := int64(0), int64(0), 0
	for next < started.Depth+missing+1000 {
		must(t, r.Fetch(ctx, 1_000_000, 100, &s))
		if s.Start > next {
			gaps, missing = gaps+1, missing+s.Start-next
			if next < started.Depth {
				t.Errorf("the buffer of %d samples was full at %d", started.Depth, next)
			}
		}
		if next = s.Start + int64(s.Count); s.Count > 0 && (s.Values[0][0] < 0.099 || s.Values[0][0] > 0.101) { // 1 V across the lamp of 10 ohm
			t.Fatalf("sample %d is %v A", s.Start, s.Values[0][0])
		}
	}
	if gaps != 1 || missing != s.Lost || missing < started.Depth/2-1000 || missing > started.Depth/2+1000 {
		t.Errorf("%d samples are missing in %d gaps, and %d are lost", missing, gaps, s.Lost)
	}
	meter, _ := in.Meter(1)
	if err := meter.Begin(ctx, driver.Request{Function: driver.Volts}); !errors.Is(err, driver.ErrBusy) {
		t.Errorf("a reading gives %v", err)
	}
	must(t, in.Abort(ctx))
	if st, err := source.Status(ctx); err != nil || st.On {
		t.Errorf("%+v, %v", st, err)
	}
	must(t, meter.Begin(ctx, driver.Request{Function: driver.Volts}))
	_, err = meter.End(ctx)
	must(t, err)
}
