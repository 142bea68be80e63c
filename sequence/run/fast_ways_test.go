package run_test

import (
	"context"
	"math"
	"strings"
	"testing"
	"time"

	"fourwire/sequence/run"
	"fourwire/sim/instrument"
)

// without leaves the trigger lines of the bench file out.
func without(bench, scene string) (string, string) {
	head, _, _ := strings.Cut(bench, "triggers:")
	return head, scene
}

const quickLoads = `steps:
  - {source: feed, volts: 12 V, amps: 2.5 A}
  - settle: {until: v(dut.out) within 0.2 % for 20 ms, at_most: 2 s}
  - sweep: {iout: [0.2 A, 0.5 A, 1 A, 1.5 A, 2 A, 2.5 A]}
    fast: yes
    repeat_first: yes
    steps:
      - {load: sink, hold: iout}
      - settle: {until: v(dut.out) within 0.1 % for 5 ms, at_most: 1 s}
      - measure: {vi: v(dut.in), ii: i(dut.in), vo: v(dut.out), io: i(dut.out)}
        aperture: 10 ms
      - derive: {efficiency: vo * io / (vi * ii)}
      - when: io > 1.1 A
        steps:
          - judge: {limit: efficiency >= 80 %}
  - measure: {after: i(dut.out)}
`

// The same file makes the same table whether the bench has trigger lines or not, and the record says how, and why not.
func TestWithoutTriggerLinesItIsSteppedFromTheHost(t *testing.T) {
	list, host := newBuoy(t, quickLoads, 0, nil), newBuoy(t, quickLoads, 0, without)
	a, _ := list.mustRun()
	b, _ := host.mustRun()
	if len(a.points) != 8 || len(b.points) != 8 || len(a.verdicts) != len(b.verdicts) || len(a.verdicts) != 3 {
		t.Fatalf("%d and %d points, %d and %d verdicts", len(a.points), len(b.points), len(a.verdicts), len(b.verdicts))
	}
	for i := range a.points {
		samePoint(t, a.points[i], b.points[i])
		if p := a.points[i]; i < 6 && !strings.Contains(strings.Join(p.Notes, "; "), "from a list") || p.Part != b.points[i].Part {
			t.Errorf("%+v", p)
		}
	}
	if text := list.noted("fast"); !strings.Contains(text, "6 points from 1 lists of sink on trigger line 1") || !strings.Contains(text, "not asked during a list") {
		t.Error(text)
	}
	if text := host.noted("fast"); !strings.Contains(text, "stepped from the host: no trigger line of the bench goes from sink to dmm-in") {
		t.Error(text)
	}
	// the load is left where the last value has it
	if after := a.points[7].Cells["after"].SI; math.Abs(after-0.2) > 0.01 {
		t.Errorf("%g A behind the sweep", after)
	}
}

// A list that is interrupted goes to its safe level at once, and everything is off.
func TestAListThatIsInterruptedIsStopped(t *testing.T) {
	text := strings.Replace(strings.Replace(quickLoads, "aperture: 10 ms", "aperture: 1 s", 1), "for 5 ms", "for 500 ms", 1)
	b := newBuoy(t, text, 0, nil)
	in := b.open()
	k := &kept{}
	ctx, cancel := b.sim.Clock().WithTimeout(context.Background(), 4*time.Second) // in the third level
	defer cancel()
	s, err := run.Run(ctx, run.Config{Plan: b.plan, Instruments: in, Clock: b.sim.Clock(), Ledger: &b.ledger, Sink: k})
	if err == nil || run.ExitStatus(s, err) != 130 {
		t.Fatalf("%v, exit status %d", err, run.ExitStatus(s, err))
	}
	steps, last, at := 0, 0.0, time.Duration(0)
	for _, e := range b.sim.Events() {
		if e.Instrument != "sink" || e.Kind != instrument.SetValue {
			continue
		}
		steps++
		last, at = e.Value, e.At // without an abort it would go on
	}
	if truth := b.sim.Truth().Channels["sink.1"]; steps < 4 || last == 0 || at > 4100*time.Millisecond || truth.Amps > 1e-3 {
		t.Errorf("%d steps, the last to %g A after %v; %g A flow", steps, last, at, truth.Amps)
	}
}

// What trips while a list runs ends the run for safety; the readings are kept and say so.
func TestATripDuringAList(t *testing.T) {
	text := strings.Replace(head, "amps: ..2.8 A", "amps: ..700 mA", 1) + quickLoads
	text = strings.Replace(strings.Replace(text, "amps: 2.5 A}", "amps: 600 mA}", 1), "amps: 0..2.5 A}", "amps: 0..600 mA}", 1)
	b := newBuoy(t, text, 0, nil)
	k, s, _, err := b.run(context.Background())
	if run.ExitStatus(s, err) != 5 || !strings.Contains(err.Error(), "feed (feed-psu) tripped: over-current") {
		t.Errorf("exit status %d, %v", run.ExitStatus(s, err), err)
	}
	if len(k.points) != 6 {
		t.Fatalf("%d points were kept", len(k.points))
	}
	for _, p := range k.points {
		if p.Valid || !strings.Contains(p.Why, "feed tripped while the list ran") || math.IsNaN(p.Cells["vi"].SI) {
			t.Errorf("%+v", p)
		}
	}
	for name, c := range b.sim.Truth().Channels {
		if strings.HasPrefix(name, "sink") && math.Abs(c.Amps) > 1e-3 {
			t.Errorf("%s carries %g A", name, c.Amps)
		}
	}
}

