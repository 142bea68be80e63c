package run_test

import (
	"context"
	"errors"
	"math"
	"os"
	"strings"
	"testing"

	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/record"
	"fourwire/sequence"
	"fourwire/sequence/plan"
	"fourwire/sequence/run"
)

// buffer is a battery of round figures, whose voltage under a constant current has an exact solution.
const buffer = `fourwire: battery/1
title: buffer battery of the buoy
capacity: 2 Ah
cutoff: 10.5 V
open_circuit: {0 %: 11 V, 100 %: 13 V}
resistance: 0.2 ohm
pairs: [{ohm: 0.1 ohm, tau: 100 s}, {ohm: 50 mohm, tau: 20 s}]
`

// buffered is that solution: charge counted, and V = OCV - i (R0 + sum of R (1 - exp(-t/tau))), the response of resistor-capacitor pairs to a step
// (trade practice; it follows from du/dt = (i - u/R)/C).
func buffered(amps, seconds float64) (charge, volts float64) {
	charge = 1 - amps*seconds/7200
	ohm := 0.2 + 0.1*(1-math.Exp(-seconds/100)) + 0.05*(1-math.Exp(-seconds/20))
	return charge, 11 + 2*charge - amps*ohm
}

// withBattery binds steps to the fake bench, with the battery of buffer.
func withBattery(t testing.TB, text string, saved []byte) *plan.Plan {
	t.Helper()
	var found diag.Findings
	seq := sequence.Read("test.yaml", []byte(head+text), nil, &found)
	if found.Failed() {
		t.Fatalf("%v", found.List())
	}
	b, models := testBench()
	files := map[string][]byte{"buffer.battery.yaml": []byte(buffer)}
	if saved != nil {
		files["saved.json"] = saved
	}
	p := plan.BindWith(seq, b, models, plan.Options{Files: files}, &found)
	if found.Failed() {
		t.Fatalf("%v", found.List())
	}
	return p
}

func emulate(t testing.TB, b *fakeBench, p *plan.Plan) (*kept, run.Summary, error) {
	t.Helper()
	k := &kept{}
	s, err := run.Run(context.Background(), run.Config{Plan: p, Instruments: b.instruments(), Clock: b.clock, Ledger: &b.ledger, Sink: k})
	return k, s, err
}

// Ten hours of a constant current, in virtual time: the charge within 0.01 %, and what the device sees within 1 mV of the exact solution, at
// every point.
func TestTenHoursOfABattery(t *testing.T) {
	const amps = 0.105
	p := withBattery(t, `steps:
  - emulate: feed
    battery: buffer.battery.yaml
    amps: 1 A
    every: 1 s
    keep: 10 min
    until: {time: 10 h}
    reads: {vi: v(dut.in), ii: i(dut.in)}
    gives: {time: t, charge: soc, drawn: drawn, open_circuit: ocv, terminal: vt}
`, nil)
	b := newFakeBench()
	b.quiet, b.extraIn = true, amps-0.005
	k, s, err := emulate(t, b, p)
	if err != nil || s.Points != 61 || s.Points != p.Points || s.Invalid != 0 {
		t.Fatalf("%v; %d points of %d, %d invalid\n%s", err, s.Points, p.Points, s.Invalid, strings.Join(k.events, "\n"))
	}
	for i, point := range k.points {
		at := point.Cells["t"].SI
		if math.Abs(at-600*float64(i)) > 2 {
			t.Errorf("point %d at %g s", i+1, at)
		}
		charge, volts := buffered(amps, at)
		if got := point.Cells["soc"].SI; math.Abs(got-charge) > 1e-4*charge {
			t.Errorf("at %g s: %.8f of charge, want %.8f", at, got, charge)
		}
		if i == 0 {
			continue // nothing has been drawn yet
		}
		if got := point.Cells["vi"].SI; math.Abs(got-volts) > 1e-3 {
			t.Errorf("at %g s: the device sees %.6f V, want %.6f V", at, got, volts)
		}
		if got := point.Cells["drawn"].SI; math.Abs(got-amps*at) > 1e-4*amps*at {
			t.Errorf("at %g s: %g C drawn, want %g C", at, got, amps*at)
		}
	}
	if !k.said("makes no output resistance itself") || !k.said("10 h are over") || b.source.on {
		t.Errorf("on %v\n%s", b.source.on, strings.Join(k.events, "\n"))
	}
}

