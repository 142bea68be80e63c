package pulse_test

import (
	"math/rand/v2"
	"testing"

	"fourwire/analysis/pulse"
)

const million = 1 << 20

// long is a trace of a million samples with a hundred pulses and noise.
func long[T pulse.Sample]() pulse.Trace[T] {
	r := rand.New(rand.NewPCG(1, 1))
	f := trapezoid(0.02, 0.4, 0.04, 1)
	tr := pulse.Trace[T]{Samples: make([]T, million), IntervalSeconds: 100.0 / million}
	for i := range tr.Samples {
		tr.Samples[i] = T(f(float64(i)*tr.IntervalSeconds-0.3) + 0.01*r.NormFloat64())
	}
	return tr
}

// BenchmarkMemoryPass is the floor: the sum of a million samples by four accumulators.
func BenchmarkMemoryPass(b *testing.B) {
	tr := long[float64]()
	b.SetBytes(8 * million)
	var total float64
	for b.Loop() {
		var s [4]float64
		for i := 0; i+4 <= len(tr.Samples); i += 4 {
			four := tr.Samples[i : i+4 : i+4]
			s[0] += four[0]
			s[1] += four[1]
			s[2] += four[2]
			s[3] += four[3]
		}
		total += s[0] + s[1] + s[2] + s[3]
	}
	_ = total
}

func BenchmarkAnalyse(b *testing.B) {
	tr := long[float64]()
	b.SetBytes(8 * million)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := pulse.Analyse(tr, pulse.Options{}); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkAnalyseFloat32(b *testing.B) {
	tr := long[float32]()
	b.SetBytes(4 * million)
	for b.Loop() {
		if _, err := pulse.Analyse(tr, pulse.Options{}); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkAnalyseOneStep(b *testing.B) {
	tr, _ := sampled(secondOrder(0.3), -10, 40, 50.0/million, 0.01, rand.New(rand.NewPCG(1, 1)))
	b.SetBytes(8 * million)
	for b.Loop() {
		if _, err := pulse.Analyse(tr, pulse.Options{}); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkRipple(b *testing.B) {
	tr, _ := sampled(func(t float64) float64 { return 5 + 0.02*sawtooth(t*1234) }, 0, 1, 1.0/million, 0.001, rand.New(rand.NewPCG(1, 1)))
	b.SetBytes(8 * million)
	for b.Loop() {
		if _, err := pulse.RippleOf(tr, 1e5); err != nil {
			b.Fatal(err)
		}
	}
}
