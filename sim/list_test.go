package sim_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"fourwire/sim/instrument"
)

// steps are the times and values of what was set on an instrument under a name.
func (d desk) steps(who, what string) (at []time.Duration, values []float64) {
	for _, e := range d.b.Events() {
		if e.Instrument == who && e.Kind == instrument.SetValue && e.Text == what {
			at, values = append(at, e.At), append(values, e.Value)
		}
	}
	return at, values
}

// A list makes its steps at the times that it says, twice, and the last one stays. A fixed level is kept meanwhile; FIX goes to it, ABOR too.
func TestListKeepsItsTimes(t *testing.T) {
	d := sit(t, build(t, "quick.yaml", quick))
	d.say("smu", ":OUTP ON;:SOUR:VOLT 0.5;:SOUR:LIST:VOLT 1,2,3;:SOUR:LIST:DWEL 1E-3,2.5E-4,5E-3;:SOUR:LIST:COUN 2;:SOUR:VOLT:MODE LIST")
	if v := d.volts("bus"); math.Abs(v-0.5) > 1e-3 {
		t.Errorf("before the list starts the node is at %g V, want the fixed 0.5 V", v)
	}
	_, before := d.steps("smu", "volts")
	d.say("smu", ":INIT:SEQ1") // waits until it has ended
	at, values := d.steps("smu", "volts")
	at, values = at[len(before):], values[len(before):]
	want := []time.Duration{0, 1000, 1250, 6250, 7250, 7500} // us
	for k, v := range []float64{1, 2, 3, 1, 2, 3} {
		if len(values) != 6 || math.Abs(values[k]-v) > 1e-12 || at[k]-at[0] != want[k]*time.Microsecond {
			t.Fatalf("steps %v at %v", values, at)
		}
	}
	if took := d.b.Truth().At - at[0]; took != 12500*time.Microsecond {
		t.Errorf("the list has ended after %v, want 12.5 ms", took)
	}
	d.wait(time.Second)
	within(t, "the last step stays", d.volts("bus"), 3, 1e-3)
	d.say("smu", ":SOUR:VOLT 0.7")
	within(t, "a fixed level while the list is followed", d.volts("bus"), 3, 1e-3)
	if got := d.number("smu", ":SOUR:VOLT?"); got != 0.7 {
		t.Errorf("the fixed level is %g", got)
	}
	d.say("smu", ":SOUR:VOLT:MODE FIX")
	within(t, "back to the fixed level", d.volts("bus"), 0.7, 1e-3)
	d.say("smu", ":SOUR:VOLT:MODE LIST")
	d.send("smu", ":INIT:SEQ1")
	d.wait(1100 * time.Microsecond)
	within(t, "in its second step", d.volts("bus"), 2, 1e-3)
	d.say("smu", ":ABOR")
	within(t, "after ABOR", d.volts("bus"), 0.7, 1e-3)
	if bits := d.ask("smu", ":STAT:OPER:COND?"); bits != "0" {
		t.Errorf("after ABOR the condition is %s", bits)
	}
	d.wait(time.Second)
	within(t, "long after ABOR", d.volts("bus"), 0.7, 1e-3)
	d.clean("smu")
}

// Each trigger makes one step: *TRG, TRIG:SEQ1, and a pulse on a line. A reset ends everything.
func TestListStepsOnTriggers(t *testing.T) {
	d := sit(t, build(t, "quick.yaml", quick))
	d.say("smu", ":OUTP ON;:SOUR:LIST:VOLT 1,2,3,0;:SOUR:LIST:STEP ONCE;:SOUR:VOLT:MODE LIST;:TRIG:SEQ1:SOUR BUS")
	d.send("smu", ":INIT:SEQ1")
	for _, c := range []struct {
		message string
		volts   float64
	}{{"*CLS", 0}, {"*TRG", 1}, {":TRIG:SEQ1", 2}, {":TRIG:SEQ1:IMM", 3}} {
		d.send("smu", c.message)
		d.wait(time.Millisecond)
		within(t, c.message, d.volts("bus"), c.volts, 1e-3)
		if bits := d.ask("smu", ":STAT:OPER:COND?"); bits != "8" {
			t.Errorf("%s: the condition is %s, want 8", c.message, bits)
		}
	}
	d.say("smu", "*TRG") // the last step, which ends it
	if bits := d.ask("smu", ":STAT:OPER:COND?"); bits != "0" {
		t.Errorf("behind the last step the condition is %s", bits)
	}
	d.say("smu", ":TRIG:SEQ1:SOUR TTLT1")
	d.send("smu", ":INIT:SEQ1")
	d.say("sink", ":SOUR:LIST:CURR 0.1,0.2;:SOUR:LIST:DWEL 1E-3;:SOUR:CURR:MODE LIST;:OUTP:TTLT1:STAT ON;:INP ON;:INIT:SEQ1")
	within(t, "after two pulses", d.volts("bus"), 2, 1e-3)
	d.say("smu", "*RST")
	if got := d.ask("smu", ":SOUR:VOLT:MODE?;:TRIG:SEQ1:SOUR?;:TRIG:SEQ2:SOUR?;:OUTP:TTLT1:STAT?;:SOUR:LIST:VOLT:POIN?;:SENS:SWE:POIN?;:STAT:OPER:COND?"); got != "FIX;IMM;IMM;0;0;1;0" {
		t.Errorf("after a reset: %s", got)
	}
	d.clean("smu")
}

