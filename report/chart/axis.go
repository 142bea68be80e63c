// Package chart lays the curves of a report out: axes with round numbers in engineering units, linear or logarithmic, and
// the lines over them, as places on a page or as a stand-alone SVG picture that needs no script.
package chart

import (
	"math"
	"strconv"

	"fourwire/quantity"
	"fourwire/record"
	"fourwire/report"
)

// Axis maps SI values to places between 0 and 1.
type Axis struct {
	Low, High float64 // SI
	Log       bool
	Label     string // "io [A], i(dut.out)"
	Ticks     []Tick
	Scale     report.Scale
}

// Tick is a mark on an axis.
type Tick struct {
	At    float64 // SI
	Label string  // empty for a minor tick
}

// Place is where an SI value lies: 0 at the low end, 1 at the high end, outside that beyond them.
func (a Axis) Place(si float64) float64 {
	if a.Log {
		return math.Log(si/a.Low) / math.Log(a.High/a.Low)
	}
	return (si - a.Low) / (a.High - a.Low)
}

// NewAxis spans low..high, SI, with about want labelled ticks. A logarithmic axis needs low above 0, and becomes a linear one
// where it is not.
func NewAxis(low, high float64, log bool, c record.Column, want int) Axis {
	a := Axis{Log: log && low > 0 && high > 0, Scale: report.ScaleFor(math.Max(math.Abs(low), math.Abs(high)), c.Dim)}
	a.Label = c.Name
	if a.Scale.Symbol != "" {
		a.Label += " [" + report.Pretty(a.Scale.Symbol) + "]"
	}
	if a.Log {
		a.logTicks(low, high, want, c.Dim)
	} else {
		a.linearTicks(low, high, want)
	}
	return a
}

// linearTicks takes round steps (1, 2, 2.5 or 5 times a power of ten in the unit shown) and ends the axis on ticks.
func (a *Axis) linearTicks(low, high float64, want int) {
	lo, hi := a.Scale.Shown(low), a.Scale.Shown(high)
	if !(hi > lo) {
		half := math.Abs(lo) * 0.05
		if half == 0 {
			half = 1
		}
		lo, hi = lo-half, hi+half
	}
	if lo > 0 && lo < 0.3*hi {
		lo = 0 // near enough to zero to show it
	}
	step := niceStep((hi - lo) / float64(max(1, want)))
	first, last := math.Floor(lo/step+1e-9), math.Ceil(hi/step-1e-9)
	places := decimals(step)
	for k := first; k <= last && len(a.Ticks) < 100; k++ {
		x := k * step
		a.Ticks = append(a.Ticks, Tick{x*a.Scale.Factor + a.Scale.Offset, strconv.FormatFloat(x+0, 'f', places, 64)})
	}
	a.Low, a.High = first*step*a.Scale.Factor+a.Scale.Offset, last*step*a.Scale.Factor+a.Scale.Offset
}

// niceStep is the smallest round step that is not below rough.
func niceStep(rough float64) float64 {
	ten := math.Pow(10, math.Floor(math.Log10(rough)))
	for _, m := range []float64{1, 2, 2.5, 5} {
		if m*ten >= rough*(1-1e-9) {
			return m * ten
		}
	}
	return 10 * ten
}

// decimals is how many places a multiple of step needs.
func decimals(step float64) int {
	for places := range 12 {
		scaled := step * math.Pow(10, float64(places))
		if math.Abs(scaled-math.Round(scaled)) < 1e-6 {
			return places
		}
	}
	return 12
}

// logTicks marks 1 to 9 of every decade and labels 1, 2, 5, or 1 alone where that would be crowded; the ends are a little outside
// the data, not on ticks, so that no decade is wasted.
func (a *Axis) logTicks(low, high float64, want int, dim quantity.Dimension) {
	if !(high > low*1.001) {
		low, high = low/1.5, high*1.5
	}
	pad := math.Pow(high/low, 0.03)
	a.Low, a.High = low/pad, high*pad
	labelled := func(m int) bool { return m == 1 || m == 2 || m == 5 }
	if n := 3 * math.Log10(a.High/a.Low); n > 1.6*float64(want) {
		labelled = func(m int) bool { return m == 1 }
	}
	every := max(1, int(math.Ceil(math.Log10(a.High/a.Low)/float64(max(1, want))))) // decades from label to label
	prefixed := high/low >= 1e4
	if prefixed {
		a.Label = a.Label[:len(a.Label)-len(unitSuffix(a.Scale))]
	}
	lo, hi := a.Scale.Shown(a.Low), a.Scale.Shown(a.High)
	for k := int(math.Floor(math.Log10(lo))); k <= int(math.Ceil(math.Log10(hi))); k++ {
		for m := 1; m <= 9; m++ {
			x := float64(m) * math.Pow10(k)
			if x < lo || x > hi {
				continue
			}
			t := Tick{At: x * a.Scale.Factor}
			switch {
			case !labelled(m) || every > 1 && k%every != 0:
			case prefixed:
				t.Label = report.Pretty(quantity.Of(t.At, dim).Text(3))
			default:
				t.Label = strconv.FormatFloat(x, 'f', max(0, -k), 64)
			}
			a.Ticks = append(a.Ticks, t)
		}
	}
	a.labelMore(lo, hi)
}

// leastLabels is how many labels a logarithmic axis needs to be read.
const leastLabels = 3

// labelMore labels every tick of an axis that spans no decade, or gives it round steps where it has hardly any.
func (a *Axis) labelMore(lo, hi float64) {
	labels := 0
	for _, t := range a.Ticks {
		if t.Label != "" {
			labels++
		}
	}
	switch {
	case labels >= leastLabels || hi > 10*lo:
	case len(a.Ticks) >= leastLabels:
		for i, t := range a.Ticks {
			x := t.At / a.Scale.Factor
			a.Ticks[i].Label = strconv.FormatFloat(x, 'f', decimals(tidy(x)), 64)
		}
	default:
		step := niceStep((hi - lo) / (leastLabels + 1))
		places := decimals(step)
		a.Ticks = nil
		for k := math.Ceil(lo/step - 1e-9); k*step <= hi*(1+1e-9); k++ {
			a.Ticks = append(a.Ticks, Tick{k * step * a.Scale.Factor, strconv.FormatFloat(k*step, 'f', places, 64)})
		}
	}
}

// tidy takes what binary arithmetic leaves off a number of few digits.
func tidy(x float64) float64 {
	y, err := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 9, 64), 64)
	if err != nil {
		return x
	}
	return y
}

func unitSuffix(s report.Scale) string {
	if s.Symbol == "" {
		return ""
	}
	return " [" + report.Pretty(s.Symbol) + "]"
}
