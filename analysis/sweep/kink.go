package sweep

import (
	"errors"
	"math"
	"slices"
	"sort"

	"fourwire/quantity/measured"
)

// Kink is a place between two neighbouring points at which a curve does not go on as it came: the mark of a device that
// changes its mode (from skipping pulses to continuous conduction, say).
type Kink struct {
	// Low and High are x of the two points; where a bend lies so near to one of them that it may be on its other side, of the
	// next point there.
	Low, High measured.Value
	// Step is how far y jumps, counted in the direction of growing x; Bend is how much its slope over the axis changes. The one
	// that explains the points worse is 0.
	Step, Bend float64
	// Strength is the deviation of the curvature from that of the neighbourhood, in the larger of what scatter and what the
	// neighbourhood's own variation explain.
	Strength float64

	at int // index of the lower point among the points in order of x
}

// At is the middle of the two points, with half their distance as the limit of a rectangular error: the change is located
// within one step of the sweep and no better.
func (k Kink) At(ledger *measured.Ledger) measured.Value {
	middle := measured.Mean(k.Low, k.High)
	return widened(middle, ledger, measured.Input{Name: "step of the sweep at a change of mode", Kind: measured.Quantisation, Shape: measured.Rectangular},
		math.Abs(k.High.X-k.Low.X)/2/math.Sqrt(3))
}

// Kinks finds the changes of mode of y over x, in order of x. The axis is ln x where all x are above zero, x otherwise.
//
// At each inner point the second divided difference measures the curvature. A bend in the slope shows as an excess of one
// sign at the two points around it, a step as two of opposite signs; a smooth curve shows neither. What counts as excess is
// measured by the scatter of the points (their error terms, or the median of third differences where that is more) and by
// how much the curvature varies next door, so that a steep but smooth curve has no kink. Eight points are needed; a kink within
// the last two at either end cannot be told from the curve itself. Own formula, no source.
func Kinks(y, x Values) ([]Kink, error) {
	p, err := inOrder(y, x)
	if err != nil {
		return nil, err
	}
	if len(p.x) < kinkPoints {
		return nil, &TooFew{Figure: "a change of mode", Have: len(p.x), Need: kinkPoints}
	}
	return p.kinks(), nil
}

const (
	kinkPoints    = 8   // fewer do not give a neighbourhood to compare with
	kinkScatter   = 5.5 // standard deviations of scatter that make a kink
	kinkVariation = 4.0 // times the variation of the curvature next door that make a kink
	kinkCurvature = 1.2 // times the curvature next door that make a kink
)

// points are the points of a curve in order of x, those of one setting merged.
type points struct {
	x, y Values
	t    []float64 // the axis: ln x, or x
	log  bool
}

// inOrder sorts by x and merges what was measured at one setting: neighbours far closer than the usual step.
func inOrder(y, x Values) (points, error) {
	y, x = Rows(y, x)
	if len(x) == 0 {
		return points{}, ErrNoPoint
	}
	order := make([]int, len(x))
	log := true
	for i := range order {
		order[i] = i
		log = log && x[i].X > 0
	}
	sort.SliceStable(order, func(i, j int) bool { return x[order[i]].X < x[order[j]].X })
	axis := func(v float64) float64 {
		if log {
			return math.Log(v)
		}
		return v
	}
	var gaps []float64
	for i := 1; i < len(order); i++ {
		gaps = append(gaps, axis(x[order[i]].X)-axis(x[order[i-1]].X))
	}
	near := 0.02 * upperMedian(gaps)
	p := points{log: log}
	var apart Values // how far the points of one setting lie apart
	for from := 0; from < len(order); {
		to := from + 1
		for to < len(order) && axis(x[order[to]].X)-axis(x[order[from]].X) <= near {
			to++
		}
		var xs, ys Values
		for _, i := range order[from:to] {
			xs, ys = append(xs, x[i]), append(ys, y[i])
		}
		if low, high := extremes(ys); len(ys) > 1 {
			apart = append(apart, measured.Sub(ys[high], ys[low]))
		}
		mx, my := measured.Mean(xs...), measured.Mean(ys...)
		p.x, p.y, p.t = append(p.x, mx), append(p.y, my), append(p.t, axis(mx.X))
		from = to
	}
	if mixed(apart, p.y) {
		return p, ErrMixed
	}
	return p, nil
}

// ErrMixed is returned where the points belong to several curves.
var ErrMixed = errors.New("the points are those of several curves: at most settings of x they lie apart by far more than their uncertainty; look at one curve at a time")

// mixed tells whether points of one setting lie apart by more than a twentieth of the whole curve and by more than chance
// allows, at more than half of all settings. What a drift or a hysteresis does is less.
func mixed(apart, y Values) bool {
	whole := reach(y)
	count := 0
	for _, d := range apart {
		if d.X > (whole.High-whole.Low)/20 && d.X > 5*d.Std() {
			count++
		}
	}
	return 2*count > len(y)
}

// upperMedian leans to the greater half, so that a sweep that visits every setting twice has a typical step above zero.
func upperMedian(values []float64) float64 {
	if len(values) == 0 {
		return 0
	}
	sorted := slices.Clone(values)
	slices.Sort(sorted)
	return sorted[len(sorted)*3/4]
}

