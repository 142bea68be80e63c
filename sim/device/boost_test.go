package device_test

import (
	"errors"
	"math"
	"testing"

	"fourwire/sim/device"
)

// referenceBoost is the step-up converter of the published check values.
func referenceBoost() device.BoostParams {
	return device.BoostParams{
		SetV: 5, SwitchHz: 1e6, InductorH: 2.2e-6, CopperOhm: 50e-3, LowOhm: 80e-3, HighOhm: 100e-3, RiseS: 5e-9, FallS: 5e-9,
		GateC: 6e-9, SwitchF: 100e-12, DeadS: 15e-9, BodyV: 0.7, ControllerA: 1e-3, LimitA: 3, Heat: device.Heat{AmbientC: 25},
	}
}

func newBoost(t testing.TB, change func(*device.BoostParams)) *device.Boost {
	t.Helper()
	p := referenceBoost()
	if change != nil {
		change(&p)
	}
	b, err := device.NewBoost(p)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func boostValue(t *testing.T, given, quantity string) float64 {
	b := newBoost(t, func(p *device.BoostParams) {
		p.LimitA = 10 // one row lies above the reference limit, formula only
	})
	truth, err := b.At(field(t, given, "vin"), field(t, given, "iout"))
	if err != nil {
		t.Fatal(err)
	}
	return map[string]float64{
		"Vo": truth.OutVolts, "Iin": truth.InAmps, "Ploss": truth.LossWatts, "eta": truth.Efficiency, "D": truth.Duty,
		"dI": truth.RippleAmps, "IL": truth.OutAmps / (1 - truth.Duty),
	}[quantity]
}

// Published check values: output current at the 3 A peak limit, and the nose of the voltage gain.
func TestBoostLimits(t *testing.T) {
	b := newBoost(t, nil)
	unlimited := newBoost(t, func(p *device.BoostParams) { p.LimitA = 1000 })
	for _, row := range []struct{ inV, limitA, noseA float64 }{
		{3.7, 1.81413, 4.98542},
		{2.0, 0.893039, 1.49287},
		{1.2, 0.466795, 0.543851},
	} {
		near(t, "output current at the limit", b.MostAmps(row.inV, 5), row.limitA, 4e-6)
		near(t, "nose", unlimited.MostAmps(row.inV, 5), row.noseA, 4e-6)
		if _, err := unlimited.At(row.inV, row.noseA*1.0001); !errors.Is(err, device.ErrOverload) {
			t.Errorf("just past the nose at %g V: error %v", row.inV, err)
		}
		if _, err := b.At(row.inV, row.limitA*0.9999); err != nil {
			t.Errorf("just below the limit at %g V: %v", row.inV, err)
		}
		if _, err := b.At(row.inV, row.limitA*1.0001); !errors.Is(err, device.ErrOverload) {
			t.Errorf("just above the limit at %g V: error %v", row.inV, err)
		}
	}
}

func TestBoostOnABench(t *testing.T) {
	for _, row := range []struct {
		name               string
		inV, loadA         float64
		enabled, connected bool
		wantV              float64
		tolerance          float64
		mode               string
	}{
		{"regulates", 3.7, 0.5, true, true, 5, 2e-5, "PWM"},
		{"passes through above the set point (published: 5.125 V)", 5.2, 0.5, true, true, 5.125, 2e-4, "pass-through"},
		{"its body diode joins output and input when off", 3.7, 0.1, false, true, 3.7 - 0.7 - 0.1*0.15, 2e-4, "disabled"},
		{"disconnects the load when off", 3.7, 0.1, false, false, 0, 1e-6, "disabled"},
	} {
		t.Run(row.name, func(t *testing.T) {
			b := newBoost(t, func(p *device.BoostParams) { p.LoadDisconnect = !row.connected })
			b.Enabled = row.enabled
			s := newBench(row.inV, 10, 1e-3, b)
			s.load.Mode, s.load.Setting = device.HoldAmps, row.loadA
			s.settle(t)
			near(t, "output", s.net.Volts(s.out), row.wantV, row.tolerance)
			if got := b.ModeName(b.Mode()); got != row.mode {
				t.Errorf("mode %s, want %s", got, row.mode)
			}
			truth := b.PointAt(s.net.Volts(s.in), s.net.Volts(s.out))
			near(t, "loss against what the network sees", s.net.Watts(s.dut), truth.LossWatts, 1e-9)
		})
	}
	b := newBoost(t, nil)
	s := newBench(2, 20, 1e-3, b)
	s.load.Mode, s.load.Setting = device.HoldOhms, 5/1.2 // 1.2 A wanted at 5 V, 0.893 A to be had
	s.settle(t)
	if v := s.net.Volts(s.out); !(v > 2 && v < 4.9) {
		t.Errorf("output %g V in current limit, want it between the input and the set point", v)
	}
	if math.IsNaN(s.net.Amps(s.dut)) {
		t.Error("no input current")
	}
}
