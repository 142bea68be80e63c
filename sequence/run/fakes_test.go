package run_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"fourwire/driver"
	"fourwire/driver/bench"
	"fourwire/driver/model"
	"fourwire/internal/clock"
	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/record"
	"fourwire/sequence"
	"fourwire/sequence/plan"
	"fourwire/sequence/run"
)

// fakeBench is a source, a load and four meters around a converter of three lines, in virtual time, with a log of every call.
type fakeBench struct {
	clock  *clock.Virtual
	ledger measured.Ledger
	calls  []string
	source fakeSource
	load   fakeLoad
	meters map[string]*fakeMeter
	names  []string

	// what the converter does
	output   func(b *fakeBench) float64 // volts at dut.out; nil: 5 V while the input is above 6 V
	extraIn  float64                    // amps at dut.in besides what the load needs
	modeOf   func(role string) string   // "" is the right mode
	tripped  func(role string) []string
	stands   float64 // volts left at both nodes when everything is off
	failAt   int     // the call, from 1, that fails; 0: none
	failWith func(call string) error
	lostFrom int // every call of the instrument of this call fails from then on
	lost     string
	fired    bool
	quiet    bool // no log of calls
	onSince  time.Time
}

// switchedOn is when the source went on last.
func (b *fakeBench) switchedOn() time.Time { return b.onSince }

var errBroken = errors.New("broken on purpose")

func newFakeBench() *fakeBench {
	b := &fakeBench{clock: clock.NewVirtual(time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)), meters: map[string]*fakeMeter{}}
	b.source.b, b.load.b = b, b
	for _, m := range []struct {
		name, node string
		f          driver.Function
	}{{"dmm-in", "dut.in", driver.Volts}, {"dmm-out", "dut.out", driver.Volts}, {"amm-in", "dut.in", driver.Amps}, {"amm-out", "dut.out", driver.Amps}} {
		b.meters[m.name] = &fakeMeter{b: b, name: m.name, node: m.node}
		b.names = append(b.names, m.name)
	}
	return b
}

// call logs a call and fails where it should.
func (b *fakeBench) call(ctx context.Context, instrument, format string, args ...any) error {
	if b.quiet {
		return ctx.Err()
	}
	text := instrument + ": " + fmt.Sprintf(format, args...)
	b.calls = append(b.calls, text)
	b.clock.Sleep(context.Background(), time.Millisecond)
	if b.lost == instrument {
		return errBroken
	}
	if b.lostFrom == len(b.calls) {
		b.lost, b.fired = instrument, true
		return errBroken
	}
	if b.failAt == len(b.calls) {
		b.fired = true
		if err := b.failWith(text); err != nil {
			return err
		}
	}
	return ctx.Err()
}

func (b *fakeBench) in() float64 {
	if b.source.on {
		return b.source.volts
	}
	return b.stands
}

func (b *fakeBench) out() float64 {
	switch {
	case b.output != nil && b.source.on:
		return b.output(b)
	case b.source.on && b.source.volts > 6:
		return 5 - 0.01*b.drawn()
	}
	return b.stands
}

func (b *fakeBench) drawn() float64 {
	if !b.load.on || !b.source.on {
		return 0
	}
	return b.load.hold.SI
}

func (b *fakeBench) takenIn() float64 {
	if !b.source.on {
		return 0
	}
	return 0.005 + b.extraIn + 5*b.drawn()/(0.9*b.source.volts)
}

// instrument makes the runner's view of one of them.
func (b *fakeBench) instruments() map[string]run.Instrument {
	all := map[string]run.Instrument{"feed-psu": fakeInstrument{b, "feed-psu"}, "sink": fakeInstrument{b, "sink"}}
	for name := range b.meters {
		all[name] = fakeInstrument{b, name}
	}
	return all
}

type fakeInstrument struct {
	b    *fakeBench
	name string
}

func (f fakeInstrument) Prepare(ctx context.Context) error {
	err := f.b.call(ctx, f.name, "prepare")
	if err == nil {
		f.off()
	}
	return err
}

