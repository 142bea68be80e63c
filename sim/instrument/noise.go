package instrument

import "math"

// noise makes Gaussian noise of a stream quickly: a pure function of a seed and the sample number, so that a recording is the same however
// it is cut into answers.
//
// One hash of the sample number (splitmix64 in counter mode, public domain) gives four places in a table of quantiles of the normal
// distribution, two for the current and two for the voltage. The sum of two normal numbers is normal; of two tabulated ones it has 8
// million different values, out to 5.2 standard deviations.
type noise struct {
	seed  uint64
	table [tableSize]float32 // of variance 1/2
}

const (
	tableBits = 12
	tableSize = 1 << tableBits
	tableMask = tableSize - 1
	golden    = 0x9e3779b97f4a7c15
)

func newNoise(seed uint64) *noise {
	n := &noise{seed: seed}
	squares := 0.0
	quantile := func(i int) float64 { return math.Sqrt2 * math.Erfinv((2*float64(i)+1)/tableSize-1) }
	for i := range tableSize {
		squares += quantile(i) * quantile(i)
	}
	scale := math.Sqrt(tableSize / squares / 2)
	for i := range n.table {
		n.table[i] = float32(quantile(i) * scale)
	}
	return n
}

// bits are those of one sample.
func (n *noise) bits(sample int64) uint64 { return finish(n.seed + uint64(sample)*golden) }

func (n *noise) amps(bits uint64) float64 {
	return float64(n.table[bits&tableMask] + n.table[bits>>tableBits&tableMask])
}

func (n *noise) volts(bits uint64) float64 {
	return float64(n.table[bits>>(2*tableBits)&tableMask] + n.table[bits>>(3*tableBits)&tableMask])
}
