package device_test

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"fourwire/sim/device"
)

// Published check values: 5 V behind 0.5 ohm at 2 A loads the input to 4.1765 V; a part with 4.5/4.2 V thresholds never
// starts and cycles for ever, one with 4.5/3.9 V runs.
func TestLockoutThresholds(t *testing.T) {
	for _, row := range []struct {
		fallV   float64
		chatter bool
	}{{4.2, true}, {3.9, false}} {
		buck := newBuck(t, func(p *device.BuckParams) { p.RiseLockoutV, p.FallLockoutV, p.PulseA = 4.5, row.fallV, 0 })
		s := newBench(5, 10, 0.5-1e-3, buck)
		s.load.Setting = 2
		report := s.settle(t)
		if report.Chatter != row.chatter {
			t.Fatalf("thresholds 4.5/%g V: chatter %v, changes %v", row.fallV, report.Chatter, report.Changes)
		}
		if row.chatter {
			want := "chatter: converter goes from under-voltage lock-out to PWM, converter goes from PWM to under-voltage lock-out, and again"
			if text := s.net.Describe(report); text != want {
				t.Errorf("said %q, want %q", text, want)
			}
		}
		near(t, "loaded input", s.net.Volts(s.in), 4.1765, 2e-5)
	}
}

func TestLockoutSweep(t *testing.T) {
	buck := newBuck(t, func(p *device.BuckParams) { p.RiseLockoutV, p.FallLockoutV = 4.5, 3.9 })
	s := newBench(0, 10, 0.05, buck)
	s.load.Mode, s.load.Setting = device.HoldOhms, 33 // 0.1 A: 3 mV of lead drop
	on, off := 0.0, 0.0
	sweep := func(from, to, step float64, found *float64, running bool) {
		for v := from; (to-v)*step >= 0; v += step {
			s.source.VrefV = v
			s.settle(t)
			if (s.net.Volts(s.out) > 1) == running && *found == 0 {
				*found = v
			}
		}
	}
	sweep(0, 6, 0.01, &on, true)
	sweep(6, 3, -0.01, &off, false)
	near(t, "starts at", on, 4.5, 0.01/4.5)
	near(t, "stops at", off, 3.9, 0.02/3.9)
}

// The hand-over lies at 0.3143 A (published); up and down differ by the 10 % hysteresis, and the loss jumps from
// 0.12084 W to 0.14773 W there.
func TestPulseSkippingHandOver(t *testing.T) {
	buck := newBuck(t, nil)
	s := newBench(12, 10, 1e-3, buck)
	up, down := 0.0, 0.0
	for i := 200; i <= 400; i++ {
		s.load.Setting = float64(i) * 1e-3
		s.settle(t)
		if up == 0 && buck.ModeName(buck.Mode()) == "PWM" {
			up = s.load.Setting
		}
	}
	for i := 400; i >= 200; i-- {
		s.load.Setting = float64(i) * 1e-3
		s.settle(t)
		if down == 0 && buck.ModeName(buck.Mode()) == "pulse skipping" {
			down = s.load.Setting
		}
	}
	near(t, "up-sweep hand-over", up, 0.315, 1e-9)
	near(t, "down-sweep hand-over", down, 0.282, 1e-9) // 0.9 x 0.3143
	skip, err1 := buck.AtMode(device.BuckSkip, 12, 0.3143)
	pwm, err2 := buck.AtMode(device.BuckPWM, 12, 0.3143)
	if err1 != nil || err2 != nil {
		t.Fatal(err1, err2)
	}
	near(t, "loss skipping", skip.LossWatts, 0.12084, 1e-4)
	near(t, "loss in PWM", pwm.LossWatts, 0.14773, 1e-4)
}

