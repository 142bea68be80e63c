package sim_test

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"fourwire/sim"
)

// reference is a node with the figures that the published check values were computed with, at an ideal 3 V.
const reference = `fourwire: scenario/1
devices:
  node:
    kind: node
    supply: bat
    sleep: 2 uA
    wake: 1.5 mA
    wake_time: 2 ms
    sample: 3 mA
    sample_time: 5 ms
    process: 8 mA
    process_time: 20 ms
    transmit: 150 mW
    transmit_time: 60 ms
    radio_capacitor: 4.7 uF
    radio_switch: 10 ohm
    radio_drain: 100 ohm
    period: PERIOD
    boot: 0 A
    boot_time: 0 s
    brown_out: 1.8 V
    restart: 2 V
instruments:
  smu:
    kind: source-measure-unit
    processing: 0 s
    channels:
      - {output_resistance: 10 uohm, sense_input: 1 Gohm, sense_protection: 1 Mohm, settings: {volts: {gain: 0 %}, amps: {gain: 0 %}}}
wiring:
  - {channel: smu, node: bat, lead: 1 mohm}
`

// The charge of a cycle and the mean current against the period are published check values: 3192.1 uC, of which the inrush is 14.1 uC,
// and 321.193, 55.1988, 7.31988 and 2.88665 uA. They take 2 uA of sleep over the rest of the period.
func TestNodeCycleCharge(t *testing.T) {
	for _, c := range []struct {
		period   string
		seconds  int
		microamp float64
	}{{"10 s", 10, 321.193}, {"60 s", 60, 55.1988}, {"600 s", 600, 7.31988}, {"3600 s", 3600, 2.88665}} {
		d := sit(t, build(t, "node.yaml", strings.Replace(reference, "PERIOD", c.period, 1)))
		d.say("smu", ":SOUR:VOLT 3;:OUTP ON")
		d.wait(time.Duration(c.seconds)*time.Second + time.Second)
		before := d.b.Truth().Taken["node"].Coulombs
		d.wait(time.Duration(c.seconds) * time.Second)
		charge := d.b.Truth().Taken["node"].Coulombs - before
		if got := charge / float64(c.seconds) * 1e6; math.Abs(got/c.microamp-1) > 5e-5 {
			t.Errorf("every %s the mean is %.6g uA, want %g uA", c.period, got, c.microamp)
		}
		active := 0.0
		for _, e := range d.b.NodeEvents("node")[1:] { // behind off; the boot takes no time
			if e.State != "sleep" {
				active += e.Coulombs
			}
			if e.State == "transmit" {
				if e.Duration != 60*time.Millisecond {
					t.Errorf("it transmits for %v", e.Duration)
				}
				break
			}
		}
		if math.Abs(active*1e6-3192.1) > 0.15 { // 3 V less the drop in the lead raises the current of a constant power by 3e-5
			t.Errorf("every %s: a cycle takes %.6g uC, want 3192.1", c.period, active*1e6)
		}
	}
}

// behind is a node whose first state transmits for 60 ms, behind the unit's own output resistance.
func behind(t *testing.T, milliwatt, ohm, microfarad float64) desk {
	t.Helper()
	text := fmt.Sprintf(`fourwire: scenario/1
devices:
  node: {kind: node, supply: bat, sleep: 0 A, wake_time: 0 s, sample_time: 0 s, process_time: 0 s, transmit: %g mW, transmit_time: 60 ms, period: 1000 s,
    boot: 0 A, boot_time: 2 s, off: 0 A, brown_out: 1.8 V, restart: 2 V, bulk_capacitor: %g uF, reset_time: 1 s}
instruments:
  smu:
    kind: source-measure-unit
    processing: 0 s
    channels:
      - {output_resistance: 10 uohm, capacitor: 0 F, sense_input: 1 Gohm, sense_protection: 1 Mohm, settings: {volts: {gain: 0 %%}, amps: {gain: 0 %%}}}
wiring:
  - {channel: smu, node: bat, lead: 5 uohm}
`, milliwatt, microfarad)
	d := sit(t, build(t, "behind.yaml", text))
	d.say("smu", fmt.Sprintf(":OUTP:IMP %g;:SOUR:VOLT 3;:OUTP ON", ohm))
	if got := d.number("smu", ":OUTP:IMP?"); got != ohm {
		t.Fatalf("the output resistance is %g ohm, want %g", got, ohm)
	}
	d.wait(5 * time.Second)
	return d
}

// Brown-out times of a constant power behind a resistance with a capacitor are published check values, from the closed form of
// R C times the integral of v dv/(v^2 - Vs v + P R); and so are the voltages where it survives.
func TestNodeBrownOut(t *testing.T) {
	for _, c := range []struct {
		milliwatt, ohm, microfarad float64
		milliseconds, volts        float64 // one of them
	}{
		{250, 15, 100, 1.830033, 0},
		{250, 15, 1000, 18.300333, 0},
		{250, 15, 4700, 0, 2.123815},
		{150, 15, 100, 8.414157, 0},
		{150, 20, 470, 17.603283, 0},
		{100, 15, 100, 0, 2.366025},
	} {
		name := fmt.Sprintf("%g mW behind %g ohm with %g uF", c.milliwatt, c.ohm, c.microfarad)
		d := behind(t, c.milliwatt, c.ohm, c.microfarad)
		var transmit *sim.NodeEvent
		events := d.b.NodeEvents("node")
		for i := range events {
			if events[i].State == "transmit" {
				transmit = &events[i]
				break
			}
		}
		if transmit == nil {
			t.Fatalf("%s: it never transmits: %v", name, events)
		}
		got := transmit.Duration.Seconds() * 1e3
		switch {
		case c.milliseconds > 0 && math.Abs(got-c.milliseconds) > 2e-3+2e-4*c.milliseconds:
			t.Errorf("%s: brown-out after %.6f ms, want %.6f ms", name, got, c.milliseconds)
		case c.volts > 0 && (got != 60 || math.Abs(transmit.Volts-c.volts) > 1e-4):
			t.Errorf("%s: after %.6f ms at %.6f V, want 60 ms at %.6f V", name, got, transmit.Volts, c.volts)
		}
		t.Logf("%s: %.6f ms, %.6f V", name, got, transmit.Volts)
	}
}
