package sweep

import (
	"math"

	"fourwire/quantity/measured"
)

// sameSetting is how near two points of a sweep must lie to count as one setting, as a part of the whole range: far above
// what meters scatter, far below any step of a sweep. Common practice, no source.
const sameSetting = 1e-3

// Ends are the two ends of a sweep of x: the points at which x was least and greatest. Among points at the same setting (a
// first point that was measured once more) it is the one measured first, so that scatter does not choose.
type Ends struct {
	LowX, LowY   measured.Value // at the least x
	HighX, HighY measured.Value // at the greatest x
}

// EndsOf finds the ends of a sweep; it needs two points at different settings.
func EndsOf(x, y Values) (Ends, error) {
	x, y = Rows(x, y)
	if len(x) == 0 {
		return Ends{}, ErrNoPoint
	}
	low, high := extremes(x)
	width := x[high].X - x[low].X
	if width == 0 {
		return Ends{}, errNoSpread
	}
	first := func(end int) int {
		for i := range x {
			if math.Abs(x[i].X-x[end].X) <= sameSetting*width {
				return i
			}
		}
		return end
	}
	low, high = first(low), first(high)
	return Ends{LowX: x[low], LowY: y[low], HighX: x[high], HighY: y[high]}, nil
}

// Slope is the two-point slope (y high - y low) / (x high - x low).
func (e Ends) Slope() measured.Value {
	return measured.Div(measured.Sub(e.HighY, e.LowY), measured.Sub(e.HighX, e.LowX))
}

// LineRegulation is the change of an output over a range of input voltage, at one load.
type LineRegulation struct{ Ends }

// LineOf finds the line regulation of output volts vo over input volts vi. Definitions: trade practice, no one source; a data
// sheet says which of the forms it prints.
func LineOf(vi, vo Values) (LineRegulation, error) {
	ends, err := EndsOf(vi, vo)
	return LineRegulation{ends}, err
}

// Change is vo at the highest input less vo at the lowest, in volts, with its sign.
func (r LineRegulation) Change() measured.Value { return measured.Sub(r.HighY, r.LowY) }

// OverNominal is the change as a part of the nominal output voltage, over the whole range of input.
func (r LineRegulation) OverNominal(nominal measured.Value) measured.Value {
	return measured.Div(r.Change(), nominal)
}

// PerVolt is the change as a part of the nominal output voltage for each volt of input, in 1/V: 0.01 is 1 %/V.
func (r LineRegulation) PerVolt(nominal measured.Value) measured.Value {
	return measured.Div(r.OverNominal(nominal), measured.Sub(r.HighX, r.LowX))
}

// LoadRegulation is the change of an output from light to full load, at one input voltage.
type LoadRegulation struct{ Ends }

// LoadOf finds the load regulation of output volts vo over load current io. Both denominators are in use, so the result
// offers both: state which one a figure has.
func LoadOf(io, vo Values) (LoadRegulation, error) {
	ends, err := EndsOf(io, vo)
	return LoadRegulation{ends}, err
}

// Change is vo at the lightest load less vo at full load, in volts: positive where the output sags.
func (r LoadRegulation) Change() measured.Value { return measured.Sub(r.LowY, r.HighY) }

// OverNominal is (V light - V full) / V nominal.
func (r LoadRegulation) OverNominal(nominal measured.Value) measured.Value {
	return measured.Div(r.Change(), nominal)
}

// OverFull is (V light - V full) / V full; the gain error of the meter cancels in it.
func (r LoadRegulation) OverFull() measured.Value { return measured.Div(r.Change(), r.HighY) }

// PerAmp is the change as a part of the nominal output voltage for each ampere, in 1/A.
func (r LoadRegulation) PerAmp(nominal measured.Value) measured.Value {
	return measured.Div(r.OverNominal(nominal), measured.Sub(r.HighX, r.LowX))
}

// Resistance is the two-point output resistance (V light - V full) / (I full - I light). The resistance between the point of
// regulation and the voltmeter is in it.
func (r LoadRegulation) Resistance() measured.Value {
	return measured.Div(r.Change(), measured.Sub(r.HighX, r.LowX))
}
