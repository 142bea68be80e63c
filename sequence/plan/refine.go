package plan

import (
	"fourwire/quantity"
	"fourwire/sequence"
)

// refined are the values of a sweep with as many more as it may choose itself. Where those will lie only the run finds out: they stand for
// themselves once more, which takes as long and asks nothing new of an instrument.
func refined(s *sequence.Sweep, values []quantity.Quantity) []quantity.Quantity {
	if s.Refine == nil || len(values) == 0 {
		return values
	}
	out := values[:len(values):len(values)]
	for len(out) < s.Refine.Points {
		out = append(out, values[len(out)%len(values)])
	}
	return out
}