func (f fakeInstrument) CheckErrors(ctx context.Context) error {
	return f.b.call(ctx, f.name, "errors?")
}

func (f fakeInstrument) Abort(ctx context.Context) error {
	err := f.b.call(ctx, f.name, "abort")
	if err == nil {
		f.off()
	}
	return err
}

func (f fakeInstrument) off() {
	switch f.name {
	case "feed-psu":
		f.b.source.on = false
	case "sink":
		f.b.load.on = false
	default:
		f.b.meters[f.name].pending = false
	}
}

func (f fakeInstrument) Source(int) (run.Feeder, error) { return &f.b.source, nil }
func (f fakeInstrument) Load(int) (run.Sinker, error)   { return &f.b.load, nil }
func (f fakeInstrument) Meter(int) (run.Gauge, error)   { return f.b.meters[f.name], nil }

type fakeSource struct {
	b              *fakeBench
	on             bool
	volts, amps    float64
	over, overAmps float64
}

func (s *fakeSource) SetVolts(ctx context.Context, v quantity.Volt) error {
	err := s.b.call(ctx, "feed-psu", "volts %s", v)
	if err == nil {
		s.volts = float64(v)
	}
	return err
}

func (s *fakeSource) SetAmps(ctx context.Context, a quantity.Amp) error {
	err := s.b.call(ctx, "feed-psu", "limit %s", a)
	if err == nil {
		s.amps = float64(a)
	}
	return err
}

func (s *fakeSource) SetProtection(ctx context.Context, over quantity.Volt, overAmps quantity.Amp) error {
	err := s.b.call(ctx, "feed-psu", "protection %s %s", over, overAmps)
	if err == nil {
		s.over, s.overAmps = float64(over), float64(overAmps)
	}
	return err
}

func (s *fakeSource) Sense(ctx context.Context, remote bool) error {
	return s.b.call(ctx, "feed-psu", "remote sense %v", remote)
}

func (s *fakeSource) Output(ctx context.Context, on bool) error {
	err := s.b.call(ctx, "feed-psu", "output %v", on)
	if err == nil || on { // a broken answer does not say that the output stayed off
		if on && !s.on {
			s.b.onSince = s.b.clock.Now()
		}
		s.on = on
	}
	return err
}

func (s *fakeSource) Status(ctx context.Context) (driver.Status, error) {
	return s.b.status("feed", s.on, "CV"), s.b.call(ctx, "feed-psu", "status?")
}

func (b *fakeBench) status(role string, on bool, mode string) driver.Status {
	st := driver.Status{On: on, Mode: mode}
	if !on {
		st.Mode = "off"
	}
	if b.modeOf != nil && on {
		if m := b.modeOf(role); m != "" {
			st.Mode = strings.TrimPrefix(m, "cannot say")
			st.On = m != "off"
		}
	}
	if b.tripped != nil && on {
		st.Tripped = b.tripped(role)
	}
	return st
}

type fakeLoad struct {
	b    *fakeBench
	on   bool
	hold quantity.Quantity
}

func (l *fakeLoad) Hold(ctx context.Context, q quantity.Quantity) error {
	err := l.b.call(ctx, "sink", "hold %s", q)
	if err == nil {
		l.hold = q
	}
	return err
}

func (l *fakeLoad) SetProtection(ctx context.Context, over quantity.Volt, overAmps quantity.Amp) error {
	return l.b.call(ctx, "sink", "protection %s %s", over, overAmps)
}

func (l *fakeLoad) Sense(ctx context.Context, remote bool) error {
	return l.b.call(ctx, "sink", "remote sense %v", remote)
}

func (l *fakeLoad) Input(ctx context.Context, on bool) error {
	err := l.b.call(ctx, "sink", "input %v", on)
	if err == nil || on {
		l.on = on
	}
	return err
}

func (l *fakeLoad) Status(ctx context.Context) (driver.Status, error) {
	mode := map[quantity.Dimension]string{quantity.Voltage: "CV", quantity.Resistance: "CR", quantity.Power: "CP"}[l.hold.Dim]
	if mode == "" {
		mode = "CC"
	}
	return l.b.status("sink", l.on, mode), l.b.call(ctx, "sink", "status?")
}

