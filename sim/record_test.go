package sim_test

import (
	"context"
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"
)

// faultless is a node that is fed by a unit without errors.
func faultless(extra string) string {
	return strings.Replace(strings.Replace(reference, "PERIOD", "2 s\n    jitter: 5 %\n    receive: 10 mA\n    receive_time: 20 ms\n    retry: 30 %", 1),
		"amps: {gain: 0 %}}}", `amps: {gain: 0 %}},
          read_volts: [{full: 20 V}], `+extra+`
          read_amps: [{full: 10 uA, beyond: 105 %}, {full: 1 mA, beyond: 105 %}, {full: 100 mA, beyond: 105 %}, {full: 3 A, beyond: 105 %}]}`, 1)
}

func (d desk) record(instrument, feed string, interval float64) {
	d.t.Helper()
	d.say(instrument, fmt.Sprintf(":FORM REAL,32;:FORM:BORD SWAP;:TRAC:FEED %q;:TRAC:TINT %g;:TRAC:FEED:CONT ALW", feed, interval))
	if e := d.ask(instrument, ":SYST:ERR?"); !strings.HasPrefix(e, "0,") {
		d.t.Fatalf("the recording does not start: %s", e)
	}
}

// drain takes all that waits.
func (d desk) drain(instrument string, most int) (all []samples) {
	d.t.Helper()
	for {
		s := d.fetch(instrument, most, 0)
		if s.count == 0 {
			return all
		}
		all = append(all, s)
	}
}

// totals is the unit's own count.
func (d desk) totals(instrument string) (taken, lost int64, coulombs float64, handovers int64) {
	d.t.Helper()
	f := strings.Split(d.ask(instrument, ":TRAC:TOT?"), ",")
	if len(f) != 4 {
		d.t.Fatalf("totals %q", f)
	}
	taken, _ = strconv.ParseInt(f[0], 10, 64)
	lost, _ = strconv.ParseInt(f[1], 10, 64)
	coulombs, _ = strconv.ParseFloat(f[2], 64)
	handovers, _ = strconv.ParseInt(f[3], 10, 64)
	return taken, lost, coulombs, handovers
}

// The charge of the samples is the charge that the engine has integrated over its own steps, at every interval: no part of a second is
// counted twice or not at all. Both are independent sums over the same solution.
func TestSamplesHoldTheCharge(t *testing.T) {
	for _, interval := range []float64{10e-6, 20e-6, 137e-6, 1e-3, 0.1, 1} {
		d := sit(t, build(t, "exact.yaml", faultless("")))
		d.say("smu", ":SOUR:VOLT 3;:OUTP ON")
		d.wait(500 * time.Millisecond)
		d.record("smu", "CURR,VOLT", interval)
		before := d.b.Truth().Taken["smu.1"]
		seconds := 20.0
		d.wait(time.Duration(math.Round(math.Round(seconds/interval) * interval * 1e9)))
		after := d.b.Truth().Taken["smu.1"]
		d.say("smu", ":TRAC:FEED:CONT NEV")
		charge, energy, count := 0.0, 0.0, int64(0)
		for _, s := range d.drain("smu", 1_000_000) {
			if s.start != count {
				t.Fatalf("an answer starts at %d, want %d", s.start, count)
			}
			count += s.count
			for i := 0; i < len(s.values); i += 2 {
				charge += float64(s.values[i]) * interval
				energy += float64(s.values[i]) * float64(s.values[i+1]) * interval
			}
		}
		want := after.Coulombs - before.Coulombs
		if count != int64(math.Round(seconds/interval)) || math.Abs(charge/want-1) > 1e-7 { // single precision
			t.Errorf("every %g s: %d samples hold %.9g C, the engine says %.9g C", interval, count, charge, want)
		}
		if joules := after.Joules - before.Joules; math.Abs(energy/joules-1) > 1e-4 {
			t.Errorf("every %g s: the samples hold %.9g J, the engine says %.9g J", interval, energy, joules)
		}
		taken, lost, coulombs, _ := d.totals("smu")
		if taken != count || lost != 0 || math.Abs(coulombs/want-1) > 1e-11 {
			t.Errorf("every %g s: the unit counts %d samples, %d lost, %.12g C; want %d, 0, %.12g C", interval, taken, lost, coulombs, count, want)
		}
	}
}

