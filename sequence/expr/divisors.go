package expr

// Divisors lists the parts that the expression divides by: right sides of quotients, bases of negative powers, arguments of ln, log10
// and sqrt. There a straight line says little where the part is uncertain against its value.
func (e *Expr) Divisors() []*Expr {
	var out []*Expr
	part := func(n *node) {
		if n.op == opLiteral {
			return
		}
		p := &Expr{Text: e.Text, Place: e.Place, root: n, whole: e.source(), offset: e.offset}
		p.compile()
		out = append(out, p)
	}
	e.root.walk(func(n *node) {
		switch {
		case n.op == opDivide:
			part(n.args[1])
		case n.op == opPower:
			if p, ok := n.args[1].whole(); ok && p < 0 {
				part(n.args[0])
			}
		case n.op == opCall && len(n.args) == 1 && (n.name == "ln" || n.name == "log10" || n.name == "sqrt"):
			part(n.args[0])
		}
	})
	return out
}
