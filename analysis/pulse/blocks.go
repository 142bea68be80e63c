package pulse

// block is the number of samples that are summed once, so that means over long windows cost little.
const block = 8

// blockSums are running sums over whole blocks, less a base.
type blockSums struct {
	base float64
	sums []float64 // of all blocks before block i
}

func blockSumsOf[T Sample](y []T) blockSums {
	b := blockSums{base: float64(y[0]), sums: make([]float64, len(y)/block+1)}
	base := b.base
	var sum float64
	for k := range len(y) / block {
		eight := y[k*block : k*block+block : k*block+block]
		sum += ((float64(eight[0]) - base) + (float64(eight[1]) - base) + (float64(eight[2]) - base) + (float64(eight[3]) - base)) +
			((float64(eight[4]) - base) + (float64(eight[5]) - base) + (float64(eight[6]) - base) + (float64(eight[7]) - base))
		b.sums[k+1] = sum
	}
	return b
}

// mean over the blocks from..to-1.
func (b blockSums) mean(from, to int) float64 {
	return b.base + (b.sums[to]-b.sums[from])/float64((to-from)*block)
}