// Published check value: forced PWM without load takes 0.0109974 A, ripple 1.02240 A.
func TestForcedPWM(t *testing.T) {
	buck := newBuck(t, func(p *device.BuckParams) { p.ForcedPWM = true })
	s := newBench(12, 10, 1e-3, buck)
	s.settle(t)
	truth := buck.PointAt(s.net.Volts(s.in), s.net.Volts(s.out))
	near(t, "input current", truth.InAmps, 0.0109974, 3e-6)
	near(t, "ripple", truth.RippleAmps, 1.02240, 5e-6)
	near(t, "loss", truth.LossWatts, 0.131969, 3e-6)
	near(t, "efficiency", truth.Efficiency, 0, 1e-6)

	// Driven from outside above its set point it sinks, and the power goes back to the input.
	_, out, _ := buck.Currents(12, 3.302)
	near(t, "sinks", out, 1, 1e-9)
}

// The published limit, 3.9802 A, takes the ripple at 3 A of load; with the ripple at the limit itself it is 3.9775 A
// (4.5 A less half of 1.04499 A, between the published ripples at 2 A and 4 A).
func TestCurrentLimit(t *testing.T) {
	buck := newBuck(t, nil)
	at3, err := buck.At(12, 3)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "limit by the ripple at 3 A", 4.5-at3.RippleAmps/2, 3.9802, 5e-6)
	most := buck.MostAmps(12, 3.292)
	near(t, "limit", most, 3.9775, 1e-5)
	if _, err := buck.At(12, most*1.001); !errors.Is(err, device.ErrOverload) {
		t.Errorf("above the limit: %v", err)
	}
	s := newBench(12, 10, 1e-3, buck)
	s.load.Mode = device.HoldOhms
	for _, ohm := range []float64{10, 1, 0.85, 0.8, 0.5, 0.1, 0.05, 0.5, 1, 10} {
		s.load.Setting = ohm
		s.settle(t)
		vin, vout := s.net.Volts(s.in), s.net.Volts(s.out)
		truth := buck.PointAt(vin, vout)
		near(t, "loss against the network", s.net.Watts(s.dut), truth.LossWatts, 1e-9)
		if limited := ohm < 0.82; limited != (truth.Limit == device.CurrentLimit) {
			t.Errorf("into %g ohm: %v at %g V, %g A", ohm, truth.Limit, vout, truth.OutAmps)
		} else if limited {
			near(t, "peak current", truth.OutAmps+truth.RippleAmps/2, 4.5, 1e-9)
		}
	}
}

func TestFoldback(t *testing.T) {
	buck := newBuck(t, func(p *device.BuckParams) { p.FoldbackShare = 0.4 })
	s := newBench(12, 10, 1e-3, buck)
	s.load.Mode, s.load.Setting = device.HoldOhms, 0.04
	s.settle(t)
	truth := buck.PointAt(s.net.Volts(s.in), s.net.Volts(s.out))
	want := 4.5 * (0.4 + 0.6*truth.OutVolts/3.3) // the line of the parameters
	near(t, "peak current", truth.OutAmps+truth.RippleAmps/2, want, 1e-9)
	near(t, "loss against the network", s.net.Watts(s.dut), truth.LossWatts, 1e-9)
}

func TestHundredPercentDuty(t *testing.T) {
	buck := newBuck(t, func(p *device.BuckParams) { p.MaxDuty = 1 })
	s := newBench(5, 10, 1e-3, buck)
	s.load.Setting = 1
	for _, row := range []struct {
		inV  float64
		mode string
		outV float64
	}{
		{5, "PWM", 3.298}, {3.3, "100 % duty", 3.3 - 0.045 - 1e-3}, {5, "PWM", 3.298},
	} {
		s.source.VrefV = row.inV
		s.settle(t)
		if got := buck.ModeName(buck.Mode()); got != row.mode {
			t.Errorf("at %g V: %s, want %s", row.inV, got, row.mode)
		}
		near(t, "output", s.net.Volts(s.out), row.outV, 1e-3)
	}
}

