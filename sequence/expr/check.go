package expr

import (
	"fmt"
	"math"

	"fourwire/internal/diag"
	"fourwire/quantity"
)

// Check finds the expression's type in a scope. Every fault is noted at its column; with a fault ok is false.
func (e *Expr) Check(s Scope, found *diag.Findings) (t Type, ok bool) {
	c := checker{e: e, scope: s, found: found, ok: true}
	t = c.typ(e.root)
	return t, c.ok
}

type checker struct {
	e     *Expr
	scope Scope
	found *diag.Findings
	ok    bool
}

func (c *checker) fault(at int, hint, format string, args ...any) Type {
	c.ok = false
	c.found.AddHint(c.e.place(at), hint, format, args...)
	return Type{Any: true}
}

func (c *checker) typ(n *node) Type {
	switch n.op {
	case opLiteral:
		return Number(n.quantity.Dim)
	case opName:
		t, ok := c.scope.Lookup(n.name)
		if !ok {
			return c.fault(n.at, diag.Suggest(n.name, c.scope.Known()), "nothing is called %q here", n.name)
		}
		return t
	case opNode:
		dim := quantity.Voltage
		if n.node.Function == "i" {
			dim = quantity.Current
		}
		if err := c.scope.Node(n.node.Function, n.node.Node); err != nil {
			c.fault(n.at, "", "%s", err)
		}
		return Number(dim)
	case opCall:
		return c.call(n)
	case opNot, opNegate:
		t := c.typ(n.args[0])
		t.Truth = n.op == opNot
		return t
	}
	a, b := c.typ(n.args[0]), c.typ(n.args[1])
	switch {
	case n.op == opAnd || n.op == opOr:
		return Type{Truth: true}
	case n.op == opPower:
		return c.power(n, a)
	case a.Any || b.Any:
		return Type{Any: !n.op.givesTruth(), Truth: n.op.givesTruth()}
	}
	out := Type{Column: a.Column || b.Column}
	switch n.op {
	case opMultiply, opDivide:
		top, bottom := a.Dim, b.Dim
		if n.op == opMultiply {
			out.Dim = top.Times(bottom)
		} else {
			out.Dim = top.Over(bottom)
		}
		if !sane(out.Dim) {
			return c.fault(n.at, "", "%s %s %s has powers of units that no quantity has", top.Name(), symbols[n.op], bottom.Name())
		}
		return out
	case opAdd, opSubtract:
		if a.Dim != b.Dim {
			return c.fault(n.at, c.mismatch(n, a, b), mixed[n.op], a.Dim.Name(), b.Dim.Name())
		}
		out.Dim = a.Dim
		return out
	}
	if a.Dim != b.Dim {
		c.fault(n.at, c.mismatch(n, a, b), mixed[opEqual], a.Dim.Name(), b.Dim.Name())
	} else if out.Column {
		c.fault(n.at, "take min(x), max(x), mean(x), at(y, x, x0)... of it", "a column of many points has no one value to compare")
	}
	return Type{Truth: true}
}

var mixed = map[op]string{
	opAdd: "%s and %s cannot be added", opSubtract: "%[2]s cannot be taken from %[1]s", opEqual: "%s and %s cannot be compared",
}

// sane refuses powers that no quantity has, long before an exponent overflows.
func sane(d quantity.Dimension) bool {
	for _, e := range []int8{d.Metre, d.Kilogram, d.Second, d.Ampere, d.Kelvin} {
		if e > 12 || e < -12 {
			return false
		}
	}
	return true
}

// mismatch is a hint for two sides of different dimensions: a unit left out, or a name that was taken for another.
func (c *checker) mismatch(n *node, a, b Type) string {
	for i, want := range []quantity.Dimension{b.Dim, a.Dim} {
		switch side := n.args[i]; side.op {
		case opLiteral:
			if side.bare {
				return fmt.Sprintf("the unit is missing: %g %s?", side.quantity.SI, want.Unit())
			}
		case opName:
			var fit []string
			for _, name := range c.scope.Known() {
				if t, ok := c.scope.Lookup(name); ok && t.Dim == want && !t.Any && name != n.args[1-i].name {
					fit = append(fit, name)
				}
			}
			if near, ok := diag.Closest(side.name, fit); ok {
				return "did you mean " + near + " in place of " + side.name + "?"
			}
		}
	}
	return ""
}

func (c *checker) power(n *node, base Type) Type {
	exponent, ok := n.args[1].whole()
	if !ok {
		return c.fault(n.at, "write sqrt(x) for a root", "a power is a whole number from -8 to 8, written out")
	}
	if base.Any {
		return base
	}
	dim := base.Dim
	for _, e := range []*int8{&dim.Metre, &dim.Kilogram, &dim.Second, &dim.Ampere, &dim.Kelvin} {
		if p := int(*e) * exponent; p > 12 || p < -12 {
			return c.fault(n.at, "", "%s to the power %d has powers of units that no quantity has", base.Dim.Name(), exponent)
		}
	}
	return Type{Dim: dim.Power(exponent), Column: base.Column}
}

