package run_test

import (
	"context"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"fourwire/internal/ledger"
	"fourwire/sequence/run"
)

const timedSteps = `
steps:
  - {source: feed, volts: 12 V, amps: 2.5 A}
  - sweep: {iout: [1 A, 2 A, 3 A]}
    steps:
      - {load: sink, hold: iout}
      - {wait: 500 ms}
      - settle: {until: v(dut.out) within 0.1 % for 20 ms, at_most: 1 s}
      - measure: {vi: v(dut.in), vo: v(dut.out), io: i(dut.out)}
`

// The runner books waits and settling at the step that asks for them, as often as it comes by, and nothing besides: instruments book for
// themselves, and these fakes do not.
func TestStepsAreBooked(t *testing.T) {
	b := newFakeBench()
	l := ledger.New(b.clock)
	began := b.clock.Now()
	p := bound(t, timedSteps)
	s, err := run.Run(context.Background(), run.Config{Plan: p, Instruments: b.instruments(), Clock: b.clock, Ledger: &b.ledger, Spans: l})
	if err != nil {
		t.Fatal(err)
	}
	texts := run.StepTexts(p.Sequence)
	sum := 0.0
	got := map[string]ledger.Span{}
	for _, x := range l.Spans() {
		sum += x.Seconds
		got[string(x.Kind)+" "+texts[x.Step]] = x
	}
	if took := b.clock.Since(began).Seconds(); math.Abs(sum-took) > 1e-9 || took == 0 {
		t.Errorf("the spans add up to %v s of %v s", sum, took)
	}
	if x := got["fixed wait wait 500 ms"]; x.Count != 3 || math.Abs(x.Seconds-1.5) > 1e-9 || !strings.HasPrefix(x.Step, "test.yaml:") {
		t.Errorf("three waits of half a second: %+v of %v", x, got)
	}
	// a window of 20 ms, three times; the fakes' readings end it on the reading that fills it
	if x := got["settle settle v(dut.out)"]; x.Count != 3 || x.Seconds < 0.06 || x.Seconds > 0.15 {
		t.Errorf("three settling times of 20 ms: %+v", x)
	}
	if x := got["host measure vi, vo, io"]; x.Seconds < 3*0.02 {
		t.Errorf("three readings of 20 ms, which nobody else has booked: %+v of %v", x, got)
	}
	if x, ok := got["output down "]; !ok || x.Step != "" {
		t.Errorf("watching the discharge: %+v of %v", x, got)
	}
	if len(s.Responses) != 1 || s.Responses[0].Instrument != "feed-psu" || math.IsNaN(s.Responses[0].Up) {
		t.Errorf("responses: %+v", s.Responses)
	}
	if l.Place() != "" {
		t.Errorf("the run is over, and still at %s", l.Place())
	}
}

// The account says the same whether a run is watched by it or not: it changes no call.
func TestAccountChangesNothing(t *testing.T) {
	calls := func(spans bool) string {
		b := newFakeBench()
		c := run.Config{Plan: bound(t, timedSteps), Instruments: b.instruments(), Clock: b.clock, Ledger: &b.ledger}
		if spans {
			c.Spans = ledger.New(b.clock)
		}
		s, err := run.Run(context.Background(), c)
		if err != nil {
			t.Fatal(err)
		}
		return strings.Join(b.calls, "\n") + s.Elapsed.Round(time.Nanosecond).String()
	}
	if a, b := calls(true), calls(false); a != b {
		t.Errorf("%s\n---\n%s", a, b)
	}
}

// BenchmarkPointAccounted is BenchmarkPoint with an account of the time.
func BenchmarkPointAccounted(b *testing.B) {
	const points = 1000
	p := bound(b, fmt.Sprintf(`
steps:
  - {source: feed, volts: 12 V, amps: 2.5 A}
  - sweep: {iout: {from: 10 mA, to: 3 A, points: %d}}
    steps:
      - {load: sink, hold: iout}
      - settle: {until: v(dut.out) within 0.1 %% for 10 ms, at_most: 1 s}
      - measure: {vi: v(dut.in), ii: i(dut.in), vo: v(dut.out), io: i(dut.out)}
      - derive: {pin: vi * ii, efficiency: vo * io / pin}
      - judge: {limit: efficiency >= 80 %%}
`, points))
	b.ReportAllocs()
	for b.Loop() {
		f := newFakeBench()
		f.quiet = true
		if _, err := run.Run(context.Background(), run.Config{Plan: p, Instruments: f.instruments(), Clock: f.clock, Ledger: &f.ledger, Spans: ledger.New(f.clock)}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/points/1000, "us/point")
}
