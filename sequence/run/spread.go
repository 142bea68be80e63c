package run

import (
	"fmt"
	"math"

	"fourwire/analysis/uncertain"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/sequence/expr"
)

const (
	doubtful = 0.1  // relative standard uncertainty of a denominator from which a straight line says little
	draws    = 4000 // of the inputs, where it does; gives the ends of the interval to a few per cent of its width
)

// expanded is the expanded uncertainty: k = 2, or what Student's t gives for 95.45 % where a scatter of few readings counts.
func (r *runner) expanded(v measured.Value) float64 {
	if r.cfg.Ledger == nil {
		return v.Expanded()
	}
	dof := uncertain.Degrees(v, r.cfg.Ledger)
	if math.IsInf(dof, 1) || math.IsNaN(dof) {
		return v.Expanded()
	}
	return v.Std() * uncertain.Factor(uncertain.CoverageK2, math.Max(1, dof))
}

// divisorsOf lists the parts of an expression that it divides by, found once.
func (r *runner) divisorsOf(e *expr.Expr) []*expr.Expr {
	d, ok := r.divisors[e]
	if !ok {
		d = e.Divisors()
		r.divisors[e] = d
	}
	return d
}

// spread looks whether the straight-line propagation of a value may stand. Where a denominator is so uncertain that it may not, the
// inputs are drawn at random instead (JCGM 101:2008), and the value's terms are stretched to the interval that results, so that
// what follows from it keeps its correlations. how says what was done; empty: nothing.
func (r *runner) spread(e *expr.Expr, env expr.Env, v measured.Value) (out measured.Value, how string) {
	if r.cfg.Ledger == nil || len(v.Terms) == 0 {
		return v, ""
	}
	worst := 0.0
	for _, d := range r.divisorsOf(e) {
		worst = math.Max(worst, uncertainty(d, env))
	}
	if worst <= doubtful {
		return v, ""
	}
	d := &drawn{env: env, index: map[string]int{}, columns: map[string][2]int{}}
	if _, err := e.Eval(d); err != nil {
		return v, ""
	}
	d.x = make([]float64, len(d.values))

	s, err := uncertain.Propagate(r.cfg.Ledger, d.values, func(x []float64) float64 {
		copy(d.x, x)
		d.fixed = true
		got, err := e.Eval(d)
		if err != nil {
			return nan
		}
		return got.Value.X
	}, draws, uncertain.CoverageK2, uint64(len(r.verdicts)+r.points+1))
	if err != nil {
		return v, fmt.Sprintf("its uncertainty cannot be given: a denominator is uncertain by %s and %v", quantity.Of(worst, quantity.Ratio).Text(2), err)
	}
	u := math.Max(math.Abs(s.High-v.X), math.Abs(v.X-s.Low))
	how = fmt.Sprintf("a denominator is uncertain by %s; of %d random draws of the inputs 95.45 %% lie within %s..%s", quantity.Of(worst, quantity.Ratio).Text(2), s.Draws,
		quantity.Of(s.Low, v.Dim).Text(3), quantity.Of(s.High, v.Dim).Text(3))
	if std := v.Std(); std > 0 {
		v = measured.Map(v.X, v.Dim, v, u/(2*std))
	}
	return v, how
}

// uncertainty is the relative standard uncertainty of a part of an expression; of one that stands for a column, the largest of its
// points. 0 where it has no value.
func uncertainty(d *expr.Expr, env expr.Env) float64 {
	relative := func(env expr.Env) float64 {
		got, err := d.Eval(env)
		if err != nil || len(got.Value.Terms) == 0 {
			return 0
		}
		return got.Value.Std() / math.Abs(got.Value.X)
	}
	points := 0
	for _, name := range d.Names() {
		if _, single := env.Value(name); single {
			continue
		}
		if column, ok := env.Column(name); ok {
			points = len(column)
		}
	}
	if points == 0 {
		return relative(env)
	}
	worst := 0.0
	for i := range points {
		worst = math.Max(worst, relative(atPoint{env, i}))
	}
	return worst
}

// atPoint is an environment in which the name of a column stands for its value at one point.
type atPoint struct {
	expr.Env
	point int
}

// Value gives a name.
func (a atPoint) Value(name string) (measured.Value, bool) {
	if v, ok := a.Env.Value(name); ok {
		return v, true
	}
	column, ok := a.Env.Column(name)
	if !ok || a.point >= len(column) {
		return measured.Value{}, false
	}
	return column[a.point], true
}

// drawn is an environment that first collects the values an expression asks for, and then gives drawn ones in their place.
type drawn struct {
	env     expr.Env
	values  []measured.Value
	index   map[string]int    // of a name, a node
	columns map[string][2]int // first and one beyond the last
	fixed   bool
	x       []float64
}

func (d *drawn) one(key string, get func() (measured.Value, bool)) (measured.Value, bool) {
	i, known := d.index[key]
	if !known {
		v, ok := get()
		if !ok {
			return v, false
		}
		i = len(d.values)
		d.index[key], d.values = i, append(d.values, v)
	}
	if !d.fixed {
		return d.values[i], true
	}
	return measured.Value{X: d.x[i], Dim: d.values[i].Dim}, true
}

// Value gives a name.
func (d *drawn) Value(name string) (measured.Value, bool) {
	return d.one(name, func() (measured.Value, bool) { return d.env.Value(name) })
}

// Node gives a node.
func (d *drawn) Node(function, node string) (measured.Value, error) {
	var err error
	v, _ := d.one(function+"("+node, func() (measured.Value, bool) {
		var v measured.Value
		v, err = d.env.Node(function, node)
		return v, err == nil
	})
	return v, err
}

// Column gives a column.
func (d *drawn) Column(name string) ([]measured.Value, bool) {
	at, known := d.columns[name]
	if !known {
		list, ok := d.env.Column(name)
		if !ok {
			return nil, false
		}
		at = [2]int{len(d.values), len(d.values) + len(list)}
		d.columns[name], d.values = at, append(d.values, list...)
	}
	if !d.fixed {
		return d.values[at[0]:at[1]], true
	}
	out := make([]measured.Value, 0, at[1]-at[0])
	for i := at[0]; i < at[1]; i++ {
		out = append(out, measured.Value{X: d.x[i], Dim: d.values[i].Dim})
	}
	return out, true
}
