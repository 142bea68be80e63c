package pulse

import (
	"fmt"
	"math"
	"slices"

	"fourwire/analysis/uncertain"
)

// HistogramLevels gives the low and the high state of a waveform as the modes of the lower and the upper half of a histogram
// over its whole range: the centres of the fullest bins on either side of the midpoint (IEEE Std 181-2011, state levels by
// histogram). Half a bin of error is in the method; [Analyse] goes on from there to the mean over the settled samples.
func HistogramLevels[T Sample](samples []T, bins int) (low, high float64, err error) {
	switch {
	case len(samples) < 2:
		return 0, 0, fmt.Errorf("a trace of %d samples is too short for a histogram", len(samples))
	case bins < 2 || bins > 1<<20:
		return 0, 0, fmt.Errorf("a histogram of %d bins; take 2 to 1048576", bins)
	}
	least, greatest, probe := extremes(samples)
	if probe != 0 {
		return 0, 0, fmt.Errorf("the samples are not all finite")
	}
	h := histogramOf(samples, float64(least), float64(greatest), bins)
	return h.centre(h.fullest(0, bins/2)), h.centre(h.fullest(bins/2, bins)), nil
}

type histogram struct {
	least, width float64
	counts       []int
}

func histogramOf[T Sample](y []T, least, greatest float64, bins int) histogram {
	h := histogram{least: least, width: (greatest - least) / float64(bins), counts: make([]int, bins)}
	if !(h.width > 0) {
		h.counts[0] = len(y)
		return h
	}
	scale, top := 1/h.width, bins-1
	// a second table keeps runs of one value from waiting for their own counter
	other := make([]int, bins)
	i := 0
	for ; i+2 <= len(y); i += 2 {
		h.counts[min(int((float64(y[i])-least)*scale), top)]++
		other[min(int((float64(y[i+1])-least)*scale), top)]++
	}
	for ; i < len(y); i++ {
		h.counts[min(int((float64(y[i])-least)*scale), top)]++
	}
	for k := range other {
		h.counts[k] += other[k]
	}
	return h
}

func (h histogram) centre(bin int) float64 { return h.least + (float64(bin)+0.5)*h.width }

func (h histogram) fullest(from, to int) int {
	best := from
	for i := from; i < to; i++ {
		if h.counts[i] > h.counts[best] {
			best = i
		}
	}
	return best
}

// rests tells whether the fullest bin of a half holds at least twice what an even spread would put there: what passes through
// (a ramp: one times; the start of an exponential: up to 1.5 times) is no state. Own formula.
func (h histogram) rests(bin, from, to int) bool {
	var all int
	for _, c := range h.counts[from:to] {
		all += c
	}
	return h.counts[bin]*(to-from) >= 2*all
}

// scatterSamples bounds the samples that a median is taken of.
const scatterSamples = 4096

// quickNoise is the standard deviation of noise as differences of neighbours show it, by their median: edges do not count.
func quickNoise[T Sample](y []T) float64 {
	step := max(1, (len(y)-1)/scatterSamples)
	differences := make([]float64, 0, scatterSamples+2)
	for i := 1; i < len(y); i += step {
		differences = append(differences, math.Abs(float64(y[i])-float64(y[i-1])))
	}
	return 1.4826 / math.Sqrt2 * median(differences)
}

// median reorders its argument; 0 for none.
func median(values []float64) float64 {
	if len(values) == 0 {
		return 0
	}
	slices.Sort(values)
	n := len(values)
	return (values[(n-1)/2] + values[n/2]) / 2
}

// level is a state level with its standard uncertainty.
type level struct {
	x, u float64
}

// rest is what the settled part of one state looks like.
type rest struct {
	from, to int // samples from..to-1
	mean     float64
	trend    float64 // mean of its first half less that of its second
}

// restOf takes means over a stretch.
func restOf[T Sample](y []T, from, to int) rest {
	middle := from + (to-from)/2
	base := float64(y[from])
	a, b := sumOf(y[from:middle], base), sumOf(y[middle:to], base)
	r := rest{from: from, to: to, mean: base + (a+b)/float64(to-from)}
	if middle > from {
		r.trend = a/float64(middle-from) - b/float64(to-middle)
	}
	return r
}

