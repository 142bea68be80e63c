package sim_test

import (
	"encoding/binary"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"
)

// quick is a unit with a resistor and a load across it, joined by a trigger line.
const quick = `fourwire: scenario/1
seed: 7
devices:
  lamp: {kind: resistor, plus: bus, resistance: 10 ohm}
instruments:
  smu:
    kind: source-measure-unit
    processing: 0 s
    channels:
      - {slew: 0 V/s, capacitor: 0 F, output_resistance: 10 uohm, settings: {volts: {gain: 0 %}, amps: {gain: 0 %}},
         read_volts: [{full: 20 V}], read_amps: [{full: 3 A}], digitiser: {interval: 1 us, bandwidth: 100 kHz, skew: 0 s, points: 65536}}
  sink:
    kind: load
    processing: 0 s
    channels:
      - {slew: 0 A/s, settings: {amps: {gain: 0 %}}, min_volts: 10 mV, min_resistance: 1 mohm,
         read_volts: [{full: 20 V}], read_amps: [{full: 3 A}]}
  dmm:
    kind: meter
    processing: 0 s
    channels: [{read_volts: [{full: 20 V}]}]
wiring:
  - {channel: smu, node: bus}
  - {channel: sink, node: bus}
  - {channel: dmm, node: bus}
triggers:
  - {from: sink, to: [smu, dmm], line: 1, delay: 2 us, jitter: 0 s}
`

// row fetches what was captured.
func (d desk) row(instrument, word string) []float64 {
	d.t.Helper()
	block := d.ask(instrument, ":FORM REAL,32;:FORM:BORD SWAP;:FETC:ARR:"+word+"?")
	if len(block) < 2 || block[0] != '#' {
		d.t.Fatalf("%s answers %.40q", instrument, block)
	}
	body := block[2+int(block[1]-'0'):]
	if n, _ := strconv.Atoi(block[2 : 2+int(block[1]-'0')]); n != len(body) {
		d.t.Fatalf("the header of the block says %d bytes, %d came", n, len(body))
	}
	var row []float64
	for ; len(body) >= 4; body = body[4:] {
		row = append(row, float64(math.Float32frombits(binary.LittleEndian.Uint32([]byte(body)))))
	}
	return row
}

// send hands a message over without waiting.
func (d desk) send(instrument, message string) {
	d.t.Helper()
	if err := d.link(instrument).Send(example(), []byte(message)); err != nil {
		d.t.Fatal(err)
	}
}

func (d desk) clean(instrument string) {
	d.t.Helper()
	if e := d.ask(instrument, ":SYST:ERR?"); !strings.HasPrefix(e, "0,") {
		d.t.Errorf("%s has the error %s", instrument, e)
	}
}

// A load steps, its list pulses a line, and three instruments take samples or a reading around that: thin path of all of it.
func TestListPulsesALineAndOthersCapture(t *testing.T) {
	d := sit(t, build(t, "quick.yaml", quick))
	d.say("smu", ":SOUR:VOLT 5;:OUTP ON")
	d.say("sink", ":SOUR:CURR 0;:SOUR:LIST:CURR 1,0.5,0;:SOUR:LIST:DWEL 1E-3;:SOUR:LIST:COUN 1;:SOUR:CURR:MODE LIST;:OUTP:TTLT1:SOUR STEP;:OUTP:TTLT1:STAT ON;:INP ON")
	d.send("smu", ":SENS:SWE:TINT 1E-6;:SENS:SWE:POIN 1000;:SENS:SWE:OFFS:POIN -250;:TRIG:SEQ2:SOUR TTLT1;:INIT:SEQ2")
	d.send("dmm", ":SENS:VOLT:APER 2E-4;:SENS:SWE:POIN 1;:TRIG:SEQ2:SOUR TTLT1;:TRIG:SEQ2:COUN 3;:INIT:SEQ2")
	if bits := d.ask("smu", ":STAT:OPER:COND?"); bits != "16" {
		t.Errorf("while the samples before the trigger are taken the condition is %s, want 16", bits)
	}
	d.wait(300 * time.Microsecond)
	if bits := d.ask("smu", ":STAT:OPER:COND?"); bits != "32" {
		t.Errorf("while it waits the condition is %s, want 32", bits)
	}
	d.send("sink", ":INIT:SEQ1")
	if bits := d.ask("sink", ":STAT:OPER:COND?"); bits != "8" {
		t.Errorf("while the list runs the condition is %s, want 8", bits)
	}
	d.ask("sink", "*OPC?")
	if at := d.b.Truth(); math.Abs(at.Channels["sink.1"].Amps) > 1e-4 {
		t.Errorf("after the list the load takes %g A", at.Channels["sink.1"].Amps)
	}
	d.ask("smu", "*OPC?")
	amps := d.row("smu", "CURR")
	if len(amps) != 1000 || len(d.row("smu", "VOLT")) != 1000 {
		t.Fatalf("%d samples", len(amps))
	}
	near(t, "before the step", amps[200], 0.5, 1e-3)
	near(t, "after the step", amps[900], 1.5, 1e-3)
	if row := d.row("dmm", "VOLT"); len(row) != 3 {
		t.Errorf("the meter took %v", row)
	}
	for _, name := range []string{"smu", "sink", "dmm"} {
		d.clean(name)
	}
}

