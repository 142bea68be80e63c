package sim_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"fourwire/internal/diag"
	"fourwire/sim"
	"fourwire/transport"
)

func (d desk) number(instrument, message string) float64 {
	d.t.Helper()
	text := d.ask(instrument, message)
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		d.t.Fatalf("%s answers %q to %q", instrument, text, message)
	}
	return v
}

// noisy is a meter at a source; the meter's noise is 100 nV per square root of hertz: 0.5 uV at 20 ms.
const noisy = `fourwire: scenario/1
seed: 3
instruments:
  psu:
    kind: source
    processing: 0 s
    channels:
      - {slew: 10 V/s, bleeder: 0 ohm, output_resistance: 10 uohm, settings: {volts: {gain: 0 %}, amps: {gain: 0 %}}}
  dmm:
    kind: meter
    processing: 0 s
    channels:
      - settle_time: 0 s
        range_time: 7 ms
        read_volts:
          - {full: 10 V, beyond: 105 %, noise: 0.5 uV, noise_at: 20 ms}
          - {full: 100 V, resolution: 1 mV, gain: 50 ppm, offset: 2 mV}
wiring:
  - {channel: psu, node: bus}
  - {channel: dmm, node: bus}
`

// Noise falls with the root of the aperture: en of 100 nV per root hertz is 0.5 uV at 20 ms and 3.536 uV at 0.4 ms (published check values).
func TestNoiseAgainstAperture(t *testing.T) {
	for _, c := range []struct{ aperture, sigma float64 }{{20e-3, 0.5e-6}, {0.4e-3, 3.536e-6}} {
		d := sit(t, build(t, "noisy.yaml", noisy))
		d.say("psu", "VOLT 1;CURR 1;:OUTP ON")
		d.wait(2 * time.Second)
		d.say("dmm", fmt.Sprintf("SENS:VOLT:RANG 10;:SENS:VOLT:APER %g", c.aperture))
		const n = 1500
		truth, sum, squares := d.volts("bus"), 0.0, 0.0
		for range n {
			off := d.number("dmm", "READ?") - truth
			sum, squares = sum+off, squares+off*off
		}
		sigma := math.Sqrt(squares/n - sum*sum/n/n)
		if math.Abs(sigma/c.sigma-1) > 4/math.Sqrt(2*n) { // four standard deviations of a standard deviation
			t.Errorf("at %g s the readings scatter by %g V, want %g V", c.aperture, sigma, c.sigma)
		}
		if math.Abs(sum/n) > 4*c.sigma/math.Sqrt(n) {
			t.Errorf("at %g s the mean is off by %g V", c.aperture, sum/n)
		}
	}
}

// A reading is the mean over its aperture: of a ramp of 10 V/s, its middle.
func TestReadingIsTheMeanOfARamp(t *testing.T) {
	d := sit(t, build(t, "noisy.yaml", noisy))
	d.say("dmm", "SENS:VOLT:RANG 10;:SENS:VOLT:APER 0.2")
	link, err := d.b.Link("psu")
	if err != nil {
		t.Fatal(err)
	}
	if err := link.Send(context.Background(), []byte("VOLT 5;:OUTP ON")); err != nil {
		t.Fatal(err)
	}
	d.wait(100 * time.Millisecond) // 1 V
	near(t, "the mean from 1 V to 3 V", d.number("dmm", "READ?"), 2, 1e-4)
}

func TestRangesQuantiseOverloadAndErr(t *testing.T) {
	d := sit(t, build(t, "noisy.yaml", noisy))
	d.say("psu", "VOLT 10.4;CURR 1;:OUTP ON")
	d.wait(3 * time.Second)
	d.say("dmm", "SENS:VOLT:RANG 50")
	if got := d.ask("dmm", "SENS:VOLT:RANG?"); got != "1.00000000E+02" {
		t.Errorf("the range that holds 50 V is %s", got)
	}
	truth := d.volts("bus")
	want := math.Round((truth*(1+50e-6)+2e-3)/1e-3) * 1e-3
	near(t, "the reading with gain, offset and resolution", d.number("dmm", "READ?"), want, 1e-8)
	before := d.b.Truth().At
	d.say("dmm", "SENS:VOLT:RANG 10")
	if took := d.b.Truth().At - before; took != 7*time.Millisecond {
		t.Errorf("the change of range took %v, want 7ms", took)
	}
	near(t, "a reading between full and beyond", d.number("dmm", "READ?"), truth, 1e-6)
	d.say("psu", "VOLT 10.6")
	d.wait(3 * time.Second)
	if got := d.ask("dmm", "READ?"); got != "9.90000000E+37" {
		t.Errorf("overload reads %s", got)
	}
	if got := d.ask("dmm", ":SENS:VOLT:RANG 200;:SYST:ERR?"); !strings.HasPrefix(got, "-222,") {
		t.Errorf("a range that is not there: %s", got)
	}
}

