package device_test

import (
	"testing"
	"time"

	"fourwire/sim/device"
)

// Published check values: the foldback line into resistors.
func TestLdoFoldbackIntoResistors(t *testing.T) {
	for _, row := range []struct{ ohm, volts, amps float64 }{
		{5, 2.66129, 0.532258}, {3, 1.1, 0.366667}, {1, 0.279661, 0.279661}, {0.1, 0.025268, 0.25268},
	} {
		s := newBench(5, 5, 1e-3, newLdo(t, nil))
		s.load.Mode, s.load.Setting, s.load.RminOhm = device.HoldOhms, row.ohm, 1e-3
		s.settle(t)
		near(t, "output", s.net.Volts(s.out), row.volts, 2e-5)
		near(t, "current", s.net.Amps(s.tap), row.amps, 2e-5)
	}
}

// Published: a 0.4 A current sink crosses the foldback line at 1.41429 V; from rest the output stays at 0 V, while the
// same part starts into 10 ohm. A part that is already up stays up: history decides.
func TestLdoStartUpLock(t *testing.T) {
	ldo := newLdo(t, nil)
	near(t, "foldback line", ldo.MostAmps(1.41429), 0.4, 2e-6)
	s := newBench(5, 5, 1e-3, ldo)
	s.load.RminOhm = 0.01
	s.load.Mode, s.load.Setting = device.HoldOhms, 10
	ldo.SetMode(modeOf(int(device.LdoOn)))
	if err := s.net.SolveLow(); err != nil {
		t.Fatal(err)
	}
	near(t, "into 10 ohm from rest", s.net.Volts(s.out), 3.3*10/10.005, 1e-4)

	s.load.Mode, s.load.Setting = device.HoldAmps, 0.4
	s.settle(t)
	near(t, "0.4 A from an output that is up", s.net.Volts(s.out), 3.298, 1e-5)
	if err := s.net.SolveLow(); err != nil {
		t.Fatal(err)
	}
	if v := s.net.Volts(s.out); v > 0.01 {
		t.Errorf("0.4 A from rest comes up to %g V, want it locked at 0 V", v)
	}
	s.settle(t)
	if v := s.net.Volts(s.out); v > 0.01 {
		t.Errorf("the lock was forgotten: %g V", v)
	}
	near(t, "balance", s.net.Balance().Relative(), 0, 1e-9)
}

// Published: 12 V, 0.15 A: 1.3125 W, 143.1 degC. 12 V, 0.3 A trips after 3.766 s, then cycles 0.8268 s on and 0.8718 s off.
func TestLdoThermalCycle(t *testing.T) {
	ldo := newLdo(t, nil)
	truth, err := ldo.At(12, 0.15)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "loss", truth.LossWatts, 1.3125, 1e-3)
	near(t, "temperature", ldo.Heat.Steady(truth.LossWatts), 143.1, 1e-3)

	s := newBench(12, 5, 1e-3, ldo)
	s.load.Mode, s.load.Setting = device.HoldOhms, 3.2985/0.3 // a 0.3 A current sink would lock the restart
	const step = 200 * time.Microsecond
	var edges []time.Duration
	was := true
	for at := time.Duration(0); at < 8*time.Second && len(edges) < 3; at += step {
		s.settle(t)
		on := ldo.Mode() == modeOf(int(device.LdoOn))
		if on != was {
			edges, was = append(edges, at), on
		}
		ldo.Advance(step, s.net.Volts(s.in), s.net.Volts(s.out))
	}
	if len(edges) < 3 {
		t.Fatalf("edges %v", edges)
	}
	near(t, "first trip", edges[0].Seconds(), 3.766, 2e-3)
	near(t, "off-time", (edges[1] - edges[0]).Seconds(), 0.8718, 2e-3)
	near(t, "on-time", (edges[2] - edges[1]).Seconds(), 0.8268, 2e-3)
}
