package sim_test

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"fourwire/sim/instrument"
)

// exact is the head of a scenario whose source and load make no errors and take no time for a command.
const exact = `fourwire: scenario/1
instruments:
  psu:
    kind: source
    processing: 0 s
    channels:
      - {volts: 60 V, amps: 50 A, watts: 0 W, %s,
         settings: {volts: {gain: 0 %%}, amps: {gain: 0 %%}}, read_volts: [{full: 100 V}], read_amps: [{full: 100 A}]}
  eload:
    kind: load
    processing: 0 s
    channels:
      - {amps: 30 A, slew: 0 A/s, input_resistance: 0 ohm, %s,
         settings: {volts: {gain: 0 %%}, amps: {gain: 0 %%}, ohms: {gain: 0 %%}, watts: {gain: 0 %%}}, read_volts: [{full: 100 V}], read_amps: [{full: 100 A}]}
wiring:
  - {channel: psu, node: bus%s}
  - {channel: eload, node: bus%s}
devices:
  spare: {kind: resistor, plus: bus, resistance: 1000 Mohm}
`

// rig is a source and a load at one node.
type rig struct{ source, load, sourceWire, loadWire, more string }

func (r rig) build(t testing.TB) desk {
	t.Helper()
	if r.source == "" {
		r.source = "bleeder: 0 ohm"
	}
	if !strings.Contains(r.source, "slew") {
		r.source += ", slew: 0 V/s"
	}
	if r.load == "" {
		r.load = "min_resistance: 25 mohm"
	}
	if !strings.Contains(r.load, "min_volts") {
		r.load += ", min_volts: 0 V"
	}
	return sit(t, build(t, "rig.yaml", fmt.Sprintf(exact, r.source, r.load, r.sourceWire, r.loadWire)+r.more))
}

func near(t *testing.T, what string, got, want, relative float64) {
	t.Helper()
	if !(math.Abs(got-want) <= relative*math.Abs(want)) {
		t.Errorf("%s is %.9g, want %.9g within %g", what, got, want, relative)
	}
}

func (d desk) volts(node string) float64 {
	d.t.Helper()
	truth := d.b.Truth()
	if truth.Problem != nil {
		d.t.Fatal(truth.Problem)
	}
	if truth.Balance > 1e-9 {
		d.t.Errorf("power of %g relative is left over", truth.Balance)
	}
	return truth.Volts[node]
}

// Output characteristic, 5 V, 1 A, Rcv 1 mohm, Rcc 10 kohm: published check values, computed independently from
// Id = min((Vref - V)/Rcv, Iref - V/Rcc).
func TestVoltageToCurrentCrossover(t *testing.T) {
	for _, c := range []struct{ ohm, volts, status float64 }{
		{10, 4.999500, 2}, {5.1, 4.999020, 2}, {5, 4.997501, 1}, {1, 0.999900, 1},
	} {
		d := rig{source: "bleeder: 0 ohm, output_resistance: 1 mohm, current_resistance: 10 kohm, capacitor: 0 F",
			more: fmt.Sprintf("  r: {kind: resistor, plus: bus, resistance: %g ohm}\n", c.ohm)}.build(t)
		d.say("psu", "VOLT 5;CURR 1;:OUTP ON")
		d.wait(time.Second)
		near(t, fmt.Sprintf("the voltage at %g ohm", c.ohm), d.volts("bus"), c.volts, 1e-6)
		if got := d.ask("psu", "STAT:QUES:COND?"); got != fmt.Sprint(c.status) {
			t.Errorf("at %g ohm the status is %s, want %g", c.ohm, got, c.status)
		}
	}
}

// Output capacitor of 470 uF from 12 to 3.3 V: published check values (closed forms C dV/I, R C ln and their combinations).
func TestOutputFallsOnlyAsFastAsSomethingDrawsItDown(t *testing.T) {
	for _, c := range []struct {
		name, source, load, more string
		seconds                  float64
	}{
		{"0.1 A", "bleeder: 0 ohm", "CURR 0.1;:INP ON", "", 40.89e-3},
		{"0.1 A and a bleeder of 1 kohm", "bleeder: 1 kohm", "CURR 0.1;:INP ON", "", 38.00e-3},
		{"100 ohm alone", "bleeder: 0 ohm", "*CLS", "  r: {kind: resistor, plus: bus, resistance: 100 ohm}\n", 60.68e-3},
		{"a programmer of 1 A and 0.1 A", "bleeder: 0 ohm, sink: 1 A", "CURR 0.1;:INP ON", "", 3.717e-3},
		{"the bleeder alone", "bleeder: 1 kohm", "*CLS", "", 606.8e-3},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := rig{source: c.source + ", capacitor: 470 uF", more: c.more}.build(t)
			d.say("psu", "VOLT 12;CURR 5;:OUTP ON")
			d.say("eload", c.load)
			d.wait(time.Second)
			before := d.b.Truth().At
			d.say("psu", "VOLT 3.3")
			d.wait(2 * time.Second)
			at := d.last("psu", instrument.Mode, "CV")
			near(t, "the time to fall", (at - before).Seconds(), c.seconds, 1e-3)
		})
	}
}

