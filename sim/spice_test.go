package sim_test

import (
	"math"
	"strconv"
	"strings"
	"testing"
	"time"
)

// A transmission behind the unit's own output resistance against ngspice 39.3: the netlist node-burst of sim/device, whose recorded results
// are held against ngspice itself where it is installed.
func TestBurstAgainstSpice(t *testing.T) {
	want := map[string]float64{}
	for line := range strings.Lines(string(read(t, "device/testdata/spice/results.csv"))) {
		if f := strings.Split(strings.TrimSpace(line), ","); f[0] == "node-burst" {
			want[f[1]], _ = strconv.ParseFloat(f[2], 64)
		}
	}
	if len(want) != 9 {
		t.Fatalf("%d recorded results", len(want))
	}
	text := `fourwire: scenario/1
devices:
  node: {kind: node, supply: bat, sleep: 2 uA, wake: 2 uA, wake_time: 1 s, sample_time: 0 s, process_time: 0 s, transmit: 140 mW, transmit_time: 60 ms,
    period: 1000 s, boot: 2 uA, boot_time: 500 ms, off: 2 uA, brown_out: 1.8 V, restart: 2 V, bulk_capacitor: 220 uF, radio_capacitor: 4.7 uF, radio_switch: 10 ohm}
instruments:
  smu:
    kind: source-measure-unit
    processing: 0 s
    channels:
      - {output_resistance: 10 uohm, capacitor: 0 F, sense_input: 1 Gohm, sense_protection: 1 Mohm, settings: {volts: {gain: 0 %}, amps: {gain: 0 %}},
         read_amps: [{full: 1 A}], read_volts: [{full: 20 V}]}
wiring:
  - {channel: smu, node: bat, lead: 5 uohm}
`
	d := sit(t, build(t, "burst.yaml", text))
	d.say("smu", ":OUTP:IMP 15;:SOUR:VOLT 3;:OUTP ON")
	d.wait(100 * time.Millisecond)
	boot := d.b.NodeEvents("node")[0].Duration // it has been off until the bulk capacitor was charged to 2 V
	start := boot + 1500*time.Millisecond
	d.wait(start - time.Duration(d.b.Truth().At))
	before := d.b.Truth().Taken["smu.1"].Coulombs
	for _, c := range []struct {
		name string
		at   time.Duration // since the transmission began, 1 ms in the netlist
	}{{"v_01ms", 100 * time.Microsecond}, {"v_2ms", 2 * time.Millisecond}, {"v_10ms", 10 * time.Millisecond}, {"v_30ms", 30 * time.Millisecond},
		{"v_end", 59900 * time.Microsecond}, {"q_burst", 60 * time.Millisecond}, {"v_after", 64 * time.Millisecond}} {
		d.wait(start + c.at - d.b.Truth().At)
		truth := d.b.Truth()
		if c.name == "q_burst" {
			if got := truth.Taken["smu.1"].Coulombs - before; math.Abs(got/-want[c.name]-1) > 2e-4 {
				t.Errorf("the burst takes %.6g C, ngspice says %.6g C", got, -want[c.name])
			}
			continue
		}
		if got := truth.Volts["bat"]; math.Abs(got-want[c.name]) > 3e-4 {
			t.Errorf("%s: %.6f V, ngspice says %.6f V", c.name, got, want[c.name])
		}
		if name := strings.Replace(c.name, "v", "i", 1); want[name] != 0 && math.Abs(truth.Channels["smu.1"].Amps/-want[name]-1) > 5e-4 {
			t.Errorf("%s: %.6g A, ngspice says %.6g A", name, truth.Channels["smu.1"].Amps, -want[name])
		}
		t.Logf("%s %.6f V, ngspice %.6f V", c.name, truth.Volts["bat"], want[c.name])
	}
}
