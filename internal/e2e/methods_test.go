package e2e

import (
	"context"
	"math"
	"strings"
	"testing"

	"fourwire/record"
	"fourwire/sequence/run"
)

// scanner is one meter behind switches: four meters of the bench that can only be asked one at a time.
type scanner struct {
	run.Instrument // the first of them, for what concerns the instrument as a whole
	of             []run.Instrument
}

func (s scanner) Prepare(ctx context.Context) error {
	for _, in := range s.of {
		if err := in.Prepare(ctx); err != nil {
			return err
		}
	}
	return nil
}

func (s scanner) Meter(channel int) (run.Gauge, error) { return s.of[channel-1].Meter(1) }

// scan makes the plan and the instruments of a chain believe that one instrument has all meters.
func (c *chain) scan() {
	var all scanner
	for i := range c.plan.Gauges {
		ch := &c.plan.Gauges[i].Channel
		if strings.HasPrefix(ch.Instrument, "dmm") || strings.HasPrefix(ch.Instrument, "amm") {
			all.of = append(all.of, c.instruments[ch.Instrument])
			ch.Instrument, ch.Number = "scanner", len(all.of)
		}
	}
	all.Instrument = all.of[0]
	c.instruments["scanner"] = all
}

const drifting = `fourwire: sequence/1
title: Buoy 5 V converter, one point
needs:
  feed: {role: source, node: dut.in, volts: 12 V, amps: 0..2.5 A}
  sink: {role: load, node: dut.out, amps: 0..3 A, at_volts: 4.5 V}
guard:
  dut.in: {volts: ..18 V, amps: ..2.8 A}
  dut.out: {volts: ..5.6 V, amps: ..3.3 A}
steps:
  - {source: feed, volts: 12 V, amps: 2.5 A}
  - settle: {until: v(dut.out) within 0.2 % for 20 ms, at_most: 2 s}
  - {load: sink, hold: LOAD}
  - wait: 100 ms
  - measure: {vi: v(dut.in), ii: i(dut.in), vo: v(dut.out), io: i(dut.out)}
    EXTRA
  - derive: {efficiency: vo * io / (vi * ii)}
`

func onePoint(t *testing.T, load, extra string, o options, scan bool) (*chain, record.Point) {
	t.Helper()
	o.sequence = strings.NewReplacer("LOAD", load, "EXTRA", extra).Replace(drifting)
	c := newChain(t, "one.yaml", o)
	if err := c.open(o); err != nil {
		t.Fatal(err)
	}
	if scan {
		c.scan()
	}
	s, err := run.Run(context.Background(), run.Config{Plan: c.plan, Instruments: c.instruments, Clock: c.sim.Clock(), Ledger: &c.ledger, Observe: c.observe})
	if err != nil || len(c.points) != 1 || s.Invalid != 0 {
		t.Fatalf("%v, %+v\n%+v\n%s", err, s, c.points, strings.Join(c.events, "\n"))
	}
	return c, c.points[0]
}

// A load that drifts by 1 %/s, read by one meter through a scanner. Read forwards only, input and output current do not belong to one
// time, and the efficiency is off by drift times skew; read forwards and backwards, an even drift cancels (trade practice; the arithmetic is
// d times the distance of the middles). The same bench with four meters that start at one time is the truth: its instruments have the same errors.
func TestMirroredOrderCancelsDrift(t *testing.T) {
	o := options{scenario: func(s string) string {
		return strings.Replace(s, "    processing: 1.5 ms", "    processing: 1.5 ms\n    channels: [{drift: 1 %/s}]", 1)
	}}
	const aperture = "aperture: 40 ms"
	_, together := onePoint(t, "1 A", aperture, o, false)
	_, straight := onePoint(t, "1 A", aperture+"\n    order: straight", o, true)
	_, mirrored := onePoint(t, "1 A", aperture, o, true)
	truth := together.Cells["efficiency"].SI
	off := func(p record.Point) float64 { return math.Abs(p.Cells["efficiency"].SI/truth - 1) }
	t.Logf("straight is off by %.4f %%, mirrored by %.4f %%", 100*off(straight), 100*off(mirrored))
	if off(straight) < 0.05e-2 {
		t.Errorf("read forwards only it is off by %.4f %%: there is nothing to cancel", 100*off(straight))
	}
	if off(mirrored) > 0.01e-2 {
		t.Errorf("read forwards and backwards it is off by %.4f %%", 100*off(mirrored))
	}
	if notes := strings.Join(straight.Notes, "; "); !strings.Contains(notes, "one after the other") {
		t.Errorf("nobody is told that the readings do not belong to one time: %q", notes)
	}
}

