package device_test

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"

	"fourwire/sim/circuit"
	"fourwire/sim/device"
)

// referenceBuck is the converter of the published check values.
func referenceBuck() device.BuckParams {
	return device.BuckParams{
		SetV: 3.3, RegulationOhm: 2e-3, SwitchHz: 500e3, HighOhm: 30e-3, LowOhm: 20e-3, InductorH: 4.7e-6, CopperOhm: 15e-3,
		OutputF: 44e-6, OutputEsrOhm: 3e-3, RiseS: 8e-9, FallS: 8e-9, GateC: 12e-9, SwitchF: 150e-12, RecoveryC: 10e-9,
		DeadS: 20e-9, BodyV: 0.7, CoreW: 20e-3, CoreByHertz: 1.3, CoreByRipple: 2.3, ControllerA: 1.5e-3, QuiescentA: 30e-6,
		OffA: 1e-6, PulseA: 0.8, MaxDuty: 0.95, LimitA: 4.5, MinOnS: 80e-9, Heat: device.Heat{AmbientC: 25},
	}
}

func referenceLdo() device.LdoParams {
	return device.LdoParams{
		SetV: 3.3, RegulationOhm: 5e-3, PassOhm: 0.35, QuiescentA: 25e-6, GroundPerAmp: 0.004, DropoutA: 2e-3, MostA: 0.6,
		ShortA: 0.25, Heat: device.Heat{AmbientC: 25, KPerWatt: 90, TauSecond: 5}, ShutdownC: 150, RestartC: 130,
	}
}

func referenceDiode() device.Diode {
	return device.Diode{SaturationA: 2.52e-9, Emission: 1.752, SeriesOhm: 0.568, NominalC: 27, Celsius: 27}
}

