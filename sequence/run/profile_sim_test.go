package run_test

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"fourwire/record"
	"fourwire/record/trace"
	"fourwire/sequence/profile"
	"fourwire/sequence/run"
	"fourwire/sim/instrument"
)

// The supply with a resistor on it: it draws enough for the source to come down as fast as its model says, 470 uF x 200 V/s = 94 mA.
const (
	supplyScene = `fourwire: scenario/1
title: A supply with a resistor
seed: 7
devices:
  plate: {kind: resistor, plus: dut.in, resistance: 8 ohm}
instruments:
  feed-psu:
    kind: source
    processing: 1 ms
    channels:
      - {volts: 32 V, amps: 10 A, watts: 200 W, capacitor: 10 uF, slew: 500 V/s, slew_down: 200 V/s, compensation: 2 V}
  dmm-in: {kind: meter, processing: 1 ms}
wiring:
  - {channel: feed-psu, node: dut.in, sense: remote}
  - {channel: dmm-in, node: dut.in}
triggers:
  - {from: feed-psu, to: [dmm-in], line: 2}
`
	supplyBench = `fourwire: bench/1
title: A supply with a resistor
simulate: supply.scenario.yaml
instruments:
  feed-psu: {model: dc-source, address: "sim:feed-psu"}
  dmm-in:   {model: meter, address: "sim:dmm-in"}
wiring:
  - {channel: feed-psu, node: dut.in, as: source, sense: remote}
  - {channel: dmm-in, node: dut.in, as: voltmeter}
triggers:
  - {from: feed-psu, to: [dmm-in], line: 2}
`
)

// supplySamples is about how many samples a course has.
const supplySamples = 6000

func supplySequence(step string, first, seconds float64) string {
	return fmt.Sprintf(`fourwire: sequence/1
title: A supply
needs:
  feed: {role: source, node: dut.in, volts: 0..32 V, amps: 0..6 A}
guard:
  dut.in: {volts: ..33 V, amps: ..7 A}
steps:
  - {source: feed, volts: %g V, amps: 6 A}
  - wait: 300 ms
  - capture: course
    of: {v: v(dut.in)}
    interval: %g us
    for: %g s
    before: 0 %%
    trigger: {when: software}
    steps:
      - {profile: feed, %s}
  - {source: feed, output: off}
`, first, math.Max(20, math.Ceil(seconds*1e6/supplySamples)), seconds, step)
}

// follow runs a profile into a record and gives what was kept of it and what the meter saw.
func followed(t *testing.T, step string, first, seconds float64) (kept record.Profile, course []float32, every float64) {
	t.Helper()
	b := newBuoy(t, supplySequence(step, first, seconds), 0, func(string, string) (string, string) { return supplyBench, supplyScene })
	w, err := record.Create(b.dir, record.Start{Tool: "test", Title: "supply", Clock: b.sim.Clock(), Ledger: &b.ledger, Planned: b.plan.Points})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Columns(b.columns(), b.plan.Parts); err != nil {
		t.Fatal(err)
	}
	if _, err := run.Run(context.Background(), run.Config{Plan: b.plan, Instruments: b.open(), Clock: b.sim.Clock(), Ledger: &b.ledger, Sink: w}); err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(filepath.Join(b.dir, record.ProfileFile("feed-profile")))
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(data, &kept); err != nil {
		t.Fatal(err)
	}
	tr, err := trace.Open(filepath.Join(b.dir, record.TracesFolder), "course")
	if err != nil {
		t.Fatal(err)
	}
	defer tr.Close()
	for block, err := range tr.Blocks([]int{0}, 0, tr.Len()) {
		if err != nil {
			t.Fatal(err)
		}
		course = append(course, block.Values[0]...)
	}
	return kept, course, tr.Head().IntervalSeconds
}

func waveOf(points [][2]float64) profile.Wave {
	var w profile.Wave
	for _, p := range points {
		w = append(w, profile.Point{Seconds: p[0], Volts: p[1]})
	}
	return w
}

// band is the lowest and highest of a wave around a time.
func band(w profile.Wave, at, around float64) (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for k := -5; k <= 5; k++ {
		v := w.At(at + around*float64(k)/5)
		low, high = math.Min(low, v), math.Max(high, v)
	}
	return low, high
}

