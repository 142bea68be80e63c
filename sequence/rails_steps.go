package sequence

import (
	"fmt"

	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/sequence/expr"
)

type (
	// Rails brings several sources up one after the other. Where it has steps they are what is done while all are up, as part of the list around
	// it, and the rails go off behind the last of them, in reverse; without, they stay up. A fault of one while they are up, a protection that
	// trips or a reading beyond a guard, takes all off in reverse and ends the run.
	Rails struct {
		Pos
		Name   string
		Up     []Rail            // empty: takes those of the same name down
		Down   quantity.Quantity // from one going off to the next, in reverse
		AllOff quantity.Quantity // the longest from a fault of one until all are off
		Gives  []Given           // by the need's name of a rail: when it was good, from the first one's going on, by readings
		Steps  []Step
		stays  bool
	}
	// Rail is one of them.
	Rail struct {
		Role   string
		Volts  *expr.Expr
		Amps   *expr.Expr // current limit
		Ramp   quantity.Quantity
		Until  *expr.Expr // when it is good; nil: at once
		Within quantity.Quantity
		Then   quantity.Quantity // from there to the next
		Place  diag.Place
	}
)

// HasSteps tells whether the rails go off again behind the step.
func (r *Rails) HasSteps() bool { return !r.stays && len(r.Up) > 0 }

// The figures of rails where a sequence does not say. That software takes all of them off in 50 to 200 ms is common practice, no source.
const (
	defaultRailWithin = 0.1 // s
	defaultAllOff     = 0.2 // s
)

func railsShape(list diag.Type) *diag.Shape {
	time := diag.Amount(quantity.Time)
	rail := &diag.Shape{Title: "a rail", Fields: []diag.Field{
		{Name: "source", Type: diag.Text(), Required: true, About: "the name of a need with the role source"},
		{Name: "volts", Type: diag.Expr(), Required: true, About: "voltage"},
		{Name: "amps", Type: diag.Expr(), Required: true, About: "current limit"},
		{Name: "ramp", Type: time, About: "how long it takes from its lowest setting to its voltage; as fast as the source can if not said"},
		{Name: "until", Type: diag.Expr(), About: "when it is good: a condition such as v(board.core) >= 1.14 V"},
		{Name: "within", Type: time, About: "how long that may take; 100 ms if not said"},
		{Name: "then", Type: time, About: "how long the next one waits after that"},
	}}
	return &diag.Shape{Title: "a rails step", About: "Brings several sources up in order, and down in reverse.", Fields: []diag.Field{
		{Name: "rails", Type: diag.Text(), Required: true, About: "the name of the group"},
		{Name: "up", Type: diag.ListOf(diag.Struct(rail)), About: "the rails in the order in which they come up; left out: the group of this name goes down"},
		{Name: "down", Type: time, About: "from one going off to the next, in reverse; none if not said"},
		{Name: "all_off", Type: time, About: "the longest from a fault of one until all are off; 200 ms if not said"},
		{Name: "gives", Type: diag.MapOf("names of needs", diag.Text()), About: "need: the name that the time gets at which its rail was good, counted from the first one's going on"},
		{Name: "steps", Type: list, About: "what is done while all are up; they go down behind the last"},
	}}
}

func (r *reader) rails(p Pos, n *diag.Node, s *scope) *Rails {
	out := &Rails{Pos: p, Name: text(n.Get("rails")), Down: amount(n.Get("down")), AllOff: amount(n.Get("all_off"))}
	for _, key := range []string{"down", "all_off"} {
		if v := n.Get(key); v != nil && amount(v).SI < 0 {
			r.found.Add(v.Place, "%s is not below zero", key)
		}
	}
	if out.AllOff.SI <= 0 {
		out.AllOff = quantity.Of(defaultAllOff, quantity.Time)
	}
	up, steps := n.Get("up"), n.Get("steps")
	if up == nil {
		r.groupDown(p, n, out)
		return out
	}
	if contains(r.groups, out.Name) {
		r.found.AddHint(r.place(n.Get("rails")), "take another name, or leave up out to take them down", "the rails %s come up before this already", out.Name)
	}
	r.groups = append(r.groups, out.Name)
	var names []string
	if up.Form == diag.List {
		for _, item := range up.Items {
			if item.Form != diag.Mapping {
				continue
			}
			rail := r.rail(item, s)
			if contains(names, rail.Role) {
				r.found.Add(item.Place, "%s is a rail of this group already", rail.Role)
			}
			names = append(names, rail.Role)
			out.Up = append(out.Up, rail)
		}
		if len(up.Items) < 2 {
			r.found.AddHint(up.Place, "one source needs a source step", "a group of rails has 2 at least")
		}
	}
	out.stays = steps == nil
	for _, e := range entries(n.Get("gives")) {
		if !contains(names, e.Key) {
			r.found.AddHint(e.Place, diag.Suggest(e.Key, names), "%q is no rail of this group", e.Key)
			continue
		}
		g := Given{What: e.Key, Name: text(e.Value), Place: r.place(e.Value)}
		out.Gives = append(out.Gives, g)
		if g.Name != "" && s.declare(&symbol{name: g.Name, kind: measuredName, typ: expr.Number(quantity.Time), place: g.Place}) {
			r.column(Column{Name: g.Name, Kind: Worked, Dim: quantity.Time, Expr: e.Key + " good, of the rails " + out.Name}, g.Place)
		}
	}
	if steps != nil {
		out.Steps = r.body(p, n, s)
	}
	return out
}

// groupDown finds the group that is to go down.
func (r *reader) groupDown(p Pos, n *diag.Node, out *Rails) {
	for _, key := range []string{"steps", "gives", "all_off"} {
		if v := n.Get(key); v != nil {
			r.found.AddHint(v.Place, "as in up: [{source: core, volts: 1.2 V, amps: 2 A}, ...]", "%s belongs to rails that come up", key)
		}
	}
	if !contains(r.groups, out.Name) {
		r.found.AddHint(r.place(n.Get("rails")), diag.Suggest(out.Name, r.groups), "no rails of the name %q have come up before", out.Name)
	}
}

func (r *reader) rail(n *diag.Node, s *scope) Rail {
	pos := Pos{Place: n.Place}
	source := r.source(pos, n, s)
	out := Rail{Role: source.Role, Volts: source.Volts, Amps: source.Amps, Ramp: amount(n.Get("ramp")), Within: amount(n.Get("within")), Then: amount(n.Get("then")), Place: n.Place}
	for _, key := range []string{"ramp", "within", "then"} {
		if v := n.Get(key); v != nil && amount(v).SI < 0 {
			r.found.Add(v.Place, "%s is not below zero", key)
		}
	}
	if out.Within.SI <= 0 {
		out.Within = quantity.Of(defaultRailWithin, quantity.Time)
	}
	if u := n.Get("until"); u != nil {
		if out.Until = r.expr(u); out.Until != nil {
			r.condition(out.Until, s, "until")
			if len(out.Until.Nodes()) == 0 {
				r.found.AddHint(u.Place, fmt.Sprintf("as in v(%s) >= 95 %% * %s", r.nodeOf(out.Role), "1.2 V"), "a rail is good when something is read; %q reads nothing", out.Until.Text)
			}
		}
	}
	return out
}

// nodeOf is the node of a need, for messages.
func (r *reader) nodeOf(name string) string {
	for _, need := range r.seq.Needs {
		if need.Name == name {
			return need.Node
		}
	}
	return "node"
}
