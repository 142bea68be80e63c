package run_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"fourwire/internal/diag"
	"fourwire/record"
	"fourwire/sequence"
	"fourwire/sequence/plan"
	"fourwire/sequence/run"
)

// goesWrong has something go wrong on the fixture.
func goesWrong(what string) []string {
	return []string{"\nwiring:\n  - {channel: supplies.1, node: east.in", "\nfaults:\n  - " + what + "\n\nwiring:\n  - {channel: supplies.1, node: east.in"}
}

// dead looks whether the nodes of a site are without voltage, and nothing of its supply is on.
func (f *fixture) dead(t *testing.T, sites ...string) {
	t.Helper()
	volts := f.sim.Truth().Volts
	for _, site := range sites {
		for _, node := range []string{site + ".in", site + ".out"} {
			if v := volts[node]; v > 1.2 {
				t.Errorf("%g V at %s afterwards", v, node)
			}
		}
	}
}

// What happens at one site ends its run and switches its own outputs off; the other site goes on to its verdicts.
func TestAFaultOfOneSiteIsItsOwn(t *testing.T) {
	for _, c := range []struct {
		name string
		edit []string
		want string
	}{
		{"a reading beyond the guard", []string{"set: 4.968 V", "set: 5.75 V"}, "outside its guard"},
		{"a protection of its channel of the shared supply trips", goesWrong("{kind: over-voltage, instrument: supplies.2, at: 1.5 s}"), "tripped: over-voltage"},
		{"its own load restarts", goesWrong("{kind: reboots, instrument: sink-west, at: 1.5 s}"), "sink"},
		{"somebody switches its channel off by hand", goesWrong("{kind: front-panel, instrument: supplies.2, at: 1.5 s, output: off}"), "is off although it was switched on"},
	} {
		t.Run(c.name, func(t *testing.T) {
			if !long() && !strings.HasPrefix(c.name, "a protection") {
				t.Skip("with FOURWIRE_LONG")
			}
			f := newFixture(t, "", c.edit...)
			runs, _ := f.run(t.Context(), "east", "west")
			east, west := runs["east"], runs["west"]
			if west.err == nil || !strings.Contains(west.err.Error(), c.want) {
				t.Errorf("west: %v", west.err)
			}
			east.fine(t, "east")
			if east.summary.Outcome != record.Pass || east.summary.Points != 8 || east.summary.Invalid != 0 {
				t.Errorf("east: %v, %d points, %d not valid\n%s", east.summary.Outcome, east.summary.Points, east.summary.Invalid, east.log())
			}
			if west.ended >= east.ended {
				t.Errorf("west ended after %v, east after %v", west.ended, east.ended)
			}
			f.dead(t, "east", "west")
			for _, r := range runs {
				if len(r.summary.Nodes) != 2 {
					t.Errorf("%d nodes were looked at afterwards", len(r.summary.Nodes))
				}
			}
		})
	}
}

// An interruption, and the loss of what both need, end both runs with everything off.
func TestWhatEndsAllSites(t *testing.T) {
	t.Run("interrupted", func(t *testing.T) {
		f := newFixture(t, "")
		ctx, stop := context.WithCancelCause(t.Context())
		f.each = func(site string, c *run.Config) {
			observe := c.Observe
			c.Observe = func(e run.Event) {
				observe(e)
				if site == "east" && e.Point != nil && e.Done == 3 {
					stop(errors.New("interrupted"))
				}
			}
		}
		runs, _ := f.run(ctx, "east", "west")
		for site, r := range runs {
			if got := run.ExitStatus(r.summary, r.err); got != 130 || r.summary.Points < 2 || r.summary.Points > 5 {
				t.Errorf("%s: status %d, %d points, %v", site, got, r.summary.Points, r.err)
			}
		}
		f.dead(t, "east", "west")
	})
	t.Run("the connection to the shared supply breaks, and can be made again", func(t *testing.T) {
		f := newFixture(t, "", goesWrong("{kind: link-drops, instrument: supplies, at: 1.5 s}")...)
		runs, _ := f.run(t.Context(), "east", "west")
		for site, r := range runs {
			var live *run.NotSafe
			if r.err == nil || errors.As(r.err, &live) || r.summary.Points >= 8 {
				t.Errorf("%s: %d points, %v", site, r.summary.Points, r.err)
			}
		}
		f.dead(t, "east", "west")
	})
	t.Run("the shared meter is lost", func(t *testing.T) {
		if !long() {
			t.Skip("with FOURWIRE_LONG")
		}
		f := newFixture(t, "", goesWrong("{kind: link-refused, instrument: dmm, at: 1.5 s}")...)
		runs, _ := f.run(t.Context(), "east", "west")
		for site, r := range runs {
			if r.err == nil || !strings.Contains(r.err.Error(), "dmm") || r.summary.Points >= 8 {
				t.Errorf("%s: %d points, %v", site, r.summary.Points, r.err)
			}
		}
		f.dead(t, "east", "west")
	})
}

