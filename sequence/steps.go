package sequence

import (
	"fmt"
	"strings"

	"fourwire/analysis/verdict"
	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/sequence/expr"
)

// steps reads a list of steps; names that it makes go into the scope.
func (r *reader) steps(n *diag.Node, s *scope) []Step {
	if n == nil || n.Form != diag.List {
		return nil
	}
	var out []Step
	for _, item := range n.Items {
		if item.Form != diag.Mapping {
			continue
		}
		out = append(out, r.step(item, s)...)
	}
	return out
}

// kinds are the keys that tell a step.
var kinds = []string{"source", "load", "settle", "check", "measure", "zero", "derive", "judge", "sweep", "wait", "repeat", "when", "note", "record", "drain", "life", "emulate", "reverse", "fit", "capture", "list", "profile", "rails", "switch",
	"short", "pulse", "transient", "ripple", "inrush", "startup", "holdup", "overload"}

// step reads one step. A limit with two sides becomes two steps; a step that cannot be understood none.
func (r *reader) step(n *diag.Node, s *scope) []Step {
	var kind string
	var v *diag.Node
	p := Pos{Place: n.Place}
	for _, e := range n.Entries {
		if contains(kinds, e.Key) {
			kind, v, p.Place = e.Key, e.Value, e.Place
			break
		}
	}
	switch kind {
	case "source":
		return one(r.source(p, n, s))
	case "load":
		return one(r.load(p, n, s))
	case "settle":
		return one(r.settle(p, v, s))
	case "check":
		return one(r.returns(p, v, s))
	case "measure":
		return one(r.measure(p, n, s))
	case "zero":
		return one(r.zero(p, v, s))
	case "derive":
		return one(r.derive(p, n, s))
	case "judge":
		return r.judge(p, v, s)
	case "sweep":
		return one(r.sweep(p, n, s))
	case "wait":
		return one(r.wait(p, v, s))
	case "repeat":
		return one(r.repeat(p, n, s))
	case "when":
		w := &When{Pos: p, If: r.expr(v)}
		r.condition(w.If, s, "when")
		then, otherwise := s.inner(), s.inner()
		then.only, then.holds, otherwise.only = w.If, true, w.If
		w.Then = r.steps(n.Get("steps"), then)
		w.Else = r.steps(n.Get("else"), otherwise)
		return one(w)
	case "note":
		return one(&Note{Pos: p, Text: text(v)})
	case "record":
		return one(r.record(p, n, s))
	case "drain":
		return one(r.drain(p, n, s))
	case "life":
		return one(r.life(p, n, s))
	case "emulate":
		return one(r.emulate(p, n, s))
	case "capture":
		return one(r.capture(p, n, s))
	case "list":
		return one(r.list(p, n, s))
	case "short":
		return one(r.short(p, n))
	case "switch":
		return one(r.switching(p, n))
	case "rails":
		return one(r.rails(p, n, s))
	case "profile":
		return one(r.profile(p, n, s))
	case "pulse", "transient", "ripple", "inrush", "startup", "holdup", "overload":
		return one(r.figures(FiguresKind(kind), p, n, s))
	case "reverse":
		return one(r.reverse(p, n, s))
	case "fit":
		return one(r.fit(p, n, s))
	}
	return nil
}

func one(s Step) []Step { return []Step{s} }

// role finds the need that a step names and checks that it can do what is asked.
func (r *reader) role(n *diag.Node, want Role) *readiness {
	name := text(n)
	if name == "" {
		return nil
	}
	var same []string
	for i := range r.ready {
		need := r.ready[i].need
		switch {
		case need.Name != name:
			if need.Role == want {
				same = append(same, need.Name)
			}
		case need.Role != want && need.Role != "":
			r.found.Add(r.place(n), "%s is a %s, a %s is wanted here", name, need.Role, want)
			r.ready[i].used = true
			return nil
		default:
			r.ready[i].used = true
			return &r.ready[i]
		}
	}
	if !r.lenientNodes {
		r.found.AddHint(r.place(n), diag.Suggest(name, same), "no need is called %q", name)
	}
	return nil
}