// A reading beyond the guard ends the run when the list is over; it is in the record.
func TestAReadingBeyondTheGuardInAList(t *testing.T) {
	text := strings.Replace(head, "volts: ..5.6 V, amps: ..3.3 A", "volts: ..5.6 V, amps: ..3.3 A, watts: ..7 W", 1) + quickLoads
	b := newBuoy(t, text, 0, nil)
	k, s, _, err := b.run(context.Background())
	if run.ExitStatus(s, err) != 5 || !strings.Contains(err.Error(), "is outside its guard, ..7 W") {
		t.Errorf("exit status %d, %v", run.ExitStatus(s, err), err)
	}
	if n := len(k.points); n != 4 || k.points[3].Valid || math.Abs(k.points[3].Cells["io"].SI-1.5) > 0.01 || !k.points[2].Valid {
		t.Errorf("%d points: %+v", n, k.points)
	}
}

// A source that has not arrived when its readings are taken shows in their two halves: those points are measured again from the host.
func TestWhatHasNotSettledInAListIsMeasuredAgain(t *testing.T) {
	const text = `steps:
  - {source: feed, volts: 16 V, amps: 2.5 A}
  - settle: {until: v(dut.in) within 0.1 % for 20 ms, at_most: 5 s}
  - sweep: {vin: [16 V, 15.9 V, 15.8 V, 9 V, 8.9 V, 8.8 V]}
    fast: yes
    steps:
      - {source: feed, volts: vin}
      - settle: {until: v(dut.in) within 0.1 % for 20 ms, at_most: 5 s}
      - measure: {vi: v(dut.in), vo: v(dut.out)}
        aperture: 10 ms
`
	b := newBuoy(t, text, 0, nil)
	k, _ := b.mustRun()
	if len(k.points) != 6 {
		t.Fatalf("%d points\n%s", len(k.points), b.said())
	}
	again := 0
	for _, p := range k.points {
		if off := p.Cells["vi"].SI - p.Cells["vin"].SI; !p.Settled || !p.Valid || math.Abs(off) > 0.02 {
			t.Errorf("%g V: %g V, %+v", p.Cells["vin"].SI, p.Cells["vi"].SI, p)
		}
		if len(p.Notes) == 0 || !strings.Contains(p.Notes[len(p.Notes)-1], "from a list") {
			again++
		}
	}
	if text := b.noted("fast"); again == 0 || again == 6 || !strings.Contains(text, "measured again from the host: at vin 9 V, v(dut.in) had not settled: it moved by") {
		t.Errorf("%d points again: %s", again, text)
	}
}

// A source that cannot hold its voltage shows in a list by the readings, and from the host by its mode.
func TestAWrongModeInAListIsAskedFor(t *testing.T) {
	text := strings.NewReplacer("volts: 12 V, amps: 2.5 A}", "volts: 12 V, amps: 500 mA}", "1 A, 1.5 A, 2 A, 2.5 A]", "0.8 A, 1.5 A]", "settle: {until: v(dut.out) within 0.1 % for 5 ms, at_most: 1 s}", "wait: 5 ms", "    repeat_first: yes\n", "").Replace(quickLoads)
	b := newBuoy(t, text, 0, nil)
	k, _, _, err := b.run(context.Background())
	if err != nil {
		t.Fatalf("%v\n%s", err, b.said())
	}
	for _, p := range k.points[:4] {
		limited := p.Cells["iout"].SI > 1.1 // 5 V 1.1 A / 0.9 / 12 V
		if p.Valid == limited || limited && p.Modes["feed"] != "CC" && p.Modes["sink"] != "unregulated" {
			t.Errorf("%g A: %+v", p.Cells["iout"].SI, p)
		}
	}
}

// A list of the source, on its own trigger line.
func TestALineSweepByList(t *testing.T) {
	const text = `steps:
  - {source: feed, volts: 9 V, amps: 2.5 A}
  - settle: {until: v(dut.in) within 0.1 % for 20 ms, at_most: 5 s}
  - {load: sink, hold: 1 A}
  - sweep: {vin: {from: 9 V, to: 16 V, points: 15}}
    fast: yes
    steps:
      - {source: feed, volts: vin}
      - wait: 60 ms
      - measure: {vi: v(dut.in), ii: i(dut.in), vo: v(dut.out), io: i(dut.out)}
        aperture: 20 ms
        ranges: {vi: 20 V}
      - derive: {efficiency: vo * io / (vi * ii)}
  - measure: {after: v(dut.in)} # the source is left at the last value
`
	list, host := newBuoy(t, text, 0, cool), newBuoy(t, strings.Replace(text, "fast: yes", "fast: no", 1), 0, cool)
	a, _ := list.mustRun()
	b, _ := host.mustRun()
	if len(a.points) != 16 || len(b.points) != 16 {
		t.Fatalf("%d and %d points", len(a.points), len(b.points))
	}
	for i := range a.points {
		samePoint(t, a.points[i], b.points[i])
	}
	if text := list.noted("fast"); !strings.Contains(text, "15 points from") || !strings.Contains(text, "trigger line 2") || strings.Contains(text, "again") {
		t.Error(text)
	}
}
