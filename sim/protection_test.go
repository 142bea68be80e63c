package sim_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"fourwire/sim/instrument"
)

// guarded is a converter from 12 V to 5 V between an ideal source and an ideal load; MORE are its protections.
const guarded = `fourwire: scenario/1
devices:
  converter: {kind: buck, in: in, out: out, set: 5 V, regulation: 1 mohm, inductor: 4.7 uH, output_capacitor: 100 uF, output_esr: 0 ohm, crossover: 30 kHz, damping: 0.4,
    current_limit: 6 A, soft_start: 1 ms, starts_above: 4.5 V, stops_below: 4.2 V, MORE}
instruments:
  feed: {kind: source-measure-unit, processing: 0 s, channels: [{output_resistance: 10 uohm, capacitor: 0 F, volts: 20 V, amps: 20 A, watts: 0 W, settings: {volts: {gain: 0 %}, amps: {gain: 0 %}}}]}
  sink: {kind: load, processing: 0 s, channels: [{slew: 10 A/us, input_resistance: 1 Mohm, min_volts: 1 mV, min_resistance: 1 mohm, settings: {amps: {gain: 0 %}}}]}
wiring:
  - {channel: feed, node: in}
  - {channel: sink, node: out}
`

func (d desk) start(load string) {
	d.say("feed", ":SOUR:VOLT 12;:OUTP ON")
	d.wait(50 * time.Millisecond)
	d.say("sink", ":SOUR:CURR "+load+";:INP ON")
	d.wait(20 * time.Millisecond)
}

// An over-current protection acts when its level has been exceeded for its delay, and stays off until the input was taken away.
func TestConverterLatchesOffOnOverCurrent(t *testing.T) {
	d := sit(t, build(t, "guarded.yaml", strings.Replace(guarded, "MORE", "over_current: 3 A, over_current_delay: 400 us", 1)))
	d.start("2.9")
	within(t, "below its level", d.volts("out"), 5, 5e-3)
	d.say("sink", ":SOUR:CURR 4")
	d.wait(300 * time.Microsecond)
	d.say("sink", ":SOUR:CURR 1") // shorter than the delay
	d.wait(5 * time.Millisecond)
	within(t, "after a short overload", d.volts("out"), 5, 5e-3)
	since := d.b.Truth().At
	d.say("sink", ":SOUR:CURR 4")
	d.wait(5 * time.Millisecond)
	late := d.last("converter", instrument.Mode, "protection latched") - since
	if late < 400*time.Microsecond || late > 440*time.Microsecond { // the inductor reaches 3 A after some microseconds
		t.Errorf("it latches after %v, want 400 us and the rise of its current", late)
	}
	d.say("sink", ":SOUR:CURR 0")
	d.wait(time.Second)
	if v := d.volts("out"); v > 0.1 {
		t.Errorf("latched, it gives %g V", v)
	}
	d.say("feed", ":SOUR:VOLT 3")
	d.wait(10 * time.Millisecond)
	d.say("feed", ":SOUR:VOLT 12")
	d.wait(50 * time.Millisecond)
	within(t, "after its input was taken away", d.volts("out"), 5, 20e-3) // without a load the overshoot of the start stays
}

// An over-voltage protection sees the overshoot of a load that goes: 3 A off 100 uF at 30 kHz and 0.4 is about 100 mV, and a converter that
// takes no current back stands there until the load has drawn it down: 0.1 A takes 100 uF down by 60 mV in 60 us.
func TestConverterLatchesOffOnOverVoltage(t *testing.T) {
	for _, c := range []struct {
		delay string
		trips bool
	}{{"10 us", true}, {"2 ms", false}} {
		d := sit(t, build(t, "guarded.yaml", strings.Replace(guarded, "MORE", "over_voltage: 5.03 V, over_voltage_delay: "+c.delay, 1)))
		d.start("3.1")
		d.say("sink", ":SOUR:CURR 0.1")
		d.wait(10 * time.Millisecond)
		if tripped := d.volts("out") < 1; tripped != c.trips {
			t.Errorf("delay %s: %g V", c.delay, d.volts("out"))
		}
	}
}

