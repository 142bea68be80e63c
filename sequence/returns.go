package sequence

import (
	"fourwire/internal/diag"
	"fourwire/quantity"
)

// DefaultReturn is how long a value may take to come back where a check step does not say: 1 s.
const DefaultReturn = 1.0

func checkShape() *diag.Shape {
	return &diag.Shape{Title: "a check", Fields: []diag.Field{
		{Name: "returns", Type: diag.Expr(), Required: true, About: "a value that is read, as in i(dut.in)"},
		{Name: "within", Type: diag.Amount(quantity.Ratio, quantity.Voltage, quantity.Current, quantity.Power), Required: true, About: "how far it may be from what it was: a ratio, or a difference in its unit"},
		{Name: "at_most", Type: diag.Amount(quantity.Time), About: "how long it may take; 1 s if not said"},
	}}
}

// returns reads a check step.
func (r *reader) returns(p Pos, n *diag.Node, s *scope) *Check {
	out := &Check{Pos: p, Within: amount(n.Get("within")), AtMost: quantity.Of(DefaultReturn, quantity.Time)}
	if v := n.Get("at_most"); v != nil {
		if out.AtMost = amount(v); readable(v) && out.AtMost.SI <= 0 {
			r.found.Add(v.Place, "a time is above zero")
		}
	}
	if v := n.Get("within"); v != nil && readable(v) && out.Within.SI <= 0 {
		r.found.Add(v.Place, "what a value may be off by is above zero")
	}
	out.Value = r.expr(n.Get("returns"))
	if out.Value == nil {
		return out
	}
	t := r.check(out.Value, s)
	switch {
	case len(out.Value.Nodes()) == 0:
		r.found.AddHint(out.Value.Place, "as in i(dut.in)", "a check reads a node; %q does not change by itself", out.Value.Text)
	case t.Truth:
		r.found.Add(out.Value.Place, "a check is of a value, %q is a condition", out.Value.Text)
	case !t.Any && out.Within.Dim != quantity.Ratio && out.Within.Dim != t.Dim && n.Get("within") != nil:
		r.found.Add(n.Get("within").Place, "what %s may be off by is a ratio or %s, this is %s", out.Value.Text, t, out.Within.Dim.Name())
	}
	return out
}

// readable tells whether an amount is one; where it is not the shape has said so.
func readable(n *diag.Node) bool {
	_, err := quantity.Parse(text(n))
	return err == nil
}
