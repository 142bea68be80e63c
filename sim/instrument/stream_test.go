package instrument

import (
	"bytes"
	"encoding/binary"
	"math"
	"math/rand/v2"
	"testing"
)

// kept is a Sink that writes everything down.
type kept struct{ amps, volts []float64 }

func (k *kept) Take(count int64, amps, volts, ampsStep, voltsStep float64) {
	for i := range count {
		k.amps = append(k.amps, amps+float64(i)*ampsStep)
		k.volts = append(k.volts, volts+float64(i)*voltsStep)
	}
}

// corner is a point of a piecewise linear signal; two at one time are a jump.
type corner struct {
	at    int64 // ns
	value float64
}

// meanOf is the exact mean of a piecewise linear signal over a span: the sum over its pieces, cut to the span.
func meanOf(signal []corner, from, to int64) float64 {
	area := 0.0
	for i := 1; i < len(signal); i++ {
		a, b := signal[i-1], signal[i]
		low, high := max(a.at, from), min(b.at, to)
		if low >= high {
			continue
		}
		value := func(t int64) float64 { return a.value + (b.value-a.value)*float64(t-a.at)/float64(b.at-a.at) }
		area += (value(low) + value(high)) / 2 * float64(high-low)
	}
	return area / float64(to-from)
}

// play sends a signal through a stream; the second signal is 3 minus twice the first.
func play(signal []corner, interval int64) *kept {
	present := signal[0].value
	into := &kept{}
	s := NewStream(func() float64 { return present }, func() float64 { return 3 - 2*present }, interval, into)
	s.Begin()
	for i := 1; i < len(signal); i++ {
		present = signal[i].value
		if span := signal[i].at - signal[i-1].at; span > 0 {
			s.Advance(span)
		} else {
			s.Jump()
		}
	}
	return into
}

// Samples are means of a piecewise linear signal, whether many steps fall into one interval or many intervals into one step. The means
// are worked out by themselves, from the definition.
func TestStreamGivesMeans(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	for _, c := range []struct {
		name  string
		steps func() int64 // length of a step, ns
	}{
		{"steps shorter than the interval", func() int64 { return random.Int64N(700) }},
		{"steps like the interval", func() int64 { return 500 * random.Int64N(5) }},
		{"steps of many intervals", func() int64 { return random.Int64N(100_000) }},
		{"all lengths", func() int64 { return random.Int64N(int64(1) << random.Int64N(20)) }},
	} {
		const interval = 1000
		signal := []corner{{0, 0.5}}
		for range 400 {
			last := signal[len(signal)-1]
			next := corner{last.at + c.steps(), random.NormFloat64()}
			if random.Int64N(3) == 0 {
				next.value = last.value
			}
			signal = append(signal, next)
		}
		got := play(signal, interval)
		end := signal[len(signal)-1].at
		if len(got.amps) != int(end/interval) {
			t.Fatalf("%s: %d samples in %d ns, want %d", c.name, len(got.amps), end, end/interval)
		}
		for i, amps := range got.amps {
			want := meanOf(signal, int64(i)*interval, int64(i+1)*interval)
			if math.Abs(amps-want) > 1e-12 || math.Abs(got.volts[i]-(3-2*want)) > 1e-12 {
				t.Fatalf("%s: sample %d is %g and %g, want %g and %g", c.name, i, amps, got.volts[i], want, 3-2*want)
			}
		}
	}
}

// A moment without an operating point takes the last value on; nothing else would leave the charge a number.
func TestStreamWithoutAPoint(t *testing.T) {
	got := play([]corner{{0, 1}, {500, 1}, {500, math.NaN()}, {1500, math.NaN()}, {1500, 1}, {2000, 1}}, 1000)
	for i, amps := range got.amps {
		if amps != 1 {
			t.Errorf("sample %d is %g", i, amps)
		}
	}
}