// A short of 10 ms: the converter limits its current, turns off, tries again, and comes back by itself with a soft start.
func TestConverterRecoversFromAShort(t *testing.T) {
	d := sit(t, build(t, "guarded.yaml", strings.Replace(guarded, "MORE", "hiccup: yes, hiccup_after: 200 us, hiccup_off: 4 ms", 1)))
	d.start("1")
	since := d.b.Truth().At
	d.say("sink", ":SOUR:CURR 25")
	d.wait(10 * time.Millisecond)
	if v := d.volts("out"); v > 1 {
		t.Errorf("shorted, it gives %g V", v)
	}
	if off := d.last("converter", instrument.Mode, "hiccup off-time") - since; off < 4*time.Millisecond {
		t.Errorf("the newest off-time begins %v behind the short: it did not try again", off)
	}
	charge := d.b.Truth().Taken["sink.1"].Coulombs
	d.wait(10 * time.Millisecond)
	if mean := (d.b.Truth().Taken["sink.1"].Coulombs - charge) / 10e-3; mean > 1 {
		t.Errorf("the mean current into the short is %g A: hiccup keeps it low", mean)
	}
	d.say("sink", ":SOUR:CURR 1")
	d.wait(20 * time.Millisecond)
	within(t, "after the short", d.volts("out"), 5, 5e-3)
}

// Hold-up: after the input is gone the input capacitor feeds the converter down to its lock-out: t = C (V0^2 - V1^2)/(2 P), the energy of
// a capacitor at constant power (closed form). The power, which is not quite constant, is the mean over V^2 by Simpson's rule.
func TestHoldUpByTheInputCapacitor(t *testing.T) {
	text := strings.Replace(strings.Replace(guarded, "MORE", "input_capacitor: 1000 uF", 1), "starts_above: 4.5 V, stops_below: 4.2 V", "starts_above: 7 V, stops_below: 6.5 V", 1)
	d := sit(t, build(t, "guarded.yaml", text))
	d.start("2")
	perWatt := 0.0
	for _, p := range []struct{ above, weight float64 }{{12, 1}, {9.65, 4}, {6.6, 1}} { // V^2 half way between 6.5 V and 12 V
		for d.b.Truth().Volts["in"] > p.above {
			d.wait(20 * time.Microsecond)
		}
		truth := d.b.Truth().Devices["converter"]
		perWatt += p.weight / 6 / (truth.InVolts * truth.InAmps)
		d.send("feed", ":OUTP OFF")
	}
	d.wait(20 * time.Millisecond)
	took := d.last("converter", instrument.Mode, "under-voltage lock-out") - d.last("feed", instrument.Switched, "off")
	near(t, "hold-up time", took.Seconds(), 1000e-6*(12*12-6.5*6.5)/2*perWatt, 2e-3)
}

// The soft start charges the output evenly: C V/t more than the load takes, 0.5 A here (charge of a capacitor).
func TestSoftStartTakesTheChargeOfTheOutput(t *testing.T) {
	d := sit(t, build(t, "guarded.yaml", strings.Replace(guarded, "MORE", "forced_pwm: yes", 1)))
	d.send("feed", ":SOUR:VOLT 12;:OUTP ON")
	d.wait(500 * time.Microsecond)
	truth := d.b.Truth()
	within(t, "half way", truth.Volts["out"], 2.5, 0.05)
	within(t, "the current into the capacitor", truth.Devices["converter"].OutAmps, 100e-6*5/1e-3, 0.02)
}