type fakeMeter struct {
	b          *fakeBench
	name, node string
	request    driver.Request
	begun      time.Time
	pending    bool
	armed      float64
	only       []float64             // ranges, where it has not all
	reading    func() driver.Reading // what it reads, where it is not the converter's
}

var meterRanges = map[driver.Function][]float64{driver.Volts: {0.1, 1, 10, 100}, driver.Amps: {0.01, 0.1, 1, 3, 10}}

func (m *fakeMeter) full(r driver.Request) float64 {
	if m.only != nil {
		return plan.Gauge{Ranges: m.only}.Range(r.Expect)
	}
	return plan.Gauge{Ranges: meterRanges[r.Function]}.Range(r.Expect)
}

func (m *fakeMeter) Arm(ctx context.Context, r driver.Request) error {
	m.armed = m.full(r)
	return m.b.call(ctx, m.name, "arm %s", quantity.Of(m.armed, dims[r.Function]))
}

var dims = map[driver.Function]quantity.Dimension{driver.Volts: quantity.Voltage, driver.Amps: quantity.Current}

func (m *fakeMeter) Begin(ctx context.Context, r driver.Request) error {
	m.armed = m.full(r)
	err := m.b.call(ctx, m.name, "begin %s for %s", quantity.Of(m.armed, dims[r.Function]), r.Aperture)
	if m.pending {
		return errors.New("a reading is under way already")
	}
	if err == nil {
		m.request, m.begun, m.pending = r, m.b.clock.Now(), true
	}
	return err
}

func (m *fakeMeter) End(ctx context.Context) (driver.Reading, error) {
	err := m.b.call(ctx, m.name, "end")
	if err != nil {
		return driver.Reading{}, err
	}
	m.pending = false
	if left := m.request.Aperture - m.b.clock.Since(m.begun); left > 0 {
		if err := m.b.clock.Sleep(ctx, left); err != nil {
			return driver.Reading{}, err
		}
	}
	if m.reading != nil {
		r := m.reading()
		r.Start, r.End = m.begun, m.b.clock.Now()
		return r, nil
	}
	var x float64
	switch m.name {
	case "dmm-in":
		x = m.b.in()
	case "dmm-out":
		x = m.b.out()
	case "amm-in":
		x = m.b.takenIn()
	case "amm-out":
		x = m.b.drawn()
	}
	dim := dims[m.request.Function]
	over := math.Abs(x) > m.armed*1.1 // a tenth of over-range
	l := &m.b.ledger
	return driver.Reading{
		Value: measured.New(quantity.Of(x, dim),
			measured.Term{Input: l.Shared(measured.Input{Name: m.name + " gain", Kind: measured.Gain}), Part: 5e-4 * x / math.Sqrt(3)},
			measured.Term{Input: l.Own(measured.Input{Name: m.name + " noise", Kind: measured.Noise}), Part: 1e-5 * m.armed}),
		RangeFull: m.armed, Overload: over, Start: m.begun, End: m.b.clock.Now(),
	}, nil
}

// kept is a sink in memory.
type kept struct {
	points   []record.Point
	verdicts []record.Verdict
	results  []record.Result
	events   []string
	fail     func(what string) error
}

func (k *kept) failing(what string) error {
	if k.fail == nil {
		return nil
	}
	return k.fail(what)
}

func (k *kept) Point(p record.Point) error {
	k.points = append(k.points, p)
	return k.failing("point")
}

func (k *kept) Verdict(v record.Verdict) error {
	k.verdicts = append(k.verdicts, v)
	return k.failing("verdict")
}

func (k *kept) Result(r record.Result) error {
	k.results = append(k.results, r)
	return k.failing("result")
}

func (k *kept) Event(e record.Event) error {
	k.events = append(k.events, e.Kind+": "+e.Text)
	return k.failing("event")
}

func (k *kept) said(text string) bool {
	for _, e := range k.events {
		if strings.Contains(e, text) {
			return true
		}
	}
	return false
}

