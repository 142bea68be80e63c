package sequence

import (
	"fmt"
	"math"
	"strconv"

	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/sequence/expr"
)

// Values is what a parameter or a sweep takes: one or more values of one dimension. Those of a parameter, and those of a
// sweep that follow from parameters alone, are worked out when the file is read: List holds them. Those that need an outer
// sweep or something measured are worked out each time the sweep begins: List is nil, see [Values.Work].
type Values struct {
	List  []quantity.Quantity // in order; at least one, or nil as said above
	Dim   quantity.Dimension
	Place diag.Place

	items    []*expr.Expr // a list as written
	from, to *expr.Expr   // a range as written
	step     *expr.Expr   // its step; nil: points
	points   int
	log      bool
	param    string // the parameter that the values are taken from
	most     int    // how many values there can be
	broken   bool   // a fault was reported: nothing can be worked out
}

// Most is how many values there are, or can be where a step and the values around it decide.
func (v Values) Most() int { return v.most }

// Work gives the values of a sweep that begins now. Ends that are equal, a step or an end of a log range that is not above
// zero, and more than [MaxValues] values are errors with a place.
func (v Values) Work(env expr.Env) ([]quantity.Quantity, error) {
	if v.List != nil {
		return v.List, nil
	}
	n, at, err := v.series(env)
	if err != nil {
		return nil, err
	}
	out := make([]quantity.Quantity, n)
	for k := range out {
		if out[k], err = at(k); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// series is how many values there are, and the k-th of them.
func (v Values) series(env expr.Env) (n int, at func(k int) (quantity.Quantity, error), err error) {
	switch {
	case v.List != nil:
		return len(v.List), func(k int) (quantity.Quantity, error) { return v.List[k], nil }, nil
	case v.from == nil:
		return len(v.items), func(k int) (quantity.Quantity, error) { return Amount(v.items[k], env) }, nil
	}
	from, err := Amount(v.from, env)
	if err != nil {
		return 0, nil, err
	}
	to, err := Amount(v.to, env)
	if err != nil {
		return 0, nil, err
	}
	a, b := from.SI, to.SI
	switch {
	case a == b:
		return 0, nil, misplaced(v.to, "a range from %s to %s is one value", from, to)
	case v.log && a <= 0:
		return 0, nil, misplaced(v.from, "log spacing begins above zero, not at %s", from)
	case v.log && b <= 0:
		return 0, nil, misplaced(v.to, "log spacing ends above zero, not at %s", to)
	}
	last, exact := v.points-1, true
	between := func(k int) float64 { return rounded(a + (b-a)*float64(k)/float64(last)) }
	switch {
	case v.step != nil:
		step, err := Amount(v.step, env)
		if err != nil {
			return 0, nil, err
		}
		if last, exact, err = v.stride(step, math.Abs(b-a)); err != nil {
			return 0, nil, err
		}
		between = func(k int) float64 { return rounded(a + math.Copysign(step.SI, b-a)*float64(k)) }
	case v.log:
		between = func(k int) float64 { return a * math.Pow(b/a, float64(k)/float64(last)) }
	}
	return last + 1, func(k int) (quantity.Quantity, error) {
		switch {
		case k == 0:
			return from, nil
		case k == last && exact:
			return to, nil
		}
		return quantity.Of(between(k), v.Dim), nil
	}, nil
}

// stride is how many steps fit into a range of some width, and whether the last one arrives at its end.
func (v Values) stride(step quantity.Quantity, width float64) (steps int, exact bool, err error) {
	if step.SI <= 0 {
		return 0, false, misplaced(v.step, "a step is above zero, whichever way the range runs; this is %s", step)
	}
	count := width / step.SI
	if !(count < MaxValues) {
		return 0, false, misplaced(v.step, "a step of %s makes more than %d values", step, MaxValues)
	}
	whole := math.Floor(count + 1e-9)
	return int(whole), math.Abs(count-whole) <= 1e-9*max(1, count), nil
}

func misplaced(e *expr.Expr, format string, args ...any) error {
	return diag.Finding{Place: e.Place, Text: fmt.Sprintf(format, args...)}
}

// rounded leaves out what binary arithmetic adds: three steps of 0.1 are 0.3.
func rounded(x float64) float64 {
	if y, err := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 13, 64), 64); err == nil {
		return y
	}
	return x
}

// exprs are all expressions that the values follow from.
func (v Values) exprs() []*expr.Expr {
	out := append([]*expr.Expr(nil), v.items...)
	for _, e := range []*expr.Expr{v.from, v.to, v.step} {
		if e != nil {
			out = append(out, e)
		}
	}
	return out
}

