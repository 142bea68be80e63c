package e2e

import (
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"fourwire/sequence/run"
)

// idealUnit gives unit A no errors of its own, as the models below have none: no errors when it sets and reads, no resistance, no leads.
func idealUnit(node string) func(string) string {
	return func(string) string {
		return `fourwire: scenario/1
devices:
  beacon-a: ` + node + `
instruments:
  smu-a:
    kind: source-measure-unit
    identity: "Lakeside,Unit 20-3,S5001,1.2"
    processing: 1 ms
    channels:
      - {output_resistance: 10 uohm, capacitor: 0 F, sense_input: 10 Gohm, sense_protection: 1 Mohm, slew: 10000 V/s, record_depth: 4000000, settings: {volts: {gain: 0 %}, amps: {gain: 0 %}},
         read_volts: [{full: 2 V, beyond: 105 %}, {full: 20 V, beyond: 105 %}],
         read_amps: [{full: 1 uA, beyond: 105 %}, {full: 10 uA, beyond: 105 %}, {full: 100 uA, beyond: 105 %}, {full: 1 mA, beyond: 105 %}, {full: 10 mA, beyond: 105 %}, {full: 100 mA, beyond: 105 %}, {full: 1 A, beyond: 105 %}, {full: 3 A, beyond: 105 %}]}
wiring:
  - {channel: smu-a, node: node-a.supply, lead: 5 uohm}
`
	}
}

// onlyUnitA is a bench with unit A alone, whose leads are those of idealUnit.
func onlyUnitA(string) string {
	return `fourwire: bench/1
title: Beacon bench
simulate: beacon.scenario.yaml
ambient: 23 degC
instruments:
  smu-a: {model: source-measure-unit, address: "sim:smu-a"}
wiring:
  - {channel: smu-a, node: node-a.supply, as: source, sense: local, lead: 5 uohm}
nodes:
  node-a.supply: {nominal: 3 V, capacitance: 15 uF}
`
}

// A constant current out of a battery of one resistance and two pairs, whose open-circuit voltage is straight in its charge: charge and
// voltage are known exactly, V(t) = OCV(1 - I t / C) - I (R0 + R1 (1 - exp(-t/T1)) + R2 (1 - exp(-t/T2))), the textbook solution of the
// network. What the played battery has given after ten hours is I t within 0.01 %, and the node, by the simulator, stands within 1 mV of
// that at every point. The small size is an hour.
func TestAPlayedBatteryAgainstTheExactSolution(t *testing.T) {
	const amps, capacity = 50e-3, 1.4 * 3600
	span, hours := "1 h", 1.0
	switch {
	case stride > 1: // under the race detector
		span, hours = "10 min", 1.0/6
	case long():
		span, hours = "10 h", 10
	}
	open := func(charge float64) float64 { return 2.4 + 0.9*charge }
	worst := 0.0
	var began time.Duration
	b := runBeacon(t, "constant.yaml", beaconOptions{
		sequence: beaconHead("10 ms") + `  - record: all
    with: log
    of: {i: i(node-a.supply), v: v(node-a.supply)}
    every: 10 ms
    steps:
      - emulate: cell
        battery: cell.yaml
        amps: 200 mA
        every: 100 ms
        until: {time: ` + span + `}
        keep: 30 s
        reads: {v: v(node-a.supply)}
        gives: {time: t, charge: soc, drawn: drawn, terminal: terminal}
`,
		files: map[string]string{"cell.yaml": `fourwire: battery/1
title: A battery that can be calculated
source: own choice
capacity: 1.4 Ah
cutoff: 2.4 V
open_circuit: {0 %: 2.4 V, 100 %: 3.3 V}
resistance: 1.5 ohm
pairs: [{ohm: 1 ohm, tau: 20 s}, {ohm: 2 ohm, tau: 300 s}]
`},
		scenario: idealUnit(fmt.Sprintf("{kind: node, supply: node-a.supply, sleep: %g A, wake: %g A, boot: %g A, off: %g A, sample_time: 0 s, process_time: 0 s, transmit_time: 0 s, brown_out: 0.5 V, restart: 0.6 V, period: 1 h}", amps, amps, amps, amps)),
		bench:    onlyUnitA,
		watch: func(b *beacon, e run.Event) {
			truth := b.sim.Truth()
			if strings.Contains(e.Text, " plays ") {
				began = truth.At
			}
			if e.Point == nil || e.Point.Cells["t"].SI == 0 {
				return
			}
			at := (truth.At - began).Seconds()
			want := open(1-amps*at/capacity) - amps*(1.5+1*(1-math.Exp(-at/20))+2*(1-math.Exp(-at/300)))
			worst = math.Max(worst, math.Abs(truth.Volts["node-a.supply"]-want))
		},
	}).mustEnd()
	last := b.record.Rows[0]
	for _, p := range b.record.Rows {
		if p.Cells["t"].SI >= last.Cells["t"].SI {
			last = p
		}
	}
	seconds, drawn := last.Cells["t"].SI, last.Cells["drawn"].SI
	want := amps * seconds
	if off := drawn/want - 1; seconds < 3600*hours-1 || math.Abs(off) > 1e-4 {
		t.Errorf("%.9g C were drawn in %g s, exact: %.9g C", drawn, seconds, want)
	}
	if off := 1 - last.Cells["soc"].SI - want/capacity; math.Abs(off) > 1e-4*want/capacity {
		t.Errorf("%g of the charge is left, exact: %g", last.Cells["soc"].SI, 1-want/capacity)
	}
	if worst == 0 || worst > 1e-3 {
		t.Errorf("the node was off by up to %g V", worst)
	}
	t.Logf("%d points in %g h: charge %+.2g of the exact one, the node off by at most %.3g mV", len(b.record.Rows), seconds/3600, drawn/want-1, 1e3*worst)
}

