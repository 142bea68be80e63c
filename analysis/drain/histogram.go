package drain

import (
	"math"
	"sort"
)

// Bins are laid by the bits of a float32: its exponent and the first bits of its mantissa, so that finding one takes a shift.
const (
	fineShift   = 16                       // 2^7 bins for each octave: 0.55 to 0.78 % wide
	fineOctaves = 40                       // from 2^-30 A, 0.93 nA, to 1024 A
	fineBins    = fineOctaves<<(23-16) + 1 // the one in front takes 0 to 2^-30 A
	fineBase    = (127-30)<<(23-16) - 1    // number of the bin in front
	lanes       = 4                        // samples of one bin in a row go to different lanes, so that they need not wait
	lowestEdge  = 1.0 / (1 << 30)          // A
	allBins     = 2*fineBins + 1           // those of positive currents, of negative ones, and zero
	zeroBin     = 2 * fineBins             //
)

type tally struct {
	n   int64
	sum float64
}

// Histogram is the distribution of a current in bins of 2^-7 of an octave from 0.93 nA, either sign, with one linear bin below. Each bin
// knows how many samples it has and their sum, so that the area under the distribution is the mean. A bin holds its upper edge and not
// its lower one. Use [NewHistogram].
type Histogram struct {
	lanes [][allBins]tally
}

// NewHistogram is an empty histogram.
func NewHistogram() *Histogram { return &Histogram{lanes: make([][allBins]tally, lanes)} }

// Add counts samples.
func (h *Histogram) Add(amps []float32) {
	t0, t1, t2, t3 := &h.lanes[0], &h.lanes[1], &h.lanes[2], &h.lanes[3]
	for ; len(amps) >= 4; amps = amps[4:] {
		x := amps[:4:4]
		count(t0, x[0])
		count(t1, x[1])
		count(t2, x[2])
		count(t3, x[3])
	}
	for _, v := range amps {
		count(t0, v)
	}
}

func count(t *[allBins]tally, v float32) {
	bits := math.Float32bits(v)
	at := int32(bits&math.MaxInt32-1)>>fineShift - fineBase // the magnitude less one step: strictly above the lower edge
	if uint32(at) >= fineBins {
		at = beyond(bits, at)
	} else if bits>>31 != 0 {
		at += fineBins
	}
	c := &t[at]
	c.n++
	c.sum += float64(v)
}

func beyond(bits uint32, at int32) int32 {
	switch {
	case bits<<1 == 0:
		return zeroBin
	case at < 0:
		at = 0
	default:
		at = fineBins - 1
	}
	if bits>>31 != 0 {
		at += fineBins
	}
	return at
}

// Bin is one bin that is not empty.
type Bin struct {
	Low, High float64 // A; samples are above Low and up to High; a bin of negative currents has them from Low to below High
	Count     int64
	Sum       float64 // A
}

// Mean of the samples in it.
func (b Bin) Mean() float64 { return b.Sum / float64(b.Count) }

// Bins gives the bins that are not empty, in ascending order.
func (h *Histogram) Bins() []Bin {
	var out []Bin
	take := func(at int, low, high float64) {
		b := Bin{Low: low, High: high}
		for l := range h.lanes {
			b.Count += h.lanes[l][at].n
			b.Sum += h.lanes[l][at].sum
		}
		if b.Count > 0 {
			out = append(out, b)
		}
	}
	for k := fineBins - 1; k >= 0; k-- {
		take(fineBins+k, -edge(k+1), -edge(k))
	}
	take(zeroBin, 0, 0)
	for k := range fineBins {
		take(k, edge(k), edge(k+1))
	}
	return out
}

// edge is the lower edge of a bin of positive currents.
func edge(k int) float64 {
	if k <= 0 {
		return 0
	}
	return float64(math.Float32frombits(uint32(k+fineBase) << fineShift))
}

// Above is a point of the complementary distribution: the fraction of time that the current is above Amps, strictly.
type Above struct{ Amps, Fraction float64 }

// CCDF gives the fraction of time that the current is above a value, as steps: each holds from its Amps to the next one's. It begins at 0,
// or at the lowest negative current. Exact at the edges of bins; within a bin all samples count as its mean, so that the area under the
// steps, less the part above them left of 0, is the mean current. Empty for an empty histogram.
func (h *Histogram) CCDF() []Above {
	bins := h.Bins()
	var total int64
	for _, b := range bins {
		total += b.Count
	}
	if total == 0 {
		return nil
	}
	var out []Above
	if bins[0].Mean() > 0 {
		out = append(out, Above{0, 1})
	}
	above := total
	for _, b := range bins {
		above -= b.Count
		out = append(out, Above{b.Mean(), float64(above) / float64(total)})
	}
	return out
}

// Area is the mean that a CCDF stands for: the lowest current, and what the steps enclose above it. Where no current is negative that is the
// area under the steps. 0 for none.
func Area(ccdf []Above) float64 {
	if len(ccdf) == 0 {
		return 0
	}
	sum := ccdf[0].Amps
	for i, a := range ccdf[:len(ccdf)-1] {
		sum += a.Fraction * (ccdf[i+1].Amps - a.Amps)
	}
	return sum
}

// FractionAbove reads a CCDF: the fraction of time that the current is above amps, which is rounded to a sample's 32 bits.
// NaN for none.
func FractionAbove(ccdf []Above, amps float64) float64 {
	if len(ccdf) == 0 {
		return math.NaN()
	}
	at := sort.Search(len(ccdf), func(i int) bool { return float32(ccdf[i].Amps) > float32(amps) })
	if at == 0 {
		return 1
	}
	return ccdf[at-1].Fraction
}