// last returns the time of the newest event of a kind.
func (d desk) last(who string, kind instrument.EventKind, text string) time.Duration {
	d.t.Helper()
	events := d.b.Events()
	for i := len(events) - 1; i >= 0; i-- {
		if e := events[i]; e.Instrument == who && e.Kind == kind && (text == "" || e.Text == text) {
			return e.At
		}
	}
	d.t.Fatalf("no event %s %s of %s in %v", kind, text, who, events)
	return 0
}

// Constant power behind 0.2 ohm at 5 V: published check values; 31.25 W is exactly the nose, V^2/(4 R).
func TestConstantPowerAndCollapse(t *testing.T) {
	for _, c := range []struct{ watts, volts float64 }{{10, 4.561553}, {30, 3.0}} {
		d := rig{source: "output_resistance: 10 uohm, bleeder: 0 ohm", load: "min_resistance: 40 mohm", sourceWire: ", lead: 99.995 mohm"}.build(t)
		d.say("psu", "VOLT 5;CURR 50;:OUTP ON")
		d.wait(100 * time.Millisecond)
		d.say("eload", fmt.Sprintf("FUNC POW;POW %g;:INP ON", c.watts))
		d.wait(100 * time.Millisecond)
		near(t, fmt.Sprintf("the voltage at %g W", c.watts), d.volts("bus"), c.volts, 2e-5)
	}
	d := rig{source: "output_resistance: 10 uohm, bleeder: 0 ohm", load: "min_resistance: 40 mohm", sourceWire: ", lead: 99.995 mohm"}.build(t)
	d.say("psu", "VOLT 5;CURR 50;:OUTP ON")
	d.wait(100 * time.Millisecond)
	d.say("eload", "FUNC POW;POW 40;:INP ON")
	d.wait(100 * time.Millisecond)
	near(t, "the voltage after the collapse", d.volts("bus"), 0.833333, 1e-4) // falls to the line of 40 mohm: 20.8333 A
	near(t, "the current after the collapse", d.b.Truth().Channels["eload.1"].Amps, 20.8333, 1e-4)
	if got := d.ask("eload", "STAT:QUES:COND?"); got != "4096" {
		t.Errorf("the load's status is %s, want 4096: not reached", got)
	}
	d.say("eload", "POW 10") // history decides: it comes back only once the load is small enough
	d.wait(100 * time.Millisecond)
	near(t, "the voltage once the load has come down", d.volts("bus"), 4.561553, 2e-5)
}

// A source limited to 1 A with a load of 2 A and 40 mohm: 0.04 V (published check values).
func TestSourceLimitedToLessThanTheLoad(t *testing.T) {
	d := rig{load: "min_resistance: 40 mohm", source: "bleeder: 0 ohm, current_resistance: 1000 Mohm"}.build(t)
	d.say("psu", "VOLT 5;CURR 1;:OUTP ON")
	d.say("eload", "CURR 2;:INP ON")
	d.wait(time.Second)
	near(t, "the voltage", d.volts("bus"), 0.04, 1e-3) // 1 A through 40 mohm
	if got := d.ask("psu", "STAT:QUES:COND?"); got != "1" {
		t.Errorf("the source's status is %s, want 1: CC", got)
	}
}

func TestMinimumLoadVoltage(t *testing.T) {
	d := rig{load: "min_volts: 0.6 V, min_resistance: 25 mohm", source: "bleeder: 0 ohm"}.build(t)
	d.say("psu", "VOLT 0.3;CURR 10;:OUTP ON")
	d.say("eload", "CURR 4;:INP ON")
	d.wait(time.Second)
	near(t, "the current at half the minimum voltage", d.b.Truth().Channels["eload.1"].Amps, 2, 0.02) // half the voltage: half the current
	if got := d.ask("eload", "STAT:QUES:COND?"); got != "4096" {
		t.Errorf("the load's status is %s, want 4096: not reached", got)
	}
	d.say("psu", "VOLT 5")
	d.wait(time.Second)
	near(t, "the current at 5 V", d.b.Truth().Channels["eload.1"].Amps, 4, 1e-3)
	if got := d.ask("eload", "STAT:QUES:COND?"); got != "0" {
		t.Errorf("the load's status is %s, want 0", got)
	}
}

