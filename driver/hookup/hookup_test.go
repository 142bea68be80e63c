package hookup_test

import (
	"context"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"
	"time"

	"fourwire/driver"
	"fourwire/driver/bench"
	"fourwire/driver/hookup"
	"fourwire/driver/model"
	"fourwire/internal/diag"
	"fourwire/quantity/measured"
	"fourwire/sim"
)

// The benches of these tests. Which faults there are, and what tells them, is common practice at the bench; the figures of the instruments are those
// of the library's models and of the simulator's usual instruments.

// linked is the buoy's bench with a link of 20 mohm where the converter would be, as one does to try a bench out: every lead can carry a current.
const linkedScenario = `fourwire: scenario/1
seed: 1
devices:
  link: {kind: resistor, plus: dut.in, minus: dut.out, resistance: 20 mohm}
  lamp: {kind: resistor, plus: dut.in, resistance: 330 ohm}
instruments:
  feed-psu: {kind: source, channels: [{volts: 32 V, amps: 10 A, watts: 200 W}]}
  sink: {kind: load}
  dmm-in: {kind: meter}
  dmm-out: {kind: meter}
  amm-in: {kind: meter}
  amm-out: {kind: meter}
wiring:
  - {channel: feed-psu, node: dut.in, lead: 15 mohm, sense: remote}
  - {channel: sink, node: dut.out, lead: 15 mohm, sense: remote}
  - {channel: dmm-in, node: dut.in}
  - {channel: dmm-out, node: dut.out}
  - {channel: amm-in, node: dut.in, as: ammeter, counts: in}
  - {channel: amm-out, node: dut.out, as: ammeter, counts: out}
`

const converterBench = `fourwire: bench/1
simulate: x.yaml
instruments:
  feed-psu: {model: dc-source, address: "sim:feed-psu"}
  sink: {model: electronic-load, address: "sim:sink"}
  dmm-in: {model: meter, address: "sim:dmm-in"}
  dmm-out: {model: meter, address: "sim:dmm-out"}
  amm-in: {model: meter, address: "sim:amm-in"}
  amm-out: {model: meter, address: "sim:amm-out"}
wiring:
  - {channel: feed-psu, node: dut.in, as: source, sense: remote, lead: 15 mohm}
  - {channel: amm-in, node: dut.in, as: ammeter}
  - {channel: dmm-in, node: dut.in, as: voltmeter}
  - {channel: dmm-out, node: dut.out, as: voltmeter}
  - {channel: amm-out, node: dut.out, as: ammeter}
  - {channel: sink, node: dut.out, as: load, sense: remote, lead: 15 mohm}
nodes:
  dut.in: {nominal: 12 V}
`

// rails is the beacon node with two supply rails from one instrument.
const railsScenario = `fourwire: scenario/1
seed: 1
devices:
  radio: {kind: resistor, plus: rail.a, resistance: 100 ohm}
  lamp: {kind: resistor, plus: rail.b, resistance: 56 ohm}
instruments:
  twin: {kind: source, channels: [{volts: 32 V, amps: 3 A}, {volts: 32 V, amps: 3 A}]}
  dmm-a: {kind: meter}
  dmm-b: {kind: meter}
wiring:
  - {channel: twin.1, node: rail.a, lead: 20 mohm}
  - {channel: twin.2, node: rail.b, lead: 20 mohm}
  - {channel: dmm-a, node: rail.a}
  - {channel: dmm-b, node: rail.b}
`

const railsBench = `fourwire: bench/1
simulate: x.yaml
instruments:
  twin: {model: dc-source-dual, address: "sim:twin"}
  dmm-a: {model: meter, address: "sim:dmm-a"}
  dmm-b: {model: meter, address: "sim:dmm-b"}
wiring:
  - {channel: twin.1, node: rail.a, as: source, lead: 20 mohm}
  - {channel: twin.2, node: rail.b, as: source, lead: 20 mohm}
  - {channel: dmm-a, node: rail.a, as: voltmeter}
  - {channel: dmm-b, node: rail.b, as: voltmeter}
nodes:
  rail.a: {nominal: 12 V}
  rail.b: {nominal: 12 V}
`

// beacon is a device of 100 ohm without a load: only its own draw flows.
const beaconScenario = `fourwire: scenario/1
seed: 1
devices:
  radio: {kind: resistor, plus: dut.in, resistance: 100 ohm}
instruments:
  feed-psu: {kind: source, channels: [{volts: 32 V, amps: 10 A, watts: 200 W}]}
  dmm-in: {kind: meter}
  amm-in: {kind: meter}
wiring:
  - {channel: feed-psu, node: dut.in, lead: 15 mohm, sense: remote}
  - {channel: dmm-in, node: dut.in}
  - {channel: amm-in, node: dut.in, as: ammeter, counts: in}
`

