package sequence

import (
	"strings"

	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/sequence/expr"
)

// mostDuty is the largest part of the time for which a pulsed source may be on: own choice. Above it pulses hardly cool a part.
const mostDuty = 0.5

// The readings of a reverse step where a sequence does not say: own choice, common practice is five or more.
const defaultReversals = 7

// force reads what a source forces, and how.
func (r *reader) force(n *diag.Node, out *Source, ready *readiness) {
	out.Force = Volts
	if text(n.Get("force")) == "amps" {
		out.Force = Amps
	}
	if ready != nil && out.Output != Off && ready.forces != (out.Force == Amps) {
		if out.Volts == nil || out.Amps == nil {
			hint := "give both: amps as its level and volts as its compliance"
			if ready.forces {
				hint = "give both, or force: amps where it goes on forcing amps"
			}
			r.found.AddHint(out.Place, hint, "%s forces %s from here on, and needs volts and amps anew", out.Role, map[Function]string{Volts: "volts", Amps: "amps"}[out.Force])
			ready.volts, ready.amps = true, true
		}
		ready.forces = !ready.forces
	}
	p := n.Get("pulsed")
	if p == nil || p.Form != diag.Mapping {
		return
	}
	out.Pulse = Pulse{On: r.positive(p.Get("on"), "the length of a pulse"), Off: r.positive(p.Get("off"), "the rest behind a pulse")}
	level, what := out.Volts, "volts"
	if out.Force == Amps {
		level, what = out.Amps, "amps"
	}
	if level == nil {
		r.found.AddHint(p.Place, "give "+what+": the level of the pulses", "a pulsed source needs its level in the same step")
	}
	if out.Pulse.On.SI > 0 && out.Pulse.Off.SI > 0 && out.Pulse.Duty() > mostDuty {
		r.found.AddHint(p.Place, "make off longer: ten times on, or more", "a source that is on for %.3g %% of the time heats the part nearly as much as a steady one", 100*out.Pulse.Duty())
	}
}

// bothWays reads whether a sweep goes back, too.
func (r *reader) bothWays(n *diag.Node, out *Sweep, s *scope) {
	v := n.Get("both_ways")
	if out.BothWays = yes(v); !out.BothWays {
		return
	}
	switch {
	case out.Label != "":
		r.found.AddHint(v.Place, "leave label out", "a sweep that goes both ways has the parts out and back of its own")
	case s.labelled() != "":
		r.found.AddHint(v.Place, "label one of the two", "a sweep that goes both ways inside the part %q: a point has one label", s.labelled())
	}
	if out.RepeatFirst {
		r.found.AddHint(v.Place, "leave one out", "a sweep that goes both ways ends at its first value: repeat_first has nothing to add")
	}
	for _, label := range []string{OutLabel, BackLabel} {
		if !contains(r.labels, label) {
			r.labels = append(r.labels, label)
		}
	}
}

func (r *reader) reverse(p Pos, n *diag.Node, s *scope) *Reverse {
	out := &Reverse{Pos: p, Role: text(n.Get("reverse")), Amps: r.expr(n.Get("amps")), Volts: r.expr(n.Get("volts")),
		Times: whole(n.Get("times"), defaultReversals), Settle: r.positive(n.Get("settle"), "the time to a reading"), Aperture: r.positive(n.Get("aperture"), "an aperture")}
	r.fed = true
	ready := r.role(n.Get("reverse"), RoleSource)
	if out.Amps != nil {
		r.setpoint(out.Amps, s, ready, "the current of a reversal", "", quantity.Current)
		r.against(out.Amps, s, ready)
	}
	if out.Volts != nil {
		r.setpoint(out.Volts, s, ready, "the compliance of a source", " as its compliance", quantity.Voltage)
	}
	if ready != nil {
		ready.volts, ready.amps, ready.forces = true, true, true
	}
	of := n.Get("of")
	for _, one := range []struct {
		key  string
		want Function
		into *Reading
	}{{"volts", Volts, &out.Across}, {"amps", Amps, &out.Through}} {
		v := of.Get(one.key)
		if v == nil {
			continue
		}
		x := r.expr(v)
		if x == nil {
			continue
		}
		ref, ok := x.Node()
		if !ok || Function(ref.Function) != one.want {
			r.found.AddHint(x.Place, "as in "+string(one.want)+"(part)", "%q is not a reading of %s", x.Text, one.key)
			continue
		}
		r.check(x, s)
		*one.into = Reading{Name: one.key, Function: one.want, Node: ref.Node, Place: x.Place}
	}
	out.Gives = r.gives(n.Get("gives"), ReverseResults(), "by reversal at "+out.Across.Node, s)
	return out
}

