package e2e

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"fourwire/record"
	"fourwire/sim"
)

// startsWithin is how much later than its trace says a recording may begin: the unit is at work for a millisecond when it is told.
const startsWithin = 3e-3 // s

// burst is a stretch of activity: by the simulator, or as found.
type burst struct{ start, end, coulombs float64 }

// overlap is how much of their time is the same, in seconds; below 0 it is how far they are apart.
func (b burst) overlap(other burst) float64 {
	return math.Min(b.end, other.end) - math.Max(b.start, other.start)
}

// trueBursts joins what the node did between two sleeps; the currents of its sleep are not in its charge.
func trueBursts(b *beacon, from time.Duration) (all []burst) {
	asleep := true
	for _, e := range b.sim.NodeEvents("beacon-a") {
		at := (e.Start - from).Seconds()
		if at < 0 {
			continue
		}
		if e.State == "sleep" {
			asleep = true
			continue
		}
		if asleep {
			all = append(all, burst{start: at})
		}
		asleep = false
		one := &all[len(all)-1]
		one.end = at + e.Duration.Seconds()
		one.coulombs += e.Coulombs
	}
	return all
}

// foundBursts are those of the table of events of a record.
func foundBursts(t *testing.T, dir, trace string) (all []burst) {
	t.Helper()
	f, err := os.Open(filepath.Join(dir, record.AnalysisFolder, trace+".events.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range rows[1:] {
		var x [3]float64
		for i := range x {
			if x[i], err = strconv.ParseFloat(row[i], 64); err != nil {
				t.Fatal(err)
			}
		}
		all = append(all, burst{x[0], x[0] + x[1], x[2]})
	}
	return all
}

// Five hundred reports and the ticks of the clock between them, drawn from a seed, through the whole chain: simulated beacon, unit, wire,
// recording, trace, search for events. Each event of the beacon is held against the found event that
// overlaps it most, by no other rule than that. The charge of those of more than three samples is right within 1 %, with what the samples at both ends hold of sleep;
// of shorter ones the time itself is not resolved.
func TestEventsThroughTheChain(t *testing.T) {
	period, span, most := "4 s", 2010*time.Second, 495
	switch {
	case stride > 1: // fewer: the race detector makes every step of the simulation ten times as expensive
		period, span, most = "1 s", 125*time.Second, 120
	case long():
		period, span = "60 s", 30100*time.Second
	}
	for _, every := range []float64{1e-3, 200e-6} {
		if every < 1e-3 && stride > 1 {
			continue
		}
		interval := "1 ms"
		if every < 1e-3 {
			interval = "200 us"
		}
		t.Run(interval, func(t *testing.T) {
			b := runBeacon(t, "events.yaml", beaconOptions{
				sequence: beaconHead(interval) + `  - {source: cell, volts: 3 V, amps: 200 mA}
  - {wait: 1 s}
  - {record: hunt, with: log, of: {i: i(node-a.supply)}, every: ` + interval + `, for: ` + fmt.Sprintf("%g s", span.Seconds()) + `}
  - {drain: hunt, volts: 3 V, gives: {events: n}}
`,
				scenario: func(text string) string { return strings.ReplaceAll(text, "period: 60 s", "period: "+period) },
			}).mustEnd()
			began := b.trace("hunt").Head().Start.Sub(sim.PowerOn())
			truth, found := trueBursts(b, began), foundBursts(t, b.dir, "hunt")
			whole, slack := span.Seconds(), every+startsWithin
			reports, hits, right, worst := 0, 0, 0, 0.0
			claimed := make([]int, len(found))
			all, k := 0, 0
			for _, e := range truth {
				if e.end > whole-slack {
					break // what came while the stop was on its way is not looked through
				}
				all++
				for k < len(found) && found[k].end <= e.start-slack {
					k++
				}
				for k+1 < len(found) && found[k+1].overlap(e) > found[k].overlap(e) { // a tick just before a report
					k++
				}
				if k == len(found) || found[k].start >= e.end+slack {
					t.Logf("missed: %+v", e)
					continue
				}
				hits++
				claimed[k]++
				if e.end-e.start <= 3*every {
					continue
				}
				reports++
				off := math.Abs(found[k].coulombs/e.coulombs - 1)
				worst = math.Max(worst, off)
				if off <= 0.01 {
					right++
				} else {
					t.Logf("%+v was found as %+v", e, found[k])
				}
			}
			none, twice := 0, 0
			for _, n := range claimed {
				if n == 0 {
					none++
				}
				twice += max(0, n-1)
			}
			recall, precision := float64(hits-twice)/float64(all), float64(len(found)-none)/float64(len(found))
			t.Logf("%d events in truth, %d found: recall %.4g %%, precision %.4g %%; charge of %d longer ones within 1 %%: %d, worst %.3g %%", all, len(found), 100*recall, 100*precision, reports, right, 100*worst)
			if reports < most || recall < 0.99 || precision < 0.99 || float64(right) < 0.99*float64(reports) {
				t.Errorf("recall %.4g, precision %.4g, %d of %d charges right", recall, precision, right, reports)
			}
			if n := b.cell("n"); n != float64(len(found)) {
				t.Errorf("the point says %g events, the table %d", n, len(found))
			}
		})
	}
}
