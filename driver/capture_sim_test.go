package driver_test

import (
	"context"
	"math"
	"strings"
	"testing"
	"time"

	"fourwire/driver"
	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/sim"
)

const joined = `
fourwire: scenario/1
seed: 7
ambient: 23 degC
devices:
  bleeder: {kind: resistor, plus: dut.in, resistance: 24 ohm}
  lamp: {kind: resistor, plus: dut.lamp, resistance: 10 ohm}
instruments:
  feed-psu: {kind: source, channels: [{volts: 32 V, amps: 10 A, watts: 200 W}]}
  sink-1:   {kind: load}
  smu-1:    {kind: source-measure-unit}
  dmm-in:   {kind: meter}
wiring:
  - {channel: feed-psu, node: dut.in, lead: 15 mohm, sense: remote}
  - {channel: sink-1, node: dut.in, lead: 15 mohm, sense: local}
  - {channel: smu-1, node: dut.lamp}
  - {channel: dmm-in, node: dut.in}
triggers:
  - {from: sink-1, to: [feed-psu, dmm-in], line: 1}
`

func joinedBench(t testing.TB) *simulated {
	t.Helper()
	var found diag.Findings
	s := sim.Read("joined.scenario.yaml", []byte(joined), &found)
	if s == nil {
		t.Fatal(found.List())
	}
	b, err := sim.New(s, sim.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return &simulated{Bench: b}
}

// A load runs through a list of currents; at each step its line triggers a reading of the meter and one of the source, fetched as one block each. The
// readings are held against V = 12 V (remote sense) and I = V/24 ohm + list, within what instruments and leads may be off.
func TestListOfALoadTriggersReadings(t *testing.T) {
	b, ctx := joinedBench(t), context.Background()
	psu, sink, dmm := b.open(t, "feed-psu", "dc-source"), b.open(t, "sink-1", "electronic-load"), b.open(t, "dmm-in", "meter")
	source, err := psu.Source(1)
	must(t, err)
	load, err := sink.Load(1)
	must(t, err)
	list, err := sink.List(1)
	must(t, err)
	must(t, source.Sense(ctx, true))
	must(t, source.SetAmps(ctx, 9))
	must(t, source.SetVolts(ctx, 12))
	must(t, load.Hold(ctx, quantity.MustParse("0 A")))
	must(t, source.Output(ctx, true))
	must(t, load.Input(ctx, true))
	must(t, b.Clock().Sleep(ctx, 200*time.Millisecond))
	levels := []float64{0.5, 1, 2, 4, 6, 0}
	must(t, sink.TriggerOut(ctx, 1, "steps"))
	must(t, list.Load(ctx, driver.ListPlan{Of: driver.Amps, Levels: levels, Dwell: []float64{30e-3}}))
	var digitisers []*driver.Digitiser
	for _, c := range []struct {
		in        *driver.Instrument
		functions []driver.Function
	}{{psu, []driver.Function{driver.Volts, driver.Amps}}, {dmm, []driver.Function{driver.Volts}}} {
		d, err := c.in.Digitiser(1)
		must(t, err)
		a, err := d.Arm(ctx, driver.Capture{Functions: c.functions, ApertureSeconds: 10e-3, Count: len(levels), DelaySeconds: 10e-3, VoltsFull: 12.5, Trigger: driver.Trigger{On: driver.OnLine, Line: 1}})
		must(t, err)
		if a.ApertureSeconds != 10e-3 || a.Count != len(levels) {
			t.Errorf("armed as %+v", a)
		}
		must(t, d.Await(ctx, driver.CaptureWaits, time.Second))
		digitisers = append(digitisers, d)
	}
	must(t, list.Start(ctx))
	must(t, list.Await(ctx, time.Second))
	for i, d := range digitisers {
		must(t, d.Await(ctx, driver.CaptureEnded, time.Second))
		var s driver.Samples
		must(t, d.Fetch(ctx, &s))
		if s.Count != len(levels) || s.Overloads != 0 {
			t.Fatalf("%+v", s)
		}
		for k, level := range levels {
			if v := float64(s.Values[0][k]); math.Abs(v-12) > 20e-3 {
				t.Errorf("digitiser %d, step %d: %v V", i, k, v)
			}
			if i == 0 {
				if amps := float64(s.Values[1][k]); math.Abs(amps-level-0.5) > 20e-3 {
					t.Errorf("step %d of %v A: the source gives %v A", k, level, amps)
				}
			}
		}
	}
	must(t, load.Hold(ctx, quantity.MustParse("1 A"))) // back to a fixed value
	m, err := sink.Meter(1)
	must(t, err)
	if r := reading(t, m, driver.Request{Function: driver.Amps, Expect: 1}); math.Abs(r.Value.X-1) > 10e-3 {
		t.Errorf("behind the list it holds %v A", r.Value.X)
	}
}

// A unit catches its own edge, a quarter of the samples before it. The list makes it: 2 V, then 8 V into 10 ohm.
func TestUnitCapturesAnEdgeOfItsList(t *testing.T) {
	b, ctx := joinedBench(t), context.Background()
	smu := b.open(t, "smu-1", "source-measure-unit")
	source, err := smu.Source(1)
	must(t, err)
	list, err := smu.List(1)
	must(t, err)
	d, err := smu.Digitiser(1)
	must(t, err)
	must(t, source.SetAmps(ctx, 2))
	must(t, source.SetVolts(ctx, 2))
	must(t, source.Output(ctx, true))
	must(t, b.Clock().Sleep(ctx, 50*time.Millisecond))
	must(t, list.Load(ctx, driver.ListPlan{Of: driver.Volts, Levels: []float64{2, 8, 2}, Safe: 2, Dwell: []float64{5e-3}}))
	a, err := d.Arm(ctx, driver.Capture{Functions: []driver.Function{driver.Volts, driver.Amps}, IntervalSeconds: 10e-6, Points: 400, Before: 100, VoltsFull: 10, AmpsFull: 1,
		Trigger: driver.Trigger{On: driver.OnVolts, Level: 5, Hysteresis: 0.5, Slope: 1}})
	must(t, err)
	must(t, d.Await(ctx, driver.CaptureWaits, time.Second))
	must(t, list.Start(ctx))
	must(t, d.Await(ctx, driver.CaptureEnded, time.Second))
	var s driver.Samples
	must(t, d.Fetch(ctx, &s))
	if a.BandwidthHertz <= 0 || s.Start != -100 || s.Count != 400 {
		t.Fatalf("armed as %+v, got %d samples from %d on", a, s.Count, s.Start)
	}
	v, i := s.Values[0], s.Values[1]
	for k := range 80 {
		if math.Abs(float64(v[k])-2) > 0.02 || math.Abs(float64(v[399-k])-8) > 0.02 || math.Abs(float64(i[399-k])-0.8) > 5e-3 {
			t.Fatalf("sample %d: %v V, %v A", k, v[k], i[k])
		}
	}
	if v[97] > 5.2 || v[102] < 4.8 {
		t.Errorf("around the trigger: %v", v[95:105])
	}
	must(t, list.Await(ctx, time.Second))
	must(t, list.Abort(ctx))
	must(t, source.SetVolts(ctx, 3))
	m, err := smu.Meter(1)
	must(t, err)
	if r := reading(t, m, driver.Request{Function: driver.Volts, Expect: 3}); math.Abs(r.Value.X-3) > 10e-3 {
		t.Errorf("behind the list it gives %v V", r.Value.X)
	}
}

// Somebody else's list is stopped by Prepare, and by a take-over, before the output goes off; the load is then at its fixed value again.
func TestAListOfSomebodyElse(t *testing.T) {
	for _, take := range []bool{false, true} {
		b, ctx := joinedBench(t), context.Background()
		link, err := b.Link("sink-1")
		must(t, err)
		for _, words := range []string{":SOUR:FUNC CURR;:SOUR:CURR 0;:INP ON", ":SOUR:LIST:CURR 1,2,0;:SOUR:LIST:DWEL 1;:SOUR:CURR:MODE LIST;:TRIG:SEQ1:SOUR IMM;:INIT:SEQ1", ":SYST:ERR?"} {
			must(t, link.Send(ctx, []byte(words)))
		}
		if answer, err := link.Receive(ctx, nil); err != nil || !strings.HasPrefix(string(answer), "0") {
			t.Fatalf("%s, %v", answer, err)
		}
		link, err = b.Link("sink-1")
		must(t, err)
		in, err := driver.Open(ctx, driver.Config{Name: "sink-1", Model: libraryModel(t, "electronic-load"), Link: link, Clock: b.Clock()})
		must(t, err)
		if take {
			must(t, in.TakeOver(ctx))
		} else {
			must(t, in.Prepare(ctx))
		}
		on, err := in.AnyOn(ctx)
		must(t, err)
		must(t, link.Send(ctx, []byte(":STAT:OPER:COND?;:SOUR:CURR:MODE?")))
		answer, err := link.Receive(ctx, nil)
		if want := map[bool]string{false: "0;FIX", true: "0;LIST"}[take]; on || err != nil || string(answer) != want {
			t.Errorf("taken over %v: on %v, %q, %v", take, on, answer, err)
		}
	}
}
