package hookup_test

import (
	"strings"
	"testing"

	"fourwire/driver/hookup"
)

// want is what a check must name: one fault of this kind at this channel, and no other fault.
type want struct {
	kind    hookup.Kind
	channel string
	conduct string // "" is not looked at
}

func named(rep *hookup.Report, w want) bool {
	faults := 0
	right := false
	for _, f := range rep.Faults {
		if f.Doubt && f.Kind != w.kind {
			continue
		}
		faults++
		right = right || f.Kind == w.kind && (f.Channel == w.channel || f.Other == w.channel && f.Kind == hookup.Swapped) && (w.conduct == "" || f.Conduct == w.conduct)
	}
	return right && faults == 1
}

// Each fault is put into the simulator's wiring alone; the check must name it, and nothing else, whatever the specimens of the instruments are.
func TestSeededFaultsAreNamed(t *testing.T) {
	for _, c := range []struct {
		name, scenario, bench, fault string
		want                         want
	}{
		{"1 open sense lead plus", linkedScenario, converterBench, `{kind: open-sense, channel: feed-psu, conductor: plus}`, want{hookup.OpenSense, "feed-psu", "plus"}},
		{"2 open sense lead minus", linkedScenario, converterBench, `{kind: open-sense, channel: feed-psu, conductor: minus}`, want{hookup.OpenSense, "feed-psu", "minus"}},
		{"3 both sense leads open", linkedScenario, converterBench, `{kind: open-sense, channel: feed-psu}`, want{hookup.OpenSense, "feed-psu", "both"}},
		{"4 open sense lead plus, own draw", beaconScenario, beaconBench, `{kind: open-sense, channel: feed-psu, conductor: plus}`, want{hookup.OpenSense, "feed-psu", "plus"}},
		{"5 open sense lead minus, own draw", beaconScenario, beaconBench, `{kind: open-sense, channel: feed-psu, conductor: minus}`, want{hookup.OpenSense, "feed-psu", "minus"}},
		{"6 open sense lead at a converter that does not start", buoyScenario(t), converterBench, `{kind: open-sense, channel: feed-psu, conductor: minus}`, want{hookup.OpenSense, "feed-psu", "one of both"}},
		{"7 sense leads exchanged", buoyScenario(t), converterBench, `{kind: reversed-sense, channel: feed-psu}`, want{hookup.ReversedSense, "feed-psu", ""}},
		{"8 source reversed", buoyScenario(t), converterBench, `{kind: reversed, channel: feed-psu}`, want{hookup.Polarity, "feed-psu", ""}},
		{"9 voltmeter reversed", buoyScenario(t), converterBench, `{kind: reversed, channel: dmm-in}`, want{hookup.Polarity, "dmm-in", ""}},
		{"10 ammeter reversed", linkedScenario, converterBench, `{kind: reversed, channel: amm-in}`, want{hookup.Polarity, "amm-in", ""}},
		{"11 channels swapped", railsScenario, railsBench, `{kind: swapped, channel: twin.1, with: twin.2}`, want{hookup.Swapped, "twin", ""}},
		{"12 meters swapped", buoyScenario(t), converterBench, `{kind: swapped, channel: dmm-in, with: dmm-out}`, want{hookup.Swapped, "dmm-in", ""}},
		{"13 short at the input", buoyScenario(t), converterBench, `{kind: short, node: dut.in, resistance: 50 mohm}`, want{hookup.Short, "feed-psu", ""}},
		{"14 open supply lead", buoyScenario(t), converterBench, `{kind: open-lead, channel: feed-psu, conductor: plus}`, want{hookup.OpenLead, "feed-psu", ""}},
		{"15 open supply lead minus", buoyScenario(t), converterBench, `{kind: open-lead, channel: feed-psu, conductor: minus}`, want{hookup.OpenLead, "feed-psu", ""}},
		{"16 blown fuse of the ammeter", buoyScenario(t), converterBench, `{kind: open-lead, channel: amm-in}`, want{hookup.OpenLead, "feed-psu", ""}},
		{"17 voltmeter not connected", buoyScenario(t), converterBench, `{kind: open-lead, channel: dmm-in}`, want{hookup.NotConnected, "dmm-in", ""}},
		{"18 device missing", buoyScenario(t), converterBench, `{kind: absent, device: converter}`, want{hookup.Open, "feed-psu", ""}},
		{"19 source at the output", buoyScenario(t), converterBench, `{kind: wrong-node, channel: feed-psu, node: dut.out}`, want{hookup.WrongNode, "feed-psu", ""}},
		{"20 voltmeter at another rail", railsScenario, railsBench, `{kind: wrong-node, channel: dmm-b, node: rail.a}`, want{hookup.WrongNode, "dmm-b", ""}},
		{"21 high resistance of a supply lead", linkedScenario, converterBench, `{kind: lead-resistance, channel: feed-psu, conductor: minus, resistance: 200 mohm}`, want{hookup.HighLead, "feed-psu", ""}},
		{"22 high resistance of a load lead", linkedScenario, converterBench, `{kind: lead-resistance, channel: sink, conductor: plus, resistance: 200 mohm}`, want{hookup.HighLead, "sink", ""}},
		{"23 open sense leads of the load", linkedScenario, converterBench, `{kind: open-sense, channel: sink}`, want{hookup.OpenSense, "sink", "both"}},
		{"24 one open sense lead of the load", linkedScenario, converterBench, `{kind: open-sense, channel: sink, conductor: plus}`, want{hookup.OpenSense, "sink", ""}},
		{"25 oscillating source", buoyScenario(t), converterBench, `{kind: oscillation, channel: feed-psu, amplitude: 30 mV, frequency: 3 kHz}`, want{hookup.Oscillates, "feed-psu", ""}},
		{"26 ammeter bypassed", linkedScenario, converterBench, `{kind: bypassed, channel: amm-in}`, want{hookup.NotInLine, "amm-in", ""}},
		{"27 load reversed", linkedScenario, converterBench, `{kind: reversed, channel: sink}`, want{hookup.Polarity, "sink", ""}},
		{"29 open supply lead before a device of 500 kohm", strings.Replace(beaconScenario, "100 ohm", "500 kohm", 1), beaconBench, `{kind: open-lead, channel: feed-psu, conductor: plus}`, want{hookup.OpenLead, "feed-psu", ""}},
		{"28 load not connected", linkedScenario, converterBench, `{kind: open-lead, channel: sink, conductor: plus}`, want{hookup.OpenLead, "sink", ""}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			seeds := uint64(3)
			if c.want.kind == hookup.OpenSense {
				seeds = 20
			}
			if testing.Short() {
				seeds = 2
			}
			wrong := 0
			for seed := range seeds {
				s := build(t, withFault(c.scenario, c.fault), c.bench, seed)
				rep := s.check(t)
				s.harmless(t, rep)
				if !named(rep, c.want) {
					if wrong++; wrong == 1 {
						t.Logf("seed %d: want %s of %s %s, got\n%s", seed, c.want.kind, c.want.channel, c.want.conduct, rep.Text())
					}
				}
				if c.want.kind != hookup.Open && rep.Right {
					t.Errorf("seed %d: the bench passes", seed)
				}
			}
			allowed := 0
			if c.want.kind == hookup.OpenSense {
				allowed = int(seeds) / 20 // 95 % of the specimens
			}
			if wrong > allowed {
				t.Errorf("%d of %d specimens named wrongly", wrong, seeds)
			}
		})
	}
}