func median(values []float64) float64 {
	if len(values) == 0 {
		return 0
	}
	sorted := slices.Clone(values)
	slices.Sort(sorted)
	n := len(sorted)
	return (sorted[(n-1)/2] + sorted[n/2]) / 2
}

// stretch is dt/dx at a point: it turns an error of x into one along the axis.
func (p points) stretch(i int) float64 {
	if p.log {
		return 1 / p.x[i].X
	}
	return 1
}

// curvature is the second divided difference at an inner point, and how it moves with the three values.
func (p points) curvature(i int) (value float64, weights [3]float64) {
	before, after := p.t[i]-p.t[i-1], p.t[i+1]-p.t[i]
	weights[0] = 2 / (before * (before + after))
	weights[2] = 2 / (after * (before + after))
	weights[1] = -weights[0] - weights[2]
	return weights[0]*p.y[i-1].X + weights[1]*p.y[i].X + weights[2]*p.y[i+1].X, weights
}

func (p points) kinks() []Kink {
	n := len(p.t)
	second, noise := make([]float64, n), make([]float64, n)
	weights := make([][3]float64, n)
	for i := 1; i < n-1; i++ {
		second[i], weights[i] = p.curvature(i)
		slope := (p.y[i+1].X - p.y[i-1].X) / (p.t[i+1] - p.t[i-1])
		var v Values
		for k := i - 1; k <= i+1; k++ {
			v = append(v, measured.Linear(p.y[k].X, p.y[k].Dim, p.y[k], 1, p.x[k], -slope*p.stretch(k)))
		}
		w := weights[i]
		noise[i] = combine(0, v[0].Dim, v, w[:]).Std()
	}
	// scatter of one point as the third differences show it
	var scatters []float64
	for i := 2; i < n-1; i++ {
		a, b := weights[i-1], weights[i]
		w := [4]float64{-a[0], b[0] - a[1], b[1] - a[2], b[2]}
		norm := math.Sqrt(w[0]*w[0] + w[1]*w[1] + w[2]*w[2] + w[3]*w[3])
		scatters = append(scatters, math.Abs(second[i]-second[i-1])/norm)
	}
	scatter := 1.4826 * median(scatters)
	for i := 1; i < n-1; i++ {
		w := weights[i]
		noise[i] = max(noise[i], scatter*math.Sqrt(w[0]*w[0]+w[1]*w[1]+w[2]*w[2]))
	}
	var found []Kink
	p.split(0, n-1, second, noise, &found)
	slices.SortFunc(found, func(a, b Kink) int { return a.at - b.at })
	return found
}

// split finds the strongest kink of the points low..high and looks again on both sides of it.
func (p points) split(low, high int, second, noise []float64, found *[]Kink) {
	if high-low+1 < kinkPoints {
		return
	}
	best := Kink{at: -1}
	for i := low + 1; i+2 <= high; i++ {
		if k := p.kinkAt(i, low, high, second, noise); k.Strength > best.Strength {
			best = k
		}
	}
	if best.at < 0 || best.Strength < 1 {
		return
	}
	*found = append(*found, best)
	p.split(low, best.at, second, noise, found)
	p.split(best.at+1, high, second, noise, found)
}

// kinkAt weighs a kink between the points i and i+1 against the curvature on both sides; strength 1 is just enough.
func (p points) kinkAt(i, low, high int, second, noise []float64) Kink {
	var around []float64
	for _, k := range []int{i - 2, i - 1, i + 2, i + 3} {
		if k > low && k < high {
			around = append(around, second[k])
		}
	}
	if len(around) < 3 {
		return Kink{at: -1}
	}
	usual := median(around)
	most, least := slices.Max(around), slices.Min(around)
	smooth := max(kinkVariation*(most-least)/2, kinkCurvature*max(math.Abs(most), math.Abs(least)))
	e0, e1 := second[i]-usual, second[i+1]-usual
	strength := math.Hypot(e0, e1) / max(kinkScatter*math.Hypot(noise[i], noise[i+1])/math.Sqrt2, smooth, math.SmallestNonzeroFloat64)
	gap := p.t[i+1] - p.t[i]
	wide0, wide1 := p.t[i+1]-p.t[i-1], p.t[i+2]-p.t[i]
	k := Kink{Low: p.x[i], High: p.x[i+1], at: i, Strength: strength}
	// a step bends the curve both ways by like amounts; beside a bend the other excess is scatter
	if e0*wide0*e1*wide1 < 0 && min(math.Abs(e0*wide0), math.Abs(e1*wide1)) > max(math.Abs(e0*wide0), math.Abs(e1*wide1))/3 {
		k.Step = gap / 4 * (e0*wide0 - e1*wide1)
		return k
	}
	k.Bend = (e0*wide0 + e1*wide1) / 2
	// a bend at a point shows at that point alone: it may be on either side of it
	if i > 0 && math.Abs(e1) < 3*noise[i+1]+most-least {
		k.Low = p.x[i-1]
	}
	if i+2 < len(p.x) && math.Abs(e0) < 3*noise[i]+most-least {
		k.High = p.x[i+2]
	}
	return k
}
