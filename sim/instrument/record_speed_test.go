package instrument

import (
	"encoding/binary"
	"math"
	"testing"
)

// still is a World in which nothing happens.
type still struct{}

func (still) Now() int64                                  { return 0 }
func (still) Touch()                                      {}
func (still) Observe()                                    {}
func (still) Watch(*Window)                               {}
func (still) Unwatch(*Window)                             {}
func (still) Record(*Stream)                              {}
func (still) Sample(Sampler)                              {}
func (still) Unsample(Sampler)                            {}
func (still) Wake(string, int64)                          {}
func (still) Pulse(string, int, int64)                    {}
func (still) Unrecord(*Stream)                            {}
func (still) Log(string, int, EventKind, string, float64) {}

func recording(tb testing.TB, volts bool) *recorder {
	tb.Helper()
	in, err := New(Spec{Name: "unit", Kind: Unit, Channels: []ChannelSpec{{
		Volts: []Range{{Full: 20, NoiseDensity: 1e-6}},
		Amps:  []Range{{Full: 1e-6, NoiseDensity: 1e-12, Resolution: 1e-12}, {Full: 1, NoiseDensity: 1e-6, Resolution: 1e-6}},
	}}}, still{})
	if err != nil {
		tb.Fatal(err)
	}
	r := in.Channel(1).recorder
	r.withVolts = volts
	r.start()
	return r
}

const benchSamples = 100_000

func perSample(b *testing.B) {
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/benchSamples, "ns/sample")
}

// The floor: a Gaussian number and a store, and nothing else.
func BenchmarkNoiseAndStore(b *testing.B) {
	n := newNoise(1)
	block := make([]byte, 4*benchSamples)
	for b.Loop() {
		for k := range benchSamples {
			binary.LittleEndian.PutUint32(block[4*k:], math.Float32bits(float32(n.amps(n.bits(int64(k))))))
		}
	}
	perSample(b)
}

func benchRender(b *testing.B, volts bool, take func(r *recorder)) {
	r := recording(b, volts)
	size := 4
	if volts {
		size = 8
	}
	block := make([]byte, size*benchSamples)
	b.ReportAllocs()
	for b.Loop() {
		take(r)
		r.render(block, true)
	}
	perSample(b)
}

// Samples while the node sleeps: one step of the engine, many samples.
func BenchmarkSleepSamples(b *testing.B) {
	benchRender(b, false, func(r *recorder) { r.Take(benchSamples, 0.7e-6, 3, 0, 0) })
}

// The same with the voltage beside it.
func BenchmarkSleepSamplesVolts(b *testing.B) {
	benchRender(b, true, func(r *recorder) { r.Take(benchSamples, 0.7e-6, 3, 0, 0) })
}

// Samples while the node works: each has its own value.
func BenchmarkActiveSamples(b *testing.B) {
	benchRender(b, false, func(r *recorder) {
		for k := range benchSamples {
			r.Take(1, 0.05+1e-9*float64(k), 3, 0, 0)
		}
	})
}
