package expr

import (
	"math"

	"fourwire/quantity"
	"fourwire/quantity/measured"
)

// columnCall compiles a function of whole columns. Rows in which one of its columns has no value are left out.
func (e *Expr) columnCall(n *node) number {
	f := functions[n.name]
	columns := make([]func(Env) ([]measured.Value, error), n.columns())
	for i := range columns {
		columns[i] = e.column(n.args[i])
	}
	var level number
	if len(n.args) > len(columns) {
		level = e.number(n.args[len(columns)])
	}
	wrong := len(n.args) < f.least || f.most >= 0 && len(n.args) > f.most
	return func(env Env) (measured.Value, error) {
		if wrong {
			return measured.Value{}, e.fault(n.at, "%s is wanted here", f.use)
		}
		var given [2][]measured.Value
		for i, c := range columns {
			values, err := c(env)
			if err != nil {
				return measured.Value{}, err
			}
			given[i] = values
		}
		a, b := usable(given[0], given[1], len(columns) == 2)
		if n.name == "count" {
			return measured.Value{X: float64(len(a))}, nil
		}
		if len(a) == 0 {
			return measured.Value{}, e.fault(n.at, "%s: no point has a usable value", n.name)
		}
		if level != nil {
			v, err := level(env)
			if err != nil {
				return v, err
			}
			return e.interpolate(n, a, b, v)
		}
		return e.reduce(n, a, b)
	}
}

// usable keeps the rows in which every column has a value.
func usable(a, b []measured.Value, two bool) (keptA, keptB []measured.Value) {
	for i := range a {
		if math.IsNaN(a[i].X) || two && (i >= len(b) || math.IsNaN(b[i].X)) {
			continue
		}
		keptA = append(keptA, a[i])
		if two {
			keptB = append(keptB, b[i])
		}
	}
	return keptA, keptB
}

// column compiles an argument that is a column: a name, or an expression worked out row by row.
func (e *Expr) column(n *node) func(Env) ([]measured.Value, error) {
	if n.op == opName {
		return func(env Env) ([]measured.Value, error) {
			values, ok := env.Column(n.name)
			if !ok {
				return nil, e.fault(n.at, "there is no column %s", n.name)
			}
			return values, nil
		}
	}
	names := n.names()
	inner := e.number(n)
	return func(env Env) ([]measured.Value, error) {
		row := rowEnv{Env: env, columns: map[string][]measured.Value{}}
		length := -1
		for _, name := range names {
			if values, ok := env.Column(name); ok {
				row.columns[name] = values
				length = max(length, len(values))
			}
		}
		if length < 0 {
			return nil, e.fault(n.at, "there is no column here")
		}
		out := make([]measured.Value, length)
		for row.at = range out {
			v, err := inner(&row)
			if err != nil {
				// a row without a value, or with a division by zero, has no value to offer
				v = measured.Value{X: math.NaN()}
			}
			out[row.at] = v
		}
		return out, nil
	}
}

// rowEnv sees one row of the columns.
type rowEnv struct {
	Env
	columns map[string][]measured.Value
	at      int
}

func (r *rowEnv) Value(name string) (measured.Value, bool) {
	values, ok := r.columns[name]
	if !ok {
		return r.Env.Value(name)
	}
	if r.at >= len(values) {
		return measured.Value{X: math.NaN()}, true
	}
	return values[r.at], true
}

// reduce works out the functions of columns that need no level.
func (e *Expr) reduce(n *node, a, b []measured.Value) (measured.Value, error) {
	low, high := extremes(a)
	switch n.name {
	case "min":
		return a[low], nil
	case "max":
		return a[high], nil
	case "span":
		return e.finite(n, measured.Sub(a[high], a[low]))
	case "first":
		return a[0], nil
	case "last":
		return a[len(a)-1], nil
	case "where_min":
		return b[low], nil
	case "where_max":
		return b[high], nil
	case "mean":
		weights := make([]float64, len(a))
		var sum float64
		for i, v := range a {
			weights[i] = 1 / float64(len(a))
			sum += v.X
		}
		return e.finite(n, combine(sum/float64(len(a)), a[0].Dim, a, weights))
	}
	return e.slope(n, a, b)
}

func extremes(values []measured.Value) (low, high int) {
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

// combine is a value that moves by weights[i] for each unit of values[i]. Terms are collected and sorted once: adding
// thousands of values one by one would cost the square of their number.
func combine(x float64, dim quantity.Dimension, values []measured.Value, weights []float64) measured.Value {
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

// slope is the slope of the straight line through all points by least squares, with the errors of both columns propagated.
func (e *Expr) slope(n *node, y, x []measured.Value) (measured.Value, error) {
	count := float64(len(x))
	var meanX, meanY, sxx, sxy float64
	for i := range x {
		meanX += x[i].X / count
		meanY += y[i].X / count
	}
	for i := range x {
		sxx += (x[i].X - meanX) * (x[i].X - meanX)
		sxy += (x[i].X - meanX) * (y[i].X - meanY)
	}
	if sxx == 0 {
		return measured.Value{}, e.fault(n.at, "slope: the points do not differ along x")
	}
	slope := sxy / sxx
	values, weights := make([]measured.Value, 0, 2*len(x)), make([]float64, 0, 2*len(x))
	for i := range x {
		values = append(values, y[i], x[i])
		weights = append(weights, (x[i].X-meanX)/sxx, (y[i].X-meanY-2*slope*(x[i].X-meanX))/sxx)
	}
	return e.finite(n, combine(slope, y[0].Dim.Over(x[0].Dim), values, weights))
}

// interpolate is the value of a on the straight line between the first two neighbouring points between which b reaches
// level. Nothing is extrapolated.
func (e *Expr) interpolate(n *node, a, b []measured.Value, level measured.Value) (measured.Value, error) {
	for i := range b {
		if b[i].X == level.X && (len(b) == 1 || i+1 == len(b)) {
			// the last point itself; there is no piece of line that begins here
			if i == 0 {
				return a[0], nil
			}
			return e.between(n, a[i-1], a[i], b[i-1], b[i], level)
		}
		if i+1 < len(b) && (b[i].X-level.X)*(b[i+1].X-level.X) <= 0 && b[i].X != b[i+1].X {
			return e.between(n, a[i], a[i+1], b[i], b[i+1], level)
		}
	}
	low, high := extremes(b)
	between := quantity.Span{Low: b[low].X, High: b[high].X, Dim: b[low].Dim}
	if n.name == "crossing" {
		return measured.Value{}, e.fault(n.at, "crossing: never crosses %s; the points run over %s", level.Quantity(), between)
	}
	return measured.Value{}, e.fault(n.at, "at: %s lies outside the points, which run over %s", level.Quantity(), between)
}

// between propagates through a = a0 + (a1 - a0) (level - b0) / (b1 - b0).
func (e *Expr) between(n *node, a0, a1, b0, b1, level measured.Value) (measured.Value, error) {
	if b0.X == b1.X {
		return a1, nil
	}
	t := (level.X - b0.X) / (b1.X - b0.X)
	s := (a1.X - a0.X) / (b1.X - b0.X)
	x := a0.X + (a1.X-a0.X)*t
	return e.finite(n, combine(x, a0.Dim, []measured.Value{a0, a1, b0, b1, level}, []float64{1 - t, t, -s * (1 - t), -s * t, s}))
}
