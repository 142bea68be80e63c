package expr

import (
	"fmt"
	"math"

	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/quantity/measured"
)

// number and condition are what an expression is compiled to.
type (
	number    func(Env) (measured.Value, error)
	condition func(Env) (bool, error)
)

// Eval works the expression out. A name without a value, a result that is no finite number and a function that has no
// answer are errors with their place: a [diag.Finding], except where the environment could not read a node.
func (e *Expr) Eval(env Env) (Result, error) {
	if e.truth != nil {
		truth, err := e.truth(env)
		return Result{Truth: truth}, err
	}
	v, err := e.value(env)
	if err != nil {
		return Result{}, err
	}
	for _, t := range v.Terms {
		if math.IsNaN(t.Part) || math.IsInf(t.Part, 0) {
			return Result{}, e.fault(e.root.at, "the uncertainty of %s is no finite number", e.Text)
		}
	}
	return Result{Value: v}, nil
}

func (e *Expr) fault(at int, format string, args ...any) error {
	return diag.Finding{Place: e.place(at), Text: diag.Printable(fmt.Sprintf(format, args...))}
}

func (e *Expr) compile() {
	if e.root.op.givesTruth() {
		e.truth = e.condition(e.root)
		return
	}
	e.value = e.number(e.root)
}

func (e *Expr) condition(n *node) condition {
	switch n.op {
	case opNot:
		inner := e.condition(n.args[0])
		return func(env Env) (bool, error) {
			truth, err := inner(env)
			return !truth && err == nil, err
		}
	case opAnd, opOr:
		a, b, decides := e.condition(n.args[0]), e.condition(n.args[1]), n.op == opOr
		return func(env Env) (bool, error) {
			if truth, err := a(env); err != nil || truth == decides {
				return truth, err
			}
			return b(env)
		}
	}
	a, b, op := e.number(n.args[0]), e.number(n.args[1]), n.op
	return func(env Env) (bool, error) {
		x, err := a(env)
		if err != nil {
			return false, err
		}
		y, err := b(env)
		if err != nil {
			return false, err
		}
		return op.holds(x.X, y.X), nil
	}
}

func (o op) holds(x, y float64) bool {
	switch o {
	case opLess:
		return x < y
	case opLessOrEqual:
		return x <= y
	case opGreater:
		return x > y
	case opGreaterOrEqual:
		return x >= y
	case opEqual:
		return x == y
	}
	return x != y
}

func (e *Expr) number(n *node) number {
	switch n.op {
	case opLiteral:
		v := measured.Exact(n.quantity)
		return func(Env) (measured.Value, error) { return v, nil }
	case opName:
		return e.name(n)
	case opNode:
		function, node := n.node.Function, n.node.Node
		return func(env Env) (measured.Value, error) {
			v, err := env.Node(function, node)
			if err != nil {
				return v, fmt.Errorf("%s: %s: %w", e.place(n.at), n.node, err)
			}
			if math.IsNaN(v.X) {
				return v, e.fault(n.at, "%s has no usable value here", n.node)
			}
			return v, nil
		}
	case opNegate:
		inner := e.number(n.args[0])
		return func(env Env) (measured.Value, error) {
			v, err := inner(env)
			if err != nil {
				return v, err
			}
			return measured.Map(-v.X, v.Dim, v, -1), nil
		}
	case opPower:
		return e.power(n)
	case opCall:
		return e.call(n)
	}
	a, b := e.number(n.args[0]), e.number(n.args[1])
	calculate := map[op]func(a, b measured.Value) measured.Value{
		opAdd: measured.Add, opSubtract: measured.Sub, opMultiply: measured.Mul, opDivide: measured.Div,
	}[n.op]
	divides := n.op == opDivide
	return func(env Env) (measured.Value, error) {
		x, err := a(env)
		if err != nil {
			return x, err
		}
		y, err := b(env)
		if err != nil {
			return y, err
		}
		if divides && y.X == 0 {
			return y, e.fault(n.at, "a division by zero")
		}
		return e.finite(n, calculate(x, y))
	}
}

