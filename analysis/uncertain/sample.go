package uncertain

import "math"

// Sample describes repeated readings of one thing.
type Sample struct {
	N    int
	Mean float64
	SD   float64 // with n-1; NaN for fewer than two readings
	// Lag1 is the autocorrelation of neighbours: far from zero, the readings are not independent.
	Lag1 float64
}

// Describe works out mean, standard deviation and lag-1 autocorrelation. Two passes with compensated sums keep the digits of
// readings that differ little from each other.
func Describe(readings []float64) Sample {
	s := Sample{N: len(readings), Mean: math.NaN(), SD: math.NaN(), Lag1: math.NaN()}
	if s.N == 0 {
		return s
	}
	var sum Sum
	for _, x := range readings {
		sum.Add(x)
	}
	s.Mean = sum.Value() / float64(s.N)
	if s.N < 2 {
		return s
	}
	// the mean's own rounding is taken out of the sum of squares (corrected two-pass algorithm)
	var squares, rest, neighbours Sum
	for i, x := range readings {
		d := x - s.Mean
		squares.Add(d * d)
		rest.Add(d)
		if i > 0 {
			neighbours.Add(d * (readings[i-1] - s.Mean))
		}
	}
	total := squares.Value() - rest.Value()*rest.Value()/float64(s.N)
	s.SD = math.Sqrt(total / float64(s.N-1))
	s.Lag1 = neighbours.Value() / total
	return s
}

// StdOfMean is the type A standard uncertainty of the mean (JCGM 100:2008, 4.2.3).
func (s Sample) StdOfMean() float64 { return s.SD / math.Sqrt(float64(s.N)) }

// Sum adds with Neumaier's compensation. The zero value is an empty sum.
type Sum struct{ sum, low float64 }

// Add adds one number.
func (s *Sum) Add(x float64) {
	t := s.sum + x
	if math.Abs(s.sum) >= math.Abs(x) {
		s.low += (s.sum - t) + x
	} else {
		s.low += (x - t) + s.sum
	}
	s.sum = t
}

// Value is the sum so far.
func (s *Sum) Value() float64 { return s.sum + s.low }

// Covariances gives the covariance matrix of the means of several quantities that were read together, one slice of equal
// length per quantity (JCGM 100:2008, 5.2.3). Nil where there are fewer than two readings or the lengths differ.
func Covariances(readings [][]float64) [][]float64 {
	if len(readings) == 0 || len(readings[0]) < 2 {
		return nil
	}
	n := len(readings[0])
	means := make([]float64, len(readings))
	for i, r := range readings {
		if len(r) != n {
			return nil
		}
		means[i] = Describe(r).Mean
	}
	out := make([][]float64, len(readings))
	for i := range readings {
		out[i] = make([]float64, len(readings))
		for j := range readings {
			var sum Sum
			for k := range n {
				sum.Add((readings[i][k] - means[i]) * (readings[j][k] - means[j]))
			}
			out[i][j] = sum.Value() / float64(n*(n-1))
		}
	}
	return out
}
