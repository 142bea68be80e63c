package battery

import (
	"fmt"
	"math"
)

// Record is a test of a cell: voltage and current (drawn: positive) over time. Samples are held: the current of a sample
// flows over its interval.
type Record struct {
	Seconds []float64 // middles of the samples, rising
	Amps    []float64
	Volts   []float64 // NaN where not measured

	// Edges are the len(Seconds)+1 ends of the intervals; nil is half way between neighbouring samples.
	Edges []float64
	// Means says that a sample is the mean over its interval, as an integrating unit gives it; else it is the value at its middle.
	Means bool
	// Weight is the number of readings in each sample; nil is one each.
	Weight []float64
}

// Check says what makes a record useless.
func (r *Record) Check() error {
	n := len(r.Seconds)
	switch {
	case n < 2:
		return fmt.Errorf("a record of %d samples shows nothing", n)
	case len(r.Amps) != n || len(r.Volts) != n:
		return fmt.Errorf("%d times with %d currents and %d voltages", n, len(r.Amps), len(r.Volts))
	case r.Edges != nil && len(r.Edges) != n+1:
		return fmt.Errorf("%d samples with %d ends of intervals, not %d", n, len(r.Edges), n+1)
	case r.Weight != nil && len(r.Weight) != n:
		return fmt.Errorf("%d samples with %d weights", n, len(r.Weight))
	}
	for i, t := range r.Seconds {
		switch {
		case math.IsNaN(t) || math.IsInf(t, 0) || i > 0 && t <= r.Seconds[i-1]:
			return fmt.Errorf("sample %d: the time %g s does not follow on the one before", i+1, t)
		case math.IsNaN(r.Amps[i]) || math.IsInf(r.Amps[i], 0):
			return fmt.Errorf("sample %d at %g s: the current is no number", i+1, t)
		case math.IsInf(r.Volts[i], 0):
			return fmt.Errorf("sample %d at %g s: the voltage is no number", i+1, t)
		}
	}
	return nil
}

// edges gives the ends of the intervals.
func (r *Record) edges() []float64 {
	if r.Edges != nil {
		return r.Edges
	}
	n := len(r.Seconds)
	e := make([]float64, n+1)
	for i := 1; i < n; i++ {
		e[i] = (r.Seconds[i-1] + r.Seconds[i]) / 2
	}
	e[0] = r.Seconds[0] - (e[1] - r.Seconds[0])
	e[n] = r.Seconds[n-1] + (r.Seconds[n-1] - e[n-1])
	return e
}

// weight is the number of readings in a sample.
func (r *Record) weight(i int) float64 {
	if r.Weight == nil {
		return 1
	}
	return r.Weight[i]
}

// Charge gives for each sample the coulombs drawn up to its middle, and all of them, each current held over its interval.
func (r *Record) Charge() (upTo []float64, all float64) {
	e := r.edges()
	var sum Sum
	upTo = make([]float64, len(r.Seconds))
	for i, a := range r.Amps {
		upTo[i] = sum.Value() + a*(r.Seconds[i]-e[i])
		sum.Add(a * (e[i+1] - e[i]))
	}
	return upTo, sum.Value()
}

// Part is the record of the samples from..to-1, sharing their memory.
func (r *Record) Part(from, to int) Record {
	p := Record{Seconds: r.Seconds[from:to], Amps: r.Amps[from:to], Volts: r.Volts[from:to], Means: r.Means}
	p.Edges = r.edges()[from : to+1]
	if r.Weight != nil {
		p.Weight = r.Weight[from:to]
	}
	return p
}

// Crossing is what had been drawn when the voltage first fell below a limit.
type Crossing struct {
	Volts   float64
	Seconds float64 // of the first sample below
	Coulomb float64 // by trapezoids up to that sample
	Joule   float64
	Found   bool
}

// Crossings follows a discharge down to each of some limits. A capacity is one only with its cut-off voltage.
func Crossings(r *Record, limits ...float64) []Crossing {
	out := make([]Crossing, len(limits))
	var q, e Sum
	for i, t := range r.Seconds {
		if i > 0 {
			h := t - r.Seconds[i-1]
			q.Add((r.Amps[i] + r.Amps[i-1]) / 2 * h)
			e.Add((r.Amps[i]*r.Volts[i] + r.Amps[i-1]*r.Volts[i-1]) / 2 * h)
		}
		for k, limit := range limits {
			if !out[k].Found && r.Volts[i] < limit {
				out[k] = Crossing{limit, t, q.Value(), e.Value(), true}
			}
		}
	}
	for k, limit := range limits {
		if !out[k].Found {
			out[k] = Crossing{limit, r.Seconds[len(r.Seconds)-1], q.Value(), e.Value(), false}
		}
	}
	return out
}

// Agreement is how two channels agree that measure one thing: the current as measured, and the voltage over a known
// resistance.
type Agreement struct {
	MedianOhm float64 // of voltage over current
	Ratio     float64 // charge of the current channel over that of voltage over resistance
	Differ    bool    // by more than the tolerance
}

// Agree holds the current of a discharge into a known resistance against its voltage. Where they differ, one of the two
// channels, or the resistance, is wrong: the capacity is no better than the difference. Currents below a hundredth of the
// largest are left out of the median.
func Agree(r *Record, ohm, tolerance float64) Agreement {
	var measured, expected Sum
	var ratios []float64
	largest := 0.0
	for _, a := range r.Amps {
		largest = max(largest, math.Abs(a))
	}
	for i, t := range r.Seconds {
		if i > 0 {
			h := t - r.Seconds[i-1]
			measured.Add((r.Amps[i] + r.Amps[i-1]) / 2 * h)
			expected.Add((r.Volts[i] + r.Volts[i-1]) / 2 / ohm * h)
		}
		if math.Abs(r.Amps[i]) > largest/100 {
			ratios = append(ratios, r.Volts[i]/r.Amps[i])
		}
	}
	a := Agreement{MedianOhm: median(ratios), Ratio: measured.Value() / expected.Value()}
	a.Differ = !(math.Abs(a.Ratio-1) <= tolerance)
	return a
}
