package plan

import (
	"math"

	"fourwire/quantity"
	"fourwire/sequence"
)

// refined are the values of a sweep with those that it may choose itself: as many as it may, spread over its axis. Where they will really lie
// the run finds out.
func refined(s *sequence.Sweep, values []quantity.Quantity) []quantity.Quantity {
	if s.Refine == nil || len(values) < 2 || s.Refine.Points <= len(values) {
		return values
	}
	low, high := values[0].SI, values[0].SI
	for _, v := range values {
		low, high = math.Min(low, v.SI), math.Max(high, v.SI)
	}
	out := values[:len(values):len(values)]
	more := s.Refine.Points - len(values)
	for k := range more {
		t := (float64(k) + 0.5) / float64(more)
		x := low + t*(high-low)
		if s.Values.Log() && low > 0 {
			x = low * math.Pow(high/low, t)
		}
		out = append(out, quantity.Of(x, values[0].Dim))
	}
	return out
}
