package expr

import (
	"errors"
	"fmt"
	"math"

	"fourwire/analysis/sweep"
	"fourwire/quantity"
	"fourwire/quantity/measured"
)

// LedgerKeeper is an [Env] that knows the ledger of the run. Functions that fit a curve enter its scatter there; without a
// ledger they leave it out, or refuse where a result would mean nothing without it.
type LedgerKeeper interface {
	Ledger() *measured.Ledger
}

// figure is what a function of columns looks at.
type figure struct {
	name   string
	a, b   sweep.Values     // its columns; b is nil where it takes one
	levels []measured.Value // the values behind them
	ledger *measured.Ledger
}

// columnCall compiles a function of whole columns. The figures themselves are those of package sweep.
func (e *Expr) columnCall(n *node) number {
	if !n.arity() {
		return func(Env) (measured.Value, error) {
			return measured.Value{}, e.fault(n.at, "%s is wanted here", functions[n.name].use)
		}
	}
	columns := make([]func(Env) ([]measured.Value, error), n.columns())
	for i := range columns {
		columns[i] = e.column(n.args[i])
	}
	var levels []number
	for _, a := range n.args[len(columns):] {
		levels = append(levels, e.number(a))
	}
	return func(env Env) (measured.Value, error) {
		f := figure{name: n.name}
		if keeper, ok := env.(LedgerKeeper); ok {
			f.ledger = keeper.Ledger()
		}
		for i, c := range columns {
			values, err := c(env)
			if err != nil {
				return measured.Value{}, err
			}
			if i == 0 {
				f.a = values
			} else {
				f.b = values
			}
		}
		for _, level := range levels {
			v, err := level(env)
			if err != nil {
				return v, err
			}
			f.levels = append(f.levels, v)
		}
		v, err := f.work()
		if err != nil {
			return measured.Value{}, e.fault(n.at, "%s: %s", n.name, err)
		}
		return e.finite(n, v)
	}
}

// work finds the figure.
func (f figure) work() (measured.Value, error) {
	switch f.name {
	case "min":
		return sweep.Least(f.a)
	case "max":
		return sweep.Greatest(f.a)
	case "span":
		return sweep.Span(f.a)
	case "mean":
		return sweep.Mean(f.a)
	case "first":
		return sweep.First(f.a)
	case "last":
		return sweep.Last(f.a)
	case "count":
		return measured.Value{X: float64(len(sweep.Usable(f.a)))}, nil
	case "where_min":
		return sweep.WhereLeast(f.a, f.b)
	case "where_max":
		return sweep.WhereGreatest(f.a, f.b)
	case "at":
		return sweep.At(f.a, f.b, f.levels[0], f.ledger)
	case "crossing":
		return sweep.Crossing(f.a, f.b, f.levels[0], sweep.Either, f.ledger)
	case "rises_at":
		return sweep.Crossing(f.a, f.b, f.levels[0], sweep.Rising, f.ledger)
	case "falls_at":
		return sweep.Crossing(f.a, f.b, f.levels[0], sweep.Falling, f.ledger)
	case "hysteresis_at":
		pair, err := sweep.Thresholds(f.a, f.b, f.levels[0], f.ledger)
		return pair.Hysteresis, err
	case "slope":
		return sweep.Slope(f.a, f.b, f.ledger)
	case "drift_of":
		again, err := sweep.Drift(f.a, f.b)
		return again.Change, err
	case "peak", "peak_at":
		return f.peak()
	case "mode_change":
		return f.modeChange()
	case "minimum_input", "dropout_voltage":
		return f.dropout()
	case "average_at":
		return f.average()
	}
	return f.regulation()
}

func (f figure) peak() (measured.Value, error) {
	p, err := sweep.PeakOf(f.a, f.b, f.ledger)
	if f.name == "peak" {
		return p.Y, err
	}
	return p.X, err
}

// modeChange is the place of the first change, or of that with a number, in order of x.
func (f figure) modeChange() (measured.Value, error) {
	number := 1.0
	if len(f.levels) > 0 {
		number = f.levels[0].X
	}
	if number < 1 || number != math.Trunc(number) {
		return measured.Value{}, errors.New("changes are numbered 1, 2, 3... in order of x")
	}
	kinks, err := sweep.Kinks(f.b, f.a)
	switch {
	case err != nil:
		return measured.Value{}, err
	case len(kinks) == 0:
		return measured.Value{}, errors.New("the curve goes on smoothly, as far as its points tell")
	case float64(len(kinks)) < number:
		return measured.Value{}, fmt.Errorf("the curve has fewer changes of mode, as far as its points tell: %d", len(kinks))
	}
	return kinks[int(number)-1].At(f.ledger), nil
}

func (f figure) dropout() (measured.Value, error) {
	by := sweep.Criterion{Fraction: f.levels[1].X}
	if f.levels[1].Dim != quantity.Ratio {
		by = sweep.Criterion{Drop: quantity.Volt(f.levels[1].X)}
	}
	loss, err := sweep.Dropout(f.a, f.b, f.levels[0], by, sweep.Either, f.ledger)
	if f.name == "minimum_input" {
		return loss.Input, err
	}
	return loss.Dropout, err
}

func (f figure) average() (measured.Value, error) {
	var parts []float64
	for _, part := range f.levels[1:] {
		parts = append(parts, part.X)
	}
	average, err := sweep.AverageAt(f.a, f.b, f.levels[0], parts, f.ledger)
	return average.Mean, err
}

// regulation is the change itself, or a part of the voltage that was given.
func (f figure) regulation() (measured.Value, error) {
	var change measured.Value
	if f.name == "line_regulation" {
		r, err := sweep.LineOf(f.a, f.b)
		if err != nil {
			return change, err
		}
		change = r.Change()
	} else {
		r, err := sweep.LoadOf(f.a, f.b)
		if err != nil {
			return change, err
		}
		change = r.Change()
	}
	if len(f.levels) == 0 {
		return change, nil
	}
	if f.levels[0].X == 0 {
		return change, errors.New("a division by zero")
	}
	return measured.Div(change, f.levels[0]), nil
}
