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
