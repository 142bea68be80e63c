package device_test

import (
	"errors"
	"fmt"
	"math"
	"testing"

	"fourwire/sim/device"
)

// cell21700 is the cell of the published check values: a measured open-circuit curve, 5 Ah, 30 mohm, 15 mohm with 30 s, 10 mohm with 600 s.
func cell21700(t *testing.T) *device.Battery {
	t.Helper()
	var curve device.Curve
	for _, row := range readTable(t, "testdata/cell/ocv-21700.csv") {
		curve = append(curve, device.Point{X: number(t, row[0]), Y: number(t, row[1])})
	}
	b, err := device.NewBattery(device.BatteryParams{
		CapacityC: 5 * 3600, StartCharge: 1, OpenV: curve, SeriesOhm: 30e-3, Pairs: [2]device.BatteryPair{{Ohm: 15e-3, TauSecond: 30}, {Ohm: 10e-3, TauSecond: 600}},
	})
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// Discharges down to 2.8 V are published check values, computed by an independent program in steps of the same length.
func TestBatteryDischarge(t *testing.T) {
	for _, c := range []struct {
		amps, watts, step  float64
		seconds, ah, wh    float64
		secondsOff, energy float64 // allowed
	}{
		{amps: 0.5, step: 1, seconds: 35646, ah: 4.95083333, wh: 18.2854085},
		{amps: 2.5, step: 0.1, seconds: 7072.8, ah: 4.91166667, wh: 17.6439303},
		{amps: 5, step: 0.1, seconds: 3479.8, ah: 4.83305556, wh: 16.7868304},
		{amps: 10, step: 0.1, seconds: 1590.8, ah: 4.41888889, wh: 14.4699967},
		{watts: 10, step: 0.1, seconds: 6296.8, ah: 4.88600942, wh: 17.4911111},
		{watts: 40, step: 0.1, seconds: 1058.5, ah: 3.63258546, wh: 11.7611111},
	} {
		b := cell21700(t)
		current := func() float64 {
			if c.watts > 0 {
				amps, ok := b.PowerAmps(c.watts)
				if !ok {
					return math.NaN()
				}
				return amps
			}
			return c.amps
		}
		b.Take(current())
		steps, charge, energy := 0, 0.0, 0.0
		for ; ; steps++ {
			b.Aim(c.step)
			amps := current()
			volts := b.Volts(amps)
			if !(volts >= 2.8) {
				break
			}
			charge, energy = charge+amps*c.step, energy+amps*volts*c.step
			b.Take(amps)
		}
		name := fmt.Sprintf("%g A %g W", c.amps, c.watts)
		if got := float64(steps) * c.step; math.Abs(got-c.seconds) > 1.01*c.step {
			t.Errorf("%s: 2.8 V after %g s, want %g s", name, got, c.seconds)
		}
		if math.Abs(charge/3600/c.ah-1) > 1e-4 || math.Abs(energy/3600/c.wh-1) > 1e-4 {
			t.Errorf("%s: %.8g Ah and %.8g Wh, want %g Ah and %g Wh", name, charge/3600, energy/3600, c.ah, c.wh)
		}
	}
}

// Pulse resistances and the most power are published check values: 30 mohm at 1 ms, 34.417 mohm at 10 s, 55 mohm at last; 146.60 W at
// half of the voltage.
func TestBatteryPulseResistance(t *testing.T) {
	for _, c := range []struct{ seconds, mohm, within float64 }{{1e-3, 30, 0.01}, {10, 34.417, 5e-3}} {
		b := cell21700(t)
		b.Take(0)
		open := b.Volts(0)
		b.Take(1)
		b.Aim(c.seconds)
		drop := open - b.Volts(1)
		slope := open - func() float64 { b.Take(1); return b.OpenCircuit() }() // what the charge that is gone takes away
		if got := (drop - slope) * 1e3; math.Abs(got-c.mohm) > c.within {
			t.Errorf("after %g s it is %.4f mohm, want %g", c.seconds, got, c.mohm)
		}
	}
	b := cell21700(t)
	if _, ok := b.PowerAmps(146.55); !ok {
		t.Error("it cannot give 146.55 W")
	}
	if _, ok := b.PowerAmps(146.65); ok {
		t.Error("it gives 146.65 W")
	}
}

// The pulse of 1 A for 100 s and the recovery behind it, against ngspice 39.3; its edges take 1 ms.
func TestBatteryPulseAgainstSpice(t *testing.T) {
	want := spiceResults(t, "battery-pulse")
	b, err := device.NewBattery(device.BatteryParams{
		CapacityC: 1e12, StartCharge: 0.5, OpenV: device.Curve{{X: 0, Y: 3.6999999}, {X: 1, Y: 3.7000001}}, SeriesOhm: 50e-3,
		Pairs: [2]device.BatteryPair{{Ohm: 20e-3, TauSecond: 20}, {Ohm: 30e-3, TauSecond: 600}},
	})
	if err != nil {
		t.Fatal(err)
	}
	now := 0.0
	to := func(at, amps float64) {
		for _, half := range []float64{(at - now) / 2, (at - now) / 2} { // the length of a step does not matter
			b.Aim(half)
			b.Take(amps)
		}
		now = at
	}
	for _, c := range []struct {
		name     string
		at, amps float64
	}{{"v_before", 9.9, 0}, {"", 10, 0}, {"", 10.001, 1}, {"v_10s1", 10.1, 1}, {"v_30s", 30, 1}, {"v_end", 109.9, 1}, {"", 110.001, 1}, {"", 110.002, 0},
		{"v_rec", 110.1, 0}, {"v_200s", 200, 0}, {"v_1000s", 999.9, 0}} {
		to(c.at, c.amps)
		if got := b.Volts(c.amps); c.name != "" && math.Abs(got-want[c.name]) > 3e-6 {
			t.Errorf("%s: %.7f V, ngspice says %.7f V", c.name, got, want[c.name])
		}
	}
}

// Beyond empty the voltage falls on; beyond full it stays. The resistance in the cold is a published check value: 2.52 times at 0 degC
// for 25 kJ/mol.
func TestBatteryBeyondItsEnds(t *testing.T) {
	b := cell21700(t)
	b.Charge = -0.01
	if v := b.OpenCircuit(); v >= 2.51987 || v < 0 {
		t.Errorf("over-discharged it has %g V", v)
	}
	b.Charge = 1.1
	full := b.OpenV[len(b.OpenV)-1].Y
	if v := b.OpenCircuit(); v != full {
		t.Errorf("over-charged it has %g V, want %g V", v, full)
	}
	b.ActivationJ, b.Celsius = 25e3, 0
	if factor := b.Resistance() / 30e-3; math.Abs(factor-2.52) > 0.005 {
		t.Errorf("at 0 degC the resistance is %g times that at 25 degC", factor)
	}
}

func TestBatteryParameters(t *testing.T) {
	for _, name := range device.Chemistries() {
		p, ok := device.Chemistry(name)
		if err := p.Validate(); err != nil || !ok {
			t.Errorf("%s: %v", name, err)
		}
		for what, spoil := range map[string]func(*device.BatteryParams){
			"no capacity":        func(p *device.BatteryParams) { p.CapacityC = 0 },
			"more than full":     func(p *device.BatteryParams) { p.StartCharge = 1.1 },
			"no resistance":      func(p *device.BatteryParams) { p.SeriesOhm = 0 },
			"one point":          func(p *device.BatteryParams) { p.OpenV = p.OpenV[:1] },
			"a falling curve":    func(p *device.BatteryParams) { p.OpenV = device.Curve{{X: 0, Y: 3}, {X: 1, Y: 2}} },
			"recover below":      func(p *device.BatteryParams) { p.CutoffV, p.RecoverV = 3, 2.9 },
			"a pair of no time":  func(p *device.BatteryParams) { p.Pairs[0].TauSecond = 0 },
			"not a number":       func(p *device.BatteryParams) { p.LeakPerYear = math.NaN() },
			"a negative cut-off": func(p *device.BatteryParams) { p.CutoffV = -1 },
		} {
			bad := p
			spoil(&bad)
			if err := bad.Validate(); !errors.Is(err, device.ErrParameter) {
				t.Errorf("%s with %s: %v", name, what, err)
			}
		}
	}
}