func onOff(n *diag.Node) Switch {
	switch text(n) {
	case "on":
		return On
	case "off":
		return Off
	}
	return Unsaid
}

func (r *reader) source(p Pos, n *diag.Node, s *scope) *Source {
	out := &Source{Pos: p, Role: text(n.Get("source")), Volts: r.expr(n.Get("volts")), Amps: r.expr(n.Get("amps")), Output: onOff(n.Get("output"))}
	r.fed = true
	ready := r.role(n.Get("source"), RoleSource)
	r.force(n, out, ready)
	if out.Volts != nil {
		r.setpoint(out.Volts, s, ready, "the voltage of a source", "", quantity.Voltage)
	}
	if out.Amps != nil {
		r.setpoint(out.Amps, s, ready, "the current limit of a source", " as its current limit", quantity.Current)
	}
	if ready == nil {
		return out
	}
	ready.volts = ready.volts || n.Get("volts") != nil
	ready.amps = ready.amps || n.Get("amps") != nil
	if out.Output == Off {
		return out
	}
	if !ready.volts {
		r.found.AddHint(p.Place, "give volts, or output: off", "the output of %s would go on before a voltage was set", out.Role)
		ready.volts = true
	}
	if !ready.amps && !ready.warned {
		r.found.Warn(p.Place, "give amps: what the device may draw", "the output of %s goes on without a current limit of this sequence", out.Role)
		ready.warned = true
	}
	return out
}

func (r *reader) load(p Pos, n *diag.Node, s *scope) *Load {
	out := &Load{Pos: p, Role: text(n.Get("load")), Hold: r.expr(n.Get("hold")), Input: onOff(n.Get("input"))}
	ready := r.role(n.Get("load"), RoleLoad)
	if out.Hold != nil {
		r.setpoint(out.Hold, s, ready, "what a load holds", "", quantity.Current, quantity.Voltage, quantity.Resistance, quantity.Power)
	}
	if ready == nil {
		return out
	}
	ready.held = ready.held || n.Get("hold") != nil
	if out.Input == Off {
		return out
	}
	if !ready.held {
		r.found.AddHint(p.Place, "give hold, or input: off", "the input of %s would go on before anything was set", out.Role)
		ready.held = true
	}
	if !r.fed && !r.unfed && r.sources() {
		r.found.Warn(p.Place, "source first: a load that waits at 0 V is fully open and takes a spike at turn-on", "a load goes on before any source step")
		r.unfed = true
	}
	return out
}

// sources tells whether the sequence has a source at all.
func (r *reader) sources() bool {
	for _, need := range r.seq.Needs {
		if need.Role == RoleSource {
			return true
		}
	}
	return false
}

func (r *reader) settle(p Pos, n *diag.Node, s *scope) *Settle {
	out := &Settle{Pos: p}
	until, most := n.Get("until"), n.Get("at_most")
	out.AtMost = amount(most)
	if most != nil && out.AtMost.Dim == quantity.Time && out.AtMost.SI <= 0 {
		r.found.Add(most.Place, "a time-out is above zero")
	}
	if until == nil || until.Form != diag.Scalar {
		return out
	}
	const form = "as in v(dut.out) within 0.05 % for 20 ms"
	whole, place := until.Text, r.place(until)
	within, hold := strings.Index(whole, " within "), strings.LastIndex(whole, " for ")
	if within < 0 || hold < within {
		r.found.AddHint(place, form, "settle waits until VALUE within BAND for TIME")
		return out
	}
	at := func(offset int) diag.Place {
		p := place
		if p.Column > 0 {
			p.Column += len([]rune(whole[:offset]))
		}
		return p
	}
	out.Value = expr.Parse(whole[:within], place, r.found)
	t := r.check(out.Value, s)
	if out.Value != nil && len(out.Value.Nodes()) == 0 {
		r.found.AddHint(place, form, "settle watches a node; %q does not change while it waits", out.Value.Text)
	}
	read := func(from, to int, what string) (quantity.Quantity, bool) {
		q, err := quantity.Parse(whole[from:to])
		switch {
		case err != nil:
			r.found.AddHint(at(from), form, "%s: %s", what, err)
		case q.SI <= 0:
			r.found.Add(at(from), "%s is above zero", what)
		default:
			return q, true
		}
		return q, false
	}
	band, ok := read(within+len(" within "), hold, "the band")
	if ok && !t.Any && band.Dim != quantity.Ratio && band.Dim != t.Dim {
		r.found.Add(at(within+len(" within ")), "the band of %s is a ratio or %s, this is %s", out.Value.Text, t, band.Dim.Name())
	}
	if ok && t.Truth {
		r.found.Add(place, "settle watches a value, %q is a condition", out.Value.Text)
	}
	out.Within = band
	out.For, ok = read(hold+len(" for "), len(whole), "the time inside the band")
	switch {
	case ok && out.For.Dim != quantity.Time:
		r.found.AddHint(at(hold+len(" for ")), form, "the time inside the band is time, this is %s", out.For.Dim.Name())
	case ok && out.AtMost.Dim == quantity.Time && out.AtMost.SI > 0 && out.AtMost.SI <= out.For.SI:
		r.found.AddHint(most.Place, "at_most is the time-out of the whole wait", "at_most %s is no longer than the %s that the value must stay inside", out.AtMost, out.For)
	}
	return out
}

