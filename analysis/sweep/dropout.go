package sweep

import (
	"errors"
	"math"

	"fourwire/quantity"
	"fourwire/quantity/measured"
)

// Criterion says when an output counts as lost. It is a convention, to be stated beside every figure that hangs on it: 2 % or
// 100 mV below the value at nominal input are usual (from memory; data sheets differ).
type Criterion struct {
	Fraction float64       // part of the reference that may be lost
	Drop     quantity.Volt // or how far the output may fall; exactly one of both is above zero
}

// Level is the output at which it counts as lost: reference (1 - Fraction), or reference - Drop.
func (c Criterion) Level(reference measured.Value) (measured.Value, error) {
	switch {
	case c.Fraction > 0 && c.Drop == 0 && c.Fraction < 1:
		return measured.Map(reference.X*(1-c.Fraction), reference.Dim, reference, 1-c.Fraction), nil
	case c.Drop > 0 && c.Fraction == 0:
		return measured.Map(reference.X-float64(c.Drop), reference.Dim, reference, 1), nil
	}
	return measured.Value{}, errors.New("state what may be lost: a part between 0 and 1, or a voltage above zero")
}

// Loss is the place at which an output is lost, or comes back.
type Loss struct {
	Input   measured.Value // the minimum input voltage
	Output  measured.Value // there
	Dropout measured.Value // Input - Output
}

// Dropout finds where an output is lost as the input falls, or comes back as it rises: the first crossing of the criterion's
// level in the order measured, on a straight line between two points. The output on the way down is lost in the direction
// [Falling]; on the way up it comes back [Rising]; [Either] takes the first of both. What the input voltage at the crossing
// and the output share (one meter for both, say) cancels in the dropout; the gain error of the output's meter cancels in the
// crossing where the reference was read with it. Definition: dropout is the input less the output when regulation is lost,
// trade practice; use voltages at the nodes of the device, or the leads' drop counts in.
func Dropout(vi, vo Values, reference measured.Value, c Criterion, direction Direction, ledger *measured.Ledger) (Loss, error) {
	level, err := c.Level(reference)
	if err != nil {
		return Loss{}, err
	}
	input, err := Crossing(vi, vo, level, direction, ledger)
	if err != nil {
		return Loss{}, err
	}
	return Loss{Input: input, Output: level, Dropout: measured.Sub(input, level)}, nil
}

// Repeat compares a point with the same point measured once more.
type Repeat struct {
	First, Again measured.Value
	Change       measured.Value // Again - First: what both readings share has cancelled
	// Beyond tells that the change is more than its own U (k = 2): the device, or the bench, has drifted in between.
	Beyond bool
}

// Compare compares two readings of one thing. Repeatability by difference, U as in JCGM 100:2008, 5.1; a drift of the meter
// between both is part of the change.
func Compare(first, again measured.Value) Repeat {
	change := measured.Sub(again, first)
	return Repeat{First: first, Again: again, Change: change, Beyond: math.Abs(change.X) > change.Expanded()}
}

// Drift compares the last point of a sweep with the first one that had the same setting of x, within a thousandth of the
// range. The error says where no other point had it.
func Drift(y, x Values) (Repeat, error) {
	y, x = Rows(y, x)
	if len(y) == 0 {
		return Repeat{}, ErrNoPoint
	}
	last := len(x) - 1
	span := reach(x)
	for i := range last {
		if math.Abs(x[i].X-x[last].X) <= sameSetting*(span.High-span.Low) {
			return Compare(y[i], y[last]), nil
		}
	}
	return Repeat{}, errors.New("no point before the last was measured at " + x[last].Quantity().String() + ", so there is nothing to compare it with; measure the first point once more at the end")
}
