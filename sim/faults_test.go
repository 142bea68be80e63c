package sim_test

import (
	"math"
	"testing"
	"time"
)

// faultBench is a 10 ohm lamp of the buoy behind leads of 50 mohm each, with errors left out so that Ohm's law gives the figures.
const faultBench = `fourwire: scenario/1
devices:
  lamp: {kind: resistor, plus: lamp, resistance: 10 ohm}
  spare: {kind: resistor, plus: spare, resistance: 1 kohm}
instruments:
  psu:
    kind: source
    processing: 0 s
    channels: [{volts: 32 V, amps: 3 A, bleeder: 0 ohm, capacitor: 10 uF, output_resistance: 0.01 mohm, compensation: 2 V, sense_input: 10 Mohm, sense_protection: 10 kohm,
                settings: {volts: {gain: 0 %}, amps: {gain: 0 %}}, read_volts: [{full: 40 V}], read_amps: [{full: 4 A}]}]
  aux: {kind: source, processing: 0 s}
  dmm: {kind: meter, processing: 0 s, channels: [{read_volts: [{full: 100 V, resistance: 10 Mohm}]}]}
  amm: {kind: meter, processing: 0 s, channels: [{read_amps: [{full: 3 A, resistance: 10 mohm}]}]}
wiring:
  - {channel: psu, node: lamp, lead: 50 mohm, sense: remote, sense_lead: 0.1 ohm}
  - {channel: aux, node: spare, lead: 50 mohm, sense: remote, sense_lead: 0.1 ohm}
  - {channel: dmm, node: lamp}
  - {channel: amm, node: lamp, as: ammeter}
`

// What each fault does to the node, by Ohm's law with 5 V set, 10 ohm, 50 mohm a lead, 10 mohm in the ammeter. An open sense lead falls back to its
// own terminal through 10 kohm, which with 10 Mohm across the sense terminals raises the output by about 0.1 % (the ratio of the two).
func TestWiringFaultsDoWhatOhmsLawSays(t *testing.T) {
	fallback := 1 + 10e3/10e6
	leak := 5 * 10 / (10e3 + 10.1) // through the protection of the sense terminal
	for _, c := range []struct {
		name, fault  string
		volts, reads float64 // at the lamp, and what dmm shows
		remote       bool
	}{
		{"no fault, local sense", ``, 5 / (1 + 0.11/10), 5 / (1 + 0.11/10), false},
		{"no fault, remote sense", ``, 5, 5, true},
		{"open sense plus", `{kind: open-sense, channel: psu, conductor: plus}`, 5 * fallback / (1 + 0.06/10), 5 * fallback / (1 + 0.06/10), true},
		{"open sense minus", `{kind: open-sense, channel: psu, conductor: minus}`, 5 * fallback / (1 + 0.05/10), 5 * fallback / (1 + 0.05/10), true},
		{"open sense pair", `{kind: open-sense, channel: psu}`, 5 * (1 + 20e3/10e6) / (1 + 0.11/10), 5 * (1 + 20e3/10e6) / (1 + 0.11/10), true},
		{"reversed sense: up to the compensation, 2 V", `{kind: reversed-sense, channel: psu}`, 7 / (1 + 0.11/10), 7 / (1 + 0.11/10), true},
		{"reversed", `{kind: reversed, channel: psu}`, -5 / (1 + 0.11/10), -5 / (1 + 0.11/10), false},
		{"reversed, its sense pair too: the other sign, and no drop", `{kind: reversed, channel: psu}`, -5, -5, true},
		{"swapped", `{kind: swapped, channel: psu, with: aux}`, 0, 0, false},
		{"open lead", `{kind: open-lead, channel: psu, conductor: plus}`, leak, leak, false},
		{"open line", `{kind: open-lead, channel: amm}`, leak, leak, false},
		{"short", `{kind: short, node: lamp, resistance: 20 mohm}`, 3 * 0.02, 3 * 0.02, false},
		{"lamp gone", `{kind: absent, device: lamp}`, 5, 5, false},
		{"half an ohm in the minus lead", `{kind: lead-resistance, channel: psu, conductor: minus, resistance: 500 mohm}`, 5 / (1 + 0.61/10), 5 / (1 + 0.61/10), false},
		{"source at another node", `{kind: wrong-node, channel: psu, node: spare}`, 0, 0, false},
		{"meter at another node", `{kind: wrong-node, channel: dmm, node: spare}`, 5 / (1 + 0.11/10), 0, false},
		{"meter reversed", `{kind: reversed, channel: dmm}`, 5 / (1 + 0.11/10), -5 / (1 + 0.11/10), false},
		{"meter not connected", `{kind: open-lead, channel: dmm}`, 5 / (1 + 0.11/10), 0, false},
		{"ammeter bypassed", `{kind: bypassed, channel: amm}`, 5 / (1 + (0.1+1/(1/0.01+1/0.005))/10), 5 / (1 + (0.1+1/(1/0.01+1/0.005))/10), false},
	} {
		t.Run(c.name, func(t *testing.T) {
			text := faultBench
			if c.fault != "" {
				text += "faults:\n  - " + c.fault + "\n"
			}
			d := sit(t, build(t, "faults.yaml", text))
			if c.remote {
				d.say("psu", "VOLT:ALC:SOUR EXT")
			}
			d.say("psu", ":VOLT 5;:CURR 3;:OUTP ON")
			d.wait(time.Second)
			within(t, "the lamp", d.volts("lamp"), c.volts, 1e-3)
			within(t, "what the meter shows", d.number("dmm", "MEAS:VOLT?"), c.reads, 2e-3)
		})
	}
}

