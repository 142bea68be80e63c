package hazard_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"fourwire/driver/bench"
	"fourwire/driver/hazard"
)

func ExampleOf() {
	nodes := []hazard.Node{{Name: "dut.in", Volts: 60, Farads: 10e-3, BleederOhm: 1000}}
	for _, n := range hazard.Of(nodes, bench.Touch{CautionVolts: 42, WarnVolts: 60}) {
		fmt.Println(n.Level, n.Title)
	}
	// Output:
	// WARNING voltage
	// CAUTION stored energy
}

// 42 V and 60 V d.c.: usual cautious choices; product committees chose different values, which are not consistent.
func TestTouchLevels(t *testing.T) {
	touch := bench.Touch{CautionVolts: 42, WarnVolts: 60}
	for _, c := range []struct {
		volts float64
		want  string
	}{{12, ""}, {41.9, ""}, {42, "CAUTION"}, {-48, "CAUTION"}, {59.9, "CAUTION"}, {60, "WARNING"}, {-400, "WARNING"}} {
		got := ""
		for _, n := range hazard.Of([]hazard.Node{{Name: "dut.in", Volts: c.volts}}, touch) {
			got += n.Level.String()
		}
		if got != c.want {
			t.Errorf("%g V: %q, want %q", c.volts, got, c.want)
		}
	}
}

// 10 mF at 60 V hold 18 J (C V^2 / 2); 1 kohm takes R C ln(60) = 40.9 s to bring them below 1 V.
func TestStoredEnergy(t *testing.T) {
	if got := hazard.Energy(10e-3, 60); math.Abs(got-18) > 1e-12 {
		t.Errorf("%g J, want 18 J", got)
	}
	if got := hazard.TimeTo(1e3, 10e-3, 60, 1); math.Abs(got-40.943) > 1e-3 {
		t.Errorf("%g s, want 40.943 s", got)
	}
	if got := hazard.TimeTo(1e3, 10e-3, 0.5, 1); got != 0 {
		t.Errorf("%g s for a node that is discharged", got)
	}
	notes := hazard.Of([]hazard.Node{{Name: "a", Volts: 12, Farads: 47e-6}, {Name: "b", Amps: 100, Watts: 300}}, bench.Touch{CautionVolts: 42, WarnVolts: 60})
	var all []string
	for _, n := range notes {
		all = append(all, n.String())
	}
	text := strings.Join(all, "\n")
	for _, want := range []string{"note: 3.4 mJ stay stored at a", "how long it stays there is not known", "CAUTION: up to 100 A at b", "CAUTION: up to 300 W"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is missing in %s", want, text)
		}
	}
	if hazard.Gravest(notes) != hazard.Caution {
		t.Error("the gravest is a caution")
	}
}
