package sim_test

import (
	"context"
	"slices"
	"strings"
	"testing"
	"time"

	"fourwire/internal/diag"
	"fourwire/sim"
	"fourwire/sim/instrument"
)

const watched = `fourwire: scenario/1
devices: {lamp: {kind: resistor, plus: lamp, resistance: 12 ohm}}
instruments: {psu: {kind: source, watchdog: yes}}
wiring: [{channel: psu, node: lamp, lead: 10 mohm}]
`

// What a watchdog is for: common practice, no source. Any message counts, and only outputs that are on are watched.
func TestWatchdogSwitchesOffWhenNoMessageComes(t *testing.T) {
	var found diag.Findings
	s := sim.Read("watched", []byte(watched), &found)
	if s == nil {
		t.Fatal(found.List())
	}
	b, err := sim.New(s, sim.Options{})
	if err != nil {
		t.Fatal(err)
	}
	var seen []sim.Event
	b.OnEvent(func(e sim.Event) { seen = append(seen, e) })
	link, err := b.Link("psu")
	if err != nil {
		t.Fatal(err)
	}
	ctx := context.Background()
	say := func(messages ...string) {
		t.Helper()
		for _, m := range messages {
			if err := link.Send(ctx, []byte(m)); err != nil {
				t.Fatal(err)
			}
		}
	}
	pass := func(d time.Duration) {
		t.Helper()
		if err := b.Clock().Sleep(ctx, d); err != nil {
			t.Fatal(err)
		}
	}
	say("SYST:WATC:TIM 2 S", "SYST:WATC:STAT ON", "VOLT 5;:OUTP ON")
	for range 4 {
		pass(1500 * time.Millisecond)
		say("*CLS") // anything feeds it
	}
	if off := slices.IndexFunc(seen, func(e sim.Event) bool { return e.Kind == instrument.Tripped }); off >= 0 {
		t.Fatalf("it acted although it was fed: %v", seen[off])
	}
	last := time.Duration(0)
	if at := b.Truth(); at.Volts["lamp"] > 4.9 {
		last = at.At
	} else {
		t.Fatalf("the output is not on: %v", at.Volts)
	}
	pass(1990 * time.Millisecond)
	if v := b.Truth().Volts["lamp"]; v < 4.9 {
		t.Errorf("it acted early: %g V", v)
	}
	pass(20 * time.Millisecond)
	trip := slices.IndexFunc(seen, func(e sim.Event) bool { return e.Kind == instrument.Tripped && e.Text == "watchdog" })
	if trip < 0 {
		t.Fatalf("it did not act: %v", seen)
	}
	if got := seen[trip].At - last; got < 1999*time.Millisecond || got > 2001*time.Millisecond {
		t.Errorf("it acted %v after the last message, 2 s were set", got)
	}
	if !slices.Equal(seen, b.Events()) {
		t.Error("OnEvent and Events tell different things")
	}
	say("*RST", "VOLT 5;:OUTP ON") // disarms it
	pass(time.Minute)
	if v := b.Truth().Volts["lamp"]; v < 4.9 {
		t.Errorf("after a reset it acted again: %g V", v)
	}
}

func TestWatchdogIsForSources(t *testing.T) {
	var found diag.Findings
	if s := sim.Read("watched", []byte(strings.Replace(watched, "kind: source", "kind: meter", 1)), &found); s != nil {
		t.Error("a meter with a watchdog was taken")
	}
}