// Where the passes show the drift and the order does not cancel it, it is in the uncertainty.
func TestSkewIsInTheUncertainty(t *testing.T) {
	o := options{scenario: func(s string) string {
		return strings.Replace(s, "    processing: 1.5 ms", "    processing: 1.5 ms\n    channels: [{drift: 10 %/s}]", 1)
	}}
	_, straight := onePoint(t, "1 A", "order: straight\n    average: 3", o, true)
	_, mirrored := onePoint(t, "1 A", "average: 4", o, true)
	if u, v := straight.Cells["efficiency"].U, mirrored.Cells["efficiency"].U; u < 1.5*v || !strings.Contains(straight.Cells["efficiency"].Biggest, "drift between readings") {
		t.Errorf("U is %.3g forwards only (mostly %s), %.3g mirrored", u, straight.Cells["efficiency"].Biggest, v)
	}
}

// An input that is drawn in bursts at 37 Hz. The simulator's own mean is the truth; the meters are without error here, so that what is
// left is the method's. Unweighted, a mean over T of a swing of amplitude A is off by up to A/(pi f T): 37 Hz at full amplitude to
// 0.1 % takes 8.6 s; with a Hann window the same takes 0.3 s.
func TestBurstsAreAveraged(t *testing.T) {
	exact := func(s string) string {
		s = strings.Replace(s, "    kind: buck\n", "    kind: buck\n    burst_frequency: 37 Hz\n    burst_duty: 30 %\n", 1)
		for _, name := range []string{"S3003", "S3001", "S3002", "S3004"} {
			s = strings.Replace(s, name+",1.1\"\n", name+",1.1\"\n    channels:\n      - read_volts: [{full: 100 V, resolution: 10 uV}]\n        read_amps: [{full: 3 A, resolution: 1 uA, resistance: 0.05 ohm}]\n", 1)
		}
		return s
	}
	for _, way := range []struct {
		name, extra string
		most        float64
	}{
		{"one reading of a mains cycle", "aperture: 20 ms", 0},
		{"chosen", "aperture: auto\n    within: 0.05 %\n    at_most: 3 s", 0.1e-2},
		{"weighted for a time", "aperture: 5 ms\n    for: 1 s", 0.1e-2},
		{"weighted by a triangle", "aperture: 5 ms\n    for: 2 s\n    taper: triangle", 0.1e-2},
	} {
		t.Run(way.name, func(t *testing.T) {
			worst := 0.0
			loads := []string{"100 mA", "120 mA", "150 mA"}
			if stride > 1 {
				loads = loads[:1] // the race detector has little to find in one goroutine
			}
			for _, load := range loads {
				c, p := onePoint(t, load, way.extra, options{scenario: exact}, false)
				truth := c.truths[0].Devices["converter"].InAmps
				off := math.Abs(p.Cells["ii"].SI/truth - 1)
				worst = math.Max(worst, off)
				t.Logf("%s: %.6g A, the truth is %.6g A, off by %.4f %%, U %.4f %%; %s", load, p.Cells["ii"].SI, truth, 100*off, 100*p.Cells["ii"].U/truth, strings.Join(p.Notes, "; "))
				if way.most > 0 && math.Abs(p.Cells["ii"].SI-truth) > p.Cells["ii"].U {
					t.Errorf("%s: off by more than U", load)
				}
			}
			if way.most > 0 && worst > way.most {
				t.Errorf("off by %.3f %%", 100*worst)
			}
			if way.most == 0 && worst < 1e-2 {
				t.Errorf("a plain reading is off by %.3f %% only: the bursts are not there", 100*worst)
			}
		})
	}
}

