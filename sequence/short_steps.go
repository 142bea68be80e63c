package sequence

import (
	"fourwire/internal/diag"
	"fourwire/quantity"
)

// Short joins the two sides of an output for a time: a load becomes a short circuit, or as near to one as it gets, and holds again what it held; a switch
// of the fixture closes and opens.
type Short struct {
	Pos
	Role string
	For  quantity.Quantity
}

func shortShape() *diag.Shape {
	return &diag.Shape{Title: "a short step", About: "Shorts an output for a time.", Fields: []diag.Field{
		{Name: "short", Type: diag.Text(), Required: true, About: "the name of a need with the role load or switch"},
		{Name: "for", Type: diag.Amount(quantity.Time), Required: true, About: "how long"},
	}}
}

func (r *reader) short(p Pos, n *diag.Node) *Short {
	out := &Short{Pos: p, Role: text(n.Get("short")), For: r.positive(n.Get("for"), "the time of a short")}
	role := RoleLoad
	for i := range r.ready {
		if r.ready[i].need.Name == out.Role && r.ready[i].need.Role == RoleSwitch {
			role = RoleSwitch
		}
	}
	if ready := r.role(n.Get("short"), role); ready != nil && role == RoleLoad && !ready.held {
		r.found.AddHint(p.Place, "a load step before it says what it holds then", "behind the short %s goes back to what it held, and that is nothing", out.Role)
		ready.held = true
	}
	return out
}

// overloadResults are what an overload step can give.
func overloadResults() []Result {
	return []Result{
		{"peak", quantity.Current, "largest current, what comes out of the output capacitor included"},
		{"threshold", quantity.Current, "between the last current at which the output held and the next, of one that rises in small steps"},
		{"limit", quantity.Current, "the current while it flows: its median"},
		{"mean", quantity.Current, "over the whole overload: what heats"},
		{"low", quantity.Voltage, "the voltage while the current flows: its median"},
		{"limiting", quantity.Time, "from the beginning until the current stays within 10 % of the limit"},
		{"trip", quantity.Time, "from the beginning until the device lets go: the current stops for the first time"},
		{"lasts", quantity.Time, "how long the overload was there"},
		{"starts", quantity.Ratio, "how often the device tried again meanwhile"},
		{"period", quantity.Time, "from one try to the next"},
		{"returns", quantity.Ratio, "1: the output came back by itself; 0: it did not"},
		{"recovery", quantity.Time, "from the end of the overload until the voltage stays in the band about the one before"},
		{"overshoot", quantity.Ratio, "above the voltage before, a share of it, once the overload has gone"},
		{"final", quantity.Voltage, "the voltage at the end"},
	}
}