// The moments of the tabulated noise are those of the standard normal distribution within four standard deviations of their estimates;
// current and voltage, and neighbours, have nothing to do with each other.
func TestNoiseIsNormal(t *testing.T) {
	const n = 4_000_000
	table := newNoise(7)
	var sum, squares, fourth, cross, neighbours, last, beyond3 float64
	for i := range int64(n) {
		bits := table.bits(i)
		x, y := table.amps(bits), table.volts(bits)
		sum, squares, fourth = sum+x, squares+x*x, fourth+x*x*x*x
		cross, neighbours, last = cross+x*y, neighbours+x*last, x
		if math.Abs(x) > 3 {
			beyond3++
		}
	}
	for _, c := range []struct {
		what             string
		got, want, limit float64
	}{
		{"mean", sum / n, 0, 4 / math.Sqrt(n)},
		{"variance", squares / n, 1, 4 * math.Sqrt(2.0/n)},
		{"fourth moment", fourth / n, 3, 0.01}, // the table's own is 0.003 low
		{"product with the voltage", cross / n, 0, 4 / math.Sqrt(n)},
		{"product of neighbours", neighbours / n, 0, 4 / math.Sqrt(n)},
		{"share beyond three standard deviations", beyond3 / n, 0.0026998, 4 * math.Sqrt(0.0026998/n)}, // 1 - erf(3/sqrt 2)
	} {
		if math.Abs(c.got-c.want) > c.limit {
			t.Errorf("%s is %g, want %g within %g", c.what, c.got, c.want, c.limit)
		}
	}
}

// Samples that go evenly are the same however they are taken out, and each is what the line says.
func TestEvenSamplesInPieces(t *testing.T) {
	const n = 1000
	render := func(cuts ...int) []byte {
		r := recording(t, true)
		for i := range r.channel.spec.Amps {
			r.channel.spec.Amps[i].NoiseDensity, r.channel.spec.Amps[i].Resolution = 0, 0
		}
		r.voltsRange.NoiseDensity = 0
		r.Take(n, 2e-6, 1, 1e-4, 2e-3) // all in the range of 1 A
		if len(r.pieces) != 1 {
			t.Fatalf("%d pieces", len(r.pieces))
		}
		var all []byte
		for _, c := range cuts {
			block := make([]byte, 8*c)
			r.render(block, true)
			all = append(all, block...)
		}
		return all
	}
	whole := render(n)
	if pieces := render(1, 99, 300, 600); !bytes.Equal(whole, pieces) {
		t.Error("cuts change the samples")
	}
	for k := range n {
		amps := math.Float32frombits(binary.LittleEndian.Uint32(whole[8*k:]))
		volts := math.Float32frombits(binary.LittleEndian.Uint32(whole[8*k+4:]))
		if a, v := float32(2e-6+1e-4*float64(k)), float32(1+2e-3*float64(k)); math.Abs(float64(amps-a)) > 1e-8 || math.Abs(float64(volts-v)) > 1e-6 {
			t.Fatalf("sample %d is %g A, %g V, want %g and %g", k, amps, volts, a, v)
		}
	}
}

// A line that goes through ranges, or out of the largest, is cut into samples of one range each.
func TestEvenSamplesThroughRanges(t *testing.T) {
	r := recording(t, false)
	r.Take(1000, -2e-6, 1, 4e-9, 0) // through zero: the small range in the middle
	r.Take(100, 1, 1, 1e-3, 0)      // beyond 1.05 A from 50 on
	if r.handovers != 2 {
		t.Errorf("%d changes of range, want one down and one up", r.handovers)
	}
	if got, want := r.runs(1100), "0:2,238:1,763:2"; got != want {
		t.Errorf("ranges %s, want %s", got, want)
	}
	block := make([]byte, 4*1100)
	r.render(block, true)
	for k := range 1100 {
		v := float64(math.Float32frombits(binary.LittleEndian.Uint32(block[4*k:])))
		want := -2e-6 + 4e-9*float64(k)
		if k >= 1000 {
			want = 1 + 1e-3*float64(k-1000)
		}
		switch {
		case want > 1.0501 && v < 9e37, want < 1.0499 && math.Abs(v-want) > 1e-4:
			t.Fatalf("sample %d is %g, want %g", k, v, want)
		}
	}
}
