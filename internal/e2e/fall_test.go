package e2e

import (
	"math"
	"strings"
	"testing"
	"time"

	"fourwire/sim/instrument"
)

const fallSequence = `fourwire: sequence/1
title: a source that is set down
needs:
  feed: {role: source, node: bus, volts: 0..12 V, amps: 0..1 A}
guard:
  bus: {volts: -1..15 V, amps: -2..2 A}
steps:
  - source: feed
    volts: 12 V
    amps: 1 A
  - settle: {until: v(bus) within 0.1 % for 20 ms, at_most: 5 s}
  - sweep: {set: [12 V, 3.3 V]}
    steps:
      - source: feed
        volts: set
      - settle: {until: v(bus) within 0.1 % for 20 ms, at_most: 5 s}
      - measure: {v: v(bus)}
`

const fallBench = `fourwire: bench/1
title: a source alone
ambient: 23 degC
simulate: t.yaml
instruments:
  feed: {model: dc-source, address: "sim:feed"}
  dmm: {model: meter, address: "sim:dmm"}
wiring:
  - {channel: feed, node: bus, as: source, lead: 1 mohm}
  - {channel: dmm, node: bus, as: voltmeter}
`

const fallScenario = `fourwire: scenario/1
devices:
  r: {kind: resistor, plus: bus, resistance: 1 Mohm}
instruments:
  feed: {kind: source, channels: [{volts: 32 V, amps: 10 A, capacitor: 470 uF, slew: 1000 V/s, slew_down: 1e6 V/s, WHAT}]}
  dmm: {kind: meter}
wiring:
  - {channel: feed, node: bus}
  - {channel: dmm, node: bus}
`

// A source without a down-programmer falls only as its load and its bleeder drain it: 470 uF from 12 V to 3.3 V through 1 kohm take 606.8 ms (published check
// value), one with a programmer of 1 A 4.1 ms (C dV/I). The run has to wait for what it reads, not for the command: the point is taken when the node is there. The band of
// the settle step is a tenth of a per cent of 3.3 V over 20 ms, which the tail of the fall reaches some ms later.
func TestARunWaitsUntilTheOutputHasFallen(t *testing.T) {
	for _, c := range []struct {
		name, what  string
		least, most float64 // s, between the two points
	}{
		{"without a programmer", "bleeder: 1 kohm, sink: 0 A", 0.6068, 0.8},
		{"with a programmer", "bleeder: 1 kohm, sink: 1 A", 0.02, 0.15},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			got := capture(t, fallSequence, fallBench, strings.Replace(fallScenario, "WHAT", c.what, 1), 5, false)
			if got.err != nil || len(got.points) != 2 {
				t.Fatalf("%v, %d points", got.err, len(got.points))
			}
			for i, want := range []float64{12, 3.3} {
				p := got.points[i]
				if v := p.Cells["v"].SI; !p.Valid || !p.Settled || math.Abs(v-want) > 5e-3*want {
					t.Errorf("point %d: %g V, set to %g V, settled %v: %s", i+1, v, want, p.Settled, p.Why)
				}
			}
			if took := (got.points[1].At - got.points[0].At).Seconds(); took < c.least || took > c.most {
				t.Errorf("%g s from the one to the other, %g to %g are wanted", took, c.least, c.most)
			}
		})
	}
	// nobody drains it: the wait runs out, and the point says so
	got := capture(t, strings.Replace(fallSequence, "at_most: 5 s}\n      - measure", "at_most: 300 ms}\n      - measure", 1), fallBench, strings.Replace(fallScenario, "WHAT", "bleeder: 0 ohm, sink: 0 A", 1), 5, false)
	if got.err != nil || len(got.points) != 2 || got.points[1].Settled && math.Abs(got.points[1].Cells["v"].SI-3.3) > 0.05 && got.points[1].Valid {
		t.Errorf("%v %+v", got.err, got.points)
	}
}

// Outputs of two instruments go on and off in their order although each takes 10 ms for a command: the next one is spoken to when the one before has answered that it
// did what it was told.
func TestOutputsKeepTheirOrderOnSlowInstruments(t *testing.T) {
	slow := strings.NewReplacer("kind: load}", "kind: load, processing: 1 ms}", "kind: source-measure-unit,", "kind: source-measure-unit, processing: 10 ms,").Replace(simpleStage)
	_, world := captureWith(t, t.Context(), stageSequence, stageBench, slow, 3, false, nil)
	var order []string
	var at []time.Duration
	for _, e := range world.Events() {
		if e.Kind == instrument.Switched {
			order, at = append(order, e.Instrument+map[bool]string{true: " on", false: " off"}[e.Value > 0]), append(at, e.At)
		}
	}
	if got := strings.Join(order, ", "); got != "feed on, sink on, sink off, feed off" {
		t.Fatalf("%s", got)
	}
	for i := 1; i < len(at); i++ {
		if at[i] <= at[i-1] {
			t.Errorf("%v", at)
		}
	}
}
