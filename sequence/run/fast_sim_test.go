package run_test

import (
	"context"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"fourwire/internal/ledger"
	"fourwire/record"
	"fourwire/sequence/run"
)

// loads is a sweep of a hundred loads on fixed ranges; how stands in for what is waited for.
func loads(fast, how string) string {
	return `steps:
  - {source: feed, volts: 12 V, amps: 2.5 A}
  - settle: {until: v(dut.out) within 0.2 % for 20 ms, at_most: 2 s}
  - sweep: {iout: {from: 50 mA, to: 3 A, points: 100, spacing: log}}
    fast: ` + fast + `
    steps:
      - {load: sink, hold: iout}
      - ` + how + `
      - measure: {vi: v(dut.in), ii: i(dut.in), vo: v(dut.out), io: i(dut.out)}
        aperture: 5 ms
        ranges: {ii: 2.5 A, io: 3 A}
      - derive: {efficiency: vo * io / (vi * ii)}
`
}

// took is the time of the sweep itself: from the load's going on to the last point.
func (b *buoy) took() time.Duration {
	var from, to time.Duration
	for _, e := range b.events {
		if e.Kind == "output" && strings.HasPrefix(e.Text, "sink on") {
			from = e.At
		}
		if e.Kind == "point" {
			to = e.At
		}
	}
	return to - from
}

// cool gives every instrument 10 ms for each command, and a converter that hardly warms up: otherwise what is stepped slowly is warmer.
func cool(bench, scene string) (string, string) {
	bench, scene = slow(bench, scene)
	return bench, strings.Replace(scene, "thermal_resistance: 28 K/W", "thermal_resistance: 0.28 K/W", 1)
}

func TestAHundredLoadsByListAreTheSameAndTenTimesAsFast(t *testing.T) {
	for _, how := range []string{"wait: 2 ms", "settle: {until: v(dut.out) within 0.1 % for 5 ms, at_most: 2 s}"} {
		t.Run(strings.SplitN(how, ":", 2)[0], func(t *testing.T) {
			fast := newBuoy(t, loads("yes", how), 0, cool)
			quick, whole := fast.mustRun()
			host := newBuoy(t, loads("no", how), 0, cool)
			stepped, long := host.mustRun()
			t.Logf("by list %v of %v, from the host %v of %v; %s", fast.took(), whole, host.took(), long, fast.noted("fast"))
			if len(quick.points) != 100 || len(stepped.points) != 100 {
				t.Fatalf("%d and %d points\n%s", len(quick.points), len(stepped.points), fast.said())
			}
			for i, p := range quick.points {
				samePoint(t, p, stepped.points[i])
				if i > 1 && i != 85 { // where another list begins
					if step := p.At - quick.points[i-1].At; step < 7*time.Millisecond || step > 16*time.Millisecond {
						t.Errorf("point %d is %v behind the one before", i+1, step)
					}
				}
				if !p.Valid || !p.Settled || p.Modes["sink"] != "CC" || p.Modes["feed"] != "CV" {
					t.Errorf("point %d: %+v", i+1, p)
				}
			}
			if host.took() > 25*time.Second { // 14 messages to each point that wait for one another would take longer than that alone
				t.Errorf("from the host %v", host.took())
			}
			if host.took() < 10*fast.took() {
				t.Errorf("by list %v, from the host %v", fast.took(), host.took())
			}
		})
	}
}

// samePoint compares two points that were measured at one setting: their difference is within the uncertainty of the difference.
func samePoint(t *testing.T, a, b record.Point) {
	t.Helper()
	if len(a.Cells) != len(b.Cells) {
		t.Errorf("point %d has %d values, the other %d", a.Number, len(a.Cells), len(b.Cells))
	}
	for name, c := range a.Cells {
		o := b.Cells[name]
		u := math.Hypot(c.U, o.U)
		if math.IsNaN(u) {
			u = 0 // a coordinate
		}
		if !(math.Abs(c.SI-o.SI) <= u) {
			t.Errorf("point %d: %s is %g and %g, U %g and %g", a.Number, name, c.SI, o.SI, c.U, o.U)
		}
	}
}

// The example as it is shipped, on instruments that take 10 ms for each command: by list it must be ten times as fast as stepped from the host, the whole
// sweep counted by the ledger, arming, fetching and looking at the outputs included, and within U the same.
func TestTheFastExampleIsTenTimesAsFastAsSteppedFromTheHost(t *testing.T) {
	text := string(buoyFile(t, "fast.yaml"))
	text = strings.Replace(text, "[9 V, 12 V, 16 V]", "12 V", 1)
	first := 1 + strings.Count(text[:strings.Index(text, "      - sweep: {iout: iout}")], "\n")
	last := 1 + strings.Count(text[:strings.Index(text, "  - {load: sink, input: off}\n  - {source: feed")], "\n")
	spent := func(text string) (float64, *kept) {
		b := newBuoy(t, text, 0, cool)
		spans := ledger.New(b.sim.Clock())
		k := &kept{}
		if _, err := run.Run(context.Background(), run.Config{Plan: b.plan, Instruments: b.open(), Clock: b.sim.Clock(), Ledger: &b.ledger, Sink: k, Spans: spans}); err != nil {
			t.Fatal(err)
		}
		seconds := 0.0
		for _, s := range spans.Spans() {
			if parts := strings.Split(s.Step, ":"); len(parts) == 3 {
				if line, err := strconv.Atoi(parts[1]); err == nil && line >= first && line < last {
					seconds += s.Seconds
				}
			}
		}
		return seconds, k
	}
	quick, list := spent(text)
	long, host := spent(strings.Replace(text, "        fast: yes\n", "\n", 1))
	t.Logf("a hundred loads: %.3f s by list, %.2f s from the host: %.1f times", quick, long, long/quick)
	if len(list.points) != 100 || len(host.points) != 100 {
		t.Fatalf("%d and %d points", len(list.points), len(host.points))
	}
	for i, p := range list.points {
		samePoint(t, p, host.points[i])
	}
	if !(long >= 10*quick) || quick <= 0 {
		t.Errorf("by list %g s, from the host %g s", quick, long)
	}
}
