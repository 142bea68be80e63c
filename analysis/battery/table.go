package battery

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/interp"
)

// Interpolation says what a [Table] does between its points. Both are monotone: between two points no value lies outside
// theirs, so an open-circuit voltage never has a hump that its points do not have.
type Interpolation uint8

// The interpolations; the zero value is Linear.
const (
	Linear Interpolation = iota // straight between neighbours
	Cubic                       // monotone cubic after Fritsch and Butland (SIAM J. Sci. Stat. Comput. 5, 1984; from memory)
)

// String is the word that a battery file uses.
func (i Interpolation) String() string {
	if i == Cubic {
		return "cubic"
	}
	return "linear"
}

// Table is a figure against state of charge. Outside its points it keeps the value of its ends. The zero value is 0
// everywhere.
type Table struct {
	charge, value []float64
	cubic         *interp.FritschButland
	hint          []int32 // first segment that may hold a charge of the i-th of len(hint) equal parts
	perCharge     float64 // len(hint) over the span of charge
}

// TableError says which point of a table is wrong, and how.
type TableError struct {
	Index int // from 0; the later one of two points that do not fit together
	Text  string
	Hint  string
}

func (e *TableError) Error() string { return e.Text + "; " + e.Hint }

// Constant is a figure that does not depend on charge.
func Constant(value float64) Table { return Table{charge: []float64{0}, value: []float64{value}} }

// NewTable makes a table from points with rising charge, 0 to 1. A fault is a [*TableError].
func NewTable(charge, value []float64, how Interpolation) (Table, error) {
	if len(charge) == 0 || len(charge) != len(value) {
		return Table{}, &TableError{0, fmt.Sprintf("%d charges with %d values make no table", len(charge), len(value)), "give one value for each charge"}
	}
	for i, s := range charge {
		switch {
		case math.IsNaN(value[i]) || math.IsInf(value[i], 0):
			return Table{}, &TableError{i, "a value that is no number", "leave the point out"}
		case !(s >= 0 && s <= 1):
			return Table{}, &TableError{i, fmt.Sprintf("a charge of %.6g %%", s*100), "charge runs from 0 % (empty) to 100 % (full)"}
		case i > 0 && s <= charge[i-1]:
			return Table{}, &TableError{i, fmt.Sprintf("the charge %.6g %% stands behind %.6g %%", s*100, charge[i-1]*100), "list the points from empty to full, each once"}
		}
	}
	t := Table{charge: append([]float64(nil), charge...), value: append([]float64(nil), value...)}
	if how == Cubic && len(charge) >= 3 {
		t.cubic = &interp.FritschButland{}
		if err := t.cubic.Fit(t.charge, t.value); err != nil {
			return Table{}, &TableError{0, err.Error(), "use linear interpolation"}
		}
	}
	t.index()
	return t, nil
}

// Rising makes a table whose values must rise strictly, as an open-circuit voltage does: a charge is then told by its
// voltage, and a fault names the point where it falls.
func Rising(charge, volts []float64, how Interpolation) (Table, error) {
	for i := 1; i < len(volts) && i < len(charge); i++ {
		if !(volts[i] > volts[i-1]) {
			return Table{}, &TableError{i, fmt.Sprintf("the open-circuit voltage does not rise: %.6g V at %.6g %%, %.6g V at %.6g %%", volts[i-1], charge[i-1]*100, volts[i], charge[i]*100),
				"leave one of the two points out"}
		}
	}
	return NewTable(charge, volts, how)
}

// index prepares a look-up that takes about the same few nanoseconds for any length of table.
func (t *Table) index() {
	n := len(t.charge)
	if n < 3 {
		return
	}
	low, span := t.charge[0], t.charge[n-1]-t.charge[0]
	t.hint = make([]int32, min(4*n, 1<<16))
	t.perCharge = float64(len(t.hint)) / span
	segment := 0
	for i := range t.hint {
		at := low + float64(i)/t.perCharge
		for segment < n-2 && t.charge[segment+1] <= at {
			segment++
		}
		t.hint[i] = int32(max(0, segment-1)) // one early, for the rounding of at
	}
}

// segment is the index of the point below charge, which lies inside the table.
func (t *Table) segment(charge float64) int {
	k := 0
	if t.hint != nil {
		k = int(t.hint[min(len(t.hint)-1, int((charge-t.charge[0])*t.perCharge))])
	}
	for k < len(t.charge)-2 && charge >= t.charge[k+1] {
		k++
	}
	return k
}

// At is the value at a charge; beyond the points it is that of the nearest. NaN gives NaN.
func (t *Table) At(charge float64) float64 {
	n := len(t.charge)
	switch {
	case n == 0:
		return 0
	case n == 1 || charge <= t.charge[0]:
		return t.value[0]
	case charge >= t.charge[n-1]:
		return t.value[n-1]
	case charge != charge:
		return charge
	case t.cubic != nil:
		return t.cubic.Predict(charge)
	}
	k := t.segment(charge)
	return t.value[k] + (t.value[k+1]-t.value[k])*((charge-t.charge[k])/(t.charge[k+1]-t.charge[k]))
}

// Slope is the derivative at a charge, of the same segment that At uses; 0 beyond the points.
func (t *Table) Slope(charge float64) float64 {
	n := len(t.charge)
	switch {
	case n < 2 || charge < t.charge[0] || charge > t.charge[n-1]:
		return 0
	case charge != charge:
		return charge
	case t.cubic != nil:
		return t.cubic.PredictDerivative(charge)
	}
	k := t.segment(charge)
	return (t.value[k+1] - t.value[k]) / (t.charge[k+1] - t.charge[k])
}

// Mean is the mean over the charge from its first to its last point, exactly for linear interpolation: for an open-circuit
// voltage it is the energy in joule for each coulomb.
func (t *Table) Mean() float64 {
	n := len(t.charge)
	switch n {
	case 0:
		return 0
	case 1:
		return t.value[0]
	}
	var sum Sum
	for i := 1; i < n; i++ {
		sum.Add((t.value[i] + t.value[i-1]) / 2 * (t.charge[i] - t.charge[i-1]))
	}
	return sum.Value() / (t.charge[n-1] - t.charge[0])
}

// Points gives copies of the charges and values.
func (t *Table) Points() (charge, value []float64) {
	return append([]float64(nil), t.charge...), append([]float64(nil), t.value...)
}

// Len is the number of points; 1 is a constant.
func (t *Table) Len() int { return len(t.charge) }

// Interpolation tells how the table is read between its points.
func (t *Table) Interpolation() Interpolation {
	if t.cubic != nil {
		return Cubic
	}
	return Linear
}

// Scaled is the table with every value multiplied by a positive factor.
func (t *Table) Scaled(factor float64) Table {
	value := make([]float64, len(t.value))
	for i, v := range t.value {
		value[i] = v * factor
	}
	if len(t.charge) == 0 {
		return Table{}
	}
	out, err := NewTable(t.charge, value, t.Interpolation())
	if err != nil {
		return *t
	}
	return out
}
