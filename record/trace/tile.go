package trace

import (
	"encoding/binary"
	"math"
)

// The pyramid: a leaf sums up so many samples, a tile of each level above so many of those below.
const (
	leaf      = 1024
	fan       = 16
	maxLevels = 16
)

// extent is what is known of some samples of one signal, in base steps.
type extent struct {
	min, max int64
	sum      Sum
}

// tile is what is known of some samples: of every signal and, where there is a current and a voltage, the sum of their products.
type tile struct {
	count   int64
	signals []extent
	cross   float64 // SI
}

func newTile(signals int) tile {
	t := tile{signals: make([]extent, signals)}
	t.clear()
	return t
}

func (t *tile) clear() {
	t.count, t.cross = 0, 0
	for i := range t.signals {
		t.signals[i] = extent{min: math.MaxInt64, max: math.MinInt64}
	}
}

// add takes another tile in.
func (t *tile) add(o *tile) {
	t.count += o.count
	t.cross += o.cross
	for i := range t.signals {
		s, with := &t.signals[i], &o.signals[i]
		s.min, s.max, s.sum = min(s.min, with.min), max(s.max, with.max), s.sum.Plus(with.sum)
	}
}

// take takes samples of one signal in that are of one range.
func (e *extent) take(values []int32, multiple int64) {
	for len(values) > 0 {
		part := values[:min(len(values), leaf)]
		low, high, total := part[0], part[0], int64(0)
		for _, v := range part {
			total += int64(v)
			low, high = min(low, v), max(high, v)
		}
		e.min, e.max = min(e.min, int64(low)*multiple), max(e.max, int64(high)*multiple)
		e.sum = e.sum.Plus(SumOf(total * multiple)) // fits: see maxMultiple
		values = values[len(part):]
	}
}

// crossSum is the sum of products of counts, in four parts that do not wait for each other.
func crossSum(a, b []int32) float64 {
	var p, q, r, s float64
	n := min(len(a), len(b))
	a, b = a[:n], b[:n]
	for len(a) >= 4 && len(b) >= 4 {
		p += float64(a[0]) * float64(b[0])
		q += float64(a[1]) * float64(b[1])
		r += float64(a[2]) * float64(b[2])
		s += float64(a[3]) * float64(b[3])
		a, b = a[4:], b[4:]
	}
	for i := range a {
		p += float64(a[i]) * float64(b[i])
	}
	return (p + q) + (r + s)
}

// rangeAt gives the range in use at an offset, and where the next one begins, at most at end. at is the index of the run that held before,
// and is moved on.
func rangeAt(runs []Run, at *int, offset, end int) (rg uint8, until int) {
	for *at+1 < len(runs) && runs[*at+1].At <= offset {
		*at++
	}
	if *at+1 < len(runs) && runs[*at+1].At < end {
		end = runs[*at+1].At
	}
	if len(runs) == 0 {
		return 0, end
	}
	return runs[*at].Range, end
}

// summer takes samples of a trace into tiles.
type summer struct {
	scales      []scale
	amps, volts int // the signals of the cross sum; -1: none
	only        int // the signal that is wanted beside the cross sum; -1: all
}

// take takes samples from..to of a block into a tile.
func (s *summer) take(t *tile, values [][]int32, runs [][]Run, from, to int) {
	for i := range s.scales {
		if s.only >= 0 && i != s.only {
			continue
		}
		for offset, run := from, 0; offset < to; {
			rg, until := rangeAt(runs[i], &run, offset, to)
			t.signals[i].take(values[i][offset:until], s.scales[i].multiples[rg])
			offset = until
		}
	}
	if s.amps >= 0 {
		for offset, ra, rv := from, 0, 0; offset < to; {
			a, until := rangeAt(runs[s.amps], &ra, offset, to)
			v, until := rangeAt(runs[s.volts], &rv, offset, until)
			t.cross += crossSum(values[s.amps][offset:until], values[s.volts][offset:until]) * (s.scales[s.amps].steps[a] * s.scales[s.volts].steps[v])
			offset = until
		}
	}
	t.count += int64(to - from)
}

// tileBytes is the size of a tile in the file. How many samples it has follows from its place.
func tileBytes(signals int, cross bool) int {
	n := 32 * signals
	if cross {
		n += 8
	}
	return n
}

func (t *tile) put(b []byte, cross bool) {
	for i, s := range t.signals {
		at := b[32*i : 32*i+32]
		binary.LittleEndian.PutUint64(at, uint64(s.min))
		binary.LittleEndian.PutUint64(at[8:], uint64(s.max))
		binary.LittleEndian.PutUint64(at[16:], s.sum.low)
		binary.LittleEndian.PutUint64(at[24:], uint64(s.sum.high))
	}
	if cross {
		binary.LittleEndian.PutUint64(b[32*len(t.signals):], math.Float64bits(t.cross))
	}
}

func (t *tile) get(b []byte, cross bool) {
	for i := range t.signals {
		at := b[32*i : 32*i+32]
		t.signals[i] = extent{
			min: int64(binary.LittleEndian.Uint64(at)),
			max: int64(binary.LittleEndian.Uint64(at[8:])),
			sum: Sum{low: binary.LittleEndian.Uint64(at[16:]), high: int64(binary.LittleEndian.Uint64(at[24:]))},
		}
	}
	t.cross = 0
	if cross {
		t.cross = math.Float64frombits(binary.LittleEndian.Uint64(b[32*len(t.signals):]))
	}
}
