package uncertain

import (
	"fmt"
	"math"
	"math/rand/v2"
	"sort"

	"fourwire/quantity/measured"
)

// Spread is the outcome of a Monte-Carlo propagation.
type Spread struct {
	Draws     int
	Mean, Std float64
	Low, High float64 // the shortest interval that holds the coverage probability (JCGM 101:2008, 5.3.4)
	Coverage  float64
	Refused   int // draws whose result was no number: left out
}

// Propagate draws all independent inputs of the given values, from normal or rectangular distributions as their shapes say,
// and evaluates f over the values that result. The same seed gives the same result. f gets a slice that it must not keep.
func Propagate(ledger *measured.Ledger, values []measured.Value, f func(x []float64) float64, draws int, coverage float64, seed uint64) (Spread, error) {
	if draws < 100 {
		return Spread{}, fmt.Errorf("%d draws say nothing; take at least 100", draws)
	}
	index := map[measured.ID]int{}
	var shapes []measured.Input
	for _, v := range values {
		for _, t := range v.Terms {
			if _, ok := index[t.Input]; !ok {
				index[t.Input] = len(shapes)
				shapes = append(shapes, ledger.Input(t.Input))
			}
		}
	}
	r := rand.New(rand.NewPCG(seed, 0x9e3779b97f4a7c15))
	unit, x := make([]float64, len(shapes)), make([]float64, len(values))
	results := make([]float64, 0, draws)
	for range draws {
		for i, in := range shapes {
			unit[i] = draw(r, in)
		}
		for i, v := range values {
			x[i] = v.X
			for _, t := range v.Terms {
				x[i] += t.Part * unit[index[t.Input]]
			}
		}
		if y := f(x); !math.IsNaN(y) && !math.IsInf(y, 0) {
			results = append(results, y)
		}
	}
	if len(results) < draws/2 {
		return Spread{}, fmt.Errorf("%d of %d draws gave no number: the value is not defined within its uncertainty", draws-len(results), draws)
	}
	s := Spread{Draws: len(results), Refused: draws - len(results), Coverage: coverage}
	d := Describe(results)
	s.Mean, s.Std = d.Mean, d.SD
	s.Low, s.High = shortest(results, coverage)
	return s, nil
}

// draw gives one deviation of an input in units of its standard uncertainty.
func draw(r *rand.Rand, in measured.Input) float64 {
	switch {
	case in.Shape == measured.Rectangular:
		return math.Sqrt(3) * (2*r.Float64() - 1)
	case in.DOF > 0 && !math.IsInf(in.DOF, 1):
		// a scaled and shifted t distribution (JCGM 101:2008, 6.4.9)
		var chi float64
		for range int(math.Ceil(in.DOF)) {
			z := r.NormFloat64()
			chi += z * z
		}
		return r.NormFloat64() / math.Sqrt(chi/math.Ceil(in.DOF))
	}
	return r.NormFloat64()
}

// shortest sorts the results and gives the shortest interval that holds a share of them.
func shortest(results []float64, share float64) (low, high float64) {
	sort.Float64s(results)
	n := len(results)
	hold := min(n-1, int(share*float64(n)+0.5))
	best := math.Inf(1)
	for i := 0; i+hold < n; i++ {
		if width := results[i+hold] - results[i]; width < best {
			best, low, high = width, results[i], results[i+hold]
		}
	}
	return low, high
}

// Agrees tells whether a linear propagation may stand: its interval value plus or minus u differs from the Monte-Carlo one by
// less than delta at both ends, where delta is half of the last of two significant digits of the standard uncertainty
// (JCGM 101:2008, clause 8).
func (s Spread) Agrees(value, u float64) bool {
	delta := tolerance(s.Std)
	return math.Abs(value-u-s.Low) <= delta && math.Abs(value+u-s.High) <= delta
}

// tolerance is half a unit of the second significant digit of u (JCGM 101:2008, 7.9.2).
func tolerance(u float64) float64 {
	if u == 0 || math.IsNaN(u) {
		return 0
	}
	return 0.5 * math.Pow(10, math.Floor(math.Log10(u))-1)
}