// Zeros are read before the first output goes on, subtracted, shown, and take the offset out of the uncertainty.
func TestZeroTakesTheOffsetOut(t *testing.T) {
	with := func(zero bool) record.Point {
		text := strings.NewReplacer("LOAD", "20 mA", "EXTRA", "aperture: 100 ms").Replace(drifting)
		if zero {
			text = strings.Replace(text, "steps:\n", "steps:\n  - zero: [i(dut.in), i(dut.out), v(dut.in), v(dut.out)]\n", 1)
		}
		c, s := whole(t, "one.yaml", options{sequence: text})
		if s.Invalid != 0 || len(c.points) != 1 {
			t.Fatalf("%+v\n%s", s, strings.Join(c.events, "\n"))
		}
		truth := c.truths[0].Devices["converter"]
		for name, want := range map[string]float64{"ii": truth.InAmps, "io": truth.OutAmps, "vo": truth.OutVolts} {
			if cell := c.points[0].Cells[name]; math.Abs(cell.SI-want) > cell.U {
				t.Errorf("zero %v: %s is %.8g, the truth %.8g, U %.2g", zero, name, cell.SI, want, cell.U)
			}
		}
		return c.points[0]
	}
	plain, zeroed := with(false), with(true)
	if a, b := plain.Cells["ii"].U, zeroed.Cells["ii"].U; b > 0.8*a {
		t.Errorf("U of ii is %.3g without, %.3g with a zero", a, b)
	}
	if notes := strings.Join(zeroed.Notes, "; "); !strings.Contains(notes, "i(dut.in): zero") || !strings.Contains(notes, "through dmm-in subtracted") || !strings.Contains(notes, "through dmm-out added") {
		t.Errorf("notes: %s", notes)
	}
}

// The first point once more at the end: what has moved is printed, and is what the simulator moved by. The converter warms up by its own
// losses in between; its efficiency is the truth's at both times.
func TestFirstPointOnceMore(t *testing.T) {
	text := `fourwire: sequence/1
title: Buoy 5 V converter, drift
needs:
  feed: {role: source, node: dut.in, volts: 12 V, amps: 0..2.5 A}
  sink: {role: load, node: dut.out, amps: 0..3 A, at_volts: 4.5 V}
guard:
  dut.in: {volts: ..18 V, amps: ..2.8 A}
  dut.out: {volts: ..5.6 V, amps: ..3.3 A}
steps:
  - {source: feed, volts: 12 V, amps: 2.5 A}
  - settle: {until: v(dut.out) within 0.2 % for 20 ms, at_most: 2 s}
  - sweep: {iout: [3 A, 2.9 A]}
    repeat_first: yes
    steps:
      - {load: sink, hold: iout}
      - wait: 1 s
      - measure: {vi: v(dut.in), ii: i(dut.in), vo: v(dut.out), io: i(dut.out)}
      - derive: {efficiency: vo * io / (vi * ii)}
      - judge: {limit: efficiency >= 50 %}
summary:
  - derive: {points: count(io)}
`
	c, s := whole(t, "drift.yaml", options{sequence: text})
	if s.Points != 3 || c.plan.Points != 3 || c.points[2].Part != "repeat" || len(c.verdicts) != 2 || c.results["points"].SI != 2 {
		t.Fatalf("%+v, %d planned, part %q, %d verdicts, %v points in the summary", s, c.plan.Points, c.points[2].Part, len(c.verdicts), c.results["points"].SI)
	}
	moved := c.truths[2].Devices["converter"].Efficiency - c.truths[0].Devices["converter"].Efficiency
	seen := c.points[2].Cells["efficiency"].SI - c.points[0].Cells["efficiency"].SI
	if math.Abs(moved) < 1e-4 || math.Abs(seen-moved) > 0.2*math.Abs(moved) {
		t.Errorf("the efficiency moved by %.3g, %.3g was seen", moved, seen)
	}
	printed := strings.Join(c.events, "\n")
	if !strings.Contains(printed, "drift: iout 3 A measured once more at the end has moved: ") || !strings.Contains(printed, "efficiency by ") {
		t.Error(printed)
	}
}

// A change of range inside a sweep is noted with the step between the ranges, at a point that both hold.
func TestRangeChangeIsOverlapped(t *testing.T) {
	c, _ := whole(t, "efficiency.yaml", options{set: map[string]string{"vin": "12 V"}})
	seen, blind := 0, 0
	for _, e := range c.events {
		if strings.HasPrefix(e, "range: ") && strings.Contains(e, "read on both") {
			seen++
		}
		if strings.HasPrefix(e, "range: ") && strings.Contains(e, "not seen") {
			blind++
		}
	}
	if seen < 3 || blind > 1 {
		t.Errorf("no overlap in\n%s", strings.Join(c.events, "\n"))
	}
	t.Logf("%d changes with, %d without an overlap", seen, blind)
}