// lsb is the step of the unit's converter: 18 bits over both signs of 110 % of 20 V.
const lsb = 2 * 22.0 / (1 << 18)

// Samples are spot values behind a filter of first order with its corner at 100 kHz: what is missing to the end value falls by exp(-2 pi f T)
// from sample to sample (the step response of an RC low-pass). They are multiples of the converter's step.
func TestSamplesStandBehindTheirFilter(t *testing.T) {
	d := sit(t, build(t, "quick.yaml", quick))
	if got := d.ask("smu", ":SENS:BAND?"); got != "1.00000000E+05" {
		t.Errorf("the bandwidth is %s", got)
	}
	d.say("smu", ":SOUR:VOLT 0;:SOUR:LIST:VOLT 5;:SOUR:LIST:DWEL 1E-3;:SOUR:VOLT:MODE LIST;:OUTP:TTLT2:SOUR STEP;:OUTP:TTLT2:STAT ON;:OUTP ON")
	d.send("smu", ":SENS:SWE:TINT 1E-6;:SENS:SWE:POIN 100;:SENS:SWE:OFFS:POIN -50;:TRIG:SEQ2:SOUR TTLT2;:INIT:SEQ2")
	d.wait(200 * time.Microsecond)
	d.send("smu", ":INIT:SEQ1")
	d.ask("smu", "*OPC?")
	row := d.row("smu", "VOLT")
	ratio := math.Exp(-2 * math.Pi * 100e3 * 1e-6)
	oddSteps := 0
	for k, v := range row {
		oddSteps += int(math.Abs(math.Round(v/lsb))) % 2
		if odd := math.Abs(v/lsb - math.Round(v/lsb)); odd > 1e-2 { // single precision
			t.Fatalf("sample %d, %.9g V, is no multiple of %.9g V", k, v, lsb)
		}
		if k < 48 {
			within(t, "before the step", v, 0, lsb)
		}
		if missing := 5 - v; k >= 53 && k < 60 {
			within(t, "the missing part", (5-row[k+1])/missing, ratio, 2*lsb/missing)
		}
	}
	within(t, "in the end", row[99], 5, 2*lsb)
	if oddSteps == 0 {
		t.Error("all samples are even multiples of the step: it is larger")
	}
}

