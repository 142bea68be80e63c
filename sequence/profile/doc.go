// Package profile holds voltages over time that supplies are known for, and works out how near a source can come to one before it is asked to.
//
// A [Wave] is what is wanted: points in time, straight lines between them. A [Preset] is a wave that a standard or practice describes, with where
// its figures come from. An [Ability] is what a source can do, and [Nearest] is how it would follow.
package profile

import (
	"fmt"
	"math"
	"sort"
)

// Point is one corner of a wave.
type Point struct {
	Seconds float64 // since its beginning
	Volts   float64
}

// Wave is a voltage over time: straight lines from point to point. Two points of one time are a jump. The first point is at 0 s; times never go
// back. [Wave.Check] says where that is not so; other methods take it as given.
type Wave []Point

// Check says what is wrong with a wave.
func (w Wave) Check() error {
	if len(w) < 2 {
		return fmt.Errorf("a profile has 2 points at least, this has %d", len(w))
	}
	for i, p := range w {
		switch {
		case math.IsNaN(p.Seconds) || math.IsInf(p.Seconds, 0) || math.IsNaN(p.Volts) || math.IsInf(p.Volts, 0):
			return fmt.Errorf("point %d of a profile is no number", i+1)
		case i == 0 && p.Seconds != 0:
			return fmt.Errorf("a profile begins at 0 s, not at %g s", p.Seconds)
		case i > 0 && p.Seconds < w[i-1].Seconds:
			return fmt.Errorf("the times of a profile never go back: %g s stands behind %g s", p.Seconds, w[i-1].Seconds)
		}
	}
	if w.Seconds() <= 0 {
		return fmt.Errorf("a profile takes some time")
	}
	return nil
}

// Seconds is how long it lasts.
func (w Wave) Seconds() float64 { return w[len(w)-1].Seconds }

// First and Last are where it begins and ends, V.
func (w Wave) First() float64 { return w[0].Volts }

// Last is where it ends, V.
func (w Wave) Last() float64 { return w[len(w)-1].Volts }

// Span is its lowest and highest voltage.
func (w Wave) Span() (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, p := range w {
		low, high = math.Min(low, p.Volts), math.Max(high, p.Volts)
	}
	return low, high
}

// At is the voltage at a time; just behind a jump. Before its beginning and behind its end it stands still.
func (w Wave) At(seconds float64) float64 {
	i := sort.Search(len(w), func(k int) bool { return w[k].Seconds > seconds })
	switch i {
	case 0:
		return w[0].Volts
	case len(w):
		return w.Last()
	}
	return between(w[i-1], w[i], seconds)
}

// before is At just before a jump.
func (w Wave) before(seconds float64) float64 {
	i := sort.Search(len(w), func(k int) bool { return w[k].Seconds >= seconds })
	switch i {
	case 0:
		return w[0].Volts
	case len(w):
		return w.Last()
	}
	return between(w[i-1], w[i], seconds)
}

// within is the lowest and highest voltage from one time to another.
func (w Wave) within(from, to float64) (low, high float64) {
	a, b := w.before(from), w.At(to)
	low, high = math.Min(a, b), math.Max(a, b)
	i := sort.Search(len(w), func(k int) bool { return w[k].Seconds >= from })
	for ; i < len(w) && w[i].Seconds <= to; i++ {
		low, high = math.Min(low, w[i].Volts), math.Max(high, w[i].Volts)
	}
	return low, high
}

// Scaled is the wave with every voltage times a factor.
func (w Wave) Scaled(by float64) Wave {
	out := make(Wave, len(w))
	for i, p := range w {
		out[i] = Point{p.Seconds, p.Volts * by}
	}
	return out
}

func between(a, b Point, seconds float64) float64 {
	if b.Seconds <= a.Seconds {
		return b.Volts
	}
	return a.Volts + (b.Volts-a.Volts)*(seconds-a.Seconds)/(b.Seconds-a.Seconds)
}
