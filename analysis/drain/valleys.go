package drain

import (
	"cmp"
	"math"
	"slices"
)

// keepValley is how deep the density between two modes must be, against the lower of the two, to part them.
const keepValley = 0.5

// mode is a mode of a density on a grid, with the span it reigns over.
type mode struct {
	from, to int // grid cells; to is behind the last
	peak     int
}

// modes finds the modes of a density that are parted by valleys; shallow ones are joined, shallowest first.
func modes(density []float64) []mode {
	var found []mode
	var valley []float64 // density between found[i] and found[i+1]
	var cut []int
	for i := 0; i < len(density); {
		j := i
		for j+1 < len(density) && density[j+1] == density[i] {
			j++
		}
		if density[i] > 0 && (i == 0 || density[i-1] < density[i]) && (j+1 == len(density) || density[j+1] < density[i]) {
			at := (i + j) / 2
			if len(found) > 0 {
				low := found[len(found)-1].peak
				for k := low; k <= at; k++ {
					if density[k] < density[low] {
						low = k
					}
				}
				high := low // middle of the bottom
				for high+1 < at && density[high+1] <= density[low] {
					high++
				}
				valley, cut = append(valley, density[low]), append(cut, (low+high+1)/2)
			}
			found = append(found, mode{peak: at})
		}
		i = j + 1
	}
	for len(valley) > 0 {
		worst, ratio := -1, keepValley
		for i, v := range valley {
			if r := v / min(density[found[i].peak], density[found[i+1].peak]); r >= ratio {
				worst, ratio = i, r
			}
		}
		if worst < 0 {
			break
		}
		if density[found[worst+1].peak] > density[found[worst].peak] {
			found[worst] = found[worst+1]
		}
		found = slices.Delete(found, worst+1, worst+2)
		valley, cut = slices.Delete(valley, worst, worst+1), slices.Delete(cut, worst, worst+1)
	}
	for i := range found {
		found[i].from, found[i].to = 0, len(density)
		if i > 0 {
			found[i].from = cut[i-1]
		}
		if i < len(cut) {
			found[i].to = cut[i]
		}
	}
	return found
}

// smear adds a normal bump of that weight and standard deviation, both positions in cells.
func smear(density []float64, at, sd, weight float64) {
	if sd < 0.3 {
		sd = 0.3
	}
	from, to := max(0, int(at-4*sd)), min(len(density)-1, int(at+4*sd)+1)
	scale := weight / (sd * math.Sqrt(2*math.Pi))
	for i := from; i <= to; i++ {
		z := (float64(i) - at) / sd
		density[i] += scale * math.Exp(-z*z/2)
	}
}

// splitGrid is how many cells a kernel's width has in groups.
const splitGrid = 4

// groups parts values on a logarithmic axis (they are logarithms) into groups, at the valleys of their density. The kernel is half of
// Silverman's width, at least least wide and for each value at least own[i] (nil: 0); each group is parted again by itself with the width
// that suits it. It returns the group of each value, ascending, and how many there are.
func groups(values []float64, own []float64, least float64) (group []int, count int) {
	group = make([]int, len(values))
	if len(values) == 0 {
		return group, 0
	}
	order := make([]int, len(values))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int {
		return cmp.Or(cmp.Compare(values[a], values[b]), cmp.Compare(a, b))
	})
	var walk func(order []int)
	walk = func(order []int) {
		parts := part(values, own, order, least)
		if len(parts) == 1 {
			for _, i := range order {
				group[i] = count
			}
			count++
			return
		}
		for _, p := range parts {
			walk(p)
		}
	}
	walk(order)
	return group, count
}

// part cuts sorted values once.
func part(values, own []float64, order []int, least float64) [][]int {
	n := len(order)
	low, high := values[order[0]], values[order[n-1]]
	if n < 2 || high-low <= least {
		return [][]int{order}
	}
	width := max(least, 0.5*silverman(values, order))
	cell := width / splitGrid
	if (high-low)/cell > 1<<16 {
		cell = (high - low) / (1 << 16)
	}
	base := low - 6*width
	density := make([]float64, int((high-low+12*width)/cell)+2)
	for i := 0; i < n; { // what lies close together makes one bump
		j := i
		var sum, widths float64
		for j < n && (j == i || values[order[j]]-values[order[i]] < cell/2) {
			sum += values[order[j]]
			if own != nil {
				widths += own[order[j]]
			}
			j++
		}
		count := float64(j - i)
		smear(density, (sum/count-base)/cell, max(width, widths/count)/cell, count)
		i = j
	}
	found := modes(density)
	var out [][]int
	from := 0
	for k, m := range found {
		to := from
		for to < n && (k == len(found)-1 || (values[order[to]]-base)/cell < float64(m.to)) {
			to++
		}
		if to > from {
			out = append(out, order[from:to])
		}
		from = to
	}
	if len(out) == 0 {
		return [][]int{order}
	}
	return out
}

// silverman is the width of a kernel for normal data: 0.9 min(s, IQR/1.34) n^(-1/5) (rule of thumb of B. W. Silverman, from memory).
func silverman(values []float64, order []int) float64 {
	n := len(order)
	var sum, sq float64
	for _, i := range order {
		sum += values[i]
	}
	mean := sum / float64(n)
	for _, i := range order {
		sq += (values[i] - mean) * (values[i] - mean)
	}
	s := math.Sqrt(sq / float64(n))
	if iqr := (values[order[n*3/4]] - values[order[n/4]]) / 1.34; iqr > 0 {
		s = min(s, iqr)
	}
	return 0.9 * s * math.Pow(float64(n), -0.2)
}
