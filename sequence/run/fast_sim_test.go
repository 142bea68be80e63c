package run_test

import (
	"math"
	"strings"
	"testing"
)

// loads is a sweep of a hundred loads; how stands in for what is waited for.
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
        aperture: 20 ms
      - derive: {efficiency: vo * io / (vi * ii)}
`
}

func TestAHundredLoadsByListAreTheSameAndTenTimesAsFast(t *testing.T) {
	for _, how := range []string{"wait: 2 ms", "settle: {until: v(dut.out) within 0.1 % for 5 ms, at_most: 2 s}"} {
		t.Run(strings.SplitN(how, ":", 2)[0], func(t *testing.T) {
			fast := newBuoy(t, loads("yes", how), 0, slow)
			quick, took := fast.mustRun()
			host := newBuoy(t, loads("no", how), 0, slow)
			stepped, long := host.mustRun()
			t.Logf("by list %v, from the host %v; %s", took, long, fast.noted("fast"))
			if len(quick.points) != 100 || len(stepped.points) != 100 {
				t.Fatalf("%d and %d points\n%s", len(quick.points), len(stepped.points), fast.said())
			}
			for i, p := range quick.points {
				h := stepped.points[i]
				for name, c := range p.Cells {
					o := h.Cells[name]
					if name == "iout" {
						if c.SI != o.SI {
							t.Errorf("point %d is at %g and at %g", i+1, c.SI, o.SI)
						}
						continue
					}
					if u := math.Hypot(c.U, o.U); !(math.Abs(c.SI-o.SI) <= u) {
						t.Errorf("point %d: %s is %g by list and %g from the host, U %g and %g", i+1, name, c.SI, o.SI, c.U, o.U)
					}
				}
				if !p.Valid || !p.Settled || p.Modes["sink"] != "CC" || p.Modes["feed"] != "CV" {
					t.Errorf("point %d: %+v", i+1, p)
				}
			}
			if long < 10*took {
				t.Errorf("by list %v, from the host %v", took, long)
			}
		})
	}
}