// whole is the value of an exponent that is written out.
func (n *node) whole() (int, bool) {
	sign := 1
	if n.op == opNegate {
		sign, n = -1, n.args[0]
	}
	x := n.quantity.SI
	if n.op != opLiteral || !n.bare || x != math.Trunc(x) || math.Abs(x) > 8 {
		return 0, false
	}
	return sign * int(x), true
}

func (c *checker) call(n *node) Type {
	f := functions[n.name]
	types := make([]Type, len(n.args))
	any := false
	for i, a := range n.args {
		types[i] = c.typ(a)
		any = any || types[i].Any
	}
	if !n.arity() {
		return c.fault(n.at, "", "%s is wanted here, this has %s", f.use, arguments(len(n.args)))
	}
	if any {
		return Type{Any: true}
	}
	columns := n.columns()
	for i, t := range types {
		switch {
		case i < columns && !t.Column && f.least == 1 && !f.column:
			return c.fault(n.at, "give it two values, as in "+n.name+"(x, 2 V); whole columns are known in the summary only", "%s of one value is that value", n.name)
		case i < columns && !t.Column:
			return c.fault(n.args[i].at, "whole columns are known in the summary only", "%s looks at columns of many points; this is one value", f.use)
		case i >= columns && t.Column && columns > 0:
			return c.fault(n.args[i].at, "", "%s wants one value here, this is a column of many points", f.use)
		}
	}
	out := types[0]
	if columns > 0 {
		out.Column = false
	}
	switch n.name {
	case "sqrt":
		root, ok := out.Dim.Root()
		if !ok {
			return c.fault(n.at, "", "%s has no square root", out.Dim.Name())
		}
		out.Dim = root
	case "exp", "ln", "log10":
		if out.Dim != quantity.Ratio {
			return c.fault(n.args[0].at, "divide by a reference first, as in "+n.name+"(x / (1 "+out.Dim.Unit()+"))", "%s takes a ratio, this is %s", f.use, out.Dim.Name())
		}
	case "round", "min", "max":
		for i, t := range types[1:] {
			if t.Dim != out.Dim {
				return c.fault(n.args[i+1].at, "", "%s: %s and %s are no like values", f.use, out.Dim.Name(), t.Dim.Name())
			}
			out.Column = out.Column || t.Column
		}
	case "count":
		out.Dim = quantity.Ratio
	case "where_max", "where_min", "peak_at":
		out.Dim = types[1].Dim
	case "slope":
		out.Dim = types[0].Dim.Over(types[1].Dim)
		if !sane(out.Dim) {
			return c.fault(n.at, "", "%s over %s has powers of units that no quantity has", types[0].Dim.Name(), types[1].Dim.Name())
		}
	}
	if f.column {
		return c.levels(n, types, out)
	}
	return out
}

// levels checks the values that follow the columns of a function.
func (c *checker) levels(n *node, types []Type, out Type) Type {
	use := functions[n.name].use
	like := func(i, column int) bool {
		if types[i].Dim == types[column].Dim {
			return true
		}
		c.fault(n.args[i].at, "", "%s: the column is %s, this value is %s", use, types[column].Dim.Name(), types[i].Dim.Name())
		return false
	}
	switch n.name {
	case "at", "crossing", "rises_at", "falls_at", "hysteresis_at":
		like(2, 1)
	case "line_regulation", "load_regulation":
		out.Dim = types[1].Dim
		if len(types) == 3 && like(2, 1) {
			out.Dim = quantity.Ratio
		}
	case "mode_change":
		if len(types) == 3 && types[2].Dim != quantity.Ratio {
			c.fault(n.args[2].at, "", "%s: which of them is a number such as 2, this is %s", use, types[2].Dim.Name())
		}
	case "minimum_input", "dropout_voltage":
		if like(2, 1) && types[3].Dim != quantity.Ratio {
			like(3, 1)
		}
		if n.name == "dropout_voltage" && types[0].Dim != types[1].Dim {
			c.fault(n.at, "", "%s: %s and %s have no difference", use, types[0].Dim.Name(), types[1].Dim.Name())
		}
	case "average_at":
		like(2, 1)
		for i, t := range types[3:] {
			if t.Dim != quantity.Ratio {
				c.fault(n.args[i+3].at, "", "%s: a part of the full load is a ratio such as 25 %%, this is %s", use, t.Dim.Name())
			}
		}
	}
	return out
}

func arguments(n int) string {
	if n == 1 {
		return "1 argument"
	}
	return fmt.Sprintf("%d arguments", n)
}
