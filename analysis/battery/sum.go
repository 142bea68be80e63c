package battery

import "math"

// Sum adds up many small numbers without losing their tail: 1e9 steps of 1 uC are 1000 C. It keeps what rounding took off
// in a second number (Neumaier's form of compensated summation; from memory). The zero value is 0.
type Sum struct {
	High float64 `json:"high"`
	Low  float64 `json:"low"`
}

// Add adds x.
func (s *Sum) Add(x float64) {
	t := s.High + x
	if math.Abs(s.High) >= math.Abs(x) {
		s.Low += (s.High - t) + x
	} else {
		s.Low += (x - t) + s.High
	}
	s.High = t
}

// Value is the sum so far.
func (s Sum) Value() float64 { return s.High + s.Low }