func TestAnAmmeterThatIsReversedOrBypassed(t *testing.T) {
	for _, c := range []struct {
		fault string
		share float64
	}{{`{kind: reversed, channel: amm}`, -1}, {`{kind: bypassed, channel: amm}`, 0.005 / 0.015}} { // current divider
		d := sit(t, build(t, "faults.yaml", faultBench+"faults:\n  - "+c.fault+"\n"))
		d.say("psu", ":VOLT 5;:CURR 3;:OUTP ON")
		d.say("amm", `:SENS:FUNC "CURR"`)
		d.wait(time.Second)
		within(t, c.fault, d.number("amm", "MEAS:CURR?"), c.share*d.volts("lamp")/10, 1e-3)
	}
}

// Readings scatter by the oscillation as far as their aperture lets it through (sinc of frequency times aperture), and only while the
// output senses remotely.
func TestAnOscillatingOutputScattersShortReadings(t *testing.T) {
	d := sit(t, build(t, "faults.yaml", faultBench+"faults:\n  - {kind: oscillation, channel: psu, amplitude: 100 mV, frequency: 1 kHz}\n"))
	d.say("psu", ":VOLT 5;:CURR 3;:OUTP ON")
	spread := func(aperture string) float64 {
		d.say("dmm", "SENS:VOLT:APER "+aperture)
		d.wait(time.Second)
		var sum, squares float64
		const n = 200
		for range n {
			x := d.number("dmm", "MEAS:VOLT?")
			sum, squares = sum+x, squares+x*x
		}
		return math.Sqrt(max(squares/n-sum*sum/n/n, 0))
	}
	if got := spread("2e-4"); got > 1e-3 {
		t.Errorf("with local sense readings scatter by %g V", got)
	}
	d.say("psu", "VOLT:ALC:SOUR EXT")
	within(t, "0.2 ms", spread("2e-4"), 0.1/math.Sqrt2*math.Sin(0.2*math.Pi)/(0.2*math.Pi), 8e-3)
	within(t, "1.5 ms", spread("1.5e-3"), 0.1/math.Sqrt2/(1.5*math.Pi), 2e-3)
}

func within(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) { // NaN is never right
		t.Errorf("%s is %.6g, want %.6g within %g", what, got, want, tolerance)
	}
}
