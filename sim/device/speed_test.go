package device_test

import (
	"testing"

	"fourwire/sim/device"
)

// DC operating point of a source, a lead, a converter, a lead and an electronic load, from the previous point at
// another setting (warm) and from the open circuit (cold). Promised: under 20 us, no allocation.
func BenchmarkOperatingPoint(b *testing.B) {
	for _, row := range []struct {
		name string
		cold bool
	}{{"warm", false}, {"cold", true}} {
		b.Run(row.name, func(b *testing.B) {
			s := newBench(12, 5, 0.05, newBuck(b, nil))
			settings := [...]float64{0.5, 3, 1, 2.5}
			at := 0
			b.ReportAllocs()
			for b.Loop() {
				if row.cold {
					s.net.Forget()
				}
				s.load.Setting = settings[at&3]
				at++
				if _, err := s.net.Settle(); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkBuckCurrents(b *testing.B) {
	buck := newBuck(b, nil)
	buck.SetMode(modeOf(int(device.BuckPWM)))
	for b.Loop() {
		buck.Currents(12, 3.296)
	}
}

func TestSolvingDoesNotAllocate(t *testing.T) {
	s := newBench(12, 5, 0.05, newBuck(t, nil))
	s.settle(t)
	setting := 0.0
	if n := testing.AllocsPerRun(100, func() {
		setting += 0.04
		s.load.Setting = setting
		if _, err := s.net.Settle(); err != nil {
			t.Fatal(err)
		}
		s.net.Forget()
		if err := s.net.Solve(); err != nil {
			t.Fatal(err)
		}
	}); n > 0 {
		t.Errorf("%g allocations in a solution", n)
	}
}
