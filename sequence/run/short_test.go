package run_test

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"fourwire/sequence/run"
	"fourwire/sim/instrument"
)

// A switch of the fixture shorts its nodes while the source is on, for the time that is stated, and opens; the settings of the source are asked for before.
func TestAShortByASwitch(t *testing.T) {
	b := lamp(t, "  - {source: feed, volts: 10 V, amps: 1.5 A}\n  - {short: lamp, for: 80 ms}\n  - measure: {v: v(lamp.plus)}\n")
	k, _ := b.mustRun()
	if got := moves(b); !slices.Equal(got, []string{"feed-psu on", "fixture on", "fixture off", "feed-psu off"}) {
		t.Fatalf("%v", got)
	}
	var closed, opened time.Duration
	for _, e := range b.sim.Events() {
		if e.Kind == instrument.Switched && e.Instrument == "fixture" {
			if e.Value > 0 {
				closed = e.At
			} else {
				opened = e.At
			}
		}
	}
	if lasted := opened - closed; lasted < 75*time.Millisecond || lasted > 90*time.Millisecond {
		t.Errorf("it was closed for %v", lasted)
	}
	if v := k.points[0].Cells["v"].SI; v > 0.1 {
		t.Errorf("%g V at the lamp behind it", v)
	}
}

// A run that is interrupted in a short switches the load off first, then the source, and leaves no short behind in the load.
func TestInterruptedInAShort(t *testing.T) {
	text := "\x00" + strings.Replace(string(buoyFile(t, "short-circuit.yaml")), "for: 250 ms", "for: 10 s", 1)
	b := newBuoy(t, text, 0, func(string, string) (string, string) {
		return string(buoyFile(t, "bench-short.yaml")), string(buoyFile(t, "short.scenario.yaml"))
	})
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	_, err := run.Run(ctx, run.Config{Plan: b.plan, Instruments: b.open(), Clock: b.sim.Clock(), Ledger: &b.ledger, Sink: &keptTraces{kept: &kept{}, dir: t.TempDir()}, Observe: func(e run.Event) {
		if b.events = append(b.events, e); e.Kind == "short" {
			cancel()
		}
	}})
	if !errors.Is(err, context.Canceled) {
		t.Fatalf("%v", err)
	}
	if got := moves(b); !slices.Equal(got, []string{"feed-psu on", "sink on", "sink off", "feed-psu off"}) {
		t.Errorf("%v", got)
	}
	short := -1.0
	for _, e := range b.sim.Events() {
		if e.Kind == instrument.SetValue && e.Text == "short" {
			short = e.Value
		}
	}
	if short != 0 {
		t.Errorf("the load is left with its short at %g", short)
	}
}
