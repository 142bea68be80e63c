package circuit

import (
	"math"
	"time"
)

// Lag steps a first-order linear state exactly (an RC voltage, an RL current, a filter, a temperature). A time.Duration
// is an integer count of nanoseconds, so that a long run does not lose the order of its events.
type Lag struct {
	keep    float64 // exp(-h/tau)
	average float64 // (1 - keep) tau/h
}

// NewLag prepares steps of h for a time constant in s. A time constant of 0 follows its target at once.
func NewLag(tauSeconds float64, h time.Duration) Lag {
	if tauSeconds <= 0 {
		return Lag{}
	}
	x := h.Seconds() / tauSeconds
	l := Lag{keep: math.Exp(-x), average: 1}
	if x > 0 {
		l.average = -math.Expm1(-x) / x
	}
	return l
}

// Next returns the state after one step with its target held.
func (l Lag) Next(state, target float64) float64 { return target + (state-target)*l.keep }

// NextRamp returns the state after one step while its target moves evenly between two values.
func (l Lag) NextRamp(state, from, to float64) float64 {
	return to + (state-from)*l.keep - (to-from)*l.average
}

// Mean returns the mean of the state over one step with its target held: what an integrating meter sees.
func (l Lag) Mean(state, target float64) float64 { return target + (state-target)*l.average }

// Crossing returns when, after the start of a step of h, a quantity that goes evenly from before to after passes a
// threshold, and whether it does. Touching the threshold at the end counts, starting on it does not.
func Crossing(before, after, threshold float64, h time.Duration) (at time.Duration, crossed bool) {
	rises := before < threshold && after >= threshold
	falls := before > threshold && after <= threshold
	if !rises && !falls {
		return 0, false
	}
	return time.Duration(math.Round((threshold - before) / (after - before) * float64(h))), true
}

// Sum adds up many small terms (charge, energy) with compensated summation. The zero value is an empty sum.
type Sum struct{ total, lost float64 }

// Add adds one term.
func (s *Sum) Add(x float64) {
	y := x - s.lost
	t := s.total + y
	s.lost = (t - s.total) - y
	s.total = t
}

// Value returns the sum.
func (s *Sum) Value() float64 { return s.total }