// against checks that a current may also flow the other way round.
func (r *reader) against(e *expr.Expr, s *scope, ready *readiness) {
	if ready == nil {
		return
	}
	spans := []quantity.Span{ready.need.Amps}
	says := []string{"the need " + ready.need.Name + " says "}
	if g := r.guard(ready.need.Node); g != nil {
		spans, says = append(spans, g.Amps), append(says, "the guard of "+g.Node+" allows ")
	}
	r.enumerate(s, []*expr.Expr{e}, func(env expr.Env) bool {
		q, err := Amount(e, env)
		if err != nil || q.Dim != quantity.Current {
			return false
		}
		if q.SI <= 0 {
			r.found.Add(e.Place, "the current of a reversal is above zero: its sign is turned by the step")
			return false
		}
		for i, span := range spans {
			if span.Set && !span.Holds(-q.SI) {
				r.found.AddHint(e.Place, "write the span on both sides of zero, as in -1..1 A", "%s flows in both directions; %s%s", q, says[i], span)
				return false
			}
		}
		return true
	})
}

// fit reads a fit step. In a summary its results are results; in the steps they are columns of the point that it makes.
func (r *reader) fit(p Pos, n *diag.Node, s *scope) *Fit {
	out := &Fit{Pos: p, Kind: FitKind(text(n.Get("fit"))), Of: map[string]string{}, Part: r.part(n.Get("part")), Kelvin: amount(n.Get("temperature")).SI,
		Within: r.positive(n.Get("temperature_within"), "a tolerance").SI, Name: text(n.Get("name"))}
	if len(out.Kind.Results()) == 2 { // a law that is not known: the shape has said so
		return out
	}
	if out.Name == "" {
		out.Name = strings.ReplaceAll(string(out.Kind), " ", "-")
	}
	name := n.Get("name")
	if name == nil {
		name = n.Get("fit")
	}
	switch before, had := r.fits[out.Name]; {
	case !traceName.MatchString(out.Name):
		r.found.AddHint(r.place(name), "letters, digits, - and _", "%q cannot be the name of a fit", out.Name)
	case had && before != p.Place:
		r.found.AddHint(r.place(name), "give one of them a name", "there is a fit called %s in line %d already", out.Name, before.Line)
	default:
		r.fits[out.Name] = p.Place
	}
	r.fitInputs(n.Get("of"), out)
	known := map[string]bool{}
	for _, one := range out.Kind.Results() {
		known[one.What] = true
	}
	for _, e := range entries(n.Get("gives")) {
		if !known[e.Key] {
			var names []string
			for _, one := range out.Kind.Results() {
				names = append(names, one.What)
			}
			r.found.AddHint(e.Place, diag.Suggest(e.Key, names), "a fit of a %s gives no %s", out.Kind, e.Key)
		}
	}
	if !s.columns {
		out.Gives = r.gives(n.Get("gives"), out.Kind.Results(), "of "+out.Name, s)
		return out
	}
	for _, e := range entries(n.Get("gives")) {
		if e.Value == nil || text(e.Value) == "" {
			continue
		}
		for _, one := range out.Kind.Results() {
			if one.What == e.Key {
				place := r.place(e.Value)
				out.Gives = append(out.Gives, Given{What: e.Key, Name: text(e.Value), Place: place})
				s.declare(&symbol{name: text(e.Value), kind: derivedName, typ: expr.Number(one.Dim), place: place})
			}
		}
	}
	return out
}

// fitInputs finds the columns that a fit looks at.
func (r *reader) fitInputs(n *diag.Node, out *Fit) {
	wanted := map[string]quantity.Dimension{}
	for _, in := range out.Kind.Inputs() {
		wanted[in.What] = in.Dim
		if n != nil && n.Form == diag.Mapping && n.Get(in.What) == nil {
			r.found.AddHint(n.Place, "the column of the "+in.Dim.Name()+" "+in.About, "a fit of a %s needs %s", out.Kind, in.What)
		}
	}
	var names []string
	for _, c := range r.order {
		names = append(names, c.Name)
	}
	for _, e := range entries(n) {
		dim, ok := wanted[e.Key]
		name := text(e.Value)
		c, known := r.columns[name]
		switch {
		case !ok:
			r.found.Add(e.Place, "a fit of a %s does not look at %s", out.Kind, e.Key)
			continue
		case name == "":
			continue
		case !known && !r.lenient:
			r.found.AddHint(r.place(e.Value), diag.Suggest(name, names), "nothing that was measured or derived before is called %q", name)
		case known && c.Dim != dim:
			r.found.Add(r.place(e.Value), "%s of a fit is %s; %s is %s", e.Key, dim.Name(), name, c.Dim.Name())
		}
		out.Of[e.Key] = name
	}
}