func newBuck(t testing.TB, change func(*device.BuckParams)) *device.Buck {
	t.Helper()
	p := referenceBuck()
	if change != nil {
		change(&p)
	}
	b, err := device.NewBuck(p)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func newLdo(t testing.TB, change func(*device.LdoParams)) *device.Ldo {
	t.Helper()
	p := referenceLdo()
	if change != nil {
		change(&p)
	}
	r, err := device.NewLdo(p)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// TestPublishedCheckValues compares every row of the published check values that concerns this package.
// The rows have nine digits.
func TestPublishedCheckValues(t *testing.T) {
	seen := map[string]int{}
	for _, row := range readTable(t, "testdata/published-checks.csv") {
		part, given, quantity := row[0], row[1], row[2]
		want := number(t, row[3])
		kind, _, _ := strings.Cut(part, "_")
		seen[kind]++
		t.Run(part+" "+given+" "+quantity, func(t *testing.T) {
			var got float64
			switch kind {
			case "buck":
				got = buckValue(t, given, quantity)
			case "boost":
				got = boostValue(t, given, quantity)
			case "ldo":
				got = ldoValue(t, given, quantity)
			case "diode":
				d := referenceDiode()
				got, _ = d.Current(field(t, given, "V"))
			case "nmos":
				m := device.Mosfet{GainAPerV2: 0.35, ThresholdV: 2.1, LambdaPerV: 0.02, Celsius: 300 - 273.15}
				got, _, _ = m.Drain(field(t, given, "vds"), field(t, given, "vgs"))
			case "bulk":
				got = brownOut(t, field(t, given, "vs"), field(t, given, "P"), field(t, given, "R"), field(t, given, "C"), 1.8)
			default:
				t.Fatalf("no part called %q here", part)
			}
			tolerance := 2e-8
			if kind == "bulk" {
				tolerance = 1e-5 // of a step width of a thousandth of the time
			}
			near(t, quantity, got, want, tolerance)
		})
	}
	for kind, rows := range map[string]int{"buck": 10*17 - 10 - 30, "boost": 7 * 7, "ldo": 30, "diode": 8, "nmos": 12, "bulk": 4} {
		if seen[kind] < rows*3/4 {
			t.Errorf("only %d rows of %s, a part of the table is missing", seen[kind], kind)
		}
	}
}

func buckValue(t *testing.T, given, quantity string) float64 {
	b := newBuck(t, func(p *device.BuckParams) {
		p.LimitA = 6 // the row at 4 A lies above the reference limit of 4.5 A peak
	})
	truth, err := b.At(field(t, given, "vin"), field(t, given, "iout"))
	if err != nil {
		t.Fatal(err)
	}
	mode := map[string]string{"CCM": "PWM", "PFM": "pulse skipping", "DROPOUT": "PWM"}[word(t, given, "mode")]
	if truth.Mode != mode {
		t.Errorf("mode %s, want %s", truth.Mode, mode)
	}
	if dropout := word(t, given, "mode") == "DROPOUT"; dropout != (truth.Limit == device.Dropout) {
		t.Errorf("limit %v in case %s", truth.Limit, given)
	}
	near(t, "sum of the losses", truth.InWatts-truth.OutWatts, truth.Loss.Total(), 1e-9)
	return map[string]float64{
		"Vo": truth.OutVolts, "Pin": truth.InWatts, "Iin": truth.InAmps, "Ploss": truth.LossWatts, "eta": truth.Efficiency,
		"D": truth.Duty, "dI": truth.RippleAmps, "f_pulse": truth.PulseHertz, "P_cond_H": truth.Loss.HighSide,
		"P_cond_L": truth.Loss.LowSide, "P_dcr": truth.Loss.Copper, "P_dead": truth.Loss.DeadTime, "P_sw": truth.Loss.Overlap,
		"P_oss": truth.Loss.Charge, "P_rr": truth.Loss.Recovery, "P_gate": truth.Loss.Gate, "P_core": truth.Loss.Core,
		"P_ctrl": truth.Loss.Controller,
	}[quantity]
}

func ldoValue(t *testing.T, given, quantity string) float64 {
	r := newLdo(t, nil)
	truth, err := r.At(field(t, given, "vin"), field(t, given, "iout"))
	if err != nil {
		t.Fatal(err)
	}
	dropout := 0.0
	if truth.Limit == device.Dropout {
		dropout = 1
	}
	return map[string]float64{
		"Vo": truth.OutVolts, "Ignd": truth.InAmps - truth.OutAmps, "dropout": dropout, "eta": truth.Efficiency,
		"Ploss": truth.LossWatts,
	}[quantity]
}

// brownOut steps a capacitor under constant power from the source voltage down to a threshold and returns the time in s.
func brownOut(t *testing.T, sourceV, watts, ohm, farad, thresholdV float64) float64 {
	const step = 1000 // ns
	p := circuit.NewPowerCapacitor(ohm, farad, step)
	volts := sourceV
	for n := 0; n < 1_000_000; n++ {
		next, ok := p.Next(volts, sourceV, watts)
		if !ok {
			t.Fatal("the capacitor emptied within a step")
		}
		if at, crossed := circuit.Crossing(volts, next, thresholdV, step); crossed {
			return float64(n*step+int(at)) * 1e-9
		}
		volts = next
	}
	t.Fatal("no brown-out")
	return 0
}

func readTable(t *testing.T, name string) [][]string {
	t.Helper()
	file, err := os.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	r := csv.NewReader(file)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows[1:]
}

func number(t *testing.T, text string) float64 {
	t.Helper()
	var x float64
	if _, err := fmt.Sscan(text, &x); err != nil {
		t.Fatalf("%q: %v", text, err)
	}
	return x
}

func word(t *testing.T, given, name string) string {
	t.Helper()
	for _, part := range strings.Fields(given) {
		if value, ok := strings.CutPrefix(part, name+"="); ok {
			return value
		}
	}
	t.Fatalf("%q has no %s", given, name)
	return ""
}

func field(t *testing.T, given, name string) float64 {
	t.Helper()
	return number(t, word(t, given, name))
}

// near complains unless got is want within a relative tolerance (absolute where want is 0).
func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	scale := math.Abs(want)
	if want == 0 {
		scale = 1
	}
	if !(math.Abs(got-want) <= tolerance*scale) {
		t.Errorf("%s is %.9g, want %.9g (off by %.2g)", what, got, want, (got-want)/scale)
	}
}
