package pulse_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"fourwire/analysis/pulse"
)

// A ringing answer (own formula: a damped sine about the final value) under noise, with a shift of about five times the noise: the trough must be
// found with its size, whatever the noise does where the signal first passes its final value.
func TestDroopBesideASmallShiftUnderNoise(t *testing.T) {
	const sd, shift, size, period, decay = 7.5e-3, -37e-3, 0.33, 45.0, 90.0
	outside := 0
	for seed := range uint64(200) {
		noise := rand.New(rand.NewPCG(seed, 1))
		y := make([]float32, 1200)
		lowest := 0.0
		for i := range y {
			v := 0.0
			if n := float64(i - 240); n >= 0 {
				v = shift*(1-math.Exp(-n/decay)*math.Cos(2*math.Pi*n/period)) - size*math.Exp(-n/decay)*math.Sin(2*math.Pi*n/period)
			}
			lowest = min(lowest, v)
			y[i] = float32(3.34 + v + sd*noise.NormFloat64())
		}
		a, err := pulse.AnswerToStep(pulse.Trace[float32]{Samples: y, IntervalSeconds: 2e-6, StartSeconds: -480e-6}, pulse.StepOptions{Band: 30e-3})
		if err != nil {
			t.Fatal(err)
		}
		off := a.Droop.X - (shift - lowest)
		if math.Abs(off) > a.Droop.U {
			outside++
		}
		if !a.Droop.OK() || math.Abs(off) > 0.1*size {
			t.Errorf("seed %d: droop %.4g (U %.2g), want %.4g", seed, a.Droop.X, a.Droop.U, shift-lowest)
		}
	}
	if outside > 20 { // k = 2: 9 of 200 by chance
		t.Errorf("%d of 200 are outside of their U", outside)
	}
}

// An excursion of eight samples, of 2.5 times the noise, is seen wherever it lies among the blocks of eight that the means are made of.
func TestShortExcursionWhereverItLies(t *testing.T) {
	for shift := range 8 {
		noise := rand.New(rand.NewPCG(11, 7))
		y := make([]float32, 2000)
		for i := range y {
			v := 1 + 8e-3*noise.NormFloat64()
			if n := i - 1000 - shift; n >= 0 && n < 8 {
				v -= 25e-3
			}
			y[i] = float32(v)
		}
		a, err := pulse.AnswerToStep(pulse.Trace[float32]{Samples: y, IntervalSeconds: 1e-6}, pulse.StepOptions{AtSeconds: 990e-6, Band: 10e-3})
		if err != nil {
			t.Fatal(err)
		}
		if a.Droop.X < 10e-3 {
			t.Errorf("from sample %d: droop %.3g V (U %.2g), want about 25 mV", 1000+shift, a.Droop.X, a.Droop.U)
		}
	}
}
