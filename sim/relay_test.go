package sim_test

import (
	"math"
	"testing"
	"time"
)

const relayScene = `fourwire: scenario/1
title: A lamp behind a relay
seed: 3
devices:
  lamp: {kind: resistor, plus: lamp.plus, resistance: 10 ohm}
instruments:
  feed: {kind: source, processing: 1 ms, channels: [{volts: 32 V, amps: 10 A, capacitor: 0 uF, slew: 0 V/s}]}
  fixture: {kind: switch-unit, processing: 1 ms, channels: [{resistance: 100 mohm, move: 5 ms}, {}]}
wiring:
  - {channel: feed, node: dut.in}
  - {channel: fixture.1, node: dut.in, against: lamp.plus}
  - {channel: fixture.2, node: lamp.plus}
`

// A relay that is closed is its resistance, one that is open nothing: 10 V x 10 / 10.1 behind it.
func TestRelayJoinsNodes(t *testing.T) {
	b := build(t, "relay.yaml", relayScene)
	d := sit(t, b)
	d.say("feed", "VOLT 10;:CURR 5;:OUTP ON")
	if err := b.Clock().Sleep(t.Context(), 50*time.Millisecond); err != nil {
		t.Fatal(err)
	}
	volts := func() float64 { return b.Truth().Volts["lamp.plus"] }
	if v := volts(); math.Abs(v) > 1e-6 {
		t.Errorf("%g V behind an open relay", v)
	}
	if got := d.ask("fixture", "ROUT:CLOS (@1);CLOS? (@1,2)"); got != "1,0" {
		t.Errorf("closed: %q", got)
	}
	if want := 10 * 10 / 10.1; math.Abs(volts()-want) > 0.02 {
		t.Errorf("%g V behind a closed relay, %g V by hand", volts(), want)
	}
	if got := d.ask("fixture", "ROUT:CLOS (@3);:SYST:ERR?"); got[:4] != "-222" {
		t.Errorf("%q", got)
	}
	if got := d.ask("fixture", "ROUT:OPEN:ALL;:ROUT:OPEN? (@1:2)"); got != "1,1" {
		t.Errorf("open: %q", got)
	}
	if v := volts(); math.Abs(v) > 1e-6 {
		t.Errorf("%g V behind an opened relay", v)
	}
}