// The trigger on a level is right to one sample, not better: common practice, no source. The signal is a ramp of 1 mV a sample.
func TestLevelTriggerIsRightToOneSample(t *testing.T) {
	d := sit(t, build(t, "quick.yaml", strings.Replace(quick, "slew: 0 V/s", "slew: 1000 V/s", 1)))
	d.say("smu", ":OUTP ON;:SENS:SWE:TINT 1E-6;:SENS:SWE:POIN 64;:SENS:SWE:OFFS:POIN -32;:TRIG:SEQ2:SOUR VOLT;:TRIG:SEQ2:LEV 2.5")
	least, most := 0.0, 0.0
	for n := range 24 {
		slope, volts := "POS", "5"
		if n%2 == 1 {
			slope, volts = "NEG", "0"
		}
		d.send("smu", ":TRIG:SEQ2:SLOP "+slope+";:INIT:SEQ2")
		d.wait(100 * time.Microsecond)
		if bits := d.ask("smu", ":STAT:OPER:COND?"); bits != "32" {
			t.Errorf("while it waits for the level the condition is %s, want 32", bits)
		}
		d.send("smu", ":SOUR:VOLT "+volts)
		d.ask("smu", "*OPC?")
		row := d.row("smu", "VOLT")
		within(t, slope+": the sample of the trigger", row[32], 2.5, 1.1e-3+lsb)
		least, most = min(least, row[32]-2.5), max(most, row[32]-2.5)
		if rises := row[33] > row[32]; rises != (n%2 == 0) {
			t.Errorf("%s: %.6f V, then %.6f V", slope, row[32], row[33])
		}
	}
	if least > -0.3e-3 || most < 0.3e-3 {
		t.Errorf("the sample of the trigger is off by %g to %g V: it does not jitter", least, most)
	}
	d.clean("smu")
}

// A dip of less than the hysteresis arms nothing; either slope takes what comes.
func TestHysteresisAndEitherSlope(t *testing.T) {
	for _, c := range []struct {
		slope, hysteresis string
		waits             bool // after a dip of 0.1 V below the level and back
	}{{"POS", "0.05", false}, {"POS", "0.2", true}, {"NEG", "0.2", false}, {"NEG", "1.5", true}, {"EITH", "0.2", false}} {
		d := sit(t, build(t, "quick.yaml", quick))
		d.say("smu", ":SOUR:VOLT 4;:OUTP ON;:SENS:SWE:TINT 1E-6;:SENS:SWE:POIN 50;:TRIG:SEQ2:SOUR VOLT;:TRIG:SEQ2:LEV 3;:TRIG:SEQ2:SLOP "+c.slope+";:TRIG:SEQ2:HYST "+c.hysteresis)
		d.wait(time.Millisecond)
		d.send("smu", ":INIT:SEQ2")
		for _, volts := range []string{"2.9", "4"} {
			d.wait(time.Millisecond)
			d.send("smu", ":SOUR:VOLT "+volts)
		}
		d.wait(time.Millisecond)
		if waits := d.ask("smu", ":STAT:OPER:COND?") == "32"; waits != c.waits {
			t.Errorf("slope %s, hysteresis %s V: still waiting is %v", c.slope, c.hysteresis, waits)
		}
	}
}

// The current is sampled later than the voltage by the skew: on a ramp of 1000 V/s across 10 ohm by 1 us, 0.1 mA. Averaged over the samples.
func TestSkewBetweenVoltsAndAmps(t *testing.T) {
	text := strings.Replace(strings.Replace(quick, "slew: 0 V/s", "slew: 1000 V/s", 1), "interval: 1 us, bandwidth: 100 kHz, skew: 0 s", "interval: 2 us, bandwidth: 100 kHz, skew: 1 us, bits: 24", 1)
	d := sit(t, build(t, "quick.yaml", text))
	d.send("smu", ":OUTP ON;:SENS:SWE:TINT 2E-6;:SENS:SWE:POIN 500;:TRIG:SEQ2:SOUR VOLT;:TRIG:SEQ2:LEV 1;:INIT:SEQ2")
	d.send("smu", ":SOUR:VOLT 5")
	d.ask("smu", "*OPC?")
	volts, amps := d.row("smu", "VOLT"), d.row("smu", "CURR")
	sum := 0.0
	for k := range volts {
		sum += amps[k] - volts[k]/10 - volts[k]*0 // the load is off: its input is 300 kohm
		sum -= volts[k] / 300e3
		sum -= volts[k] / 10e6
	}
	within(t, "the current is ahead by", sum/float64(len(volts)), 1e-6*1000/10, 2e-6)
}