// A load's current rises at its slew: 18 us from 0.2 A to 2 A at 0.1 A/us (published check value), and 1 uH in the line drops 0.1 V meanwhile.
func TestSlewOfALoadAcrossAnInductance(t *testing.T) {
	text := strings.Replace(strings.Replace(guarded, "MORE", "enable: yes", 1), "slew: 10 A/us", "slew: 0.1 A/us", 1)
	at := strings.Index(text, "devices:")
	end := strings.Index(text, "instruments:")
	text = text[:at] + "devices:\n  lead: {kind: inductor, plus: in, minus: out, inductance: 1 uH, winding: 1 mohm}\n  damp: {kind: resistor, plus: out, resistance: 100 ohm}\n" + text[end:]
	d := sit(t, build(t, "slew.yaml", text))
	d.say("feed", ":SOUR:VOLT 5;:OUTP ON")
	d.say("sink", ":SOUR:CURR 0.2;:INP ON")
	d.wait(5 * time.Millisecond)
	d.send("sink", ":SOUR:CURR 2")
	d.wait(9 * time.Microsecond)
	within(t, "half way, amps", d.b.Truth().Channels["sink.1"].Amps, 1.1, 1e-3)
	within(t, "half way, volts across the inductance", d.volts("in")-d.volts("out"), 0.1+1.1e-3, 2e-3)
	d.wait(8900 * time.Nanosecond)
	if amps := d.b.Truth().Channels["sink.1"].Amps; amps > 2-5e-3 {
		t.Errorf("after 17.9 us it takes %g A", amps)
	}
	d.wait(200 * time.Nanosecond)
	within(t, "after 18.1 us, amps", d.b.Truth().Channels["sink.1"].Amps, 2, 1e-3)
}

// The ripple of the output in samples: dI (1/(8 f C) + ESR) at the switching frequency (common practice), behind a filter of first order at 1 MHz: 0.894
// of it at 500 kHz, and sampled at 1 us two samples a period; so it is looked at with 400 kHz, where the phase goes round. Pulse skipping has as many
// periods as pulses.
func TestRippleIsInTheSamplesOnly(t *testing.T) {
	text := strings.Replace(guarded, "MORE", "ripple: yes, frequency: 400 kHz", 1)
	text = strings.Replace(text, "output_esr: 0 ohm", "output_esr: 5 mohm", 1)
	text = strings.Replace(text, "wiring:", "  probe: {kind: source-measure-unit, processing: 0 s, channels: [{capacitor: 0 F, read_volts: [{full: 20 V}], digitiser: {interval: 1 us, bandwidth: 1 MHz, points: 60000, bits: 24}}]}\nwiring:\n  - {channel: probe, node: out}", 1)
	d := sit(t, build(t, "ripple.yaml", text))
	for _, load := range []string{"2", "0.02"} {
		d.start(load)
		truth := d.b.Truth().Devices["converter"]
		want, hertz := truth.RippleAmps*(1/(8*400e3*100e-6)+5e-3), 400e3
		if load == "0.02" {
			hertz = truth.PulseHertz
			want = truth.OutAmps/hertz/100e-6 + 0.8*5e-3
		}
		d.send("probe", ":SENS:SWE:POIN 20000;:INIT:SEQ2")
		row := d.row("probe", "VOLT")
		low, high, mean, crossings := row[0], row[0], 0.0, 0
		for _, v := range row {
			low, high, mean = min(low, v), max(high, v), mean+v/float64(len(row))
		}
		for k := 1; k < len(row); k++ {
			if row[k-1] < mean && row[k] >= mean {
				crossings++
			}
		}
		near(t, load+" A: peak to peak", high-low, want/math.Hypot(1, hertz/1e6), 6e-2) // five samples a period miss the tops by up to 5 %
		near(t, load+" A: frequency", float64(crossings)/20e-3, hertz, 1e-2)
		if reading := d.number("probe", ":MEAS:VOLT?"); math.Abs(reading-d.volts("out")) > 1e-3 {
			t.Errorf("%s A: a reading of %g V, truly %g V", load, reading, d.volts("out"))
		}
	}
}
