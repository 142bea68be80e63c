package drain_test

import (
	"encoding/binary"
	"math"
	"math/rand/v2"
	"reflect"
	"testing"

	"fourwire/analysis/drain"
	"fourwire/quantity/measured"
)

// mixed is a recording with two ranges, volts, events and a floor in the noise; runs follows the ranges.
func mixed(rng *rand.Rand, events int) (amps, volts []float32, ranges []uint8) {
	tr, _ := node(rng, events, 1e-3, 0.3, floorNoise{1e-6, 50e-9, 0.1})
	amps = tr.amps(rng, func(a float64) float64 { return math.Hypot(50e-9, 0.002*a) })
	for _, v := range amps {
		volts = append(volts, 3-10*v)
		r := uint8(0)
		if v > 1e-3 {
			r = 1
		}
		ranges = append(ranges, r)
	}
	return amps, volts, ranges
}

var twoRanges = []drain.RangeError{
	{Name: "unit ch1 amps 1 mA", Full: 1e-3, Gain: 5e-4, Offset: 2e-9},
	{Name: "unit ch1 amps 1 A", Full: 1, Gain: 1e-3, Offset: 50e-6},
}

// cutBlocks gives the samples in blocks of the lengths that cut gives, missing those from gap to behind.
func cutBlocks(amps, volts []float32, ranges []uint8, gap, behind int, cut func() int) drain.Blocks {
	return func(yield func(*drain.Block, error) bool) {
		for at := 0; at < len(amps); {
			end := min(len(amps), at+max(1, cut()))
			if at < gap {
				end = min(end, gap)
			} else if at < behind {
				at = behind
				continue
			}
			b := drain.Block{Start: int64(at), Amps: amps[at:end]}
			if volts != nil {
				b.Volts = volts[at:end]
			}
			for i := at; i < end; i++ {
				if i == at || ranges[i] != ranges[i-1] {
					b.Runs = append(b.Runs, drain.Run{At: i - at, Range: ranges[i]})
				}
			}
			if !yield(&b, nil) {
				return
			}
			at = end
		}
	}
}

// However a recording is cut into blocks, every figure is the same to the last bit.
func TestBlocksDoNotMatter(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 11))
	amps, volts, ranges := mixed(rng, 60)
	analyse := func(cut func() int) *drain.Result {
		var l measured.Ledger
		r, err := drain.Analyse(cutBlocks(amps, volts, ranges, 7000, 7500, cut), drain.Options{IntervalSeconds: 1e-3, Ranges: twoRanges, Volts: &drain.RangeError{Gain: 1e-4}, Ledger: &l})
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	want := analyse(func() int { return len(amps) })
	conserved(t, want)
	if len(want.Events) < 55 || want.GapCount != 1 {
		t.Fatalf("%d events, %d gaps", len(want.Events), want.GapCount)
	}
	for name, cut := range map[string]func() int{
		"single samples":  func() int { return 1 },
		"chunks":          func() int { return 4096 },
		"one more":        func() int { return 4097 },
		"random":          func() int { return 1 + rng.IntN(300) },
		"random and long": func() int { return 1 + rng.IntN(20000) },
	} {
		got := analyse(cut)
		if !reflect.DeepEqual(bits(got), bits(want)) {
			t.Errorf("%s: another result: mean %.17g and %.17g, %d and %d events", name, got.Mean.X, want.Mean.X, len(got.Events), len(want.Events))
		}
	}
}

// bits are the figures of a result that can be compared by value.
func bits(r *drain.Result) any {
	type event struct {
		start, samples int64
		q, e, peak     uint64
		kind           int
		parts          []drain.Part
	}
	var events []event
	for _, e := range r.Events {
		events = append(events, event{e.Start, e.Samples, math.Float64bits(e.Coulombs), math.Float64bits(e.Joules), math.Float64bits(e.PeakAmps), e.Kind, e.Parts})
	}
	return []any{r.Charge, r.Energy, r.RMS, r.Peak, r.Min, r.States, events, r.Spans, r.CCDF, r.Gaps, r.Thresholds, r.Ranges, len(r.Kinds), r.Kinds, math.Float64bits(r.Statistics.Mean)}
}

// Twice the current and twice the interval are twice the charge each, and the same events. A power of two, so that no rounding differs.
func TestScaling(t *testing.T) {
	rng := rand.New(rand.NewPCG(12, 12))
	amps, _, _ := mixed(rng, 60)
	a := analyse(t, amps, 1e-3)
	twice := make([]float32, len(amps))
	for i, v := range amps {
		twice[i] = 2 * v
	}
	b, c := analyse(t, twice, 1e-3), analyse(t, amps, 2e-3)
	near(t, "the charge of twice the current", b.Charge.X, 2*a.Charge.X, 1e-14)
	near(t, "the charge at twice the interval", c.Charge.X, 2*a.Charge.X, 1e-14)
	if len(b.Events) != len(a.Events) || len(c.Events) != len(a.Events) || len(b.States) != len(a.States) || len(c.States) != len(a.States) {
		t.Fatalf("%d, %d, %d events; %d, %d, %d states", len(a.Events), len(b.Events), len(c.Events), len(a.States), len(b.States), len(c.States))
	}
	for i := range a.Events {
		near(t, "the charge of an event", b.Events[i].Coulombs, 2*a.Events[i].Coulombs, 1e-9)
		near(t, "the charge of an event", c.Events[i].Coulombs, 2*a.Events[i].Coulombs, 1e-9)
		if t.Failed() {
			t.Fatalf("event %d", i)
		}
	}
}

// Whatever the samples are: no panic, no NaN in what adds up, charge is conserved, and the cut does not matter.
func FuzzAnalyse(f *testing.F) {
	f.Add([]byte{1, 2, 3, 4, 5, 6, 7, 8}, uint16(1), uint8(0))
	f.Add([]byte("\x00\x00\x00\x00\xff\xff\x7f\x7f\x00\x00\x00\x00"), uint16(3), uint8(1))
	f.Fuzz(func(t *testing.T, raw []byte, cut uint16, mode uint8) {
		var x []float32
		for i := 0; i+4 <= len(raw) && len(x) < 3000; i += 4 {
			u := binary.LittleEndian.Uint32(raw[i:])
			switch mode % 3 {
			case 0: // any number of sensible size
				v := math.Float32frombits(u)
				if !(math.Abs(float64(v)) < 1e12) {
					v = 0
				}
				x = append(x, v)
			case 1: // runs of levels
				for range u>>8&63 + 1 {
					x = append(x, float32(math.Pow(10, float64(u&0xff)/25-9)))
				}
			case 2: // noise about zero
				x = append(x, float32(int32(u))*1e-15)
			}
		}
		o := drain.Options{IntervalSeconds: 1e-3, NominalVolts: 3}
		a, err := drain.Analyse(whole(x), o)
		if err != nil {
			if len(x) > 0 {
				t.Fatal(err)
			}
			return
		}
		conserved(t, a)
		b, err := drain.Analyse(blocks(x, nil, func() int { return int(cut) + 1 }), o)
		if err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(a.States, b.States) || !reflect.DeepEqual(a.Spans, b.Spans) || len(a.Events) != len(b.Events) || math.Float64bits(a.Charge.X) != math.Float64bits(b.Charge.X) {
			t.Errorf("%d and %d events", len(a.Events), len(b.Events))
		}
	})
}
