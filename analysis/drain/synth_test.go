package drain_test

import (
	"iter"
	"math"
	"math/rand/v2"

	"fourwire/analysis/drain"
)

// level is a stretch of constant current.
type level struct{ amps, seconds float64 }

// trace is a synthesised recording: each sample is the mean over its interval, as of an integrating instrument.
type trace struct {
	interval float64
	sums     []float64 // A s in each interval
	now      float64
}

func newTrace(interval float64) *trace { return &trace{interval: interval} }

// hold adds a stretch of constant current.
func (t *trace) hold(amps, seconds float64) {
	for seconds > 0 {
		at := int(math.Floor(t.now/t.interval + 1e-9))
		for len(t.sums) <= at {
			t.sums = append(t.sums, 0)
		}
		d := min(seconds, float64(at+1)*t.interval-t.now)
		if d <= 0 {
			t.now = float64(at+1) * t.interval
			continue
		}
		t.sums[at] += amps * d
		t.now += d
		seconds -= d
		if seconds < 1e-12 {
			break
		}
	}
}

func (t *trace) play(levels ...level) {
	for _, l := range levels {
		t.hold(l.amps, l.seconds)
	}
}

// amps gives the samples, with normal noise.
func (t *trace) amps(rng *rand.Rand, noise func(amps float64) float64) []float32 {
	n := int(t.now/t.interval + 1e-9)
	out := make([]float32, min(n, len(t.sums)))
	for i := range out {
		v := t.sums[i] / t.interval
		if noise != nil {
			v += noise(v) * rng.NormFloat64()
		}
		out[i] = float32(v)
	}
	return out
}

// blocks cuts samples into blocks; cut gives the length of the next one.
func blocks(amps, volts []float32, cut func() int) drain.Blocks {
	return func(yield func(*drain.Block, error) bool) {
		for at := 0; at < len(amps); {
			end := len(amps)
			if cut != nil {
				end = min(end, at+cut())
			}
			b := drain.Block{Start: int64(at), Amps: amps[at:end]}
			if volts != nil {
				b.Volts = volts[at:end]
			}
			if !yield(&b, nil) {
				return
			}
			at = end
		}
	}
}

func whole(amps []float32) drain.Blocks { return blocks(amps, nil, nil) }

var _ iter.Seq2[*drain.Block, error] = whole(nil)

func constantNoise(sd float64) func(float64) float64 { return func(float64) float64 { return sd } }