// Several triggers fill one buffer, each with its samples before; the delay moves the window.
func TestCountAndDelayOfSamples(t *testing.T) {
	d := sit(t, build(t, "quick.yaml", quick))
	d.send("smu", ":SOUR:VOLT 5;:OUTP ON;:SENS:SWE:TINT 1E-5;:SENS:SWE:POIN 40;:SENS:SWE:OFFS:POIN -20;:TRIG:SEQ2:SOUR TTLT1;:TRIG:SEQ2:COUN 3;:INIT:SEQ2")
	d.wait(time.Millisecond) // for the samples before
	d.wait(time.Millisecond) // for the samples before
	d.say("sink", ":SOUR:LIST:CURR 1,2,0;:SOUR:LIST:DWEL 2E-3;:SOUR:CURR:MODE LIST;:OUTP:TTLT1:STAT ON;:INP ON;:INIT:SEQ1")
	d.ask("smu", "*OPC?")
	row := d.row("smu", "CURR")
	if len(row) != 120 {
		t.Fatalf("%d samples", len(row))
	}
	for k, want := range []float64{0.5, 1.5, 2.5, 0.5} { // before the first step, and behind each
		at := 40*k - 2
		if k == 0 {
			at = 10
		}
		within(t, "the current", row[at], want, 2e-3)
		if k > 0 {
			within(t, "the current before the step", row[40*(k-1)+10], []float64{0.5, 1.5, 2.5}[k-1], 2e-3)
		}
	}
	d.send("smu", ":TRIG:SEQ2:COUN 1;:TRIG:SEQ2:DEL 3E-3;:INIT:SEQ2") // 3 ms behind the first step is the middle of the second
	d.wait(time.Millisecond)
	d.say("sink", ":INIT:SEQ1")
	d.ask("smu", "*OPC?")
	row = d.row("smu", "CURR")
	within(t, "with a delay, at first", row[0], 2.5, 2e-3)
	within(t, "with a delay, in the end", row[39], 2.5, 2e-3)
	d.clean("smu")
}

// One integrated reading at each trigger: a mean over its aperture that begins when the delay is over. On a ramp of 10 V/s that is its middle.
func TestReadingsAtTriggers(t *testing.T) {
	d := sit(t, build(t, "quick.yaml", strings.Replace(quick, "slew: 0 V/s", "slew: 10 V/s", 1)))
	d.say("smu", ":SOUR:VOLT 0;:OUTP ON")
	d.say("dmm", ":SENS:VOLT:APER 2E-2;:SENS:SWE:POIN 1;:TRIG:SEQ2:SOUR BUS;:TRIG:SEQ2:COUN 4;:TRIG:SEQ2:DEL 1E-2;:FORM REAL,32")
	d.send("dmm", ":INIT:SEQ2")
	d.send("smu", ":SOUR:VOLT 5")
	begun := d.b.Truth().At
	var want []float64
	for range 4 {
		d.wait(40 * time.Millisecond)
		want = append(want, 10*((d.b.Truth().At-begun).Seconds()+20e-3)) // the middle is 10 ms + 10 ms behind the trigger
		d.send("dmm", "*TRG")
	}
	d.ask("dmm", "*OPC?")
	row := d.row("dmm", "VOLT")
	if len(row) != 4 {
		t.Fatalf("%d readings", len(row))
	}
	for k := range row {
		within(t, "a reading", row[k], want[k], 2e-4)
	}
	if bits := d.ask("dmm", ":STAT:OPER:COND?"); bits != "0" {
		t.Errorf("in the end the condition is %s", bits)
	}
	if e := d.ask("dmm", ":FETC:ARR:CURR?;:SYST:ERR?"); !strings.HasPrefix(e, "-230") {
		t.Errorf("what was not taken: %s", e)
	}
}