// Every preset that a source of 32 V reaches is measured as the source is expected to follow it: inside the preset's tolerance where the plan
// says that it follows, and where its slew holds it up as the plan says.
// FOURWIRE_LONG=1 takes all of them.
func TestPresetsAreFollowedAsThePlanSays(t *testing.T) {
	list, err := profile.Presets()
	if err != nil {
		t.Fatal(err)
	}
	long := os.Getenv("FOURWIRE_LONG") != ""
	some := map[string]bool{"road-12v-drop": true, "road-12v-start-2": true, "industrial-24v-gap": true, "industrial-24v-dynamic": true, "road-12v-start-1": true}
	for _, p := range list {
		low, high := p.Wave.Span()
		if high > 32 || low < 0 || !long && !some[p.Name] {
			continue
		}
		t.Run(p.Name, func(t *testing.T) {
			whole := p.Wave.Seconds()
			kept, course, every := followed(t, "preset: "+p.Name+", repeat: 1", p.Wave.First(), math.Ceil((whole+0.3)*10)/10)
			wanted, expected := waveOf(kept.Wanted), waveOf(kept.Expected)
			// the capture begins when the computer triggers it, some milliseconds before the profile: where it lies is found by its course
			shift, worst, at := 0.0, math.Inf(1), 0.0
			slack := math.Max(0.003, 2*every)
			if kept.By == "host" {
				slack = math.Max(slack, 0.03)
			}
			for try := 0.0; try <= 0.04; try += 0.002 {
				far, where := 0.0, 0.0
				for i, v := range course {
					x := float64(i)*every - try
					lo, hi := band(expected, x, slack)
					if d := math.Max(lo-float64(v), float64(v)-hi); d > far {
						far, where = d, x
					}
				}
				if far < worst {
					worst, shift, at = far, try, where
				}
			}
			t.Logf("%s: %s; %d samples, %.0f ms behind the trigger, worst %.1f mV at %.3f s", p.Name, kept.Text, len(course), 1e3*shift, 1e3*worst, at)
			allowed := 0.02 + 0.002*high
			if kept.By == "host" {
				allowed += 0.2 // V: 200 V/s for the millisecond by which the computer is early or late at the end of an edge that is not over
			}
			if worst > allowed {
				t.Errorf("measured %.3g V away from what is expected at %.4g s, %.3g V allowed", worst, at, allowed)
			}
			if kept.OutsideSeconds == 0 {
				for i, v := range course {
					x := float64(i)*every - shift
					lo, hi := band(wanted, x, kept.WithinSeconds+slack)
					off := kept.WithinVolts + kept.WithinRelative*math.Abs(wanted.At(x)) + 0.01 + 0.001*high
					if float64(v) < lo-off || float64(v) > hi+off {
						t.Fatalf("%.4g V at %.4g s, wanted %.4g to %.4g V", v, x, lo, hi)
					}
				}
			}
			if !strings.Contains(kept.Text, p.Standard) || kept.Tag != p.Tag() || kept.Basis != string(p.Basis) {
				t.Errorf("the record says %q, %q", kept.Tag, kept.Text)
			}
		})
	}
}

// What a profile comes to is known only from a measurement here: all of it is held against the guard before the first of it is sent.
func TestAProfileBeyondTheGuardIsNotBegun(t *testing.T) {
	b := newBuoy(t, `fourwire: sequence/1
title: A supply
needs:
  feed: {role: source, node: dut.in, volts: 0..32 V, amps: 0..6 A}
guard:
  dut.in: {volts: ..18 V, amps: ..7 A}
steps:
  - {source: feed, volts: 12 V, amps: 6 A}
  - wait: 300 ms
  - measure: {v: v(dut.in)}
  - {profile: feed, points: [[0 s, 6 V], [100 ms, v * 1.6], [200 ms, 6 V]]}
`, 0, func(string, string) (string, string) { return supplyBench, supplyScene })
	_, _, _, err := b.run(context.Background())
	if run.ExitStatus(run.Summary{}, err) != 5 || !strings.Contains(err.Error(), "19.") || !strings.Contains(err.Error(), "feed at 100 ms of its profile is outside the guard") {
		t.Errorf("%v", err)
	}
	for _, e := range b.sim.Events() {
		if e.Kind == instrument.SetValue && e.Value == 6 && e.Text == "volts" {
			t.Errorf("%s", e)
		}
	}
}
