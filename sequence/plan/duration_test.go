package plan_test

import (
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"fourwire/driver/bench"
	"fourwire/internal/diag"
	"fourwire/internal/ledger"
	"fourwire/sequence/plan"
)

// timedPlan is a hundred points of one source and one meter, each with a wait.
func timedPlan(t *testing.T, wait string) map[ledger.Kind]float64 {
	t.Helper()
	psu, dmm := source(nil), meter()
	psu.Timing.Processing, psu.Timing.OutputUp = 5*time.Millisecond, 50*time.Millisecond
	dmm.Timing.Processing, dmm.Timing.Reading = 2*time.Millisecond, 1*time.Millisecond
	w := (&wiring{}).add("psu", psu, "dut.in", bench.Source, bench.Local, "0 ohm").add("dmm", dmm, "dut.in", bench.Voltmeter, bench.Local, "0 ohm")
	p, found := bind(t, fmt.Sprintf(`
needs: {feed: {role: source, node: dut.in, volts: 0..12 V, amps: 0..2 A}}
guard: {dut.in: {volts: ..14 V}}
steps:
  - {source: feed, volts: 5 V, amps: 2 A}
  - sweep: {vin: {from: 5 V, to: 5.99 V, points: 100}}
    steps:
      - {source: feed, volts: vin}
      %s
      - measure: {vi: v(dut.in)}
        aperture: 25 ms
`, wait), w)
	if diag.Failed(found) {
		t.Fatal(found)
	}
	out := map[ledger.Kind]float64{}
	sum := 0.0
	for _, x := range p.Fit.Time {
		out[x.Kind] += x.Seconds
		sum += x.Seconds
		if !slices.Contains(ledger.Kinds(), x.Kind) {
			t.Errorf("%q is no kind of the account", x.Kind)
		}
	}
	if math.Abs(sum-p.Fit.Seconds) > 1e-9 || math.Abs(sum-p.Predicted.Seconds()) > 1e-9 {
		t.Errorf("the kinds make %v s, the whole is %v s", sum, p.Fit.Seconds)
	}
	return out
}

// The worked example of throughput, per point 500 ms of sleep among 670 ms: taking it out saves 50 s of a hundred points, and nothing else
// changes but where the moving outputs are waited for (derived by hand).
func TestPredictedTime(t *testing.T) {
	with, without := timedPlan(t, "- {wait: 500 ms}"), timedPlan(t, "")
	settled := timedPlan(t, "- settle: {until: v(dut.in) within 0.1 % for 50 ms, at_most: 1 s}")
	if math.Abs(with[ledger.FixedWait]-50) > 1e-9 || without[ledger.FixedWait] != 0 {
		t.Errorf("100 waits of 500 ms are %v s, and none %v s", with[ledger.FixedWait], without[ledger.FixedWait])
	}
	if math.Abs(with[ledger.Aperture]-2.5) > 1e-9 { // 100 * 25 ms
		t.Errorf("apertures: %v s", with[ledger.Aperture])
	}
	for _, kind := range []ledger.Kind{ledger.Processing, ledger.Aperture, ledger.OutputUp, ledger.OutputDown} {
		if math.Abs(with[kind]-without[kind]) > 1e-9 {
			t.Errorf("%s: %v s with the wait, %v s without", kind, with[kind], without[kind])
		}
	}
	// a window of 50 ms in readings of 10 ms, 1 ms on top and 2 commands of 2 ms: 4 fill it; the output that moves 50 ms before is waited for,
	// at each of the 99 steps upwards and when it goes on
	if want := 100 * (4*0.015 + 0.050); math.Abs(settled[ledger.Settle]-want) > 1e-6 {
		t.Errorf("settling: %v s, want %v s", settled[ledger.Settle], want)
	}
	// an output that moves for 50 ms has 20 ms left behind a wait of 30 ms
	both := timedPlan(t, "- {wait: 30 ms}\n      - settle: {until: v(dut.in) within 0.1 % for 50 ms, at_most: 1 s}")
	if want := 100 * (4*0.015 + 0.020); math.Abs(both[ledger.Settle]-want) > 1e-6 {
		t.Errorf("settling behind a wait: %v s, want %v s", both[ledger.Settle], want)
	}
	if settled[ledger.FixedWait] != 0 || plan.DefaultAperture != 20*time.Millisecond {
		t.Errorf("a settle step is no fixed wait: %v s", settled[ledger.FixedWait])
	}
}