// The delay of a line and its jitter: steps that one list makes, against those that its pulses make on another instrument.
func TestTriggerLineHasDelayAndJitter(t *testing.T) {
	d := sit(t, build(t, "quick.yaml", strings.Replace(quick, "delay: 2 us, jitter: 0 s", "delay: 5 us, jitter: 3 us", 1)))
	levels := strings.TrimSuffix(strings.Repeat("1,2,", 100), ",")
	d.say("smu", ":SOUR:LIST:VOLT "+levels+";:SOUR:LIST:STEP ONCE;:SOUR:VOLT:MODE LIST;:TRIG:SEQ1:SOUR TTLT1")
	d.send("smu", ":INIT:SEQ1")
	d.say("sink", ":SOUR:LIST:CURR "+levels+";:SOUR:LIST:DWEL 1E-4;:SOUR:CURR:MODE LIST;:OUTP:TTLT1:STAT ON;:INIT:SEQ1")
	d.ask("smu", "*OPC?")
	pulses, _ := d.steps("sink", "amps")
	made, _ := d.steps("smu", "volts")
	if len(pulses) != 200 || len(made) != 200 {
		t.Fatalf("%d pulses, %d steps", len(pulses), len(made))
	}
	least, most, sum := time.Hour, time.Duration(0), time.Duration(0)
	for k := range pulses {
		late := made[k] - pulses[k]
		least, most, sum = min(least, late), max(most, late), sum+late
	}
	if least < 2*time.Microsecond || least > 2200*time.Nanosecond || most > 8*time.Microsecond || most < 7800*time.Nanosecond {
		t.Errorf("delays from %v to %v, want 2 us to 8 us", least, most)
	}
	within(t, "the mean delay", float64(sum/200), 5000, 4*3000/math.Sqrt(3*200)) // evenly spread
}

// A list goes on when nobody is there any more: common knowledge of the trade. A watchdog that is armed ends it with its output.
func TestListGoesOnWithoutItsController(t *testing.T) {
	text := strings.Replace(quick, "kind: source-measure-unit", "kind: source-measure-unit\n    watchdog: yes", 1)
	for _, watched := range []bool{false, true} {
		d := sit(t, build(t, "quick.yaml", text))
		arm := ""
		if watched {
			arm = ":SYST:WATC:TIM 1 S;:SYST:WATC:STAT ON;"
		}
		d.say("smu", arm+":OUTP ON;:SOUR:LIST:VOLT 1,2,3,4,5;:SOUR:LIST:DWEL 0.5;:SOUR:VOLT:MODE LIST")
		d.send("smu", ":INIT:SEQ1")
		if err := d.link("smu").Close(); err != nil {
			t.Fatal(err)
		}
		d.wait(1900 * time.Millisecond)
		want := 4.0
		if watched {
			want = 0
		}
		within(t, "without a controller", d.volts("bus"), want, 1e-2)
		d.wait(10 * time.Second)
		_, values := d.steps("smu", "volts")
		if steps := len(values); watched && steps > 3 || !watched && steps != 5 {
			t.Errorf("watched %v: steps %v", watched, values)
		}
	}
}

