package device_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"fourwire/sim/circuit"
	"fourwire/sim/device"
)

// Benches with settings from anywhere, one after the other on the same network: each must come to a defined point at
// which energy closes, whatever went before.
func TestBenchesFromAnywhere(t *testing.T) {
	for seed := range uint64(60) {
		random := rand.New(rand.NewPCG(seed, 1))
		buck := newBuck(t, func(p *device.BuckParams) {
			p.RiseLockoutV, p.FallLockoutV = 4.5, 3.9
			p.ForcedPWM = seed%5 == 0
			p.FoldbackShare = []float64{1, 0.4}[seed%2]
			p.MaxDuty = []float64{0.95, 1}[seed%3/2]
		})
		converters := []circuit.TwoPort{buck, newBoost(t, nil), newLdo(t, nil)}
		s := newBench(12, 5, 0.05, converters[seed%3])
		between := func(low, high float64) float64 { return low * math.Pow(high/low, random.Float64()) }
		for step := range 60 {
			s.source.VrefV, s.source.IrefA, s.source.On = between(0.5, 30), between(0.01, 10), random.IntN(10) > 0
			s.source.SinkA = []float64{0, 0.5}[random.IntN(2)]
			s.load.Mode, s.load.On = device.LoadMode(random.IntN(4)), random.IntN(10) > 0
			s.load.Setting = between(1e-3, 50)
			s.load.MaxA, s.load.MaxW = []float64{0, 20}[random.IntN(2)], []float64{0, 60}[random.IntN(2)]
			if err := s.net.SetResistor(s.lead, between(1e-3, 20)); err != nil {
				t.Fatal(err)
			}
			report, err := s.net.Settle()
			if err != nil {
				t.Errorf("seed %d, step %d: %v with source %+v, load %+v, report %+v", seed, step, err, *s.source, *s.load, *report)
				continue
			}
			if off := s.net.Balance().Relative(); off > 1e-9 {
				t.Errorf("seed %d, step %d: powers add up to %g of the whole", seed, step, off)
			}
			if lost := s.net.Watts(s.dut); lost < -1e-9*s.net.Balance().GrossWatts-1e-11 {
				t.Errorf("seed %d, step %d: the converter makes %g W", seed, step, -lost)
			}
		}
	}
}