// 5 V, 3 A, 50 mohm per lead: local sensing gives 4.70 V at the load, remote needs 5.30 V at the terminals (published check values).
func TestRemoteAndLocalSense(t *testing.T) {
	d := rig{source: "output_resistance: 10 uohm, compensation: 0.5 V", sourceWire: ", lead: 50 mohm, sense: remote"}.build(t)
	d.say("psu", "VOLT 5;CURR 10;:OUTP ON")
	d.say("eload", "CURR 3;:INP ON")
	d.wait(time.Second)
	near(t, "the load's voltage with local sense", d.volts("bus"), 4.70, 1e-4)
	d.say("psu", "VOLT:ALC:SOUR EXT")
	d.wait(time.Second)
	near(t, "the load's voltage with remote sense", d.volts("bus"), 5.00, 1e-4)
	near(t, "what the source's voltmeter sees", d.b.Truth().Channels["psu.1"].Volts, 5.00, 1e-4)
	d.say("eload", "CURR 8") // 0.8 V of lead drop, more than can be made up for
	d.wait(time.Second)
	if got := d.ask("psu", "STAT:QUES:COND?"); got != "3" {
		t.Errorf("beyond the compensation the status is %s, want 3: unregulated", got)
	}
	if v := d.volts("bus"); v > 4.8 || v < 4.6 {
		t.Errorf("beyond the compensation the load sees %g V, want about 4.7", v)
	}
	open := rig{source: "output_resistance: 10 uohm", sourceWire: ", lead: 50 mohm"}.build(t) // no sense leads at all
	open.say("psu", "VOLT:ALC:SOUR EXT;:VOLT 5;CURR 10;:OUTP ON")
	open.say("eload", "CURR 3;:INP ON")
	open.wait(time.Second)
	near(t, "the load's voltage with open sense leads", open.volts("bus"), 5*(1+1e-3)-0.3, 1e-4) // 10 kohm into 10 Mohm: 0.1 % high
}

func TestProtectionsLatch(t *testing.T) {
	d := rig{source: "over_voltage_delay: 50 us, over_current_delay: 5 ms, slew: 100 V/s"}.build(t)
	d.say("psu", "VOLT:PROT 6;:CURR:PROT 2;:CURR:PROT:STAT ON;:VOLT 9;CURR 10;:OUTP ON")
	d.wait(500 * time.Millisecond)
	at := d.last("psu", instrument.Tripped, "over-voltage")
	on := d.last("psu", instrument.Switched, "on")
	near(t, "the time of the trip", (at - on).Seconds(), 0.06+50e-6, 1e-3) // 6 V at 100 V/s, and the delay
	if got := d.ask("psu", "OUTP?;:STAT:QUES:COND?"); got != "0;512" {
		t.Errorf("output and status after over-voltage: %s", got)
	}
	d.say("psu", "OUTP ON")
	if got := d.ask("psu", "SYST:ERR?"); !strings.HasPrefix(got, "-221,") {
		t.Errorf("switching on while latched: %s", got)
	}
	d.say("psu", "VOLT 5;:OUTP:PROT:CLE;:OUTP ON")
	d.wait(500 * time.Millisecond)
	if got := d.ask("psu", "OUTP?;:STAT:QUES:COND?;:SYST:ERR?"); got != `1;2;0,"No error"` {
		t.Errorf("after clearing: %s", got)
	}
	before := d.b.Truth().At
	d.say("eload", "CURR 3;:INP ON")
	d.wait(100 * time.Millisecond)
	near(t, "the delay of the over-current trip", (d.last("psu", instrument.Tripped, "over-current") - before).Seconds(), 5e-3, 0.01)
	if got := d.ask("psu", "OUTP?;:STAT:QUES:COND?"); got != "0;1024" {
		t.Errorf("output and status after over-current: %s", got)
	}
}

