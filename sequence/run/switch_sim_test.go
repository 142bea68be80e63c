package run_test

import (
	"context"
	"slices"
	"strings"
	"testing"

	"fourwire/driver/bench"
	"fourwire/driver/model"
	"fourwire/internal/diag"
	"fourwire/sequence"
	"fourwire/sequence/plan"
	"fourwire/sequence/run"
	"fourwire/sim/instrument"
)

const (
	lampScene = `fourwire: scenario/1
title: A lamp behind a relay
seed: 3
devices:
  lamp: {kind: resistor, plus: lamp.plus, resistance: 10 ohm}
instruments:
  feed-psu: {kind: source, processing: 1 ms}
  dmm-in: {kind: meter, processing: 1 ms}
  fixture: {kind: switch-unit, processing: 1 ms, channels: [{}, {}, {}, {}, {}, {}, {}, {}]}
wiring:
  - {channel: feed-psu, node: dut.in}
  - {channel: dmm-in, node: lamp.plus}
  - {channel: fixture.3, node: dut.in, against: lamp.plus}
`
	lampBench = `fourwire: bench/1
title: A lamp behind a relay
simulate: lamp.scenario.yaml
instruments:
  feed-psu: {model: dc-source, address: "sim:feed-psu"}
  dmm-in:   {model: meter, address: "sim:dmm-in"}
  fixture:  {model: switch-unit, address: "sim:fixture"}
wiring:
  - {channel: feed-psu, node: dut.in, as: source}
  - {channel: dmm-in, node: lamp.plus, as: voltmeter}
  - {channel: fixture.3, node: lamp.plus, as: switch}
`
	lampHead = `fourwire: sequence/1
title: Lamp
needs:
  feed: {role: source, node: dut.in, volts: 0..12 V, amps: 0..2 A}
  lamp: {role: switch, node: lamp.plus, volts: 0..12 V, amps: 0..1.5 A}
guard:
  dut.in: {volts: ..15 V, amps: ..2.5 A}
  lamp.plus: {volts: ..15 V, amps: ..2 A}
steps:
`
)

func lamp(t *testing.T, steps string) *buoy {
	t.Helper()
	return newBuoy(t, lampHead+steps, 0, func(string, string) (string, string) { return lampBench, lampScene })
}

// moves is what went on and off, in order.
func moves(b *buoy) (out []string) {
	for _, e := range b.sim.Events() {
		if e.Kind == instrument.Switched {
			out = append(out, e.Instrument+map[bool]string{true: " on", false: " off"}[e.Value > 0])
		}
	}
	return out
}

func TestASwitchOpensBehindTheSource(t *testing.T) {
	b := lamp(t, "  - {switch: lamp, to: on}\n  - {source: feed, volts: 10 V, amps: 2 A}\n  - wait: 200 ms\n  - measure: {v: v(lamp.plus)}\n")
	k, _ := b.mustRun()
	// 10 V behind 100 mohm of the relay, at 10 ohm
	if len(k.points) != 1 || k.points[0].Cells["v"].SI < 9.8 || k.points[0].Cells["v"].SI > 10 {
		t.Errorf("%+v", k.points)
	}
	if want := []string{"fixture on", "feed-psu on", "feed-psu off", "fixture off"}; !slices.Equal(moves(b), want) {
		t.Errorf("%v, wanted %v", moves(b), want)
	}
}

// Whatever ends a run, the switch opens once the source is off, and not before.
func TestASwitchOpensBehindTheSourceAfterAFault(t *testing.T) {
	steps := "  - {switch: lamp, to: on}\n  - {source: feed, volts: 10 V, amps: 2 A}\n  - wait: 1 s\n  - measure: {v: v(lamp.plus)}\n"
	b := newBuoy(t, lampHead+steps, 0, func(string, string) (string, string) {
		return lampBench, lampScene + "faults:\n  - {kind: current-limit, instrument: feed-psu, at: 500 ms, amps: 0.1 A}\n  - {kind: over-voltage, instrument: feed-psu, at: 700 ms}\n"
	})
	if _, _, _, err := b.run(context.Background()); run.ExitStatus(run.Summary{}, err) != 5 {
		t.Errorf("%v", err)
	}
	if want := []string{"fixture on", "feed-psu on", "feed-psu off", "fixture off"}; !slices.Equal(moves(b), want) {
		t.Errorf("%v, wanted %v", moves(b), want)
	}
}

func TestASwitchIsNotMovedUnderPower(t *testing.T) {
	for _, c := range []struct{ hot, want string }{{"", "lamp would move while source feed is on"}, {", hot: yes", ""}} {
		var found diag.Findings
		text := lampHead + "  - {source: feed, volts: 10 V, amps: 2 A}\n  - {switch: lamp, to: on" + c.hot + "}\n  - measure: {v: v(lamp.plus)}\n"
		seq := sequence.Read("lamp.yaml", []byte(text), nil, &found)
		wires := bench.Read("bench.yaml", []byte(lampBench), &found)
		models := map[string]*model.Model{}
		for _, in := range wires.Instruments {
			data, _ := model.FromLibrary(in.Model)
			models[in.Name] = model.Read(in.Model, data, &found)
		}
		plan.Bind(seq, wires, models, &found)
		said := ""
		for _, f := range found.List() {
			if !f.Warning {
				said += f.Error()
			}
		}
		if c.want == "" && said != "" || !strings.Contains(said, c.want) {
			t.Errorf("hot %q: %q", c.hot, said)
		}
	}
	b := lamp(t, "  - {source: feed, volts: 10 V, amps: 2 A}\n  - {switch: lamp, to: on, hot: yes}\n  - wait: 200 ms\n  - measure: {v: v(lamp.plus)}\n  - {switch: lamp, to: off, hot: yes}\n")
	b.mustRun()
	if want := []string{"feed-psu on", "fixture on", "fixture off", "feed-psu off"}; !slices.Equal(moves(b), want) {
		t.Errorf("%v, wanted %v", moves(b), want)
	}
}