// A relay that does not open is not passed over: the other site's output would be joined to this one.
func TestARelayThatDoesNotOpen(t *testing.T) {
	f := newFixture(t, "", goesWrong("{kind: hangs, instrument: mux, heard: \":ROUT:OPEN (@1)\", nth: 2}")...)
	runs, _ := f.run(t.Context(), "east", "west")
	bad := 0
	for site, r := range runs {
		for _, p := range r.kept.points {
			vo := p.Cells["vo"].SI
			if want := map[string]float64{"east": 5.01, "west": 4.965}[site]; p.Valid && (vo-want > 0.02 || want-vo > 0.02) {
				t.Errorf("%s: point %d has %g V", site, p.Number, vo)
			}
		}
		if r.err != nil && strings.Contains(r.err.Error(), "relay mux") {
			bad++
		}
	}
	if bad == 0 {
		t.Errorf("east: %v\nwest: %v", runs["east"].err, runs["west"].err)
	}
	f.dead(t, "east", "west")
}

// long tells whether there is time for everything.
func long() bool { return os.Getenv("FOURWIRE_LONG") != "" }

// Four sites at once: one meter serves all of them.
func TestFourSitesAtOnce(t *testing.T) {
	if !long() {
		t.Skip("with FOURWIRE_LONG")
	}
	f := newFourSites(t)
	alone, took := newFourSites(t).run(t.Context(), "north") // the others take as long: the ratio counts four of it
	alone["north"].fine(t, "north")
	series := 4 * took
	runs, took := f.run(t.Context(), f.bench.SiteNames()...)
	for site, r := range runs {
		r.fine(t, site)
		if r.summary.Outcome != record.Pass || r.summary.Points != 4 {
			t.Errorf("%s: %v, %d points", site, r.summary.Outcome, r.summary.Points)
		}
	}
	f.apart(t)
	t.Logf("in series %v, four at once %v: ratio %.3f", series, took, took.Seconds()/series.Seconds())
	if took.Seconds() > 0.45*series.Seconds() {
		t.Errorf("four at once take %v, in series %v", took, series)
	}
}

// newFourSites doubles the fixture: two more sites with a supply and loads of their own, behind the same meter.
func newFourSites(t *testing.T) *fixture {
	t.Helper()
	return newFixture(t, "", append(slices.Clone(fourSites), "default: [9 V, 14 V]", "default: [9 V]")...)
}

var fourSites = []string{
	// the truth
	"\ninstruments:\n  supplies:                        # one channel for each site\n", "\n  north:\n" + fourthConverter("north", "5.021 V") + "  south:\n" + fourthConverter("south", "4.981 V") +
		"\ninstruments:\n  supplies-2: {kind: source, identity: \"Lakeside,Feed 2x32-3,S1102,1.4\", processing: 1 ms, channels: [" + fourthChannel + ", " + fourthChannel + "]}\n" +
		"  sink-north: {kind: load, identity: \"Lakeside,Sink 80-30,S2103,2.0\", processing: 1.5 ms}\n  sink-south: {kind: load, identity: \"Lakeside,Sink 80-30,S2104,2.0\", processing: 1.5 ms}\n" +
		"  supplies:\n",
	"channels: [{resistance: 100 mohm, move: 5 ms}, {resistance: 100 mohm, move: 5 ms}]", "channels: [{resistance: 100 mohm, move: 5 ms}, {resistance: 100 mohm, move: 5 ms}, {resistance: 100 mohm, move: 5 ms}, {resistance: 100 mohm, move: 5 ms}]",
	"  - {channel: dmm,        node: meter.lead}\n", "  - {channel: dmm,        node: meter.lead}\n" + fourthWires("north", 1, 3) + fourthWires("south", 2, 4),
	// what is believed
	"\nsites:\n", "  supplies-2: {model: dc-source-dual, address: \"sim:supplies-2\"}\n  sink-north: {model: electronic-load, address: \"sim:sink-north\"}\n  sink-south: {model: electronic-load, address: \"sim:sink-south\"}\n\nsites:\n  north: {}\n  south: {}\n",
	"\nnodes:\n", fourthBelief("north", 1, 3) + fourthBelief("south", 2, 4) + "\nnodes:\n",
}