// sumOf adds samples less a base; four sums at once keep rounding and waiting small.
func sumOf[T Sample](y []T, base float64) float64 {
	var s [4]float64
	i := 0
	for ; i+4 <= len(y); i += 4 {
		four := y[i : i+4 : i+4]
		s[0] += float64(four[0]) - base
		s[1] += float64(four[1]) - base
		s[2] += float64(four[2]) - base
		s[3] += float64(four[3]) - base
	}
	for ; i < len(y); i++ {
		s[0] += float64(y[i]) - base
	}
	return (s[0] + s[1]) + (s[2] + s[3])
}

// noise is what the settled samples scatter about their straight line.
type noise struct {
	sd float64 // of one sample
	// kin is by how much neighbours being alike (a limited bandwidth, ripple) raises the variance of a mean above sd^2 / n; 1 for
	// independent samples.
	kin float64
}

// corr is the standard deviation by which means and fits are judged.
func (n noise) corr() float64 { return n.sd * math.Sqrt(n.kin) }

// kinBlock is the number of samples over which likeness is looked for.
const kinBlock = 64

// noiseOf pools the scatter of settled stretches. Samples beyond five robust standard deviations are glitches and do not count.
func noiseOf[T Sample](y []T, rests []rest) noise {
	total := 0
	for _, r := range rests {
		total += r.to - r.from
	}
	step := 1 + total/scatterSamples
	var sizes []float64
	for _, r := range rests {
		for i := r.from; i < r.to; i += step {
			sizes = append(sizes, math.Abs(float64(y[i])-r.line(i)))
		}
	}
	limit := 5 * 1.4826 * median(sizes)
	if limit == 0 {
		limit = math.Inf(1)
	}
	var squares, blocks float64
	var count, lost, blockCount int
	for _, r := range rests {
		var sum float64
		var inside int
		for i := r.from; i < r.to; i++ {
			d := float64(y[i]) - r.line(i)
			if math.Abs(d) <= limit {
				squares += d * d
				count++
				sum += d
			}
			if inside++; inside == kinBlock {
				blocks += sum * sum / kinBlock
				sum, inside = 0, 0
				blockCount++
			}
		}
		lost += min(2, r.to-r.from) // the line's two parameters
	}
	if count <= lost {
		return noise{kin: 1}
	}
	out := noise{sd: math.Sqrt(squares / float64(count-lost)), kin: 1}
	if blockCount >= 8 && squares > 0 {
		kin := blocks / float64(blockCount) / (squares / float64(count))
		if kin > 1+3*math.Sqrt(2/float64(blockCount)) {
			// a block sees a little less than all of it, and the blocks are few: Student's t widens for their number
			student := uncertain.Factor(uncertain.Coverage95, float64(blockCount)) / uncertain.Factor(uncertain.Coverage95, math.Inf(1))
			out.kin = kin * (1 + kin/kinBlock) * student * student
		}
	}
	return out
}

// line is the straight line through the means of both halves.
func (r rest) line(i int) float64 {
	n := float64(r.to - r.from)
	if n < 8 {
		return r.mean
	}
	return r.mean + r.trend*2/n*(float64(r.from)+(n-1)/2-float64(i))
}

// quantisation is the standard uncertainty that the step of a digitiser leaves in a mean: all of it without noise, next to
// nothing with noise of half a step or more (the bias of a dithered mean falls as exp(-2 pi^2 sd^2 / step^2); from memory).
func quantisation(step, sd float64) float64 {
	if step == 0 {
		return 0
	}
	own := max(0, sd*sd-step*step/12) // what the resolution itself adds is no dither
	return step / math.Sqrt(12) * math.Exp(-2*math.Pi*math.Pi*own/(step*step))
}

// settledLevel is the mean of the settled stretches of one state. A trend beyond chance within them, or a scatter between
// them, is added to the uncertainty.
func settledLevel(rests []rest, n noise, step float64) level {
	var sum, weight, trend float64
	for _, r := range rests {
		w := float64(r.to - r.from)
		sum += w * r.mean
		weight += w
		if t := math.Abs(r.trend); t > 3*2*n.corr()/math.Sqrt(w) {
			trend += w * 2 * t
		}
	}
	l := level{x: sum / weight}
	var between float64
	for _, r := range rests {
		between += float64(r.to-r.from) * (r.mean - l.x) * (r.mean - l.x)
	}
	own := n.corr() * n.corr() / weight
	if k := float64(len(rests)); k >= 3 && between/weight > 0 {
		spread := between / weight / (k - 1)
		if spread > own*(1+3*math.Sqrt(2/(k-1))) {
			own = spread
		}
	}
	l.u = math.Sqrt(own + trend*trend/weight/weight)
	l.u = math.Hypot(l.u, quantisation(step, n.sd))
	return l
}
