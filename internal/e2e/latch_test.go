//go:build !race

package e2e

import (
	"context"
	"testing"
	"time"

	"fourwire/internal/diag"
	"fourwire/sim"
)

// A node that falls while a path has latched up goes through voltages at which the simulated network has no operating point. Time goes on
// there, and behind it the node is empty: 60 ohm and about 0.4 mF are 24 ms.
func TestSimulationGoesOnWithoutAnOperatingPoint(t *testing.T) {
	var found diag.Findings
	s := sim.Read("x", []byte(read(t, "buoy.scenario.yaml")+"\nfaults:\n  - {kind: latch-up, node: dut.in, resistance: 60 ohm, above: 11 V}\n"), &found)
	if s == nil {
		t.Fatal(found.List())
	}
	b, err := sim.New(s, sim.Options{})
	if err != nil {
		t.Fatal(err)
	}
	ctx := context.Background()
	tell := func(name, message string) {
		l, err := b.Link(name)
		if err == nil {
			err = l.Send(ctx, []byte(message))
		}
		if err == nil {
			err = b.Clock().Sleep(ctx, 100*time.Millisecond)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	tell("feed-psu", "VOLT 12;CURR 2.5;:OUTP ON")
	tell("sink", ":SOUR:CURR 0.1;:INP ON")
	tell("feed-psu", "VOLT 9")
	tell("feed-psu", "OUTP OFF")
	if v := b.Truth().Volts["dut.in"]; v > 1 || v < 0 {
		t.Errorf("100 ms after switching off dut.in is at %g V", v)
	}
}
