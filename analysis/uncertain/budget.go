package uncertain

import (
	"math"
	"sort"

	"fourwire/quantity/measured"
)

// Line is one input's part in a value's uncertainty.
type Line struct {
	Input measured.Input
	Part  float64 // sensitivity times standard uncertainty, with its sign, in the SI unit of the value
	Share float64 // of the variance, 0 to 1
}

// Budget ranks the inputs of a value, the biggest first.
func Budget(v measured.Value, ledger *measured.Ledger) []Line {
	variance := v.Std() * v.Std()
	lines := make([]Line, 0, len(v.Terms))
	for _, t := range v.Terms {
		if t.Part == 0 {
			continue
		}
		lines = append(lines, Line{Input: ledger.Input(t.Input), Part: t.Part, Share: t.Part * t.Part / variance})
	}
	sort.SliceStable(lines, func(i, j int) bool { return lines[i].Share > lines[j].Share })
	return lines
}

// Expanded is an uncertainty with its coverage.
type Expanded struct {
	Std      float64 // standard uncertainty, SI
	DOF      float64 // effective degrees of freedom, infinite where all inputs have infinitely many
	K        float64 // coverage factor
	U        float64 // K times Std
	Coverage float64 // probability
	// Dominated is true where one rectangular input is so large that k is that of a rectangle, 0.95 sqrt(3) for 95 %, instead of
	// Student's t (EA-4/02, S9 and S10).
	Dominated bool
}

// dominance is the largest ratio of all the rest to the one rectangular input at which that input still gives the whole its
// shape; EA-4/02 takes 0.3.
const dominance = 0.3

// Expand gives the expanded uncertainty of a value for a coverage probability.
func Expand(v measured.Value, ledger *measured.Ledger, coverage float64) Expanded {
	e := Expanded{Std: v.Std(), Coverage: coverage, DOF: Degrees(v, ledger)}
	if big, ok := v.Biggest(); ok && ledger.Input(big.Input).Shape == measured.Rectangular {
		rest := math.Sqrt(max(0, e.Std*e.Std-big.Part*big.Part))
		if rest <= dominance*math.Abs(big.Part) {
			e.Dominated, e.K = true, coverage*math.Sqrt(3)
		}
	}
	if !e.Dominated {
		e.K = Factor(coverage, e.DOF)
	}
	e.U = e.K * e.Std
	return e
}

// Degrees is the effective number of degrees of freedom by the Welch-Satterthwaite formula (JCGM 100:2008, G.4.1), not
// truncated. An exact value has infinitely many.
func Degrees(v measured.Value, ledger *measured.Ledger) float64 {
	var sum float64
	for _, t := range v.Terms {
		if dof := ledger.Input(t.Input).DOF; dof > 0 && !math.IsInf(dof, 1) {
			sum += math.Pow(t.Part, 4) / dof
		}
	}
	if sum == 0 {
		return math.Inf(1)
	}
	return math.Pow(v.Std(), 4) / sum
}

// Correlation of two values through the inputs they share; NaN where one of them is exact.
func Correlation(a, b measured.Value) float64 {
	return measured.Covariance(a, b) / (a.Std() * b.Std())
}
