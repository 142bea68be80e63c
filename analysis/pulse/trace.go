package pulse

import (
	"fmt"
	"math"

	"fourwire/quantity"
	"fourwire/quantity/measured"
)

// Sample is the number format of a trace.
type Sample interface{ ~float32 | ~float64 }

// Trace is one evenly sampled channel, in any unit. The samples are never changed.
type Trace[T Sample] struct {
	Samples         []T
	IntervalSeconds float64 // between samples
	StartSeconds    float64 // instant of the first sample: negative where the trace begins before its trigger
	Step            float64 // resolution of the digitiser in the unit of the samples; 0: none, or unknown
}

// Reason says why a figure does not exist.
type Reason string

// The reasons.
const (
	OneState     Reason = "the trace rests in one state only"
	NoState      Reason = "the trace does not rest in two states: its values are spread; state the levels, or record longer"
	NoTransition Reason = "there is no transition"
	CutOff       Reason = "the transition is cut off by the end of the trace; record more before and after it"
	TurnsBack    Reason = "the signal turns back before it reaches the reference level"
	NotSettled   Reason = "the signal does not stay in the band until its next transition or the end of the trace"
	TooNoisy     Reason = "the noise is too large for the band; widen the band, or sample faster to average it away"
	NoSecond     Reason = "a second transition is missing"
	NotReached   Reason = "the level is not reached"
	TooShort     Reason = "there are too few samples"
	NoRipple     Reason = "nothing periodic stands out of the noise"
)

// Figure is a result with its expanded uncertainty.
type Figure struct {
	X       float64
	U       float64 // k = 2, about 95 %
	Missing Reason  // why the figure does not exist; empty where it does
}

// OK tells whether the figure exists.
func (f Figure) OK() bool { return f.Missing == "" }

// Value enters the figure's uncertainty in the ledger as an input of its own under a name such as "noise of the rise time".
// The error of a figure that does not exist is its reason.
func (f Figure) Value(ledger *measured.Ledger, name string, dim quantity.Dimension) (measured.Value, error) {
	if !f.OK() {
		return measured.Value{}, fmt.Errorf("%s: %s", name, f.Missing)
	}
	v := measured.Exact(quantity.Of(f.X, dim))
	if f.U > 0 {
		v = measured.New(v.Quantity(), measured.Term{Input: ledger.Own(measured.Input{Name: name, Kind: measured.Noise}), Part: f.U / 2})
	}
	return v, nil
}

func missing(r Reason) Figure { return Figure{Missing: r} }

// figure takes a standard uncertainty; what overflowed on the way is no figure.
func figure(x, std float64) Figure {
	if math.IsNaN(x) || math.IsInf(x, 0) || math.IsNaN(std) || math.IsInf(std, 0) {
		return missing(TooNoisy)
	}
	return Figure{X: x, U: 2 * std}
}

// survey is what one pass over a trace tells.
type survey struct {
	least, greatest float64
}

// check refuses what no figure can come from, and finds the extremes.
func (tr Trace[T]) check(need int) (survey, error) {
	n := len(tr.Samples)
	switch {
	case n < need:
		return survey{}, fmt.Errorf("a trace of %d samples is too short: %d are needed", n, need)
	case !(tr.IntervalSeconds > 0) || math.IsInf(tr.IntervalSeconds, 0):
		return survey{}, fmt.Errorf("the interval between samples is %g s; it must be above zero", tr.IntervalSeconds)
	case math.IsNaN(tr.StartSeconds) || math.IsInf(tr.StartSeconds, 0):
		return survey{}, fmt.Errorf("the instant of the first sample is %g s; it must be a number", tr.StartSeconds)
	case !(tr.Step >= 0) || math.IsInf(tr.Step, 0):
		return survey{}, fmt.Errorf("the resolution of the samples is %g; it cannot be below zero", tr.Step)
	}
	least, greatest, probe := extremes(tr.Samples)
	if probe != 0 { // a NaN or an infinity times zero
		for i, y := range tr.Samples {
			if v := float64(y); math.IsNaN(v) || math.IsInf(v, 0) {
				return survey{}, fmt.Errorf("sample %d is %g: an overload or a gap; cut the trace before it", i, v)
			}
		}
	}
	return survey{float64(least), float64(greatest)}, nil
}

// extremes gives the least and the greatest sample, and a probe that is zero where all are finite.
func extremes[T Sample](y []T) (least, greatest, probe T) {
	l, g := [4]T{y[0], y[0], y[0], y[0]}, [4]T{y[0], y[0], y[0], y[0]}
	var p [4]T
	i := 0
	for ; i+4 <= len(y); i += 4 {
		four := y[i : i+4 : i+4]
		for k := range 4 {
			v := four[k]
			p[k] += v * 0
			if v < l[k] {
				l[k] = v
			}
			if v > g[k] {
				g[k] = v
			}
		}
	}
	for ; i < len(y); i++ {
		p[0] += y[i] * 0
		l[0], g[0] = min(l[0], y[i]), max(g[0], y[i])
	}
	return min(l[0], l[1], l[2], l[3]), max(g[0], g[1], g[2], g[3]), p[0] + p[1] + p[2] + p[3]
}