const fourthChannel = "{volts: 32 V, amps: 3 A, watts: 96 W, output_resistance: 2 mohm, current_resistance: 10 kohm, bleeder: 1 kohm, capacitor: 470 uF, slew: 400 V/s, over_voltage: 36 V, over_current: 3.3 A, compensation: 1 V}"

func fourthConverter(site, set string) string {
	return fmt.Sprintf(`    kind: buck
    in: %[1]s.in
    out: %[1]s.out
    set: %[2]s
    regulation: 5 mohm
    frequency: 400 kHz
    high_side: 75 mohm
    low_side: 45 mohm
    inductor: 6.8 uH
    winding: 40 mohm
    input_capacitor: 47 uF
    output_capacitor: 88 uF
    output_esr: 4 mohm
    rise: 16 ns
    fall: 15 ns
    supply_current: 2.4 mA
    quiescent_current: 90 uA
    off_current: 2 uA
    pulse_current: 800 mA
    max_duty: 93 %%
    current_limit: 4.6 A
    soft_start: 3 ms
    starts_above: 4.5 V
    stops_below: 4.2 V
    discharge: 250 ohm
`, site, set)
}

func fourthWires(site string, channel, relay int) string {
	return fmt.Sprintf("  - {channel: supplies-2.%d, node: %[2]s.in, lead: 15 mohm, sense: remote}\n  - {channel: sink-%[2]s, node: %[2]s.out, lead: 15 mohm}\n  - {channel: mux.%[3]d, node: %[2]s.out, against: meter.lead}\n", channel, site, relay)
}

func fourthBelief(site string, channel, relay int) string {
	return fmt.Sprintf("  - {site: %[2]s, channel: supplies-2.%[1]d, node: dut.in, as: source, sense: remote, lead: 15 mohm}\n  - {site: %[2]s, channel: sink-%[2]s, node: dut.out, as: load, sense: local, lead: 15 mohm}\n"+
		"  - {site: %[2]s, channel: dmm, node: dut.out, as: voltmeter, through: mux.%[3]d}\n", channel, site, relay)
}

// What needs an instrument for itself is refused where it is shared, with its place, before anything is connected; and goes with one site.
func TestWhatCannotBeShared(t *testing.T) {
	f := newFixture(t, "")
	text := head + `
steps:
  - {source: feed, volts: 12 V, amps: 2 A}
  - {load: sink, hold: 1 A}
  - capture: edge
    of: {vo: v(dut.out)}
    interval: 1 ms
    for: 100 ms
    steps: [{load: sink, hold: 2 A}]
`
	var found diag.Findings
	seq := sequence.Read("edge.yaml", []byte(text), nil, &found)
	if found.Failed() {
		t.Fatal(found.List())
	}
	both := f.bench.ForSite("east", []string{"east", "west"}, &found)
	plan.Bind(seq, both, f.models, &found)
	got := ""
	for _, one := range found.List() {
		got += one.Error() + "\n"
	}
	if !strings.Contains(got, "a capture step needs supplies for itself, which west uses at the same time") {
		t.Errorf("found %s", got)
	}
	var alone diag.Findings
	plan.Bind(seq, f.bench.ForSite("east", []string{"east"}, &alone), f.models, &alone)
	if alone.Failed() {
		t.Errorf("alone: %v", alone.List())
	}
	var none diag.Findings
	if plan.Bind(seq, f.bench, f.models, &none); !none.Failed() || !strings.Contains(none.List()[0].Text, "east, west") {
		t.Errorf("without a site: %v", none.List())
	}
}
