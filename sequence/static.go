package sequence

import (
	"errors"
	"math"

	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/sequence/expr"
)

// enough is how many combinations of values are tried for one setpoint before a run; where there are more, the lists are
// thinned with both ends kept. The guard is checked again before each setpoint is sent.
const enough = 5000

// combination is one combination of the values that are known before a run.
type combination struct {
	nothing
	values map[string]measured.Value
	most   int // values of one list that are tried; 0: all
	budget int // how often a value may still be filled in
	visit  func() bool
}

func (c *combination) Value(name string) (measured.Value, bool) {
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
	total, lists := 1, 0
	for _, sym := range order {
		if n := sym.size(); n > 1 {
			total = min(total*n, 1<<40)
			lists++
		}
	}
	c := &combination{values: map[string]measured.Value{}, budget: 10 * enough}
	if total > enough {
		c.most = max(2, int(math.Pow(enough, 1/float64(lists))))
	}
	c.visit = func() bool {
		count++
		return visit(c)
	}
	c.fill(order)
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

// fill gives values to the names of order, each way there is, and visits each combination; false ends it.
func (c *combination) fill(order []*symbol) bool {
	if len(order) == 0 {
		return c.visit()
	}
	sym := order[0]
	set := func(v measured.Value) bool {
		c.values[sym.name] = v
		c.budget--
		return c.budget > 0 && c.fill(order[1:])
	}
	switch sym.kind {
	case counter:
		return c.pick(sym.times, func(k int) bool { return set(measured.Value{X: float64(k + 1)}) })
	case derivedName:
		result, err := sym.formula.Eval(c)
		return err != nil || set(result.Value)
	}
	n, at, err := sym.values.series(c)
	if err != nil {
		return true // reported where the values stand
	}
	return c.pick(n, func(k int) bool {
		q, err := at(k)
		return err != nil || set(measured.Exact(q))
	})
}

// pick goes through the indices of a list, or through some of them with both ends.
func (c *combination) pick(n int, visit func(k int) bool) bool {
	tried := n
	if c.most > 0 {
		tried = min(n, c.most)
	}
	for i := range tried {
		k := i
		if tried < n {
			k = i * (n - 1) / (tried - 1)
		}
		if !visit(k) {
			return false
		}
	}
	return true
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