// Each sample is measured in the smallest range that holds it within 105 %, and the changes are those that the unit counts.
func TestSamplesChooseTheirRange(t *testing.T) {
	full := []float64{10e-6, 1e-3, 100e-3, 3}
	d := sit(t, build(t, "exact.yaml", faultless("")))
	d.say("smu", ":SOUR:VOLT 3;:OUTP ON")
	d.wait(500 * time.Millisecond)
	d.record("smu", "CURR", 100e-6)
	d.wait(10 * time.Second)
	d.say("smu", ":TRAC:FEED:CONT NEV")
	changes, last, seen := int64(0), 0, map[int]int{}
	for _, s := range d.drain("smu", 3333) {
		ranges := make([]int, s.count)
		for _, r := range strings.Split(s.runs, ",") {
			at, number, _ := strings.Cut(r, ":")
			from, _ := strconv.Atoi(at)
			k, err := strconv.Atoi(number)
			if err != nil || k < 1 || k > len(full) {
				t.Fatalf("runs %q", s.runs)
			}
			for i := from; i < len(ranges); i++ {
				ranges[i] = k
			}
		}
		for i, k := range ranges {
			v := math.Abs(float64(s.values[i]))
			if v > full[k-1]*1.0501 || k > 1 && v < full[k-2]*1.0499 {
				t.Fatalf("%g A in range %d", v, k)
			}
			seen[k]++
			if last != 0 && k != last {
				changes++
			}
			last = k
		}
	}
	if _, _, _, handovers := d.totals("smu"); handovers != changes || len(seen) != 4 {
		t.Errorf("%d changes of range, the unit counts %d; ranges %v", changes, handovers, seen)
	}
}

// A recording is a pure function of scenario, seed and commands: the cuts between the answers, and how often it was looked at, change nothing.
func TestRecordingDoesNotDependOnItsCuts(t *testing.T) {
	for _, feed := range []string{"CURR", "CURR,VOLT"} {
		cutInTwoWays(t, feed)
	}
}

func cutInTwoWays(t *testing.T, feed string) {
	t.Helper()
	record := func(look func(desk) []samples) (all []float32) {
		d := sit(t, beacon(t))
		d.say("smu-a", ":SOUR:VOLT 3;:SENS:CURR:PROT 0.5;:OUTP ON")
		d.record("smu-a", feed, 1e-3)
		for _, s := range look(d) {
			all = append(all, s.values...)
		}
		d.say("smu-a", ":TRAC:FEED:CONT NEV")
		for _, s := range d.drain("smu-a", 999) {
			all = append(all, s.values...)
		}
		return all
	}
	atOnce := record(func(d desk) []samples { d.wait(70 * time.Second); return nil })
	inPieces := record(func(d desk) (all []samples) {
		for i := range 500 {
			all = append(all, d.fetch("smu-a", 1+i*7%400, 0))
			d.wait(time.Duration(1+i*13%290) * time.Millisecond)
		}
		return all
	})
	if len(atOnce) < 69_000 || len(inPieces) < len(atOnce)/2 {
		t.Fatalf("%d and %d values", len(atOnce), len(inPieces))
	}
	for i := range min(len(atOnce), len(inPieces)) {
		if atOnce[i] != inPieces[i] {
			t.Fatalf("value %d is %g or %g", i, atOnce[i], inPieces[i])
		}
	}
}

// Noise has the density of its range: 5 pA at 20 ms is 22.36 pA at 1 ms and 158.1 pA at 20 us (white noise falls with the root of the
// interval; the floor of 2 pA is small beside it).
func TestNoiseOfSamples(t *testing.T) {
	for _, c := range []struct{ interval, sigma float64 }{{1e-3, 22.36e-12}, {20e-6, 158.1e-12}} {
		d := sit(t, beacon(t))
		d.say("smu-b", ":SOUR:VOLT 3;:OUTP ON") // 0.7 uA in the range of 1 uA
		d.wait(10 * time.Second)
		d.record("smu-b", "CURR", c.interval)
		d.wait(time.Duration(20_000 * c.interval * 1e9))
		s := d.fetch("smu-b", 20_000, 0)
		sum, squares, n := 0.0, 0.0, 0.0
		for _, v := range s.values {
			if x := float64(v) - 0.7e-6; x < 1e-8 { // no tick of the clock
				sum, squares, n = sum+x, squares+x*x, n+1
			}
		}
		if n < 19_900 {
			t.Fatalf("%g of 20000 samples are asleep", n)
		}
		mean := sum / n
		sigma := math.Sqrt(squares/n - mean*mean)
		want := math.Sqrt(c.sigma*c.sigma + 4e-24)
		if math.Abs(sigma/want-1) > 4/math.Sqrt(2*n) { // four standard deviations of a standard deviation
			t.Errorf("every %g s the samples scatter by %g A, want %g A", c.interval, sigma, want)
		}
		if math.Abs(mean) > 0.2e-9+0.7e-6*200e-6+4*want/math.Sqrt(n) { // limits of the scenario
			t.Errorf("every %g s the mean is off by %g A", c.interval, mean)
		}
	}
}