// amount reads a quantity that the shape has checked.
func amount(n *diag.Node) quantity.Quantity {
	q, err := quantity.Parse(text(n))
	if n == nil || err != nil {
		return quantity.Quantity{}
	}
	return q
}

func (r *reader) derive(p Pos, n *diag.Node, s *scope) *Derive {
	out := &Derive{Pos: p, Part: r.part(n.Get("part"))}
	for _, e := range entries(n.Get("derive")) {
		x := r.named(r.expr(e.Value), s)
		typ := r.check(x, s)
		switch {
		case typ.Truth:
			r.found.AddHint(x.Place, "a condition goes into judge or when", "a derived value is a number, %q is a condition", x.Text)
			typ = expr.Type{Any: true}
		case typ.Column:
			r.found.AddHint(x.Place, "take min(x), max(x), mean(x), at(y, x, x0)... of it", "%q is a column of many points, one value is wanted here", x.Text)
			typ = expr.Type{Any: true}
		}
		ok := s.declare(&symbol{name: e.Key, kind: derivedName, typ: typ, place: e.Place, formula: x})
		if !s.columns && x != nil {
			r.programmed(x, s)
		}
		if ok && !s.columns && x != nil {
			r.column(Column{Name: e.Key, Kind: Worked, Dim: typ.Dim, Expr: x.Text}, e.Place)
		}
		out.Items = append(out.Items, Derived{Name: e.Key, Value: x, Place: e.Place})
	}
	return out
}

// named refuses an expression that reads nodes: what goes into a result is measured by name, so that the record holds it.
func (r *reader) named(e *expr.Expr, s *scope) *expr.Expr {
	if e == nil || len(e.Nodes()) == 0 || s.columns {
		return e
	}
	n := e.Nodes()[0]
	r.found.AddHint(e.Place, fmt.Sprintf("measure: {NAME: %s}", n), "%s goes into a result: measure it by name first, so that the record holds it", n)
	return nil
}

// judge reads a limit: one comparison, or several joined by and, which become a step each.
func (r *reader) judge(p Pos, n *diag.Node, s *scope) []Step {
	limit := r.named(r.expr(n.Get("limit")), s)
	when := r.named(r.expr(n.Get("when")), s)
	part := r.part(n.Get("part"))
	rule := r.rule(n.Get("rule"), r.seq.Rule)
	if when != nil {
		r.condition(when, s, "when")
	}
	if limit == nil {
		return nil
	}
	r.condition(limit, s, "a limit")
	var out []Step
	for _, one := range limit.Limits() {
		_, _, op, ok := one.Sides()
		switch {
		case !ok && one.Condition():
			r.found.AddHint(one.Place, "give each limit a judge step of its own", "a limit is a comparison, or several joined by and")
		case op == "==" || op == "!=":
			r.found.AddHint(one.Place, "give a band, as in 4.9 V <= vo <= 5.1 V", "a measured value never equals a limit exactly")
		}
		out = append(out, &Judge{Pos: p, Limit: one, When: when, Rule: rule, Clause: text(n.Get("clause")), Part: part})
	}
	return out
}