func TestLoadProtections(t *testing.T) {
	d := rig{load: "over_power: 40 W, over_current_delay: 2 ms"}.build(t)
	d.say("psu", "VOLT 20;CURR 10;:OUTP ON")
	d.say("eload", "CURR:PROT 1;:CURR:PROT:STAT ON;:CURR 1.5;:INP ON")
	d.wait(100 * time.Millisecond)
	if got := d.ask("eload", "INP?;:STAT:QUES:COND?"); got != "0;1024" {
		t.Errorf("after over-current: %s", got)
	}
	d.say("eload", "CURR:PROT:STAT OFF;:INP:PROT:CLE;:CURR 2.5;:INP ON")
	d.wait(100 * time.Millisecond)
	if got := d.ask("eload", "INP?;:STAT:QUES:COND?"); got != "0;256" {
		t.Errorf("after over-power: %s", got)
	}
}

// Sweep the input up and down through lock-out, with the load on: the thresholds are those of the scenario, seen at the input node.
func TestLockoutHasHysteresis(t *testing.T) {
	d := sit(t, buoy(t))
	d.say("feed-psu", "CURR 5;VOLT 4;VOLT:ALC:SOUR EXT;:OUTP ON")
	d.say("sink", "FUNC CURR;CURR 0.2;:INP ON")
	runs := func(volts float64) bool {
		d.say("feed-psu", fmt.Sprintf("VOLT %g", volts))
		d.wait(time.Second)
		return d.b.Truth().Volts["dut.out"] > 1
	}
	for _, c := range []struct {
		volts float64
		runs  bool
	}{{4.1, false}, {4.4, false}, {4.55, true}, {4.4, true}, {4.25, true}, {4.15, false}, {4.4, false}, {4.6, true}} {
		if got := runs(c.volts); got != c.runs {
			t.Errorf("at %g V running is %v, want %v", c.volts, got, c.runs)
		}
	}
}

func TestEveryOperatingPointBalances(t *testing.T) {
	d := sit(t, buoy(t))
	d.say("feed-psu", "CURR 5;VOLT:ALC:SOUR EXT;:OUTP ON")
	d.say("sink", "FUNC CURR;CURR 0;:INP ON")
	for _, vin := range []float64{3, 5, 7, 12, 16, 30, 2} {
		d.say("feed-psu", fmt.Sprintf("VOLT %g", vin))
		for _, amps := range []float64{0, 0.01, 0.3, 1, 2.9} {
			d.say("sink", fmt.Sprintf("CURR %g", amps))
			d.wait(300 * time.Millisecond)
			truth := d.b.Truth()
			if truth.Problem != nil || truth.Balance > 1e-9 {
				t.Errorf("%g V, %g A: balance %g, problem %v", vin, amps, truth.Balance, truth.Problem)
			}
			c := truth.Devices["converter"]
			if math.Abs(c.NetWatts-c.LossWatts) > 1e-9*(1+math.Abs(c.InWatts)) {
				t.Errorf("%g V, %g A: the network puts %g W into the converter, its losses are %g W", vin, amps, c.NetWatts, c.LossWatts)
			}
		}
	}
}

// 5 V behind 0.5 ohm with 2 A at 3.3 V: the loaded input is 4.1765 V (published check value), so that thresholds of 4.5 V and 4.2 V make the
// converter start and stop for ever, and 4.5 V and 3.9 V let it run.
func TestMotorBoating(t *testing.T) {
	for _, c := range []struct {
		stops  float64
		starts bool
	}{{4.2, false}, {3.9, true}} {
		d := rig{sourceWire: ", lead: 0.2495 ohm", source: "output_resistance: 1 mohm, bleeder: 0 ohm, capacitor: 0 F", loadWire: "-out",
			more: fmt.Sprintf("  converter: {kind: buck, in: bus, out: bus-out, set: 3.3 V, input_capacitor: 22 uF, output_capacitor: 44 uF, starts_above: 4.5 V, stops_below: %g V, soft_start: 500 us}\n", c.stops),
		}.build(t)
		d.say("psu", "VOLT 5;CURR 10;:OUTP ON")
		d.wait(50 * time.Millisecond)
		d.say("eload", "CURR 2;:INP ON")
		d.wait(50 * time.Millisecond)
		from := len(d.b.Events())
		d.wait(50 * time.Millisecond)
		changes := 0
		for _, e := range d.b.Events()[from:] {
			if e.Instrument == "converter" && e.Text == "under-voltage lock-out" {
				changes++
			}
		}
		if c.starts {
			near(t, "the loaded input", d.volts("bus"), 4.1765, 2e-4)
			if changes > 0 {
				t.Errorf("with %g V the converter stops %d times", c.stops, changes)
			}
		} else if changes < 3 {
			t.Errorf("with %g V the converter stops %d times in 50 ms, want for ever", c.stops, changes)
		}
	}
}