const beaconBench = `fourwire: bench/1
simulate: x.yaml
instruments:
  feed-psu: {model: dc-source, address: "sim:feed-psu"}
  dmm-in: {model: meter, address: "sim:dmm-in"}
  amm-in: {model: meter, address: "sim:amm-in"}
wiring:
  - {channel: feed-psu, node: dut.in, as: source, sense: remote, lead: 15 mohm}
  - {channel: amm-in, node: dut.in, as: ammeter}
  - {channel: dmm-in, node: dut.in, as: voltmeter}
nodes:
  dut.in: {nominal: 12 V}
`

func buoyScenario(t testing.TB) string {
	data, err := os.ReadFile("../../examples/buoy/buoy.scenario.yaml")
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

// simulated is one bench with a check's instruments open.
type simulated struct {
	*sim.Bench
	config hookup.Config
	most   float64 // the highest voltage between ground and any node, or at any terminals
	worst  string
}

func build(t testing.TB, scenario, benchText string, seed uint64) *simulated {
	t.Helper()
	var found diag.Findings
	s := sim.Read("x.yaml", []byte(scenario), &found)
	b := bench.Read("bench.yaml", []byte(benchText), &found)
	if s == nil || b == nil {
		t.Fatal(found.List())
	}
	made, err := sim.New(s, sim.Options{Seed: &seed})
	if err != nil {
		t.Fatal(err)
	}
	out := &simulated{Bench: made, config: hookup.Config{Bench: b, Clock: made.Clock(), Instruments: map[string]*driver.Instrument{}}}
	ledger := &measured.Ledger{}
	for _, in := range b.Instruments {
		data, _ := model.FromLibrary(in.Model)
		m := model.Read(in.Model, data, &found)
		link, err := made.Link(in.Name)
		if err != nil {
			t.Fatal(err)
		}
		one, err := driver.Open(context.Background(), driver.Config{Name: in.Name, Model: m, Link: link, Clock: made.Clock(), Ledger: ledger})
		if err != nil {
			t.Fatal(err)
		}
		out.config.Instruments[in.Name] = one
	}
	made.Clock().OnAdvance(func(time.Time) { out.watch() })
	return out
}

func (s *simulated) watch() {
	truth := s.Truth()
	for name, v := range truth.Volts {
		s.note(name, v)
	}
	for name, c := range truth.Channels {
		s.note(name, c.Volts)
	}
}

func (s *simulated) note(name string, v float64) {
	if math.Abs(v) > s.most {
		s.most, s.worst = math.Abs(v), name
	}
}

func (s *simulated) check(t testing.TB) *hookup.Report {
	t.Helper()
	rep, err := hookup.Check(context.Background(), s.config)
	if err != nil {
		t.Fatalf("%v\n%s", err, rep.Text())
	}
	return rep
}

// harmless holds a check to what it promises: nothing above a tenth of 12 V, done within 5 s of the bench's time, everything off, sources last.
func (s *simulated) harmless(t testing.TB, rep *hookup.Report) {
	t.Helper()
	if s.most > 1.2 {
		t.Errorf("%s stood at %g V, more than a tenth of 12 V", s.worst, s.most)
	}
	for _, e := range s.Events() {
		if e.Kind.String() == "tripped" && math.Abs(e.Value) > 1.2 {
			t.Errorf("%s: more than a tenth of 12 V", e)
		}
	}
	if rep.Took > 5*time.Second {
		t.Errorf("it took %v", rep.Took)
	}
	on := map[string]bool{}
	for _, e := range s.Events() {
		who := fmt.Sprintf("%s.%d", e.Instrument, e.Channel)
		if e.Text == "on" {
			on[who] = true
			if on["sink.1"] && !on["feed-psu.1"] && len(s.config.Bench.Wiring) == 6 {
				t.Errorf("the load is on before the source: %s", e)
			}
		} else if e.Text == "off" {
			if strings.HasPrefix(who, "feed") && on["sink.1"] && !strings.Contains(fmt.Sprint(rep.Faults), "sense") {
				t.Errorf("the source goes off before the load: %s", e)
			}
			delete(on, who)
		}
	}
	if len(on) > 0 {
		t.Errorf("still on: %v", on)
	}
}

func withFault(scenario, fault string) string {
	if fault == "" {
		return scenario
	}
	return scenario + "faults:\n  - " + fault + "\n"
}

func TestGoodBenchesPass(t *testing.T) {
	for name, c := range map[string]struct{ scenario, bench string }{
		"converter": {buoyScenario(t), converterBench}, "linked": {linkedScenario, converterBench}, "rails": {railsScenario, railsBench}, "beacon": {beaconScenario, beaconBench},
	} {
		for seed := range uint64(8) {
			s := build(t, c.scenario, c.bench, seed)
			rep := s.check(t)
			if !rep.Right || len(rep.Faults) > 0 {
				t.Errorf("%s, seed %d:\n%s", name, seed, rep.Text())
			}
			s.harmless(t, rep)
			if testing.Verbose() && seed == 0 {
				t.Logf("%s\n%s", name, rep.Text())
			}
		}
	}
}
