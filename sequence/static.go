package sequence

import (
	"errors"

	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/sequence/expr"
)

// enough is how many combinations of values are tried for one setpoint before a run; where there are more, each list is
// thinned to about thin values with both ends kept. The guard is checked again before each setpoint is sent.
const (
	enough = 5000
	thin   = 24
)

// combination is one combination of the values that are known before a run.
type combination struct {
	nothing
	values map[string]measured.Value
}

func (c combination) Value(name string) (measured.Value, bool) {
	v, ok := c.values[name]
	return v, ok
}

var errMeasured = errors.New("this follows from a measurement")

// enumerate calls visit for each combination of the parameters, sweeps and counters that some expressions follow from, in
// the order of the run, until visit says no. known is false where they follow from something measured. A combination that
// cannot be worked out is passed over.
func (r *reader) enumerate(s *scope, exprs []*expr.Expr, visit func(expr.Env) bool) (count int, known bool) {
	var order []*symbol
	for _, e := range exprs {
		if err := r.depends(e, s, &order); err != nil {
			return 0, false
		}
	}
	total := 1
	for _, sym := range order {
		total = min(total*max(1, sym.size()), 1<<40)
	}
	c := combination{values: map[string]measured.Value{}}
	r.combine(order, c, total > enough, func() bool {
		count++
		return visit(c)
	})
	return count, true
}

// depends lists the names that an expression follows from, each after those that it follows from itself.
func (r *reader) depends(e *expr.Expr, s *scope, order *[]*symbol) error {
	if e == nil || len(e.Nodes()) > 0 {
		return errMeasured
	}
	for _, name := range e.Names() {
		sym := s.find(name)
		if sym == nil || sym.kind == measuredName || sym.many() || sym.typ.Any {
			return errMeasured
		}
		if has(*order, sym) {
			continue
		}
		inner := []*expr.Expr{sym.formula}
		from := sym.scope
		switch {
		case sym.kind == counter, sym.kind == parameter, sym.values != nil && sym.values.List != nil:
			inner = nil
		case sym.kind == sweepName:
			if sym.values.broken {
				return errMeasured
			}
			inner = sym.values.exprs()
			from = sym.scope.up
		}
		for _, e := range inner {
			if err := r.depends(e, from, order); err != nil {
				return err
			}
		}
		*order = append(*order, sym)
	}
	return nil
}

func has(list []*symbol, one *symbol) bool {
	for _, s := range list {
		if s == one {
			return true
		}
	}
	return false
}

// size is how many values a name takes while the names before it stand still.
func (s *symbol) size() int {
	switch s.kind {
	case counter:
		return s.times
	case sweepName:
		return s.values.most
	}
	return 1
}

// combine fills in the values of the names in order[0:], each way there is.
func (r *reader) combine(order []*symbol, c combination, thinned bool, visit func() bool) bool {
	if len(order) == 0 {
		return visit()
	}
	sym := order[0]
	set := func(v measured.Value) bool {
		c.values[sym.name] = v
		return r.combine(order[1:], c, thinned, visit)
	}
	switch {
	case sym.kind == counter:
		for _, k := range picked(sym.times, thinned) {
			if !set(measured.Value{X: float64(k + 1)}) {
				return false
			}
		}
	case sym.kind == derivedName:
		if result, err := sym.formula.Eval(c); err == nil {
			return set(result.Value)
		}
	default:
		list, err := sym.values.Work(c)
		if err != nil {
			return true
		}
		for _, k := range picked(len(list), thinned) {
			if !set(measured.Exact(list[k])) {
				return false
			}
		}
	}
	return true
}

// picked are the indices of a list, or some of them with both ends.
func picked(n int, thinned bool) []int {
	if !thinned || n <= thin {
		out := make([]int, n)
		for i := range out {
			out[i] = i
		}
		return out
	}
	out := make([]int, thin)
	for i := range out {
		out[i] = i * (n - 1) / (thin - 1)
	}
	return out
}

// fixed tells whether an expression has one value for the whole run that is known when the file is read.
func (r *reader) fixed(e *expr.Expr, s *scope) bool {
	var order []*symbol
	if r.depends(e, s, &order) != nil {
		return false
	}
	for _, sym := range order {
		if sym.kind == sweepName || sym.kind == counter {
			return false
		}
	}
	return true
}

// spanOf is the window of a guard or need for a dimension.
func spanOf(dim quantity.Dimension, volts, amps, watts quantity.Span) quantity.Span {
	switch dim {
	case quantity.Voltage:
		return volts
	case quantity.Current:
		return amps
	case quantity.Power:
		return watts
	}
	return quantity.Span{}
}