// What real instruments refuse (SCPI-1999 volume 2, error numbers): each message is said to a fresh bench behind what sets the stage.
func TestErrorsOfCapturesAndLists(t *testing.T) {
	const (
		list  = ":SOUR:LIST:VOLT 1,2,0;:SOUR:LIST:DWEL 1E-3;:SOUR:VOLT:MODE LIST;"
		armed = ":SENS:SWE:POIN 100;:TRIG:SEQ2:SOUR BUS;:INIT:SEQ2;"
	)
	for _, c := range []struct{ name, message, want string }{
		{"a capture twice", armed + ":INIT:SEQ2", "-213"},
		{"a recording while a capture is armed", armed + ":TRAC:FEED:CONT ALW", "-221"},
		{"a recording twice", ":TRAC:FEED:CONT ALW;:TRAC:FEED:CONT ALW", "-221"},
		{"a capture while it records", ":TRAC:FEED:CONT ALW;" + armed, "-213"},
		{"a software trigger twice", armed + "*TRG;*TRG", "-211"},
		{"a reading while a capture is armed", armed + ":INIT", "-213"},
		{"a reading at once while a capture is armed", armed + ":MEAS:VOLT?", "-213"},
		{"a range while a capture is armed", armed + ":SENS:VOLT:RANG 2", "-221"},
		{"an interval while a capture is armed", armed + ":SENS:SWE:TINT 1E-3", "-221"},
		{"a trigger that nothing waits for", "*TRG", "-211"},
		{"a trigger of a capture that is not armed", ":TRIG:SEQ2:IMM", "-211"},
		{"a trigger of a list that was not started", ":TRIG:SEQ1", "-211"},
		{"a trigger before its samples before are there", ":SENS:SWE:POIN 100;:SENS:SWE:OFFS:POIN -100;:TRIG:SEQ2:SOUR BUS;:INIT:SEQ2;*TRG", "-211"},
		{"an interval that is too short", ":SENS:SWE:TINT 1E-7", "-222"},
		{"an interval that is too long", ":SENS:SWE:TINT 2", "-222"},
		{"too many samples", ":SENS:SWE:POIN 65537", "-222"},
		{"too many samples in all", ":SENS:SWE:POIN 60000;:TRIG:SEQ2:COUN 2;:INIT:SEQ2", "-221"},
		{"too many readings", ":TRIG:SEQ2:COUN 10001;:INIT:SEQ2", "-221"},
		{"more before than in all", ":SENS:SWE:POIN 100;:SENS:SWE:OFFS:POIN -200;:INIT:SEQ2", "-221"},
		{"samples behind the trigger only, as an offset", ":SENS:SWE:OFFS:POIN 5", "-222"},
		{"nothing captured", ":FETC:ARR:VOLT?", "-230"},
		{"a capture that was given up", armed + ":ABOR;:FETC:ARR:VOLT?", "-230"},
		{"a capture behind a reset", ":SENS:SWE:POIN 2;:INIT:SEQ2;*WAI;*RST;:FETC:ARR:VOLT?", "-230"},
		{"a line that is not there", ":TRIG:SEQ2:SOUR TTLT5", "-141"},
		{"an outlet that is not there", ":OUTP:TTLT5:STAT ON", "-114"},
		{"a list that waits for a level", ":TRIG:SEQ1:SOUR VOLT", "-224"},
		{"a list of nothing", ":SOUR:VOLT:MODE LIST;:INIT:SEQ1", "-221"},
		{"a list that nothing follows", ":SOUR:LIST:VOLT 1;:INIT:SEQ1", "-221"},
		{"a list twice", list + ":INIT:SEQ1;:INIT:SEQ1", "-213"},
		{"a list changed while it runs", list + ":INIT:SEQ1;:SOUR:LIST:VOLT 3", "-221"},
		{"a mode changed while it runs", list + ":INIT:SEQ1;:SOUR:VOLT:MODE FIX", "-221"},
		{"dwell times for another list", list + ":SOUR:LIST:DWEL 1E-3,2E-3;:INIT:SEQ1", "-221"},
		{"steps on a trigger that never comes", list + ":SOUR:LIST:STEP ONCE;:INIT:SEQ1", "-221"},
		{"a level out of reach", ":SOUR:LIST:VOLT 1,99", "-222"},
		{"a step that is too short", ":SOUR:LIST:DWEL 1E-6", "-222"},
		{"too many steps", ":SOUR:LIST:VOLT " + strings.Repeat("1,", 512) + "1", "-223"},
	} {
		d := sit(t, build(t, "quick.yaml", quick))
		d.say("smu", ":SOUR:VOLT 1;:OUTP ON")
		d.send("smu", c.message)
		if got := d.ask("smu", ":SYST:ERR?"); !strings.HasPrefix(got, c.want+",") {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}

// The same bench and commands give the same bytes; another seed another noise.
func TestCapturesAreTheSameEveryTime(t *testing.T) {
	take := func(seed string) string {
		text := strings.Replace(quick, "seed: 7", "seed: "+seed, 1)
		text = strings.Replace(text, "read_volts: [{full: 20 V}], read_amps: [{full: 3 A}], digitiser", "read_volts: [{full: 20 V, noise: 50 uV}], digitiser", 1)
		d := sit(t, build(t, "quick.yaml", strings.Replace(text, "jitter: 0 s", "jitter: 1 us", 1)))
		d.send("smu", ":SOUR:VOLT 5;:OUTP ON;:SENS:SWE:POIN 200;:SENS:SWE:OFFS:POIN -50;:TRIG:SEQ2:SOUR TTLT1;:INIT:SEQ2")
		d.wait(time.Millisecond)
		d.say("sink", ":SOUR:LIST:CURR 1,0;:SOUR:LIST:DWEL 1E-3;:SOUR:CURR:MODE LIST;:OUTP:TTLT1:STAT ON;:INP ON;:INIT:SEQ1")
		return d.ask("smu", ":FORM REAL,32;:FETC:ARR:VOLT?") + d.ask("smu", ":FETC:ARR:CURR?")
	}
	one, again, other := take("3"), take("3"), take("4")
	if one != again {
		t.Error("twice the same gives different bytes")
	}
	if one == other {
		t.Error("another seed gives the same bytes")
	}
}

// The noise of a sample is that of the range over the noise bandwidth of the filter, pi/2 of its corner: sigma = en sqrt(pi/2 f) with
// en = 50 uV sqrt(2 20 ms), since white noise of a mean over an aperture T has the variance en^2/(2 T).
func TestNoiseOfCapturedSamples(t *testing.T) {
	text := strings.Replace(quick, "read_volts: [{full: 20 V}], read_amps: [{full: 3 A}], digitiser", "read_volts: [{full: 20 V, noise: 50 uV, noise_at: 20 ms}], digitiser", 1)
	d := sit(t, build(t, "quick.yaml", text))
	const n = 20000
	d.send("smu", ":SOUR:VOLT 5;:OUTP ON;:SENS:SWE:POIN 20000;:INIT:SEQ2")
	sum, squares := 0.0, 0.0
	for _, v := range d.row("smu", "VOLT") {
		sum, squares = sum+v-5, squares+(v-5)*(v-5)
	}
	sigma := 50e-6 * math.Sqrt(2*20e-3) * math.Sqrt(math.Pi/2*100e3)
	near(t, "the scatter", math.Sqrt(squares/n-sum*sum/n/n), sigma, 4/math.Sqrt(2*n))
	within(t, "the mean", sum/n, 0, 4*sigma/math.Sqrt(n))
}

// An oscillation is in the samples, behind the filter: at its corner frequency 1/sqrt 2 of it (RC low-pass), and it can be counted.
func TestOscillationIsInTheSamples(t *testing.T) {
	text := strings.Replace(quick, "- {channel: smu, node: bus}", "- {channel: smu, node: bus, sense: remote}", 1) +
		"faults: [{kind: oscillation, channel: smu, amplitude: 100 mV, frequency: 100 kHz}]\n"
	d := sit(t, build(t, "quick.yaml", text))
	d.send("smu", ":SOUR:VOLT:ALC:SOUR EXT;:SOUR:VOLT 5;:OUTP ON;:SENS:SWE:POIN 2000;:INIT:SEQ2")
	squares, crossings := 0.0, 0
	row := d.row("smu", "VOLT")
	for k, v := range row {
		squares += (v - 5) * (v - 5)
		if k > 0 && row[k-1] < 5 && v >= 5 {
			crossings++
		}
	}
	near(t, "its amplitude", math.Sqrt(2*squares/float64(len(row))), 0.1/math.Sqrt2, 5e-3)
	if crossings < 199 || crossings > 201 {
		t.Errorf("%d periods in 2 ms, want 200", crossings)
	}
}
