package run_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"fourwire/record"
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
					if step := p.At - quick.points[i-1].At; step < 8*time.Millisecond || step > 16*time.Millisecond {
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
