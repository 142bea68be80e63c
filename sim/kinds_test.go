package sim_test

import (
	"math"
	"strings"
	"testing"
	"time"
)

// kinds is a bench with the instruments that the example has not: two channels, and four quadrants.
const kinds = `fourwire: scenario/1
devices:
  left: {kind: resistor, plus: a, resistance: 10 ohm}
  right: {kind: resistor, plus: b, resistance: 20 ohm}
  d: {kind: diode, plus: anode, saturation: 2.52 nA, emission: 100 %, series: 0.568 ohm, nominal: 27 degC}
instruments:
  dual:
    kind: source
    processing: 0 s
    channels:
      - {volts: 32 V, amps: 3 A, settings: {volts: {gain: 0 %}, amps: {gain: 0 %}}, read_volts: [{full: 40 V}], read_amps: [{full: 4 A}]}
      - {volts: 32 V, amps: 3 A, settings: {volts: {gain: 0 %}, amps: {gain: 0 %}}, read_volts: [{full: 40 V}], read_amps: [{full: 4 A}]}
  smu:
    kind: source-measure-unit
    processing: 0 s
    channels:
      - {settings: {volts: {gain: 0 %}, amps: {gain: 0 %}}, read_volts: [{full: 20 V}], read_amps: [{full: 1 mA}, {full: 3 A}]}
wiring:
  - {channel: dual.1, node: a}
  - {channel: dual.2, node: b}
  - {channel: smu, node: anode}
`

func TestTwoChannels(t *testing.T) {
	d := sit(t, build(t, "kinds.yaml", kinds))
	d.say("dual", ":SOUR1:VOLT 5;:SOUR1:CURR 3;:SOUR2:VOLT 8;:SOUR2:CURR 0.1;:OUTP1 ON;:OUTP2 ON")
	d.wait(time.Second)
	near(t, "channel 1", d.volts("a"), 5, 1e-3)
	near(t, "channel 2, in current mode", d.volts("b"), 0.1/(1.0/20+1.0/10e3), 1e-5) // output resistance in current mode: 10 kohm
	if got := d.ask("dual", "STAT:QUES:INST:ISUM1:COND?;:STAT:QUES:INST:ISUM2:COND?"); got != "2;1" {
		t.Errorf("channel summaries %s, want 2;1", got)
	}
	if got := d.ask("dual", "STAT:QUES:COND?"); got != "8192" { // bit 13, INSTrument: SCPI-1999 volume 1 chapter 9
		t.Errorf("summary of both: %s", got)
	}
	d.say("dual", "INIT1;:INIT2")
	if got := d.ask("dual", "FETC1:CURR?;:FETC2:CURR?"); !strings.HasPrefix(got, "4.99") && !strings.HasPrefix(got, "5.00") {
		t.Errorf("both currents: %s", got)
	}
	if err := d.link("dual").Send(example(), []byte("OUTP3 ON")); err != nil {
		t.Fatal(err)
	}
	if got := d.ask("dual", "SYST:ERR?"); !strings.HasPrefix(got, "-114,") {
		t.Errorf("a channel that is not there: %s", got)
	}
}

func TestFourQuadrants(t *testing.T) {
	d := sit(t, build(t, "kinds.yaml", kinds))
	d.say("smu", ":SOUR:FUNC VOLT;:SENS:CURR:PROT 0.05;:SOUR:VOLT -5;:OUTP ON")
	d.wait(time.Second)
	near(t, "reverse voltage at the diode", d.volts("anode"), -5, 1e-3)
	if got := d.ask("smu", "STAT:QUES:COND?"); got != "2" {
		t.Errorf("status in voltage mode: %s", got)
	}
	d.say("smu", "VOLT 3")
	d.wait(time.Second)
	if got := d.ask("smu", "STAT:QUES:COND?"); got != "1" {
		t.Errorf("status at the compliance: %s", got)
	}
	near(t, "the compliance current", d.number("smu", "MEAS:CURR?"), 0.05, 1e-3)
	if v := d.volts("anode"); math.Abs(v-0.46) > 0.1 { // n Vt ln(I/Is) + I Rs = 0.435 + 0.028
		t.Errorf("forward voltage %g V", v)
	}
	d.say("smu", "SENS:CURR:RANG 1E-3")
	if got := d.ask("smu", "MEAS:CURR?"); got != "9.90000000E+37" {
		t.Errorf("50 mA in the range of 1 mA reads %s", got)
	}
	d.say("smu", "SENS:CURR:PROT 1E-4;:VOLT -0.2")
	d.wait(time.Second)
	if i := d.b.Truth().Channels["smu.1"].Amps; !(i < 0) {
		t.Errorf("the reverse current is %g A, want one below 0", i)
	}
}