// A full buffer loses the newest samples and says so; indices go on, and an answer ends where the index jumps.
func TestFullBuffer(t *testing.T) {
	d := sit(t, build(t, "exact.yaml", faultless("record_depth: 1000,")))
	d.say("smu", ":SOUR:VOLT 3;:OUTP ON")
	d.record("smu", "CURR", 1e-3)
	if depth := d.ask("smu", ":TRAC:BUFF?"); depth != "1000" {
		t.Errorf("a depth of %s", depth)
	}
	d.wait(2500 * time.Millisecond)
	first := d.fetch("smu", 400, 0)
	d.wait(100 * time.Millisecond)
	second, third := d.fetch("smu", 5000, 0), d.fetch("smu", 5000, 0)
	for _, c := range []struct {
		name        string
		got         samples
		start, many int64
		lost        int64
	}{{"before it was full", first, 0, 400, 1500}, {"up to the gap", second, 400, 600, 1500}, {"behind the gap", third, 2500, 100, 1500}} {
		if c.got.start != c.start || c.got.count != c.many || c.got.lost != c.lost {
			t.Errorf("%s: %d samples from %d, %d lost; want %d from %d, %d", c.name, c.got.count, c.got.start, c.got.lost, c.many, c.start, c.lost)
		}
	}
	if taken, lost, coulombs, _ := d.totals("smu"); taken != 2600 || lost != 1500 || !(coulombs > 3e-3) {
		t.Errorf("the unit counts %d taken, %d lost, %g C", taken, lost, coulombs)
	}
}

func TestRefusalsWhileItRecords(t *testing.T) {
	d := sit(t, build(t, "exact.yaml", faultless("")))
	for _, c := range []struct{ message, want string }{
		{":TRAC:FEED \"VOLT\"", "-224"}, {":TRAC:FEED \"TEMP\"", "-224"}, {":TRAC:TINT 5E-6", "-222"}, {":TRAC:TINT 2", "-222"},
		{":TRAC:TINT 20.5E-6", "-222"}, {":TRAC:RANG:ULIM 4", "-222"}, {":OUTP:IMP 101", "-222"}, {":OUTP:IMP -1", "-222"},
		{":TRAC:TINT 20E-6;:TRAC:RANG:ULIM 0.02;:TRAC:FEED \"CURR,VOLT\";:TRAC:FEED:CONT ALW", "0"},
		{":INIT", "-213"}, {":TRAC:TINT 1E-3", "-221"}, {":TRAC:FEED \"CURR\"", "-221"}, {":TRAC:RANG:ULIM 1", "-221"}, {":TRAC:FEED:CONT ALW", "-221"},
		{":SOUR:VOLT 1;:OUTP ON;:OUTP:IMP 3", "0"}, {":TRAC:FEED:CONT NEV", "0"}, {":INIT", "0"}, {":ABOR", "0"},
		{":TRAC:FEED:CONT ALW", "0"}, {":ABOR", "0"}, {":TRAC:FEED:CONT ALW", "0"}, {"*RST", "0"},
	} {
		d.say("smu", c.message)
		if got, _, _ := strings.Cut(d.ask("smu", ":SYST:ERR?"), ","); got != c.want {
			t.Errorf("%s gives error %s, want %s", c.message, got, c.want)
		}
		if on := d.ask("smu", ":TRAC:FEED:CONT?"); (c.message == ":ABOR" || c.message == "*RST") && on != "NEV" {
			t.Errorf("after %s it records still", c.message)
		}
	}
	d.say("smu", ":TRAC:TINT 2E-5;:TRAC:FEED \"CURR,VOLT\";:TRAC:RANG:ULIM 0.02;:TRAC:FEED:CONT ALW")
	if got := d.ask("smu", ":TRAC:TINT?;:TRAC:FEED?;:TRAC:RANG:ULIM?;:TRAC:FEED:CONT?"); got != `2.00000000E-05;"CURR,VOLT";1.00000000E-01;ALW` {
		t.Errorf("settings %s", got)
	}
	l := d.link("smu")
	ctx, cancel := d.b.Clock().WithTimeout(context.Background(), time.Second)
	defer cancel()
	_ = l.Send(ctx, []byte(":MEAS:CURR?;:SYST:ERR?"))
	if answer, err := l.Receive(ctx, nil); err != nil || !strings.HasPrefix(string(answer), "-213") {
		t.Errorf("a reading while it records: %q %v", answer, err)
	}
}