// script is a course of commands on the example bench; order says in which order the meters are read.
func script(t *testing.T, seed uint64, order []string) (log map[string]string) {
	t.Helper()
	var found diag.Findings
	s := sim.Read("buoy", read(t, "../examples/buoy/buoy.scenario.yaml"), &found)
	b, err := sim.New(s, sim.Options{Seed: &seed})
	if err != nil {
		t.Fatal(err)
	}
	links := map[string]transport.Link{}
	for _, name := range b.Instruments() {
		l, err := b.Link(name)
		if err != nil {
			t.Fatal(err)
		}
		links[name] = l
	}
	ctx := context.Background()
	send := func(name, text string) {
		if err := links[name].Send(ctx, []byte(text)); err != nil {
			t.Fatal(err)
		}
	}
	send("feed-psu", "VOLT 12;CURR 3;:OUTP ON")
	_ = b.Clock().Sleep(ctx, 200*time.Millisecond)
	for _, name := range []string{"amm-in", "amm-out"} {
		send(name, `SENS:FUNC "CURR"`)
	}
	_ = b.Clock().Sleep(ctx, 10*time.Millisecond)
	log = map[string]string{}
	for _, amps := range []float64{0.02, 0.5, 2} {
		send("sink", fmt.Sprintf("CURR %g;:INP ON", amps))
		_ = b.Clock().Sleep(ctx, 50*time.Millisecond)
		for _, name := range order {
			send(name, "READ?")
		}
		for _, name := range order {
			msg, err := links[name].Receive(ctx, nil)
			if err != nil {
				t.Fatal(err)
			}
			log[name] += string(msg) + "\n"
		}
	}
	return log
}

func TestSameSeedSameBytesWhateverTheOrder(t *testing.T) {
	one := script(t, 5, []string{"dmm-in", "amm-in", "dmm-out", "amm-out"})
	again := script(t, 5, []string{"dmm-in", "amm-in", "dmm-out", "amm-out"})
	other := script(t, 5, []string{"amm-out", "dmm-out", "amm-in", "dmm-in"})
	seed := script(t, 6, []string{"dmm-in", "amm-in", "dmm-out", "amm-out"})
	for name := range one {
		if one[name] != again[name] {
			t.Errorf("%s, twice the same: %q and %q", name, one[name], again[name])
		}
		if one[name] != other[name] {
			t.Errorf("%s, in another order: %q and %q", name, one[name], other[name])
		}
		if one[name] == seed[name] {
			t.Errorf("%s gives the same with another seed: %q", name, one[name])
		}
	}
}

func TestInstrumentsMeasureAtOnce(t *testing.T) {
	b := buoy(t)
	ctx := context.Background()
	var links []transport.Link
	for _, name := range []string{"dmm-in", "dmm-out", "amm-in", "amm-out"} {
		l, _ := b.Link(name)
		links = append(links, l)
		if err := l.Send(ctx, []byte("SENS:VOLT:APER 0.1;:READ?")); err != nil {
			t.Fatal(err)
		}
	}
	for _, l := range links {
		if _, err := l.Receive(ctx, nil); err != nil {
			t.Fatal(err)
		}
	}
	if at := b.Truth().At; at < 100*time.Millisecond || at > 110*time.Millisecond {
		t.Errorf("four readings of 100 ms took %v", at)
	}
}

