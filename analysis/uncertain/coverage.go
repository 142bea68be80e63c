package uncertain

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// The coverage probabilities in use: 95.45 % belongs to k = 2 for a normal distribution.
const (
	Coverage95 = 0.95
	CoverageK2 = 0.9544997361036416
)

// Factor is the two-sided coverage factor of Student's t for a coverage probability and degrees of freedom, which are
// truncated to a whole number as JCGM 100:2008, G.4.1 allows; infinitely many give the normal distribution. Fewer than one
// degree of freedom gives NaN.
func Factor(coverage, dof float64) float64 {
	p := (1 + coverage) / 2
	if math.IsInf(dof, 1) || dof > 1e6 {
		return distuv.UnitNormal.Quantile(p)
	}
	nu := math.Floor(dof)
	if !(nu >= 1) {
		return math.NaN()
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: nu}.Quantile(p)
}

// The standard uncertainty of an input that is known by its limits only (JCGM 100:2008, 4.3.7 to 4.3.9).

// Rectangular is that of a value equally likely anywhere within plus or minus limit.
func Rectangular(limit float64) float64 { return limit / math.Sqrt(3) }

// Triangular is that of a value within plus or minus limit, likelier in the middle.
func Triangular(limit float64) float64 { return limit / math.Sqrt(6) }

// Arcsine is that of a value that swings between plus and minus limit as a sine does.
func Arcsine(limit float64) float64 { return limit / math.Sqrt2 }

// Resolution is that of a display with the given step.
func Resolution(step float64) float64 { return step / math.Sqrt(12) }