// An answer that is held comes when the samples are there, not a nanosecond later, and at once when the recording ends; other
// connections work meanwhile.
func TestHeldAnswers(t *testing.T) {
	d := sit(t, build(t, "exact.yaml", faultless("")))
	d.say("smu", ":SOUR:VOLT 3;:OUTP ON")
	d.record("smu", "CURR", 10e-3)
	begin := d.b.Clock().Now()
	if s := d.fetch("smu", 500, 200); s.count != 200 || s.start != 0 {
		t.Errorf("%d samples from %d, want 200", s.count, s.start)
	}
	if took := d.b.Clock().Since(begin); took != 2*time.Second {
		t.Errorf("200 samples of 10 ms took %v", took)
	}
	d.wait(7 * time.Millisecond) // into a sample
	begin = begin.Add(7 * time.Millisecond)
	if s := d.fetch("smu", 3, 3); s.count != 3 || d.b.Clock().Since(begin) != 2*time.Second+23*time.Millisecond {
		t.Errorf("three more samples are there after %v", d.b.Clock().Since(begin))
	}
	begin = begin.Add(23 * time.Millisecond)
	other, err := d.b.Link("smu")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := d.b.Clock().WithTimeout(context.Background(), time.Minute)
	defer cancel()
	if err := d.link("smu").Send(ctx, []byte(":TRAC:DATA? 1000,1000")); err != nil {
		t.Fatal(err)
	}
	d.wait(time.Second)
	_ = other.Send(ctx, []byte("*OPC?"))
	if answer, err := other.Receive(ctx, nil); string(answer) != "1" {
		t.Errorf("another connection: %q %v", answer, err)
	}
	_ = other.Send(ctx, []byte(":TRAC:FEED:CONT NEV"))
	answer, err := d.link("smu").Receive(ctx, nil)
	if err != nil || !strings.HasPrefix(string(answer), "203,100,0,\"") {
		t.Errorf("after the end the held answer is %.40q, %v", answer, err)
	}
	if took := d.b.Clock().Since(begin); took != 3*time.Second {
		t.Errorf("the end took until %v", took)
	}
	if s := d.fetch("smu", 100, 100); s.count != 0 || s.runs != "" || s.start != 303 {
		t.Errorf("behind the end %d samples from %d, ranges %q", s.count, s.start, s.runs)
	}
}

// Beyond the top range a sample is SCPI's infinity, and the unit's count takes it for the end of the range.
func TestOverloadedSamples(t *testing.T) {
	d := sit(t, build(t, "exact.yaml", faultless("")))
	d.say("smu", ":SOUR:VOLT 3;:OUTP ON;:TRAC:RANG:ULIM 1E-3")
	d.record("smu", "CURR", 1e-3)
	d.wait(2 * time.Second)
	beyond := 0
	for _, v := range d.fetch("smu", 10000, 0).values {
		if v > 9e37 {
			beyond++
		} else if v > 1.05e-3 {
			t.Errorf("%g A in a range of 1 mA", v)
		}
	}
	if beyond < 100 || beyond > 300 { // 2+5+20+60+20 ms, and repetitions
		t.Errorf("%d samples are beyond the range", beyond)
	}
	if _, _, coulombs, _ := d.totals("smu"); math.Abs(coulombs-4e-6-float64(beyond)*1.05e-6) > 2e-6 { // 2 uA of sleep, and two samples on the edges
		t.Errorf("the unit counts %g C of %d samples", coulombs, beyond)
	}
}