// Amount works a setpoint out: a number with its dimension and without uncertainty, since a setpoint is no measurement.
func Amount(e *expr.Expr, env expr.Env) (quantity.Quantity, error) {
	if e.Condition() {
		return quantity.Quantity{}, diag.Finding{Place: e.Place, Text: "a condition stands where a number is wanted"}
	}
	r, err := e.Eval(env)
	return r.Value.Quantity(), err
}

// nothing is an environment that knows no names.
type nothing struct{}

func (nothing) Value(string) (measured.Value, bool) { return measured.Value{}, false }
func (nothing) Node(string, string) (measured.Value, error) {
	return measured.Value{}, fmt.Errorf("nothing is measured yet")
}
func (nothing) Column(string) ([]measured.Value, bool) { return nil, false }

// readValues reads a value, a list or a range. With a fault the values have no List and cannot be worked out.
func (r *reader) readValues(n *diag.Node, s *scope) Values {
	v := Values{Place: r.place(n)}
	ok := true
	one := func(n *diag.Node) *expr.Expr {
		e := r.expr(n)
		t := r.check(e, s)
		switch {
		case e == nil || t.Any:
			ok = false
		case t.Truth:
			r.found.Add(e.Place, "%q is a condition, a value is wanted here", e.Text)
			ok = false
		case v.most > 0 && t.Dim != v.Dim:
			r.found.Add(e.Place, "%q is %s, the values before it are %s", e.Text, t.Dim.Name(), v.Dim.Name())
			ok = false
		default:
			v.Dim = t.Dim
			v.most++
		}
		return e
	}
	switch n.Form {
	case diag.Scalar:
		if sym := s.find(n.Text); sym != nil && sym.kind == parameter {
			// the parameter as it stands, with all its values
			sym.used = true
			out := *sym.values
			out.param = sym.name
			return out
		}
		v.items = []*expr.Expr{one(n)}
	case diag.List:
		if len(n.Items) == 0 {
			r.found.Add(v.Place, "a list of values has at least one")
			return Values{Place: v.Place, most: 1, broken: true}
		}
		if len(n.Items) > MaxValues {
			r.found.Add(v.Place, "%d values are more than the limit of %d", len(n.Items), MaxValues)
			return Values{Place: v.Place, most: 1, broken: true}
		}
		for _, item := range n.Items {
			if item.Form == diag.Scalar {
				v.items = append(v.items, one(item))
			}
		}
	case diag.Mapping:
		v.from, v.to = one(n.Get("from")), one(n.Get("to"))
		points, step := n.Get("points"), n.Get("step")
		if step != nil {
			v.step = one(step)
		}
		v.log = text(n.Get("spacing")) == "log"
		switch {
		case (points == nil) == (step == nil):
			r.found.AddHint(v.Place, "as in {from: 9 V, to: 16 V, points: 8}", "a range has either points or step")
			ok = false
		case step != nil && v.log:
			r.found.AddHint(r.place(n.Get("spacing")), "give points", "log spacing has no fixed step")
			ok = false
		}
		v.points = whole(points, 0)
		v.most = v.points
		ok = ok && v.from != nil && v.to != nil && (v.step != nil || v.points >= 2)
	default:
		ok = false
	}
	if !ok {
		return Values{Place: v.Place, most: 1, broken: true}
	}
	r.workOut(&v, s)
	return v
}

// workOut finds the values, or how many there can be, before the run.
func (r *reader) workOut(v *Values, s *scope) {
	fixed := true
	for _, e := range v.exprs() {
		fixed = fixed && r.fixed(e, s)
	}
	most := 0
	count, known := r.enumerate(s, v.exprs(), func(env expr.Env) bool {
		n, _, err := v.series(env)
		if fixed && err == nil {
			if r.worked += n; r.worked > maxRuns {
				err = diag.Finding{Place: v.Place, Text: fmt.Sprintf("all sweeps together have more than %d values", maxRuns)}
			} else if v.List, err = v.Work(env); err == nil {
				r.uneven(v, env)
			}
		}
		if err != nil {
			r.join(err)
			v.broken = true
			return false
		}
		most = max(most, n)
		return true
	})
	switch {
	case v.broken:
		v.most = 1
	case known && count > 0:
		v.most = most
	case v.step != nil:
		r.found.AddHint(v.step.Place, "give points", "how many steps there are must be known before the run")
		v.broken, v.most = true, 1
	}
}

// uneven warns where the last step does not arrive at the end of the range.
func (r *reader) uneven(v *Values, env expr.Env) {
	if v.step == nil {
		return
	}
	list := v.List
	if to, err := Amount(v.to, env); err == nil && list[len(list)-1] != to {
		r.found.Warn(v.step.Place, "choose a step that divides the range, or give points", "the last value is %s, not %s", list[len(list)-1], to)
	}
}
