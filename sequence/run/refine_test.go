package run_test

import (
	"context"
	"fmt"
	"math"
	"os"
	"slices"
	"sort"
	"strings"
	"testing"

	"fourwire/record"
	"fourwire/sequence/run"
)

// curveOf is a sweep of the efficiency over load at 12 V, on fixed ranges so that nothing steps but the device.
func curveOf(points int, refine string) string {
	return fmt.Sprintf(`steps:
  - {source: feed, volts: 12 V, amps: 2.5 A}
  - settle: {until: v(dut.out) within 0.2 %% for 20 ms, at_most: 2 s}
  - sweep: {iout: {from: 50 mA, to: 3 A, points: %d, spacing: log}}
%s    steps:
      - {load: sink, hold: iout}
      - settle: {until: v(dut.out) within 0.1 %% for 20 ms, at_most: 2 s}
      - measure: {vi: v(dut.in), ii: i(dut.in), vo: v(dut.out), io: i(dut.out)}
        aperture: 100 ms
        ranges: {ii: 2.5 A, io: 3 A}
      - derive: {efficiency: vo * io / (vi * ii)}
`, points, refine)
}

type xy struct{ x, y float64 }

// efficiencies are the points of a run in the order of the load.
func efficiencies(points []record.Point) []xy {
	var out []xy
	for _, p := range points {
		if c, ok := p.Cells["efficiency"]; ok {
			out = append(out, xy{p.Cells["iout"].SI, c.SI})
		}
	}
	sort.Slice(out, func(i, j int) bool { return out[i].x < out[j].x })
	return out
}

// at interpolates on the logarithmic axis.
func at(list []xy, x float64) float64 {
	i := sort.Search(len(list), func(i int) bool { return list[i].x >= x })
	if i == 0 {
		return list[0].y
	}
	a, b := list[i-1], list[i]
	return a.y + (b.y-a.y)*math.Log(x/a.x)/math.Log(b.x/a.x)
}

// worst is by how much interpolation misses a dense curve at most, and at how many of its points by more than a limit. Gaps narrower than a hundredth of the axis count
// only where narrow is set: in a refined sweep a step of the device lies in them.
func worst(list, dense []xy, limit float64, narrow bool) (miss float64, beyond int) {
	least := 0.01 * math.Log(list[len(list)-1].x/list[0].x)
	for _, d := range dense {
		i := sort.Search(len(list), func(i int) bool { return list[i].x >= d.x })
		if !narrow && i > 0 && math.Log(list[i].x/list[i-1].x) < least {
			continue
		}
		off := math.Abs(at(list, d.x) - d.y)
		if miss = math.Max(miss, off); off > limit {
			beyond++
		}
	}
	return miss, beyond
}

// A refined sweep follows the curve within 0.1 point, but for the two steps of the converter between its modes, which it brackets to a hundredth of the axis. An even
// sweep with twice as many points misses it by more, in more places.
func TestARefinedSweepFollowsTheCurveWithHalfThePoints(t *testing.T) {
	b := newBuoy(t, curveOf(10, "    refine: {by: efficiency, within: 0.1 %, points: 40}\n"), 0, cool)
	k, _ := b.mustRun()
	refined := efficiencies(k.points)
	even := func(n int) []xy {
		u := newBuoy(t, curveOf(n, ""), 0, cool)
		ku, _ := u.mustRun()
		return efficiencies(ku.points)
	}
	dense := even(161)
	miss, beyond := worst(refined, dense, 1e-3, false)
	_, all := worst(refined, dense, 1e-3, true)
	uniform, many := worst(even(2*len(refined)), dense, 1e-3, true)
	t.Logf("%d points: misses by %.3f points outside the steps, beyond 0.1 at %d of %d (%d with the steps); twice as many, evenly: misses by %.3f, beyond 0.1 at %d",
		len(refined), 100*miss, beyond, len(dense), all, 100*uniform, many)
	if len(refined) > 40 || beyond > 0 || many < 2*all {
		t.Errorf("%d points, beyond at %d and %d, evenly at %d: %s", len(refined), beyond, all, many, b.noted("refine"))
	}
	var first []float64
	for _, p := range k.points[:10] {
		first = append(first, p.Cells["iout"].SI)
	}
	if !slices.IsSorted(first) || first[0] != 0.05 || first[9] != 3 {
		t.Errorf("the sweep's own values come first: %v", first)
	}
	if text := b.noted("refine"); !strings.Contains(text, "it steps or bends by") {
		t.Error(text)
	}
}

// peakOf is where the simulated converter is really best, by what the simulator says of it at many loads.
func peakOf(t *testing.T) float64 {
	t.Helper()
	b := newBuoy(t, strings.Replace(curveOf(41, ""), "{from: 50 mA, to: 3 A, points: 41, spacing: log}", "{from: 1.2 A, to: 2.8 A, points: 41}", 1), 0, cool)
	var x, y []float64
	_, err := run.Run(context.Background(), run.Config{Plan: b.plan, Instruments: b.open(), Clock: b.sim.Clock(), Ledger: &b.ledger, Observe: func(e run.Event) {
		if e.Kind == "point" {
			x, y = append(x, e.Point.Cells["iout"].SI), append(y, b.sim.Truth().Devices["converter"].Efficiency)
		}
	}})
	if err != nil {
		t.Fatal(err)
	}
	top := 1
	for i := 1; i+1 < len(y); i++ {
		if y[i] > y[top] {
			top = i
		}
	}
	// the vertex of the parabola through three points
	return x[top] + (x[1]-x[0])*(y[top-1]-y[top+1])/2/(y[top-1]-2*y[top]+y[top+1])
}

// The interval of the peak holds the true one in 95 % of benches, which differ in the errors of their instruments. FOURWIRE_LONG=1 tries 200.
func TestThePeakLiesInItsInterval(t *testing.T) {
	benches, least := 8, 7
	if os.Getenv("FOURWIRE_LONG") != "" {
		benches, least = 200, 190
	}
	truth := peakOf(t)
	text := curveOf(10, "    refine: {by: efficiency, within: 0.1 %, points: 40, gives: {peak: best, at: best_at, low: best_from, high: best_to}}\n") +
		"  - judge: {limit: best >= 90 %}\n  - judge: {limit: best_to - best_from <= 2.5 A}\n"
	inside, width, points := 0, 0.0, 0
	for seed := range benches {
		b := newBuoy(t, text, uint64(seed+1), cool)
		k, _ := b.mustRun()
		p := k.points[len(k.points)-1]
		low, high := p.Cells["best_from"].SI, p.Cells["best_to"].SI
		if low <= truth && truth <= high {
			inside++
		}
		width, points = width+(high-low)/float64(benches), points+len(k.points)-1
		if c := p.Cells["best"]; math.Abs(c.SI-0.922) > 2*c.U || !(p.Cells["best_at"].SI >= low) || !(p.Cells["best_at"].SI <= high) || len(k.verdicts) != 2 {
			t.Errorf("seed %d: %+v, %d verdicts", seed+1, p.Cells, len(k.verdicts))
		}
	}
	t.Logf("%d of %d hold %.4g A; on the average %.3g A wide from %.3g points", inside, benches, truth, width, float64(points)/float64(benches))
	if inside < least {
		t.Errorf("%d of %d intervals hold the peak at %g A", inside, benches, truth)
	}
}
