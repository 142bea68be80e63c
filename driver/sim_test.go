package driver_test

import (
	"context"
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"fourwire/driver"
	"fourwire/driver/ieee488"
	"fourwire/driver/model"
	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/sim"
)

// The bench of these tests: the library's instruments around the buoy's 12 V node, with a resistor that the dual source feeds.
// What the simulator knows for certain is what the readings are held against.
const scenario = `
fourwire: scenario/1
seed: 7
ambient: 23 degC
devices:
  lamp: {kind: resistor, plus: dut.lamp, resistance: 10 ohm}
  bleeder: {kind: resistor, plus: dut.in, resistance: 24 ohm}
  heater: {kind: resistor, plus: dut.heater, resistance: 4 ohm}
instruments:
  feed-psu: {kind: source, identity: "Lakeside,Feed,S1001,1.4", channels: [{volts: 32 V, amps: 10 A, watts: 200 W}]}
  sink-1:   {kind: load, identity: "Lakeside,Sink,S2001,2.0"}
  twin-psu: {kind: source, identity: "Lakeside,Twin,S1002,1.4", channels: [{volts: 32 V, amps: 3 A}, {volts: 32 V, amps: 3 A}]}
  smu-1:    {kind: source-measure-unit, identity: "Lakeside,Unit,S4001,1.0"}
  dmm-in:   {kind: meter, identity: "Lakeside,Meter,S3001,1.1"}
  amm-in:   {kind: meter, identity: "Lakeside,Meter,S3003,1.1"}
wiring:
  - {channel: feed-psu, node: dut.in, lead: 15 mohm, sense: remote}
  - {channel: sink-1, node: dut.in, lead: 15 mohm, sense: local}
  - {channel: twin-psu.1, node: dut.aux}
  - {channel: twin-psu.2, node: dut.heater}
  - {channel: smu-1, node: dut.lamp}
  - {channel: dmm-in, node: dut.in}
  - {channel: amm-in, node: dut.in, as: ammeter}
`

type simulated struct {
	*sim.Bench
	ledger measured.Ledger
}