func TestLinkGoesAstrayAndComesBack(t *testing.T) {
	b := buoy(t)
	l, err := b.Link("dmm-in")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := b.Clock().WithTimeout(context.Background(), 50*time.Millisecond)
	defer cancel()
	if err := l.Send(ctx, []byte("SENS:VOLT:APER 1;:READ?")); err != nil {
		t.Fatal(err)
	}
	_, err = l.Receive(ctx, nil)
	if !errors.Is(err, transport.ErrTimeout) || !errors.Is(err, context.DeadlineExceeded) {
		t.Fatalf("a reading that takes longer than the deadline: %v", err)
	}
	if at := b.Truth().At; at != 50*time.Millisecond {
		t.Errorf("the deadline passed at %v", at)
	}
	fresh := context.Background()
	if err := l.Send(fresh, []byte("*IDN?")); !errors.Is(err, transport.ErrAstray) {
		t.Errorf("a query on a link that is out of step: %v", err)
	}
	if err := l.Send(fresh, []byte("ABOR")); err != nil {
		t.Errorf("a command on a link that is out of step: %v", err)
	}
	if _, err := l.Receive(fresh, nil); !errors.Is(err, transport.ErrAstray) {
		t.Errorf("a receive on a link that is out of step: %v", err)
	}
	clearer, ok := transport.As[transport.Clearer](l)
	if !ok {
		t.Fatal("no device clear")
	}
	if err := clearer.Clear(fresh); err != nil {
		t.Fatal(err)
	}
	if err := l.Send(fresh, []byte("*IDN?")); err != nil {
		t.Fatal(err)
	}
	if msg, err := l.Receive(fresh, nil); err != nil || string(msg) != "Lakeside,Integrating Meter,S3001,1.1" {
		t.Errorf("after the device clear: %q %v", msg, err)
	}
	if _, err := l.Receive(fresh, nil); !errors.Is(err, transport.ErrTimeout) {
		t.Errorf("a receive without a query and without a deadline: %v", err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if err := l.Send(fresh, []byte("*IDN?")); !errors.Is(err, transport.ErrClosed) {
		t.Errorf("after Close: %v", err)
	}
}

func TestCommandsSentBeforeCloseAreExecuted(t *testing.T) {
	b := buoy(t)
	l, _ := b.Link("feed-psu")
	_ = l.Send(context.Background(), []byte("VOLT 7;:OUTP ON"))
	_ = l.Close()
	_ = b.Clock().Sleep(context.Background(), time.Second)
	if v := b.Truth().Volts["dut.in"]; math.Abs(v-7) > 0.02 {
		t.Errorf("the node is at %g V, want 7", v)
	}
}

func TestHoursPassInNoTime(t *testing.T) {
	d := sit(t, buoy(t))
	d.say("feed-psu", "VOLT 12;CURR 3;:OUTP ON")
	d.say("sink", "CURR 1;:INP ON")
	for range 1000 {
		d.wait(36 * time.Second) // ten hours
	}
	truth := d.b.Truth()
	c := truth.Devices["converter"]
	near(t, "the temperature after ten hours", c.Celsius, 23+28*c.Loss.Silicon(), 1e-4) // 28 K/W
}

// The converter warms up with its time constant of 9 s, and what is read drifts with it.
func TestWarmUpIsSeen(t *testing.T) {
	d := sit(t, buoy(t))
	d.say("feed-psu", "VOLT 12;CURR 3;VOLT:ALC:SOUR EXT;:OUTP ON")
	d.wait(time.Second)
	d.say("sink", "CURR 3;:INP ON")
	d.wait(100 * time.Millisecond)
	cold := d.b.Truth().Devices["converter"]
	d.wait(9 * time.Second)
	half := d.b.Truth().Devices["converter"]
	d.wait(90 * time.Second)
	warm := d.b.Truth().Devices["converter"]
	if cold.Celsius > 24 || cold.Efficiency < warm.Efficiency+0.001 {
		t.Errorf("cold %.2f degC %.5f, warm %.2f degC %.5f", cold.Celsius, cold.Efficiency, warm.Celsius, warm.Efficiency)
	}
	// The losses grow with the temperature, so that the rise is a little slower than the bare time constant.
	near(t, "the rise after a time constant", (half.Celsius-cold.Celsius)/(warm.Celsius-cold.Celsius), 1-math.Exp(-1), 0.05)
}