// Published check value: 12 V, 3 A with 40 K/W comes to 47.66 degC, 0.73673 W, efficiency 0.930620 (cold 0.933524).
func TestWarmUp(t *testing.T) {
	buck := newBuck(t, func(p *device.BuckParams) { p.Heat.KPerWatt, p.Heat.TauSecond = 40, 10 })
	cold, err := buck.At(12, 3)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "cold efficiency", cold.Efficiency, 0.933524, 1e-6)
	warm, err := buck.Warm(12, 3)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "temperature", warm.Celsius, 47.66, 2e-4)
	near(t, "loss", warm.LossWatts, 0.73673, 1e-5)
	near(t, "efficiency", warm.Efficiency, 0.930620, 1e-6)

	buck.Celsius = 25 // the same end in time, on the bench
	s := newBench(12, 10, 1e-3, buck)
	s.load.Setting = 3
	for range 200 {
		s.settle(t)
		buck.Advance(time.Second, s.net.Volts(s.in), s.net.Volts(s.out))
	}
	near(t, "temperature after 20 time constants", buck.Celsius, warm.Celsius, 1e-4)

	runaway := newBuck(t, func(p *device.BuckParams) { p.Heat.KPerWatt = 2000 })
	if _, err := runaway.Warm(12, 3.9); !errors.Is(err, device.ErrThermalRunaway) {
		t.Errorf("at 2000 K/W: %v, want thermal runaway", err)
	}
}

func TestHiccup(t *testing.T) {
	buck := newBuck(t, func(p *device.BuckParams) {
		p.Hiccup, p.HiccupTrip, p.HiccupOff = true, time.Millisecond, 20*time.Millisecond
	})
	s := newBench(12, 10, 1e-3, buck)
	s.load.Mode, s.load.Setting = device.HoldOhms, 0.2 // far below 60 % of the set point
	const step = 100 * time.Microsecond
	on, charge := 0, 0.0
	for range 2100 { // ten cycles of 1 ms on and 20 ms off
		s.settle(t)
		if s.net.Volts(s.out) > 0.1 {
			on++
		}
		charge += s.net.Amps(s.dut) * step.Seconds()
		buck.Advance(step, s.net.Volts(s.in), s.net.Volts(s.out))
	}
	if on < 90 || on > 110 {
		t.Errorf("on for %d of 2100 steps, want 100: 1 ms in 21 ms", on)
	}
	if mean := charge / 0.21; !(mean > 0.005 && mean < 0.05) {
		t.Errorf("a slow meter sees %g A", mean)
	}
	s.load.Setting = 10
	for range 300 {
		s.settle(t)
		buck.Advance(step, s.net.Volts(s.in), s.net.Volts(s.out))
	}
	near(t, "output after the overload", s.net.Volts(s.out), 3.3, 1e-3)
}

// Published check value: 44 uF, 3.3 V in 1 ms takes 145.2 mA of extra inductor current.
func TestSoftStart(t *testing.T) {
	buck := newBuck(t, func(p *device.BuckParams) { p.SoftStart = time.Millisecond })
	near(t, "charging current", buck.InrushAmps(), 0.1452, 1e-9)
	buck.Start()
	s := newBench(12, 10, 1e-3, buck)
	s.load.Mode, s.load.Setting = device.HoldOhms, 10
	last := -1.0
	for range 100 {
		s.settle(t)
		if v := s.net.Volts(s.out); v < last {
			t.Fatalf("the output fell from %g V to %g V in the soft start", last, v)
		} else {
			last = v
		}
		buck.Advance(10*time.Microsecond, s.net.Volts(s.in), s.net.Volts(s.out))
	}
	near(t, "reference after 1 ms", buck.ReferenceV, 3.3, 0.02)
}