// finite refuses a result that cannot be shown.
func (e *Expr) finite(n *node, v measured.Value) (measured.Value, error) {
	if math.IsNaN(v.X) || math.IsInf(v.X, 0) {
		what := n.name
		if what == "" {
			what = symbols[n.op]
		}
		return v, e.fault(n.at, "the result of %q is no finite number", what)
	}
	return v, nil
}

func (e *Expr) name(n *node) number {
	return func(env Env) (measured.Value, error) {
		v, ok := env.Value(n.name)
		switch {
		case !ok:
			return v, e.fault(n.at, "%s has no value here", n.name)
		case math.IsNaN(v.X):
			return v, e.fault(n.at, "%s has no usable value here", n.name)
		}
		return v, nil
	}
}

func (e *Expr) power(n *node) number {
	inner := e.number(n.args[0])
	exponent, ok := n.args[1].whole()
	return func(env Env) (measured.Value, error) {
		v, err := inner(env)
		if err != nil {
			return v, err
		}
		if !ok {
			return v, e.fault(n.at, "a power is a whole number from -8 to 8, written out")
		}
		if v.X == 0 && exponent <= 0 {
			return v, e.fault(n.at, "zero to the power %d has no value", exponent)
		}
		p := float64(exponent)
		return e.finite(n, measured.Map(math.Pow(v.X, p), v.Dim.Power(exponent), v, p*math.Pow(v.X, p-1)))
	}
}

// scalars are the functions of one value: result and slope.
var scalars = map[string]func(x float64) (y, slope float64){
	"abs":   func(x float64) (float64, float64) { return math.Abs(x), math.Copysign(1, x) },
	"sqrt":  func(x float64) (float64, float64) { y := math.Sqrt(x); return y, 0.5 / y },
	"exp":   func(x float64) (float64, float64) { y := math.Exp(x); return y, y },
	"ln":    func(x float64) (float64, float64) { return math.Log(x), 1 / x },
	"log10": func(x float64) (float64, float64) { return math.Log10(x), 1 / (x * math.Ln10) },
}

func (e *Expr) call(n *node) number {
	if n.columns() > 0 {
		return e.columnCall(n)
	}
	args := make([]number, len(n.args))
	for i, a := range n.args {
		args[i] = e.number(a)
	}
	if !n.arity() {
		return func(Env) (measured.Value, error) {
			return measured.Value{}, e.fault(n.at, "%s is wanted here", functions[n.name].use)
		}
	}
	if scalar, ok := scalars[n.name]; ok {
		return e.scalar(n, scalar, args[0])
	}
	return func(env Env) (measured.Value, error) {
		best, err := args[0](env)
		if err != nil {
			return best, err
		}
		for _, arg := range args[1:] {
			v, err := arg(env)
			switch {
			case err != nil:
				return v, err
			case n.name == "round":
				if v.X <= 0 {
					return v, e.fault(n.at, "a step to round to is above zero")
				}
				best.X = math.Round(best.X/v.X) * v.X
				return e.finite(n, best)
			case n.name == "min" && v.X < best.X, n.name == "max" && v.X > best.X:
				best = v
			}
		}
		return best, nil
	}
}

func (e *Expr) scalar(n *node, scalar func(float64) (float64, float64), inner number) number {
	return func(env Env) (measured.Value, error) {
		v, err := inner(env)
		if err != nil {
			return v, err
		}
		y, slope := scalar(v.X)
		dim := v.Dim
		switch {
		case math.IsNaN(y), math.IsInf(y, -1):
			return v, e.fault(n.at, "%s of %s has no value", n.name, v.Quantity())
		case n.name == "sqrt":
			dim, _ = dim.Root()
			if v.X == 0 && len(v.Terms) > 0 {
				return v, e.fault(n.at, "the uncertainty of sqrt at zero cannot be propagated linearly")
			}
		case n.name != "abs":
			dim = quantity.Ratio
		}
		if len(v.Terms) == 0 {
			return e.finite(n, measured.Value{X: y, Dim: dim})
		}
		return e.finite(n, measured.Map(y, dim, v, slope))
	}
}