// rule reads a decision rule that the shape has checked.
func (r *reader) rule(n *diag.Node, otherwise verdict.Rule) verdict.Rule {
	if rule, err := verdict.Parse(text(n)); n != nil && err == nil {
		return rule
	}
	return otherwise
}

func (r *reader) sweep(p Pos, n *diag.Node, s *scope) *Sweep {
	out := &Sweep{Pos: p, Label: r.label(n.Get("label"), s), RepeatFirst: yes(n.Get("repeat_first"))}
	r.bothWays(n, out, s)
	inner := s.inner()
	if inner.label = out.Label; out.BothWays {
		inner.label = OutLabel
	}
	names := entries(n.Get("sweep"))
	if v := n.Get("sweep"); len(names) != 1 && v != nil && v.Form == diag.Mapping {
		r.found.AddHint(p.Place, "nest a sweep for each name", "a sweep has one name, this has %d", len(names))
	}
	for i, e := range names {
		values := r.readValues(e.Value, s)
		sym := &symbol{name: e.Key, kind: sweepName, place: e.Place, values: &values, typ: expr.Type{Dim: values.Dim, Any: values.broken}}
		if inner.declare(sym) {
			r.column(Column{Name: e.Key, Kind: Coordinate, Dim: values.Dim}, e.Place)
		}
		if i == 0 {
			out.Name, out.Values = e.Key, values
		}
	}
	out.Steps = r.body(p, n, inner)
	r.quick(n, out, inner, s)
	if out.RepeatFirst && !MakesRow(out.Steps) && len(out.Steps) > 0 {
		r.found.AddHint(n.Get("repeat_first").Place, "give it to the sweep whose steps measure", "the steps of this sweep make no point that could be repeated")
	}
	return out
}

// body reads the steps of a sweep or repeat.
func (r *reader) body(p Pos, n *diag.Node, inner *scope) []Step {
	list := n.Get("steps")
	if list != nil && list.Form == diag.List && len(list.Items) == 0 {
		r.found.Add(p.Place, "there are no steps to run")
	}
	return r.steps(list, inner)
}

// label reads the label of a sweep or repeat.
func (r *reader) label(n *diag.Node, s *scope) string {
	name := text(n)
	if name == "" {
		return ""
	}
	if outer := s.labelled(); outer != "" {
		r.found.AddHint(n.Place, "label one of the two", "a label inside the part %q: a point has one label", outer)
	}
	if !contains(r.labels, name) {
		r.labels = append(r.labels, name)
	}
	return name
}

// part reads the label that a summary step is limited to.
func (r *reader) part(n *diag.Node) string {
	name := text(n)
	if name != "" && !contains(r.labels, name) && !r.lenient {
		r.found.AddHint(n.Place, diag.Suggest(name, r.labels), "no sweep has the label %q", name)
	}
	return name
}

func (r *reader) repeat(p Pos, n *diag.Node, s *scope) *Repeat {
	out := &Repeat{Pos: p, Times: whole(n.Get("repeat"), 1), Label: r.label(n.Get("label"), s)}
	inner := s.inner()
	inner.label = out.Label
	inner.declare(&symbol{name: CounterName, kind: counter, place: p.Place, times: out.Times, typ: expr.Number(quantity.Ratio)})
	r.column(Column{Name: CounterName, Kind: Coordinate, Dim: quantity.Ratio}, p.Place)
	out.Steps = r.body(p, n, inner)
	return out
}

// CounterName is the coordinate that counts the passes of a repeat, from 1.
const CounterName = "n"

func (r *reader) wait(p Pos, n *diag.Node, s *scope) *Wait {
	out := &Wait{Pos: p, For: r.expr(n)}
	if out.For == nil {
		return out
	}
	if t := r.want(out.For, s, "a wait", quantity.Time); t.Any {
		return out
	}
	r.enumerate(s, []*expr.Expr{out.For}, func(env expr.Env) bool {
		q, err := Amount(out.For, env)
		if err == nil && q.SI < 0 {
			r.found.Add(out.For.Place, "a wait of %s is below zero", q)
			return false
		}
		return true
	})
	return out
}
