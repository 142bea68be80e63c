package sequence

import (
	"errors"

	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/sequence/expr"
)

// Shape describes a sequence file.
func Shape() diag.Type { return diag.Type{} }

// Read reads a sequence file, sets its parameters, and checks everything that can be known before a bench is connected. All
// faults come as findings, in one go; the sequence is nil where there is no use in going on.
func Read(name string, data []byte, set []Setting, found *diag.Findings) *Sequence { return nil }

// Columns lists the quantities that the points of this sequence hold: coordinates from the outermost sweep inwards, then
// what is measured, then what is derived, each in order of appearance.
func (s *Sequence) Columns() []Column { return nil }

// CountPoints is the number of points that a run makes; an upper bound where conditions decide.
func (s *Sequence) CountPoints() int { return 0 }

// MakesRow tells whether a run of this list of steps, once through, makes a point: whether it measures, directly or inside
// a when. Steps of a sweep or repeat below it make points of their own.
func MakesRow(list []Step) bool { return false }

// Work gives the values of a sweep that begins now.
func (v Values) Work(env expr.Env) ([]quantity.Quantity, error) {
	if v.List == nil {
		return nil, errors.New("not written yet")
	}
	return v.List, nil
}

// Amount works a setpoint out: a number with its dimension and without uncertainty, since a setpoint is no measurement.
func Amount(e *expr.Expr, env expr.Env) (quantity.Quantity, error) { return quantity.Quantity{}, nil }