// Each end ends it; the output goes off, unless the sequence says on, and always at the battery's own cut-off.
func TestEndsOfAnEmulation(t *testing.T) {
	for _, c := range []struct {
		name, step string
		amps       float64
		says       string
		on         bool
	}{
		{name: "time", step: "until: {time: 20 s}", amps: 0.1, says: "20 s are over"},
		{name: "time, left on", step: "until: {time: 20 s}, then: on", amps: 0.1, says: "the output stays on", on: true},
		{name: "voltage", step: "until: {time: 1 h, volts: 12.6 V}", amps: 2, says: "its voltage has fallen to 12.6 V"},
		{name: "charge", step: "until: {time: 1 h, charge: 90 %}", amps: 1, says: "its charge has fallen to 90 %"},
		{name: "cut-off", step: "until: {time: 1 h}, from: 1 %, then: on", amps: 2.3, says: "its protection opened at the cut-off"},
		{name: "empty", step: "until: {time: 1 h}, from: 1 %", amps: 0.5, says: "it is empty"},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := withBattery(t, "steps:\n  - {emulate: feed, battery: buffer.battery.yaml, amps: 2.5 A, every: 1 s, keep: 1 min, gives: {charge: soc}, "+c.step+"}\n  - {measure: {after: v(dut.in)}}\n", nil)
			b := newFakeBench()
			b.quiet, b.extraIn = true, c.amps-0.005
			k, _, err := emulate(t, b, p)
			if err != nil || !k.said(c.says) {
				t.Fatalf("%v\n%s", err, strings.Join(k.events, "\n"))
			}
			after := k.points[len(k.points)-1].Cells["after"].SI
			if on := after > 5; on != c.on {
				t.Errorf("%g V afterwards", after)
			}
		})
	}
}

// A battery goes on from where its last emulation in the run ended; "from" begins anew.
func TestABatteryGoesOnInARun(t *testing.T) {
	p := withBattery(t, `steps:
  - {emulate: feed, battery: buffer.battery.yaml, amps: 2 A, every: 1 s, keep: 10 min, until: {time: 10 min}, gives: {charge: one}}
  - {emulate: feed, battery: buffer.battery.yaml, every: 1 s, keep: 10 min, until: {time: 10 min}, gives: {charge: two}}
  - {emulate: feed, battery: buffer.battery.yaml, every: 1 s, keep: 10 min, until: {time: 10 min}, from: 50 %, gives: {charge: three}}
`, nil)
	b := newFakeBench()
	b.quiet, b.extraIn = true, 0.995
	k, _, err := emulate(t, b, p)
	if err != nil || len(k.points) != 6 {
		t.Fatalf("%v, %d points", err, len(k.points))
	}
	for i, want := range []struct {
		name   string
		charge float64
	}{{"one", 1}, {"one", 1 - 600./7200}, {"two", 1 - 600./7200}, {"two", 1 - 1200./7200}, {"three", 0.5}, {"three", 0.5 - 600./7200}} {
		if got := k.points[i].Cells[want.name].SI; math.Abs(got-want.charge) > 1e-4 {
			t.Errorf("point %d: %g, want %g", i+1, got, want.charge)
		}
	}
}

// A saved state of the same battery is gone on from, with the voltage of its pairs; one of another battery is refused.
func TestASavedStateIsGoneOnFrom(t *testing.T) {
	steps := `steps:
  - {emulate: feed, battery: buffer.battery.yaml, amps: 2 A, every: 1 s, keep: 1 min, until: {time: 1 min}, from: {saved: saved.json}, gives: {charge: soc, drawn: drawn, terminal: v}}
`
	dir := t.TempDir() + "/record"
	b := newFakeBench()
	b.quiet, b.extraIn = true, 0.995
	w, err := record.Create(dir, record.Start{Tool: "test", Title: "battery", Clock: b.clock, Ledger: &b.ledger})
	if err != nil {
		t.Fatal(err)
	}
	first := withBattery(t, strings.Replace(steps, "from: {saved: saved.json}", "from: 80 %", 1), nil)
	if err := w.Columns([]record.Column{{Name: "soc", Kind: record.Derived, Dim: quantity.Ratio}, {Name: "drawn", Kind: record.Derived, Dim: quantity.Charge}, {Name: "v", Kind: record.Derived, Dim: quantity.Voltage}}, false); err != nil {
		t.Fatal(err)
	}
	if _, err := run.Run(context.Background(), run.Config{Plan: first, Instruments: b.instruments(), Clock: b.clock, Ledger: &b.ledger, Sink: w}); err != nil {
		t.Fatal(err)
	}
	saved := readFile(t, dir+"/emulation/feed-buffer.json")
	k, _, err := emulate(t, b, withBattery(t, steps, saved))
	if err != nil {
		t.Fatal(err)
	}
	// a minute at 1 A from 80 %, and a minute more
	charge := 0.8 - 120./7200
	volts := 11 + 2*charge - (0.2 + 0.1*(1-math.Exp(-1.2)) + 0.05*(1-math.Exp(-6)))
	last := k.points[len(k.points)-1].Cells
	if math.Abs(last["soc"].SI-charge) > 1e-6 || math.Abs(last["v"].SI-volts) > 1e-3 || math.Abs(last["drawn"].SI-120) > 0.01 {
		t.Errorf("%g of charge, %g V, %g C; want %g, %g V, 120 C", last["soc"].SI, last["v"].SI, last["drawn"].SI, charge, volts)
	}
	_, s, err := emulate(t, b, withBattery(t, steps, []byte(strings.Replace(string(saved), `"battery_sha256": "`, `"battery_sha256": "0`, 1))))
	if run.ExitStatus(s, err) != 3 || !strings.Contains(err.Error(), "another battery file") {
		t.Errorf("%v", err)
	}
}

