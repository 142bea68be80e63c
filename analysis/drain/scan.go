package drain

import (
	"fmt"
	"math"
)

const (
	tileSamples  = 128
	coarseShift  = 20 // 8 levels for each octave
	coarseBins   = fineOctaves<<3 + 1
	coarseBase   = (127-30)<<3 - 1
	noiseShift   = 21              // 4 for each octave
	noiseBins    = 50<<2 + 1       // from 2^-40 A, 0.9 pA
	noiseBase    = (127-40)<<2 - 1 //
	allJumps     = 1 << 20         // samples of which all differences are counted; of later ones, those of every fourth chunk
	maxBaselines = 4096            // of the track of the floor
)

// coarse is the number of the level that a magnitude belongs to.
func coarse(v float32) int {
	return int(min(max(int32(math.Float32bits(v)&math.MaxInt32)>>coarseShift-coarseBase, 0), coarseBins-1))
}

// coarseLow is the lower edge of a level.
func coarseLow(k int) float64 {
	if k <= 0 {
		return 0
	}
	return float64(math.Float32frombits(uint32(k+coarseBase) << coarseShift))
}

func noiseBin(v float32) int {
	return int(min(max(int32(math.Float32bits(v)&math.MaxInt32)>>noiseShift-noiseBase, 0), noiseBins-1))
}

func noiseLow(k int) float64 {
	if k <= 0 {
		return 0
	}
	return float64(math.Float32frombits(uint32(k+noiseBase) << noiseShift))
}

// byLevel counts small quantities against the level they occur at.
type byLevel [coarseBins][noiseBins]int64

// quantile pools the levels from..to; the quantity is taken as evenly spread within a bin. NaN where nothing was counted.
func (b *byLevel) quantile(from, to int, q float64) (value float64, count int64) {
	for k := from; k <= to; k++ {
		for _, n := range b[k] {
			count += n
		}
	}
	if count == 0 {
		return math.NaN(), 0
	}
	want, seen := q*float64(count), 0.0
	for j := range noiseBins {
		var n float64
		for k := from; k <= to; k++ {
			n += float64(b[k][j])
		}
		if n > 0 && seen+n >= want {
			low := noiseLow(j)
			if j == 0 {
				return 0, count
			}
			return low + (noiseLow(j+1)-low)*(want-seen)/n, count
		}
		seen += n
	}
	return noiseLow(noiseBins - 1), count
}

// cell is what was measured in one range.
type cell struct {
	n             int64
	sum, product  float64
	squares, volt float64
}

func (c *cell) add(s Stats) {
	c.n += s.Count
	c.sum += s.Sum
	c.product += s.Product
	c.squares += s.Squares
	c.volt += s.VoltSum
}

// scan is the first pass: all that can be told without knowing the floor.
type scan struct {
	from, to, samples int64
	missing           int64
	gaps              []Gap
	gapCount          int
	cells             []cell // by range
	total             Stats
	peakRange         uint8
	histogram         *Histogram
	jumps             *byLevel // differences between neighbours, against the larger of the two
	spreads           *byLevel // standard deviations of tiles, against their means
	volts             bool

	firstAbove [coarseBins]int64 // the first sample at this level or above; -1: none
	highest    int               // of firstAbove
	lastAt     [coarseBins]int64 // behind the last tile whose highest sample has this level

	baseline []float32 // lowest mean of a whole tile, for each baselineSamples from index 0 on; +Inf: no tile
	each     int64     // samples for each of them

	offSamples int64
}

func (a *analysis) scan() (*scan, error) {
	s := &scan{histogram: NewHistogram(), jumps: new(byLevel), spreads: new(byLevel), cells: make([]cell, max(1, len(a.o.Ranges))), highest: -1, each: chunkSamples}
	for i := range s.firstAbove {
		s.firstAbove[i] = -1
	}
	err := a.each(func(c *chunk) error { return s.take(c) })
	if err == nil && s.samples == 0 {
		err = ErrEmpty
	}
	return s, err
}

const maxGaps = 1000

