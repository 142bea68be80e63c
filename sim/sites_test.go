package sim_test

import (
	"fmt"
	"math"
	"os"
	"strconv"
	"testing"
	"time"
)

// The fixture for two converters: a meter that is joined to both outputs at once shows neither. The converters regulate against each other through both relays, each
// 0.1 ohm: a current flows from the higher to the lower one, worked out by hand from the two outputs before.
func TestBothRelaysClosedSpoilTheReading(t *testing.T) {
	text, err := os.ReadFile("../examples/sites/sites.scenario.yaml")
	if err != nil {
		t.Fatal(err)
	}
	b := build(t, "sites.scenario.yaml", string(text))
	d := sit(t, b)
	wait := func() {
		if err := b.Clock().Sleep(t.Context(), 100*time.Millisecond); err != nil {
			t.Fatal(err)
		}
	}
	read := func() float64 {
		wait()
		v, err := strconv.ParseFloat(d.ask("dmm", "READ?"), 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	for ch := 1; ch <= 2; ch++ {
		d.say("supplies", fmt.Sprintf("SOUR%[1]d:VOLT 12;:SOUR%[1]d:CURR 2;:OUTP%[1]d ON", ch))
	}
	for _, sink := range []string{"sink-east", "sink-west"} {
		d.say(sink, "CURR 1;:INP ON")
	}
	wait()
	if v := b.Truth().Volts["meter.lead"]; math.Abs(v) > 1e-3 {
		t.Errorf("%g V on the lead of the meter with both relays open", v)
	}
	d.say("mux", "ROUT:CLOS (@1)")
	east := read()
	d.say("mux", "ROUT:OPEN (@1);CLOS (@2)")
	west := read()
	if math.Abs(east-5.012) > 0.02 || math.Abs(west-4.968) > 0.02 || east-west < 0.03 {
		t.Fatalf("east %g V, west %g V", east, west)
	}
	d.say("mux", "ROUT:CLOS (@1,2)")
	both := read()
	truth := b.Truth()
	t.Logf("east %.4f V, west %.4f V, both relays closed %.4f V", east, west, both)
	if both > east-0.01 || both < west+0.01 {
		t.Errorf("%g V with both relays closed, between %g V and %g V is expected", both, west, east)
	}
	if amps := (truth.Volts["east.out"] - truth.Volts["west.out"]) / 0.2; amps < 0.05 {
		t.Errorf("%g A flow from one device to the other", amps)
	}
}