// A battery above the guard is refused before anything is connected; one that collapses under an overload overflows nothing and ends.
func TestABatteryAboveTheGuardIsRefused(t *testing.T) {
	var found diag.Findings
	seq := sequence.Read("test.yaml", []byte(strings.Replace(head, "volts: ..18 V", "volts: ..12.9 V", 1)+`steps:
  - {emulate: feed, battery: buffer.battery.yaml, amps: 2 A, until: {time: 1 min}}
`), nil, &found)
	b, models := testBench()
	plan.BindWith(seq, b, models, plan.Options{Files: map[string][]byte{"buffer.battery.yaml": []byte(buffer)}}, &found)
	if !found.Failed() || !strings.Contains(found.List()[len(found.List())-1].Text, "has 13 V; the guard of dut.in allows ..12.9 V") {
		t.Errorf("%v", found.List())
	}
	found = diag.Findings{}
	plan.Bind(seq, b, models, &found)
	if !found.Failed() || !strings.Contains(found.List()[len(found.List())-1].Text, "is not there") {
		t.Errorf("%v", found.List())
	}
}

// Whatever call fails while a battery is played, the output ends off.
func TestABrokenCallDuringAnEmulation(t *testing.T) {
	p := withBattery(t, `steps:
  - {emulate: feed, battery: buffer.battery.yaml, amps: 2 A, every: 100 ms, keep: 200 ms, until: {time: 500 ms}, reads: {vi: v(dut.in)}, gives: {time: t, charge: soc}}
`, nil)
	for n := 1; ; n++ {
		b := newFakeBench()
		b.extraIn = 1
		b.failAt, b.failWith = n, func(string) error { return errBroken }
		_, s, err := emulate(t, b, p)
		if !b.fired {
			if err != nil {
				t.Fatal(err)
			}
			return
		}
		if b.source.on || err != nil && !errors.Is(err, errBroken) {
			t.Errorf("call %d: on %v, %v", n, b.source.on, err)
		}
		if err != nil && run.ExitStatus(s, err) == 0 {
			t.Errorf("call %d: exit 0", n)
		}
	}
}

// resistive is a fake source that makes an output resistance itself.
type resistive struct {
	*fakeSource
	ohms []float64
}

func (r *resistive) OhmsSpan() quantity.Span {
	return quantity.Span{High: 100, Dim: quantity.Resistance, Set: true}
}

func (r *resistive) SetOhms(ctx context.Context, ohm quantity.Ohm) error {
	r.ohms = append(r.ohms, float64(ohm))
	return r.b.call(ctx, "feed-psu", "resistance %s", ohm)
}

type resistiveInstrument struct {
	fakeInstrument
	source *resistive
}

func (r resistiveInstrument) Source(int) (run.Feeder, error) { return r.source, nil }

// A source that can is given the resistance, once while it does not change, and then set to the voltage behind it: the drop of R0 is its own.
func TestASourceMakesTheResistanceItself(t *testing.T) {
	p := withBattery(t, `steps:
  - {emulate: feed, battery: buffer.battery.yaml, amps: 2 A, every: 1 s, keep: 10 min, until: {time: 10 min}, gives: {charge: soc}}
`, nil)
	b := newFakeBench()
	b.quiet, b.extraIn = true, 0.995
	all := b.instruments()
	source := &resistive{fakeSource: &b.source}
	all["feed-psu"] = resistiveInstrument{fakeInstrument{b, "feed-psu"}, source}
	k := &kept{}
	if _, err := run.Run(context.Background(), run.Config{Plan: p, Instruments: all, Clock: b.clock, Ledger: &b.ledger, Sink: k}); err != nil {
		t.Fatal(err)
	}
	charge, loaded := buffered(1, 600)
	if want := loaded + 0.2; math.Abs(b.source.volts-want) > 1e-3 || math.Abs(charge-(1-600./7200)) > 1e-12 {
		t.Errorf("%g V are set, want %g V", b.source.volts, want)
	}
	if len(source.ohms) != 2 || source.ohms[0] != 0.2 || source.ohms[1] != 0 || k.said("makes no output resistance") {
		t.Errorf("resistances %v", source.ohms)
	}
}

func readFile(t testing.TB, name string) []byte {
	t.Helper()
	data, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return data
}