// Whether a transmission browns the node out behind 15 ohm, and when, against circuit-simulator results (ngspice 39.3: the netlist
// node-burst, 3 V behind 15 ohm, 140 mW for 60 ms, 220 uF). The voltage goes through 1.903922 V at 30 ms and 1.887729 V at 59.9 ms after its
// beginning: a node that stops at 1.85 V lives through it, and one that stops at 1.903922 V stops then.
// The battery is played by the step, which gives the unit the resistance.
func TestBrownOutOfAPlayedBatteryAgainstSpice(t *testing.T) {
	want := map[string]float64{}
	data, err := os.ReadFile("../../sim/device/testdata/spice/results.csv")
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(data)) {
		if f := strings.Split(strings.TrimSpace(line), ","); f[0] == "node-burst" {
			want[f[1]], _ = strconv.ParseFloat(f[2], 64)
		}
	}
	for _, c := range []struct {
		brownOut float64
		after    time.Duration // since the transmission began; 0: it does not
	}{{want["v_end"] - 0.01, 0}, {want["v_10ms"], 10 * time.Millisecond}, {want["v_30ms"], 30 * time.Millisecond}} {
		t.Run(fmt.Sprintf("%.3f V", c.brownOut), func(t *testing.T) {
			b := runBeacon(t, "burst.yaml", beaconOptions{
				sequence: beaconHead("100 us") + `  - record: burst
    with: log
    of: {i: i(node-a.supply), v: v(node-a.supply)}
    every: 100 us
    steps:
      - emulate: cell
        battery: cell.yaml
        amps: 200 mA
        every: 100 ms
        until: {time: 2500 ms}
        keep: 2500 ms
        reads: {v_now: v(node-a.supply)}
        gives: {time: t, charge: soc}
  - {drain: burst, from: 1 s, to: 2 s, gives: {lowest: v_low}}
`,
				files: map[string]string{"cell.yaml": `fourwire: battery/1
title: 3 V behind 15 ohm
source: the netlist node-burst
capacity: 100 Ah
cutoff: 1 V
open_circuit: {0 %: 0.9 V, 1 %: 2.999 V, 100 %: 3 V}
resistance: 15 ohm
`},
				scenario: idealUnit(fmt.Sprintf("{kind: node, supply: node-a.supply, sleep: 2 uA, wake: 2 uA, wake_time: 1 s, sample_time: 0 s, process_time: 0 s, transmit: 140 mW, transmit_time: 60 ms, period: 1000 s, boot: 2 uA, boot_time: 500 ms, off: 2 uA, brown_out: %g V, restart: 2.5 V, bulk_capacitor: 220 uF, radio_capacitor: 4.7 uF, radio_switch: 10 ohm}", c.brownOut)),
				bench:    onlyUnitA,
			}).mustEnd()
			lasted, stopped := time.Duration(0), false
			for _, e := range b.sim.NodeEvents("beacon-a") {
				if lasted > 0 {
					stopped = e.State == "off"
					break // what comes behind its first transmission
				}
				if e.State == "transmit" {
					lasted = e.Duration
				}
			}
			low := b.cell("v_low")
			t.Logf("transmits for %v, lowest voltage %.6g V", lasted, low)
			if c.after == 0 {
				if lasted != 60*time.Millisecond || stopped || math.Abs(low-want["v_end"]) > 1e-3 {
					t.Errorf("it transmits for %v, stops: %v, lowest %g V, the netlist's %g V", lasted, stopped, low, want["v_end"])
				}
				return
			}
			if !stopped || (lasted-c.after).Abs() > 100*time.Microsecond || math.Abs(low-c.brownOut) > 4e-3 { // the lowest sample is a mean over 100 us, in which it falls by up to 5 mV
				t.Errorf("it stops: %v, after %v, lowest %g V; the netlist passes %g V after %v", stopped, lasted, low, c.brownOut, c.after)
			}
		})
	}
}
