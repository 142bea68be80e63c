package drain_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"fourwire/analysis/drain"
)

const benchSamples = 8 << 20

// benchTrace is 8 M samples of a node that wakes each second, at 1 kSa/s.
func benchTrace() []float32 {
	rng := rand.New(rand.NewPCG(1, 2))
	x := make([]float32, benchSamples)
	for i := range x {
		amps := 2e-6
		switch p := i % 1000; {
		case p < 5:
			amps = 3e-3
		case p < 25:
			amps = 8e-3
		case p < 85:
			amps = 50e-3
		}
		x[i] = float32(amps + (20e-9+0.001*amps)*rng.NormFloat64())
	}
	return x
}

type floorSums struct {
	sum, squares float64
	low, high    float32
}

// memoryFloor is one plain pass of sum, squares, lowest and highest: the least that any statistics can cost on this machine.
func memoryFloor(x []float32) floorSums {
	var a, b, c, d, e, f, g, h float64
	lo, hi := x[0], x[0]
	for ; len(x) >= 4; x = x[4:] {
		y := x[:4:4]
		p, q, r, t := float64(y[0]), float64(y[1]), float64(y[2]), float64(y[3])
		a, b, c, d = a+p, b+q, c+r, d+t
		e, f, g, h = e+p*p, f+q*q, g+r*r, h+t*t
		for _, v := range y {
			if v < lo {
				lo = v
			}
			if v > hi {
				hi = v
			}
		}
	}
	return floorSums{a + b + c + d, e + f + g + h, lo, hi}
}

// histogramFloor counts into bins by the bits of a sample, and no more.
func histogramFloor(x []float32, bins *[1 << 16]int32) {
	for _, v := range x {
		bins[math.Float32bits(v)>>16]++
	}
}

var benchSink float64

// against runs both in turn, since speeds of a shared machine move within minutes, and reports the fastest of each.
func against(b *testing.B, floor, work func()) {
	best := [2]time.Duration{math.MaxInt64, math.MaxInt64}
	for b.Loop() {
		for i, f := range []func(){floor, work} {
			t := time.Now()
			f()
			best[i] = min(best[i], time.Since(t))
		}
	}
	b.ReportMetric(float64(best[0].Nanoseconds())/benchSamples, "floor-ns/Sa")
	b.ReportMetric(float64(best[1].Nanoseconds())/benchSamples, "ns/Sa")
	b.ReportMetric(float64(best[0])/float64(best[1]), "x-floor")
	b.ReportMetric(0, "ns/op")
}

func BenchmarkStats(b *testing.B) {
	x := benchTrace()
	against(b, func() { benchSink = memoryFloor(x).sum }, func() { benchSink = drain.StatsOf(x, nil).Sum })
}

func BenchmarkStatsAndCCDF(b *testing.B) {
	x := benchTrace()
	bins := new([1 << 16]int32)
	against(b, func() { benchSink = memoryFloor(x).sum; histogramFloor(x, bins) }, func() {
		h := drain.NewHistogram()
		for at := 0; at < len(x); at += 4096 {
			benchSink += drain.StatsOf(x[at:at+4096], nil).Sum
			h.Add(x[at : at+4096])
		}
		benchSink += h.CCDF()[0].Fraction
	})
}

func BenchmarkAnalyse(b *testing.B) {
	x := benchTrace()
	bins := new([1 << 16]int32)
	against(b, func() { benchSink = memoryFloor(x).sum; histogramFloor(x, bins) }, func() {
		r, err := drain.Analyse(blocks(x, nil, func() int { return 1 << 16 }), drain.Options{IntervalSeconds: 1e-3})
		if err != nil {
			b.Fatal(err)
		}
		benchSink = r.Mean.X
	})
}