// testBench is the bench file that belongs to the fakes.
func testBench() (*bench.Bench, map[string]*model.Model) {
	volts := model.Range{Accuracy: model.Accuracy{Gain: 5e-4}}
	var ranges, amps []model.Range
	for _, full := range meterRanges[driver.Volts] {
		volts.Full = full
		ranges = append(ranges, volts)
	}
	for _, full := range meterRanges[driver.Amps] {
		volts.Full = full
		amps = append(amps, volts)
	}
	span := func(high float64, d quantity.Dimension) quantity.Span {
		return quantity.Span{High: high, Dim: d, Set: true}
	}
	meter := &model.Model{Name: "meter", Channels: []model.Channel{{Number: 1, Volts: ranges, Amps: amps}}}
	b := &bench.Bench{Wiring: []bench.Wire{
		{Instrument: "feed-psu", Channel: 1, Node: "dut.in", As: bench.Source, Sense: bench.Remote, LeadOhm: 0.015},
		{Instrument: "sink", Channel: 1, Node: "dut.out", As: bench.Load, LeadOhm: 0.015},
		{Instrument: "dmm-in", Channel: 1, Node: "dut.in", As: bench.Voltmeter},
		{Instrument: "dmm-out", Channel: 1, Node: "dut.out", As: bench.Voltmeter},
		{Instrument: "amm-in", Channel: 1, Node: "dut.in", As: bench.Ammeter},
		{Instrument: "amm-out", Channel: 1, Node: "dut.out", As: bench.Ammeter},
	}}
	return b, map[string]*model.Model{
		"feed-psu": {Name: "source", Channels: []model.Channel{{Number: 1, Source: &model.SourceSpec{
			Volts: span(32, quantity.Voltage), Amps: span(10, quantity.Current), MaxWatts: 200, SenseVolts: 1,
			OverVolts: span(35, quantity.Voltage), OverAmps: span(11, quantity.Current), OverVoltsAt: "terminals",
		}}}},
		"sink": {Name: "load", Channels: []model.Channel{{Number: 1, Load: &model.LoadSpec{
			Volts: span(80, quantity.Voltage), Amps: span(30, quantity.Current), MaxWatts: 200, MinVolts: 0.5, MinOhms: 0.025,
			Ohms: quantity.Span{Low: 0.1, High: 1e4, Dim: quantity.Resistance, Set: true}, Watts: span(200, quantity.Power), ConstVolts: true,
			OverAmps: span(33, quantity.Current),
		}}}},
		"dmm-in": meter, "dmm-out": meter, "amm-in": meter, "amm-out": meter,
	}
}

const head = `fourwire: sequence/1
title: test
needs:
  feed: {role: source, node: dut.in, volts: 5..16 V, amps: 0..2.5 A}
  sink: {role: load, node: dut.out, amps: 0..3 A, at_volts: 4.5 V}
guard:
  dut.in: {volts: ..18 V, amps: ..2.8 A}
  dut.out: {volts: ..5.6 V, amps: ..3.3 A}
`

// bound reads a sequence (below the head above) and binds it to the test bench.
func bound(t testing.TB, text string) *plan.Plan {
	t.Helper()
	var found diag.Findings
	if whole, ok := strings.CutPrefix(text, "\x00"); ok { // a file with a head of its own
		text = whole
	} else {
		text = head + text
	}
	seq := sequence.Read("test.yaml", []byte(text), nil, &found)
	if found.Failed() {
		t.Fatalf("the sequence: %v", found.List())
	}
	b, models := testBench()
	p := plan.Bind(seq, b, models, &found)
	if found.Failed() {
		t.Fatalf("the plan: %v", found.List())
	}
	return p
}

// walk runs a sequence on a fake bench.
func walk(t testing.TB, ctx context.Context, b *fakeBench, text string) (*kept, run.Summary, error) {
	t.Helper()
	k := &kept{}
	s, err := run.Run(ctx, run.Config{Plan: bound(t, text), Instruments: b.instruments(), Clock: b.clock, Ledger: &b.ledger, Sink: k})
	return k, s, err
}