func (s *scan) take(c *chunk) error {
	if s.samples == 0 {
		s.from, s.volts = c.start, c.volts != nil
	} else if s.volts != (c.volts != nil) {
		return fmt.Errorf("the samples from %d on have voltages and others have none: leave them out, or have them all along", c.start)
	}
	if c.gap > 0 {
		s.missing += c.gap
		s.gapCount++
		if len(s.gaps) < maxGaps {
			s.gaps = append(s.gaps, Gap{c.start - c.gap, c.gap})
		}
	}
	n := len(c.amps)
	s.samples += int64(n)
	s.to = c.start + int64(n)
	run := 0
	lowest := float32(math.Inf(1))
	for at := 0; at < n; at += tileSamples {
		end := min(n, at+tileSamples)
		var tile Stats
		for p := at; p < end; {
			rng, q := c.whereRun(p, &run)
			q = min(q, end)
			part := StatsOf(c.amps[p:q], c.voltsOf(p, q))
			s.cells[rng].add(part)
			if s.total.Count == 0 && tile.Count == 0 || part.Max > max(s.total.Max, tile.Max) {
				s.peakRange = rng
			}
			tile = tile.Plus(part)
			p = q
		}
		s.level(c.amps[at:end], c.start+int64(at), tile)
		if end-at == tileSamples {
			mean := float32(tile.Mean())
			s.spreads[coarse(mean)][noiseBin(float32(tile.spread()))]++
			if mean < lowest {
				lowest = mean
			}
		}
		s.total = s.total.Plus(tile)
	}
	if sum := s.total.Squares + s.total.Product; math.IsNaN(sum) || math.IsInf(sum, 0) {
		return c.notANumber()
	}
	s.histogram.Add(c.amps)
	if s.samples <= allJumps || c.start/chunkSamples%4 == 0 {
		differences(s.jumps, c.amps)
	}
	s.base(c.start, lowest)
	return nil
}

// level notes when the current first and last came up to each level.
func (s *scan) level(x []float32, start int64, tile Stats) {
	top := 0
	if tile.Max > 0 {
		top = coarse(tile.Max)
	}
	s.lastAt[top] = start + int64(len(x))
	if top <= s.highest {
		return
	}
	for i, v := range x {
		if k := coarse(max(v, 0)); k > s.highest {
			for j := s.highest + 1; j <= k; j++ {
				s.firstAbove[j] = start + int64(i)
			}
			s.highest = k
		}
	}
}

// differences counts |x[i]-x[i-1]| against the level of the larger.
func differences(t *byLevel, x []float32) {
	for i := 1; i < len(x); i++ {
		d, hi := x[i]-x[i-1], x[i]
		if d < 0 {
			hi = x[i-1]
		}
		t[coarse(hi)][noiseBin(d)]++
	}
}

// base follows the lowest tile mean.
func (s *scan) base(start int64, lowest float32) {
	at := int(start / s.each)
	for at >= maxBaselines {
		half := (len(s.baseline) + 1) / 2
		for i := range half {
			v := s.baseline[2*i]
			if 2*i+1 < len(s.baseline) && s.baseline[2*i+1] < v {
				v = s.baseline[2*i+1]
			}
			s.baseline[i] = v
		}
		s.baseline = s.baseline[:half]
		s.each *= 2
		at = int(start / s.each)
	}
	for len(s.baseline) <= at {
		s.baseline = append(s.baseline, float32(math.Inf(1)))
	}
	if lowest < s.baseline[at] {
		s.baseline[at] = lowest
	}
}

// leading is how many indices there are before the current first comes up to amps, trailing how many after it was last there.
func (s *scan) leading(amps float64) int64 {
	k := coarse(float32(amps))
	if k > s.highest {
		return s.to - s.from
	}
	return s.firstAbove[k] - s.from
}

func (s *scan) trailing(amps float64) int64 {
	last := s.from
	for k := coarse(float32(amps)); k < coarseBins; k++ {
		last = max(last, s.lastAt[k])
	}
	return s.to - last
}