func simulate(t *testing.T) *simulated {
	t.Helper()
	var found diag.Findings
	s := sim.Read("driver.scenario.yaml", []byte(scenario), &found)
	for _, f := range found.List() {
		t.Log(f.Render())
	}
	if s == nil {
		t.FailNow()
	}
	b, err := sim.New(s, sim.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return &simulated{Bench: b}
}

func libraryModel(t *testing.T, name string) *model.Model {
	t.Helper()
	data, ok := model.FromLibrary(name)
	if !ok {
		t.Fatalf("no model %s", name)
	}
	var found diag.Findings
	m := model.Read(name+".model.yaml", data, &found)
	if m == nil {
		t.Fatal(found.List())
	}
	return m
}

func libraryText(t testing.TB, name string) string {
	data, ok := model.FromLibrary(name)
	if !ok {
		t.Fatalf("no model %s", name)
	}
	return string(data)
}

func (s *simulated) open(t *testing.T, name, kind string) *driver.Instrument {
	t.Helper()
	link, err := s.Link(name)
	if err != nil {
		t.Fatal(err)
	}
	in, err := driver.Open(context.Background(), driver.Config{Name: name, Address: "sim:" + name, Model: libraryModel(t, kind), Link: link, Clock: s.Clock(), Ledger: &s.ledger, AmbientKelvin: 296.15})
	if err != nil {
		t.Fatal(err)
	}
	if err := in.Prepare(context.Background()); err != nil {
		t.Fatal(err)
	}
	return in
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func TestSourceLoadAndMetersAgainstTheSimulator(t *testing.T) {
	b, ctx := simulate(t), context.Background()
	psu, sink, dmm, amm := b.open(t, "feed-psu", "dc-source"), b.open(t, "sink-1", "electronic-load"), b.open(t, "dmm-in", "meter"), b.open(t, "amm-in", "meter")
	source, err := psu.Source(1)
	must(t, err)
	load, err := sink.Load(1)
	must(t, err)

	if err := source.Output(ctx, true); !errors.Is(err, driver.ErrOrder) {
		t.Errorf("an output without limits went on: %v", err)
	}
	must(t, source.Sense(ctx, true))
	must(t, source.SetProtection(ctx, 15, 6))
	must(t, source.SetAmps(ctx, 3))
	must(t, source.SetVolts(ctx, 12))
	must(t, source.Output(ctx, true))
	must(t, b.Clock().Sleep(ctx, time.Second))
	must(t, load.Hold(ctx, quantity.MustParse("1.5 A")))
	must(t, load.Input(ctx, true))
	must(t, b.Clock().Sleep(ctx, time.Second))

	st, err := source.Status(ctx)
	must(t, err)
	if !st.On || st.Mode != "CV" || len(st.Tripped) > 0 {
		t.Errorf("the source says %+v", st)
	}
	if st, err := load.Status(ctx); err != nil || !st.On || st.Mode != "CC" {
		t.Errorf("the load says %+v, %v", st, err)
	}

	volts, err := dmm.Meter(1)
	must(t, err)
	amps, err := amm.Meter(1)
	must(t, err)
	psuVolts, _ := psu.Meter(1)
	psuAmps, _ := psu.Meter(1)
	before := b.Clock().Now()
	must(t, volts.Begin(ctx, driver.Request{Function: driver.Volts, Aperture: 100 * time.Millisecond, Expect: 12}))
	must(t, amps.Begin(ctx, driver.Request{Function: driver.Amps, Aperture: 100 * time.Millisecond, Expect: 0.5}))
	must(t, psuVolts.Begin(ctx, driver.Request{Function: driver.Volts, Aperture: 100 * time.Millisecond, Expect: 12}))
	must(t, psuAmps.Begin(ctx, driver.Request{Function: driver.Amps, Aperture: 100 * time.Millisecond, Expect: 1.5}))
	end := func(m *driver.Meter) driver.Reading {
		t.Helper()
		r, err := m.End(ctx)
		must(t, err)
		return r
	}
	v, i, pv, pi := end(volts), end(amps), end(psuVolts), end(psuAmps)
	if took := b.Clock().Now().Sub(before); took > 250*time.Millisecond {
		t.Errorf("four readings of 100 ms at one time took %v", took)
	}
	truth := b.Truth()
	near := func(what string, r driver.Reading, want float64) {
		t.Helper()
		if u := r.Value.Expanded(); math.Abs(r.Value.X-want) > 1.5*u || u <= 0 {
			t.Errorf("%s reads %v, U = %v; in truth %v", what, r.Value.X, u, want)
		}
	}
	near("dmm-in", v, truth.Volts["dut.in"])
	near("amm-in", i, truth.Volts["dut.in"]/24)
	near("feed-psu amps", pi, truth.Channels["feed-psu.1"].Amps)
	near("feed-psu volts", pv, truth.Volts["dut.in"])
	if v.RangeFull != 100 || i.RangeFull != 1 {
		t.Errorf("ranges %v and %v", v.RangeFull, i.RangeFull)
	}
	for _, r := range []driver.Reading{v, i, pv, pi} {
		if r.Start.Before(before) || r.End.Sub(r.Start) < 100*time.Millisecond {
			t.Errorf("read from %v to %v", r.Start, r.End)
		}
	}

	// the load asks for more than the limit: the source must say so
	must(t, load.Hold(ctx, quantity.MustParse("5 A")))
	must(t, b.Clock().Sleep(ctx, time.Second))
	if st, err := source.Status(ctx); err != nil || st.Mode != "CC" {
		t.Errorf("at its limit the source says %+v, %v", st, err)
	}
	must(t, load.Input(ctx, false))
	must(t, source.Output(ctx, false))
	if st, err := source.Status(ctx); err != nil || st.On || st.Mode != "off" {
		t.Errorf("off, the source says %+v, %v", st, err)
	}
	for _, in := range []*driver.Instrument{psu, sink, dmm, amm} {
		must(t, in.CheckErrors(ctx))
		must(t, in.Release(ctx))
		must(t, in.Close())
	}
}

func TestModesOfALoadAgainstTheSimulator(t *testing.T) {
	b, ctx := simulate(t), context.Background()
	psu, sink := b.open(t, "feed-psu", "dc-source"), b.open(t, "sink-1", "electronic-load")
	source, _ := psu.Source(1)
	load, _ := sink.Load(1)
	must(t, source.SetAmps(ctx, 5))
	must(t, source.SetVolts(ctx, 10))
	must(t, source.Output(ctx, true))
	must(t, load.Hold(ctx, quantity.MustParse("0.1 A")))
	must(t, load.Input(ctx, true))
	for _, c := range []struct {
		hold, mode string
		amps       float64
	}{{"1 A", "CC", 1}, {"20 ohm", "CR", 0.5}, {"10 W", "CP", 1}, {"4 A", "CC", 4}} {
		must(t, load.Hold(ctx, quantity.MustParse(c.hold)))
		must(t, b.Clock().Sleep(ctx, time.Second))
		st, err := load.Status(ctx)
		if err != nil || st.Mode != c.mode || !st.On {
			t.Errorf("%s: %+v, %v", c.hold, st, err)
		}
		if amps := math.Abs(b.Truth().Channels["sink-1.1"].Amps); math.Abs(amps-c.amps) > 0.02*c.amps {
			t.Errorf("%s: %v A flow", c.hold, amps)
		}
	}
	var limit *driver.LimitError
	if err := load.Hold(ctx, quantity.MustParse("40 A")); !errors.As(err, &limit) || limit.Allowed.High != 30 {
		t.Errorf("40 A gives %v", err)
	}
	if err := load.Hold(ctx, quantity.MustParse("3 s")); err == nil || !strings.Contains(err.Error(), "time") {
		t.Errorf("three seconds give %v", err)
	}
	must(t, psu.Abort(ctx))
	must(t, sink.Abort(ctx))
	if v := math.Abs(b.Truth().Channels["sink-1.1"].Amps); v > 1e-3 {
		t.Errorf("after abort %v A flow", v)
	}
}

func TestOverVoltageTripsAndIsTold(t *testing.T) {
	b, ctx := simulate(t), context.Background()
	psu := b.open(t, "feed-psu", "dc-source")
	source, _ := psu.Source(1)
	must(t, source.SetProtection(ctx, 10, 0))
	must(t, source.SetAmps(ctx, 1))
	must(t, source.SetVolts(ctx, 5))
	must(t, source.Output(ctx, true))
	err := source.SetVolts(ctx, 12)
	if err == nil {
		must(t, b.Clock().Sleep(ctx, time.Second))
	}
	st, err2 := source.Status(ctx)
	if err2 != nil || st.On || st.Mode != "off" || len(st.Tripped) != 1 || st.Tripped[0] != "over-voltage" {
		t.Fatalf("%v; then %+v, %v", err, st, err2)
	}
	must(t, source.SetVolts(ctx, 5))
	if err := source.Output(ctx, true); !errors.Is(err, ieee488.Entry{Number: -221}) && !errors.Is(err, driver.ErrNotTaken) {
		t.Errorf("a tripped output was switched on: %v", err)
	}
	must(t, source.ClearProtection(ctx))
	must(t, source.Output(ctx, true))
}

func TestRefusalIsTheErrorOfItsCall(t *testing.T) {
	b, ctx := simulate(t), context.Background()
	m := libraryModel(t, "dc-source")
	wide := *m.Channels[0].Source
	wide.Volts.High = 500 // a model that promises more than the instrument has
	m.Channels[0].Source = &wide
	link, err := b.Link("feed-psu")
	must(t, err)
	psu, err := driver.Open(ctx, driver.Config{Name: "feed-psu", Model: m, Link: link, Clock: b.Clock()})
	must(t, err)
	must(t, psu.Prepare(ctx))
	source, _ := psu.Source(1)
	err = source.SetVolts(ctx, 400)
	var f *ieee488.Fault
	if !errors.As(err, &f) || !errors.Is(err, ieee488.Entry{Number: -222}) || !strings.Contains(f.Sent, ":SOUR1:VOLT 400") {
		t.Errorf("got %v", err)
	}
	must(t, psu.CheckErrors(ctx))
}

func TestTwoChannelsAreToldApart(t *testing.T) {
	b, ctx := simulate(t), context.Background()
	twin := b.open(t, "twin-psu", "dc-source-dual")
	first, err := twin.Source(1)
	must(t, err)
	second, err := twin.Source(2)
	must(t, err)
	must(t, second.SetAmps(ctx, 1))
	must(t, second.SetVolts(ctx, 10))
	must(t, second.Output(ctx, true))
	must(t, b.Clock().Sleep(ctx, time.Second))
	if st, err := second.Status(ctx); err != nil || !st.On || st.Mode != "CC" {
		t.Errorf("channel 2 into 4 ohm says %+v, %v", st, err)
	}
	if st, err := first.Status(ctx); err != nil || st.On {
		t.Errorf("channel 1 says %+v, %v", st, err)
	}
	m, err := twin.Meter(2)
	must(t, err)
	must(t, m.Begin(ctx, driver.Request{Function: driver.Volts, Expect: 4}))
	if r, err := m.End(ctx); err != nil || math.Abs(r.Value.X-4) > 0.05 {
		t.Errorf("channel 2 reads %v, %v", r.Value.X, err)
	}
	if err := first.Output(ctx, true); !errors.Is(err, driver.ErrOrder) {
		t.Errorf("limits of one channel serve for the other: %v", err)
	}
	must(t, twin.Abort(ctx))
}

func TestSourceMeasureUnitAgainstTheSimulator(t *testing.T) {
	b, ctx := simulate(t), context.Background()
	smu := b.open(t, "smu-1", "source-measure-unit")
	s, err := smu.Source(1)
	must(t, err)
	must(t, s.SetProtection(ctx, 15, 0))
	must(t, s.SetAmps(ctx, 0.5))
	must(t, s.SetVolts(ctx, -2)) // into 10 ohm
	must(t, s.Output(ctx, true))
	must(t, b.Clock().Sleep(ctx, 100*time.Millisecond))
	amps, err := smu.Meter(1)
	must(t, err)
	volts, _ := smu.Meter(1)
	must(t, amps.Begin(ctx, driver.Request{Function: driver.Amps, Expect: 0.01}))
	if r, err := amps.End(ctx); err != nil || !r.Overload || r.RangeFull != 0.01 {
		t.Errorf("0.2 A on the 10 mA range: %+v, %v", r, err)
	}
	must(t, amps.Begin(ctx, driver.Request{Function: driver.Amps, Expect: 0.2}))
	must(t, volts.Begin(ctx, driver.Request{Function: driver.Volts, Expect: 2}))
	i, err := amps.End(ctx)
	must(t, err)
	v, err := volts.End(ctx)
	must(t, err)
	truth := b.Truth().Volts["dut.lamp"]
	if math.Abs(v.Value.X-truth) > 1.5*v.Value.Expanded() || math.Abs(math.Abs(i.Value.X)-0.2) > 1e-3 {
		t.Errorf("reads %v V (in truth %v) and %v A", v.Value.X, truth, i.Value.X)
	}
	must(t, s.SetVolts(ctx, 9)) // 0.9 A are more than the compliance
	must(t, b.Clock().Sleep(ctx, 100*time.Millisecond))
	if st, err := s.Status(ctx); err != nil || st.Mode != "CC" {
		t.Errorf("at its compliance it says %+v, %v", st, err)
	}
	must(t, smu.Release(ctx))
}