// A load's list is bound to its level range and its mode, and a trip ends a list.
func TestListOfALoad(t *testing.T) {
	d := sit(t, build(t, "quick.yaml", quick))
	d.say("smu", ":SOUR:VOLT 5;:OUTP ON")
	d.send("sink", ":SOUR:CURR:RANG 3;:SOUR:LIST:CURR 1,4")
	if e := d.ask("sink", ":SYST:ERR?"); !strings.HasPrefix(e, "-222") {
		t.Errorf("a level above the range: %s", e)
	}
	d.say("sink", ":SOUR:CURR:PROT 1.5;:SOUR:CURR:PROT:STAT ON;:SOUR:LIST:CURR 1,2,0.5,0;:SOUR:LIST:DWEL 1E-2;:SOUR:CURR:MODE LIST;:INP ON")
	d.say("sink", ":INIT:SEQ1")
	if tripped := d.last("sink", instrument.Tripped, "over-current"); tripped == 0 {
		t.Error("it did not trip")
	}
	if _, values := d.steps("sink", "amps"); len(values) != 2 {
		t.Errorf("steps after the trip: %v", values)
	}
	if got := d.b.Truth().Channels["sink.1"].Amps; math.Abs(got) > 1e-3 {
		t.Errorf("after the trip it takes %g A", got)
	}
}

// The source's own digitiser catches its output going on: 116 us from 10 % to 90 %, as of a single pole, whatever the step.
func TestOutputRises(t *testing.T) {
	for _, volts := range []string{"5", "12"} {
		d := sit(t, build(t, "quick.yaml", strings.Replace(quick, "slew: 0 V/s", "rise_time: 116 us", 1)))
		d.send("smu", ":SOUR:VOLT "+volts+";:SENS:SWE:POIN 1000;:SENS:SWE:OFFS:POIN -100;:TRIG:SEQ2:SOUR OUTP;:INIT:SEQ2")
		d.wait(time.Millisecond)
		d.send("smu", ":OUTP ON")
		d.ask("smu", "*OPC?")
		row := d.row("smu", "VOLT")
		top := row[999]
		crossing := func(part float64) float64 {
			for k := 1; k < len(row); k++ {
				if row[k] >= part*top {
					return float64(k-1) + (part*top-row[k-1])/(row[k]-row[k-1])
				}
			}
			return math.NaN()
		}
		near(t, "the rise time in us", crossing(0.9)-crossing(0.1), 116, 5e-3)
		near(t, "the time to one half in us", crossing(0.5)-crossing(0.1), 116*math.Log(0.9/0.5)/math.Log(9), 2e-2)
	}
}

// The answer to a command takes its processing time, then the output its response time, then it moves: three figures.
func TestProcessingAndResponse(t *testing.T) {
	text := strings.NewReplacer("processing: 0 s\n    channels:\n      - {slew: 0 V/s", "processing: CLASS\n    channels:\n      - {slew: 1000 V/s, response_time: 3 ms").Replace(quick)
	for class, want := range map[string]struct{ set, query, on time.Duration }{ // from memory: see FORMAT.md
		"fast":   {300 * time.Microsecond, 200 * time.Microsecond, 500 * time.Microsecond},
		"slow":   {20 * time.Millisecond, 10 * time.Millisecond, 30 * time.Millisecond},
		"1.5 ms": {1500 * time.Microsecond, 1500 * time.Microsecond, 1500 * time.Microsecond},
	} {
		d := sit(t, build(t, "quick.yaml", strings.Replace(text, "CLASS", class, 1)))
		since := d.b.Truth().At
		d.send("smu", ":SOUR:VOLT 5")
		d.ask("smu", ":SOUR:VOLT?")
		if took := d.b.Truth().At - since; took != want.set+want.query {
			t.Errorf("%s: a setting and its query took %v, want %v", class, took, want.set+want.query)
		}
		since = d.b.Truth().At
		d.send("smu", ":OUTP ON")
		moving := want.on + 3*time.Millisecond // then 5 V at 1000 V/s
		d.wait(moving)
		within(t, class+": before the response time is over", d.volts("bus"), 0, 1e-6)
		d.wait(2500 * time.Microsecond)
		within(t, class+": half way", d.volts("bus"), 2.5, 1e-3)
		d.ask("smu", "*OPC?")
		within(t, class+": in the end", d.volts("bus"), 5, 1e-3)
		if took := d.b.Truth().At - since - want.query; took > moving+12500*time.Microsecond {
			t.Errorf("%s: the output was there after %v", class, took)
		}
	}
}