// Anything at the terminals gives a defined current with slopes that match finite differences away from corners.
func TestConverterIsDefinedEverywhere(t *testing.T) {
	buck := newBuck(t, nil)
	boost := newBoost(t, nil)
	ldo := newLdo(t, nil)
	volts := []float64{-60, -1, -1e-4, 0, 1e-9, 1e-4, 0.3, 2.9, 3.31, 4.7, 12.1, 60}
	for _, dut := range []struct {
		name string
		modal
	}{{"buck", buck}, {"boost", boost}, {"ldo", ldo}} {
		for mode := range 7 {
			dut.SetMode(modeOf(mode))
			for _, v1 := range volts {
				for _, v2 := range volts {
					i1, i2, s := dut.Currents(v1, v2)
					for _, x := range []float64{i1, i2, s.S11, s.S12, s.S21, s.S22} {
						if math.IsNaN(x) || math.IsInf(x, 0) {
							t.Fatalf("%s in %s at %g V, %g V: %g A, %g A, %+v", dut.name, dut.ModeName(modeOf(mode)), v1, v2, i1, i2, s)
						}
					}
					if lost := v1*i1 + v2*i2; lost < -1e-9*(math.Abs(v1*i1)+math.Abs(v2*i2))-1e-12 {
						t.Errorf("%s in %s at %g V, %g V makes %g W from nothing", dut.name, dut.ModeName(modeOf(mode)), v1, v2, -lost)
					}
					checkSlopes(t, dut.name+" in "+dut.ModeName(modeOf(mode)), dut.Currents, v1, v2)
				}
			}
		}
	}
}

func TestParametersAreRefused(t *testing.T) {
	for _, row := range []struct {
		name   string
		change func(*device.BuckParams)
	}{
		{"SetV", func(p *device.BuckParams) { p.SetV = math.NaN() }},
		{"InductorH", func(p *device.BuckParams) { p.InductorH = 0 }},
		{"SwitchHz", func(p *device.BuckParams) { p.SwitchHz = math.Inf(1) }},
		{"GateC", func(p *device.BuckParams) { p.GateC = -1e-9 }},
		{"MaxDuty", func(p *device.BuckParams) { p.MaxDuty = 1.2 }},
		{"FallLockoutV", func(p *device.BuckParams) { p.FallLockoutV = 5 }},
		{"AmbientC", func(p *device.BuckParams) { p.Heat.AmbientC = -300 }},
	} {
		p := referenceBuck()
		row.change(&p)
		_, err := device.NewBuck(p)
		if !errors.Is(err, device.ErrParameter) || !strings.Contains(err.Error(), row.name) {
			t.Errorf("%s: error %v", row.name, err)
		}
	}
	if err := (&device.SourceOutput{VrefV: math.NaN(), RcvOhm: 1e-3}).Validate(); !errors.Is(err, device.ErrParameter) {
		t.Errorf("source at NaN: %v", err)
	}
	if err := (&device.LoadInput{Mode: device.HoldOhms, RminOhm: 0.04}).Validate(); !errors.Is(err, device.ErrParameter) {
		t.Errorf("load of 0 ohm: %v", err)
	}
}

// Closed form: with a shortest on-time of 400 ns the 282 ns of 24 V, 2 A (published duty 0.140917431) are stretched and
// the frequency falls to D/400 ns.
func TestShortestOnTime(t *testing.T) {
	buck := newBuck(t, func(p *device.BuckParams) { p.MinOnS, p.PulseA = 400e-9, 0 })
	truth, err := buck.At(24, 2)
	if err != nil {
		t.Fatal(err)
	}
	const hertz = 0.140917431 / 400e-9
	near(t, "gate loss", truth.Loss.Gate, 12e-9*24*hertz, 1e-8)
	near(t, "recovery loss", truth.Loss.Recovery, 10e-9*24*hertz, 1e-8)
	near(t, "ripple", truth.RippleAmps, (24-2*0.045-3.296)*400e-9/4.7e-6, 1e-8)
	checkSlopes(t, "buck", buck.Currents, 24, 3.296)
}
