package sequence

import (
	"fmt"
	"sort"
	"strings"

	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/sequence/expr"
)

// kind is what a name stands for.
type kind uint8

const (
	parameter kind = iota + 1
	sweepName
	counter // n of a repeat
	measuredName
	derivedName
)

// symbol is one name and what is known about it before a run.
type symbol struct {
	name    string
	kind    kind
	typ     expr.Type
	place   diag.Place
	values  *Values    // of a parameter or a sweep
	times   int        // of a counter
	formula *expr.Expr // of a derived name
	scope   *scope     // where values and formula are to be understood
	used    bool
}

// many tells whether the name is a parameter of several values, which only a sweep can take one by one.
func (s *symbol) many() bool { return s.kind == parameter && len(s.values.List) > 1 }

// scope is what is known at one point of a list of steps: the names of this list so far, then those of the lists around it.
type scope struct {
	r       *reader
	up      *scope
	symbols []*symbol
	label   string     // of the sweep or repeat that this list belongs to
	columns bool       // a summary: names are whole columns
	only    *expr.Expr // a when: its condition
	holds   bool       // whether the condition holds in this list
}

// reached tells whether the conditions around a list let a combination of values in, as far as that is known before a run.
func (s *scope) reached(env expr.Env) bool {
	for ; s != nil; s = s.up {
		if s.only == nil {
			continue
		}
		if result, err := s.only.Eval(env); err == nil && result.Truth != s.holds {
			return false
		}
	}
	return true
}

// conditions are those around a list that follow from nothing measured.
func (s *scope) conditions() []*expr.Expr {
	var out []*expr.Expr
	for ; s != nil; s = s.up {
		var order []*symbol
		if s.only != nil && s.r.depends(s.only, s.up, &order) == nil {
			out = append(out, s.only)
		}
	}
	return out
}

func (s *scope) inner() *scope { return &scope{r: s.r, up: s} }

// find looks a name up, innermost first.
func (s *scope) find(name string) *symbol {
	for ; s != nil; s = s.up {
		for i := len(s.symbols) - 1; i >= 0; i-- {
			if s.symbols[i].name == name {
				return s.symbols[i]
			}
		}
	}
	return nil
}

// labelled is the label that points of this list carry.
func (s *scope) labelled() string {
	for ; s != nil; s = s.up {
		if s.label != "" {
			return s.label
		}
	}
	return ""
}

// Lookup makes the scope the one that expressions are checked in.
func (s *scope) Lookup(name string) (expr.Type, bool) {
	sym := s.find(name)
	if sym == nil {
		return expr.Type{Any: true}, s.r.lenient
	}
	sym.used = true
	if sym.many() {
		return expr.Type{Any: true}, true // reported by reader.check
	}
	return sym.typ, true
}

// Known lists every name in reach.
func (s *scope) Known() []string {
	var names []string
	for ; s != nil; s = s.up {
		for _, sym := range s.symbols {
			names = append(names, sym.name)
		}
	}
	sort.Strings(names)
	return names
}

// Node says why a node cannot be read in an expression.
func (s *scope) Node(function, node string) error {
	if s.columns {
		return fmt.Errorf("%s(%s) is not read in a summary; measure it in the steps", function, node)
	}
	return s.r.nodeFault(node)
}

// nodeFault says why a node is not known; nil where it is.
func (r *reader) nodeFault(node string) error {
	if r.lenientNodes || contains(r.nodes, node) {
		return nil
	}
	hint := "name it in needs (as a meter) or in guard"
	if near, ok := diag.Closest(node, r.nodes); ok {
		hint = "did you mean " + near + "? Otherwise " + hint
	}
	return fmt.Errorf("no need and no guard names the node %s; %s", node, hint)
}

func contains(list []string, one string) bool {
	for _, x := range list {
		if x == one {
			return true
		}
	}
	return false
}

// reserved are names that a record uses for itself.
var reserved = []string{"point", "time_s", "part", "mode", "ranges", "status", "why", "biggest", "notes"}

// declare adds a name to a scope; it notes a fault where the name cannot be used, and adds it all the same so that no
// further findings follow from it.
func (s *scope) declare(sym *symbol) (ok bool) {
	r := s.r
	sym.scope = s
	defer func() { s.symbols = append(s.symbols, sym) }()
	if why := expr.ValidName(sym.name); why != "" {
		r.found.Add(sym.place, "%q cannot be a name: %s", sym.name, why)
		return false
	}
	if contains(reserved, sym.name) {
		r.found.AddHint(sym.place, "take another name", "%q is a column that every record has", sym.name)
		return false
	}
	if before := s.find(sym.name); before != nil {
		// sweep: {vin: vin} takes the values of a parameter one by one under its own name
		if sym.kind == sweepName && before.kind == parameter && sym.values != nil && sym.values.param == sym.name {
			return true
		}
		hint := "take another name"
		if sym.kind == sweepName && before.kind == parameter {
			hint = fmt.Sprintf("sweep over it with {%s: %s}, or take another name", sym.name, sym.name)
		}
		r.found.AddHint(sym.place, hint, "%q already stands for something: line %d", sym.name, before.place.Line)
		return false
	}
	return true
}

// check finds an expression's type in a scope, and refuses what has no single value there.
func (r *reader) check(e *expr.Expr, s *scope) expr.Type {
	if e == nil {
		return expr.Type{Any: true}
	}
	for _, name := range e.Names() {
		if sym := s.find(name); sym != nil && sym.many() {
			r.found.AddHint(e.Place, fmt.Sprintf("sweep over it: sweep: {%s: %s}", name, name), "%s has %d values, one is wanted here", name, len(sym.values.List))
		}
	}
	t, ok := e.Check(s, r.found)
	if !ok {
		t.Any = true
	}
	return t
}

// want checks that an expression gives a number of one of some dimensions.
func (r *reader) want(e *expr.Expr, s *scope, what string, dims ...quantity.Dimension) expr.Type {
	t := r.check(e, s)
	if t.Any {
		return t
	}
	names := make([]string, len(dims))
	for i, d := range dims {
		if !t.Truth && d == t.Dim {
			return t
		}
		names[i] = d.Name()
	}
	hint := ""
	if q, ok := constant(e); ok && q.Dim == quantity.Ratio && !strings.ContainsAny(e.Text, "%p") && len(dims) == 1 {
		hint = fmt.Sprintf("the unit is missing: %s %s?", e.Text, dims[0].Unit())
	}
	r.found.AddHint(e.Place, hint, "%s is %s; %q is %s", what, strings.Join(names, " or "), e.Text, t)
	return expr.Type{Any: true}
}

// condition checks that an expression is a condition.
func (r *reader) condition(e *expr.Expr, s *scope, what string) {
	if t := r.check(e, s); e != nil && !t.Truth && !t.Any {
		r.found.Add(e.Place, "%s is a condition such as io >= 500 mA; %q is %s", what, e.Text, t)
	}
}

// constant is the value of an expression that looks at nothing.
func constant(e *expr.Expr) (quantity.Quantity, bool) {
	if len(e.Names()) > 0 || len(e.Nodes()) > 0 {
		return quantity.Quantity{}, false
	}
	q, err := Amount(e, nothing{})
	return q, err == nil
}
