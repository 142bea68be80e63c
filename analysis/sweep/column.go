package sweep

import (
	"errors"
	"fmt"
	"math"

	"fourwire/quantity"
	"fourwire/quantity/measured"
)

// Values is a column of measured values, one for each point, in the order measured.
type Values = []measured.Value

// ErrNoPoint is returned where no point has a usable value in every column that counts.
var ErrNoPoint = errors.New("no point has a usable value")

// TooFew is the error of a figure that needs more points than there are.
type TooFew struct {
	Figure     string // what was asked for
	Have, Need int
}

func (e *TooFew) Error() string {
	points := "points"
	if e.Have == 1 {
		points = "point"
	}
	return fmt.Sprintf("%s needs %d usable points, there are %d; measure more %s", e.Figure, e.Need, e.Have, points)
}

func usable(v measured.Value) bool { return !math.IsNaN(v.X) && !math.IsInf(v.X, 0) }

// Usable keeps the finite values of a column.
func Usable(column Values) Values {
	var kept Values
	for _, v := range column {
		if usable(v) {
			kept = append(kept, v)
		}
	}
	return kept
}

// Rows keeps the points at which both columns have a finite value.
func Rows(a, b Values) (keptA, keptB Values) {
	for i := range min(len(a), len(b)) {
		if usable(a[i]) && usable(b[i]) {
			keptA, keptB = append(keptA, a[i]), append(keptB, b[i])
		}
	}
	return keptA, keptB
}

// extremes gives the first least and the first greatest of one or more values.
func extremes(values Values) (low, high int) {
	for i, v := range values {
		if v.X < values[low].X {
			low = i
		}
		if v.X > values[high].X {
			high = i
		}
	}
	return low, high
}

func reach(values Values) quantity.Span {
	low, high := extremes(values)
	return quantity.Span{Low: values[low].X, High: values[high].X, Dim: values[low].Dim}
}

// Least is the least value of a column.
func Least(column Values) (measured.Value, error) { return WhereLeast(column, column) }

// Greatest is the greatest value of a column.
func Greatest(column Values) (measured.Value, error) { return WhereGreatest(column, column) }

// WhereLeast is x at the point at which y is least, the first of them where there are several.
func WhereLeast(y, x Values) (measured.Value, error) {
	y, x = Rows(y, x)
	if len(y) == 0 {
		return measured.Value{}, ErrNoPoint
	}
	low, _ := extremes(y)
	return x[low], nil
}

// WhereGreatest is x at the point at which y is greatest, the first of them where there are several.
func WhereGreatest(y, x Values) (measured.Value, error) {
	y, x = Rows(y, x)
	if len(y) == 0 {
		return measured.Value{}, ErrNoPoint
	}
	_, high := extremes(y)
	return x[high], nil
}

// Span is the greatest value of a column less the least. It cannot be negative, so that scatter alone makes it larger than
// nothing: use [LineRegulation] or [LoadRegulation] where the ends of the sweep are meant.
func Span(column Values) (measured.Value, error) {
	column = Usable(column)
	if len(column) == 0 {
		return measured.Value{}, ErrNoPoint
	}
	low, high := extremes(column)
	return measured.Sub(column[high], column[low]), nil
}

// Mean is the mean of a column: what its values share stays, what each has of its own averages (JCGM 100:2008, 5.1).
func Mean(column Values) (measured.Value, error) {
	column = Usable(column)
	if len(column) == 0 {
		return measured.Value{}, ErrNoPoint
	}
	weights := make([]float64, len(column))
	var sum float64
	for i, v := range column {
		weights[i] = 1 / float64(len(column))
		sum += v.X
	}
	return combine(sum/float64(len(column)), column[0].Dim, column, weights), nil
}

// First is the first usable value of a column.
func First(column Values) (measured.Value, error) {
	for _, v := range column {
		if usable(v) {
			return v, nil
		}
	}
	return measured.Value{}, ErrNoPoint
}

// Last is the last usable value of a column.
func Last(column Values) (measured.Value, error) {
	for i := len(column) - 1; i >= 0; i-- {
		if usable(column[i]) {
			return column[i], nil
		}
	}
	return measured.Value{}, ErrNoPoint
}

// combine is a value x that moves by weights[i] for each unit of values[i]. Terms are collected and sorted once: adding
// thousands of values one by one would cost the square of their number.
func combine(x float64, dim quantity.Dimension, values Values, weights []float64) measured.Value {
	size := 0
	for _, v := range values {
		size += len(v.Terms)
	}
	terms := make([]measured.Term, 0, size)
	for i, v := range values {
		for _, t := range v.Terms {
			terms = append(terms, measured.Term{Input: t.Input, Part: weights[i] * t.Part})
		}
	}
	return measured.New(quantity.Of(x, dim), terms...)
}

// widened is v with an error of its own, of a standard uncertainty in the unit of v, that no other value shares. Without a
// ledger, or without an error to add, it is v.
func widened(v measured.Value, ledger *measured.Ledger, in measured.Input, std float64) measured.Value {
	if ledger == nil || !(std > 0) || math.IsInf(std, 0) {
		return v
	}
	return measured.Add(v, measured.New(quantity.Of(0, v.Dim), measured.Term{Input: ledger.Own(in), Part: std}))
}
