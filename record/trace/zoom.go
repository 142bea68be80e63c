package trace

import (
	"fmt"
	"math"
)

// maxBins bounds what Zoom gives at once.
const maxBins = 1 << 20

// Zoom gives a span of one signal in bins of about the same width, which join and have the whole span as their sum. Where a bin is wider than
// a leaf of the pyramid (1024 samples), bins begin and end with leaves, so that no samples have to be read but at the ends of the span. Each
// bin says exactly what it holds, but no cross sum, which [Trace.Span] has. A span that is shorter than there are bins gives one bin per
// index. into is used again.
func (t *Trace) Zoom(signal int, from, to int64, bins int, into []Bin) ([]Bin, error) {
	out := into[:0]
	if err := t.within(signal, from, to); err != nil {
		return out, err
	}
	if bins < 1 || bins > maxBins {
		return out, fmt.Errorf("trace %s: %d bins are not possible, 1 to %d are", t.finished.Name, bins, maxBins)
	}
	if from == to {
		return out, nil
	}
	n := int64(min(uint64(bins), uint64(to-from)))
	width := float64(to-from) / float64(n)
	begin, row := from, t.rowAt(from)
	for i := int64(1); i <= n; i++ {
		end := from + int64(math.Round(float64(i)*width))
		if i == n {
			end = to
		}
		last := t.rowAt(end)
		if i < n && width > leaf {
			end, last = t.snap(end, last, begin)
		}
		if end <= begin {
			continue
		}
		b, err := t.bin(signal, begin, end, row, last, false)
		if err != nil {
			return out, err
		}
		out = append(out, b)
		begin, row = end, last
	}
	return out, nil
}

// snap moves the end of a bin to the nearest beginning of a leaf, where that is within its segment.
func (t *Trace) snap(end, row, begin int64) (int64, int64) {
	near := (row + leaf/2) / leaf * leaf
	if near >= t.finished.Samples || near == row {
		return end, row
	}
	if at := t.indexOf(near); at > begin && at-end <= leaf && end-at <= leaf {
		return at, near
	}
	return end, row
}

// Span sums a span of one signal: exactly what adding every sample gives.
func (t *Trace) Span(signal int, from, to int64) (Bin, error) {
	if err := t.within(signal, from, to); err != nil {
		return Bin{}, err
	}
	return t.bin(signal, from, to, t.rowAt(from), t.rowAt(to), true)
}

// bin sums a span that begins and ends at rows, its cross sum too where that is wanted and there is one.
func (t *Trace) bin(signal int, from, to, row, end int64, cross bool) (Bin, error) {
	cross = cross && t.pyramid.head.amps >= 0
	sum := &t.scratch
	sum.clear()
	first, last := (row+leaf-1)/leaf, end/leaf
	if end == t.finished.Samples {
		last = (end + leaf - 1) / leaf
	}
	var err error
	if first >= last {
		err = t.addRows(sum, signal, row, end, cross)
	} else {
		err = t.addRows(sum, signal, row, first*leaf, cross)
		if err == nil {
			err = t.pyramid.add(sum, first, last)
		}
		if err == nil && last*leaf < end {
			err = t.addRows(sum, signal, last*leaf, end, cross)
		}
	}
	if err != nil {
		return Bin{}, fmt.Errorf("trace %s: %w", t.finished.Name, err)
	}
	b := t.binOf(sum, signal, from, to)
	if cross {
		b.Cross = sum.cross
	}
	return b, nil
}

// addRows adds samples one by one.
func (t *Trace) addRows(into *tile, signal int, row, end int64, cross bool) error {
	s := summer{scales: t.scales, amps: -1, volts: -1, only: signal}
	signals := []int{signal}
	if cross {
		s.amps, s.volts = t.pyramid.head.amps, t.pyramid.head.volts
		for _, other := range []int{s.amps, s.volts} {
			if other != signal {
				signals = append(signals, other)
			}
		}
	}
	var in rows
	for row < end {
		n, err := t.read(signals, row, end, &in)
		if err != nil {
			return err
		}
		s.take(into, in.values, in.runs, 0, n)
		row += int64(n)
	}
	return nil
}

func (t *Trace) binOf(sum *tile, signal int, from, to int64) Bin {
	e, base := sum.signals[signal], t.scales[signal].base
	b := Bin{From: from, To: to, Count: sum.count, Sum: e.sum, Min: math.NaN(), Max: math.NaN(), Mean: math.NaN(), Cross: math.NaN()}
	b.Seconds = float64(b.Count) * t.finished.IntervalSeconds
	b.Integral = e.sum.Float64() * base * t.finished.IntervalSeconds
	if b.Count > 0 {
		b.Min, b.Max = float64(e.min)*base, float64(e.max)*base
		b.Mean = e.sum.Float64() / float64(b.Count) * base
	}
	return b
}