func TestLoadModes(t *testing.T) {
	for _, c := range []struct {
		say        string
		volts, amp float64 // behind 1 ohm of leads from 10 V
	}{
		{"FUNC CURR;CURR 2", 8, 2},
		{"FUNC RES;RES 4", 8, 2},
		{"FUNC VOLT;VOLT 7", 7, 3},
		{"FUNC POW;POW 16", 8, 2},
	} {
		d := rig{sourceWire: ", lead: 0.4995 ohm", load: "min_resistance: 1 mohm"}.build(t)
		d.say("psu", "VOLT 10;CURR 10;:OUTP ON")
		d.wait(time.Second)
		d.say("eload", c.say+";:INP ON")
		d.wait(time.Second)
		near(t, c.say+": volts", d.volts("bus"), c.volts, 2e-3)
		near(t, c.say+": amps", d.b.Truth().Channels["eload.1"].Amps, c.amp, 2e-3)
		if got := d.ask("eload", "STAT:QUES:COND?;:SYST:ERR?"); got != `0;0,"No error"` {
			t.Errorf("%s: status %s", c.say, got)
		}
	}
}

func TestLoadLevelRange(t *testing.T) {
	d := sit(t, buoy(t))
	if got := d.ask("sink", "CURR:RANG 2;:CURR:RANG?"); got != "3.00000000E+00" {
		t.Errorf("the range that holds 2 A is %s", got)
	}
	if got := d.ask("sink", "CURR 4;:SYST:ERR?"); !strings.HasPrefix(got, "-222,") {
		t.Errorf("4 A in the range of 3 A: %s", got)
	}
	if got := d.ask("sink", "CURR:RANG 20;:CURR 4;:CURR?;:FUNC?"); got != "4.00000000E+00;CURR" {
		t.Errorf("4 A in the range of 30 A: %s", got)
	}
}

// Set points that no instrument can take, and leads the wrong way round, end in errors and defined voltages, never in NaN.
func TestNonsenseIsDefined(t *testing.T) {
	d := sit(t, buoy(t))
	for _, message := range []string{"VOLT 9.91E37", "VOLT -1", "CURR 9.9E37", "VOLT 1E400", "VOLT NAN", "VOLT:PROT -5", "OUTP MAYBE"} {
		if err := d.link("feed-psu").Send(example(), []byte(message)); err != nil {
			t.Fatal(err)
		}
		if got := d.ask("feed-psu", "SYST:ERR?"); strings.HasPrefix(got, "0,") {
			t.Errorf("%q is taken", message)
		}
	}
	for name, volts := range d.b.Truth().Volts {
		if math.IsNaN(volts) || math.Abs(volts) > 1e-6 {
			t.Errorf("%s is at %g V", name, volts)
		}
	}
	reversed := sit(t, build(t, "reversed.yaml", `fourwire: scenario/1
devices:
  converter: {kind: buck, in: dut.in, out: dut.out, set: 5 V, input_capacitor: 47 uF, starts_above: 4.5 V, stops_below: 4.2 V}
instruments:
  psu: {kind: source, processing: 0 s}
wiring:
  - {channel: psu, node: ground, against: dut.in, lead: 15 mohm}
`))
	reversed.say("psu", "VOLT 12;CURR 0.1;:OUTP ON")
	reversed.wait(time.Second)
	if v := reversed.volts("dut.in"); v > -1 || v < -2 {
		t.Errorf("the reversed input is at %g V, want about -1.4: two junctions", v)
	}
}
