package sequence

import (
	"fmt"
	"math"
	"sort"
	"strings"

	"fourwire/quantity"
	"fourwire/sequence/expr"
)

// setpoint checks what is asked of a source or load: its dimension; and every value that is known before the run against
// the guard of the node and against the need itself.
func (r *reader) setpoint(e *expr.Expr, s *scope, ready *readiness, what, as string, dims ...quantity.Dimension) {
	t := r.want(e, s, what, dims...)
	if t.Any || ready == nil {
		return
	}
	need := ready.need
	window := spanOf(t.Dim, need.Volts, need.Amps, need.Watts)
	// what a load holds in volts is what the device is pulled down to; its own span says it when it says volts
	checks := []check{{span: window, says: fmt.Sprintf("the need %s says %s", need.Name, window), hint: fmt.Sprintf("widen %s in needs, or lower what is asked", need.Name), place: need.Place.Line}}
	if g := r.guard(need.Node); g != nil {
		limit := spanOf(t.Dim, g.Volts, g.Amps, g.Watts)
		// the guard comes first: it is the one that protects the device
		checks = append([]check{{span: limit, says: fmt.Sprintf("the guard of %s allows %s", g.Node, limit), hint: "the guard is what the device survives: lower what is asked", place: g.Place.Line}}, checks...)
	}
	if need.Role == RoleLoad {
		checks = append(checks, check{span: quantity.Span{Low: 0, High: maxFloat, Set: true}, says: "a load takes power, it gives none", hint: "write it without the sign", open: t.Dim == quantity.Resistance})
	}
	var faults []fault
	tried := 0
	known := asked{dim: t.Dim, least: math.Inf(1), first: math.NaN()}
	defer func() { r.noteSetpoint(e, known) }()
	r.enumerate(s, append(s.conditions(), e), func(env expr.Env) bool {
		if !s.reached(env) {
			return true
		}
		q, err := Amount(e, env)
		if err != nil {
			r.join(err)
			return false
		}
		tried++
		if known.least = math.Min(known.least, q.SI); tried == 1 {
			known.first = q.SI
		}
		for i, c := range checks {
			if !c.span.Set || c.span.Holds(q.SI) && !(c.open && q.SI == 0) {
				continue
			}
			if k := at(faults, i); k >= 0 {
				faults[k].count++
			} else {
				faults = append(faults, fault{check: i, count: 1, value: q, where: r.where(e, s, env)})
			}
			break
		}
		return true
	})
	sort.Slice(faults, func(i, j int) bool { return faults[i].check < faults[j].check })
	for _, f := range faults {
		c := checks[f.check]
		var more []string
		if f.where != "" {
			more = append(more, f.where)
		}
		if f.count > 1 {
			more = append(more, fmt.Sprintf("and %d more of %d values", f.count-1, tried))
		}
		text := fmt.Sprintf("%s asked of %s%s; %s", f.value, need.Name, as, c.says)
		if c.place > 0 {
			text += fmt.Sprintf(" (line %d)", c.place)
		}
		if len(more) > 0 {
			text += ": " + strings.Join(more, ", ")
		}
		hint := c.hint
		if name, bare := e.Name(); bare {
			if sym := s.find(name); sym != nil && sym.values != nil && sym.values.Place.Line != e.Place.Line {
				hint += fmt.Sprintf("; the values of %s stand in line %d", name, sym.values.Place.Line)
			}
		}
		r.found.AddHint(e.Place, hint, "%s", text)
	}
}

const maxFloat = 1e300

// check is one window that a setpoint must lie in.
type check struct {
	span  quantity.Span
	says  string
	hint  string
	place int  // line where the window stands
	open  bool // zero is outside
}

// fault is the first value outside a window, and how many there are.
type fault struct {
	check int
	count int
	value quantity.Quantity
	where string
}

func at(list []fault, check int) int {
	for i, f := range list {
		if f.check == check {
			return i
		}
	}
	return -1
}

// where names the values that a setpoint follows from, "vin = 20 V, k = 2"; nothing for a bare name, which is the value.
func (r *reader) where(e *expr.Expr, s *scope, env expr.Env) string {
	var order []*symbol
	if _, bare := e.Name(); bare || r.depends(e, s, &order) != nil {
		return ""
	}
	var parts []string
	for _, sym := range order {
		if v, ok := env.Value(sym.name); ok && sym.kind != derivedName {
			parts = append(parts, sym.name+" = "+v.Quantity().String())
		}
	}
	return strings.Join(parts, ", ")
}

// programmed warns where a result multiplies or divides something measured by a setting: the power of a device follows from
// what its nodes carry, not from what the instruments were asked for. Differences from a setting are what they say.
func (r *reader) programmed(e *expr.Expr, s *scope) {
	warned := false
	e.Products(func(left, right []string) {
		set, ok := r.settings(left, s)
		if !ok {
			set, ok = r.settings(right, s)
			left, right = right, left
		}
		if !ok || warned || !r.measuredOnly(right, s) {
			return
		}
		warned = true
		r.found.Warn(e.Place, "take what was measured at the node", "%s is what was asked for, not what was measured", set)
	})
}

// settings tells whether names are all settings: values of sweeps that a source or load may be set to.
func (r *reader) settings(names []string, s *scope) (first string, ok bool) {
	for _, name := range names {
		sym := s.find(name)
		if sym == nil || sym.kind != sweepName || !contains([]string{"V", "A", "W", "ohm"}, sym.typ.Dim.Unit()) {
			return "", false
		}
	}
	if len(names) == 0 {
		return "", false
	}
	return names[0], true
}

// measuredOnly tells whether names hold something measured and no value of a sweep.
func (r *reader) measuredOnly(names []string, s *scope) bool {
	measured := false
	for _, name := range names {
		switch sym := s.find(name); {
		case sym == nil || sym.kind == sweepName:
			return false
		case sym.kind == measuredName:
			measured = true
		case sym.kind == derivedName:
			var order []*symbol
			measured = measured || r.depends(sym.formula, sym.scope, &order) != nil
		}
	}
	return measured
}
