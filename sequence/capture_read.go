package sequence

import (
	"fmt"
	"math"
	"strings"

	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/sequence/expr"
)

// The figures of a capture where a sequence does not say. A fifth before the event is common practice; the time-out is own choice.
const (
	DefaultBefore   = 0.2 // of the whole
	DefaultEventMax = 5.0 // s
)

func (r *reader) capture(p Pos, n *diag.Node, s *scope) *Capture {
	out := &Capture{Pos: p, Trace: text(n.Get("capture")), Every: r.positive(n.Get("interval"), "the time from one sample to the next"),
		For: r.positive(n.Get("for"), "the time of a capture"), AtMost: r.positive(n.Get("at_most"), "a time-out")}
	r.newTrace(&Record{Trace: out.Trace}, n.Get("capture"))
	if len(r.recording) > 0 {
		r.found.AddHint(p.Place, "put it before or behind the record step", "nothing is captured while something is recorded")
	}
	out.Signals = r.captured(n.Get("of"))
	if out.AtMost.SI <= 0 {
		out.AtMost = quantity.Of(DefaultEventMax, quantity.Time)
	}
	r.captureRanges(n.Get("ranges"), out)
	r.trigger(n.Get("trigger"), out, s)
	r.before(n.Get("before"), out)
	if all, _ := out.Points(); out.For.SI > 0 && out.Every.SI > 0 && all < leastSamples {
		r.found.AddHint(n.Get("for").Place, "a longer time, or a shorter interval", "%s at one sample every %s are %d samples; %d are the least that shows anything", out.For, out.Every, all, leastSamples)
	}
	if steps := n.Get("steps"); steps != nil {
		out.Steps = r.body(p, n, s)
		r.eventSteps(out)
	}
	r.triggerRole(out, p)
	if out.Trace != "" {
		r.traces = append(r.traces, trace{name: out.Trace, signals: out.Signals, place: p.Place, captured: true, broken: len(out.Signals) != len(entries(n.Get("of")))})
	}
	return out
}

// leastSamples is what a capture has at least; own choice.
const leastSamples = 16

// captured reads the signals of a capture: any node that something samples.
func (r *reader) captured(n *diag.Node) []Signal {
	var out []Signal
	for _, e := range entries(n) {
		one := Signal{Name: e.Key, Place: e.Place}
		if why := expr.ValidName(e.Key); why != "" {
			r.found.Add(e.Place, "%q cannot be a name: %s", e.Key, why)
		}
		x := r.expr(e.Value)
		if x == nil {
			continue
		}
		ref, ok := x.Node()
		if !ok {
			r.found.AddHint(x.Place, "as in {vo: v(dut.out), io: i(dut.out)}", "%q is no reading: v(node) or i(node) is wanted here", x.Text)
			continue
		}
		if err := r.nodeFault(ref.Node); err != nil {
			r.found.Add(x.Place, "%s", err)
			continue
		}
		one.Function, one.Node = Function(ref.Function), ref.Node
		for _, had := range out {
			if had.Function == one.Function && had.Node == one.Node {
				r.found.Add(x.Place, "%s is captured as %s already", x.Text, had.Name)
			}
		}
		out = append(out, one)
	}
	if n != nil && n.Form == diag.Mapping && len(n.Entries) == 0 {
		r.found.AddHint(n.Place, "as in {vo: v(dut.out), io: i(dut.out)}", "there is nothing to capture")
	}
	return out
}

func (c *Capture) names() []string {
	var out []string
	for _, s := range c.Signals {
		out = append(out, s.Name)
	}
	return out
}

func (r *reader) captureRanges(n *diag.Node, out *Capture) {
	for _, e := range entries(n) {
		signal, q := out.Signal(e.Key), amount(e.Value)
		switch {
		case signal == nil:
			r.found.AddHint(e.Place, diag.Suggest(e.Key, out.names()), "%q is no signal of this capture", e.Key)
		case !readable(e.Value):
		case signal.Function.Dim() != q.Dim:
			r.found.Add(e.Value.Place, "%s is %s; its range is no %s", e.Key, signal.Measurement(), q.Dim.Name())
		case q.SI <= 0:
			r.found.Add(e.Value.Place, "a range is above zero")
		default:
			if out.Ranges == nil {
				out.Ranges = map[string]quantity.Quantity{}
			}
			out.Ranges[e.Key] = q
		}
	}
}

func (r *reader) before(n *diag.Node, out *Capture) {
	part := DefaultBefore
	if out.Trigger.On == AtOnce {
		part = 0
	}
	if n != nil && readable(n) {
		q := amount(n)
		if part = q.SI; q.Dim == quantity.Time {
			part = q.SI / out.For.SI
		}
		switch {
		case q.SI < 0 || part >= 1 && out.For.SI > 0:
			r.found.AddHint(n.Place, "as in 25 %", "what comes before the event is a part of the %s, this is %s", out.For, q)
			part = 0
		case part > 0 && out.Trigger.On == AtOnce:
			r.found.AddHint(n.Place, "give a trigger, or leave before out", "nothing comes before a capture that begins at once")
		}
	}
	out.Before = quantity.Of(part*out.For.SI, quantity.Time)
}

// trigger reads the event: it is written as a sentence, so that it says which way a level is passed.
func (r *reader) trigger(n *diag.Node, out *Capture, s *scope) {
	t := &out.Trigger
	t.On, t.Text = AtOnce, string(AtOnce)
	if n == nil || n.Form != diag.Mapping {
		return
	}
	when := n.Get("when")
	whole := strings.TrimSpace(text(when))
	if whole == "" {
		return
	}
	t.Text, t.Hysteresis = whole, amount(n.Get("hysteresis"))
	for _, verb := range []struct {
		text  string
		slope int
	}{{" rises above ", 1}, {" falls below ", -1}, {" crosses ", 0}} {
		signal, level, ok := strings.Cut(whole, verb.text)
		if !ok {
			continue
		}
		t.On, t.Slope, t.Signal = OnLevel, verb.slope, strings.TrimSpace(signal)
		place := r.place(when)
		one := out.Signal(t.Signal)
		if one == nil {
			r.found.AddHint(place, diag.Suggest(t.Signal, out.names()), "%q is no signal of this capture", t.Signal)
			return
		}
		at := place
		if at.Column > 0 {
			at.Column += len([]rune(whole[:len(whole)-len(level)]))
		}
		if t.Level = expr.Parse(level, at, r.found); t.Level == nil {
			return
		}
		r.want(t.Level, s, "the level of a trigger on "+one.Measurement(), one.Function.Dim())
		if h := n.Get("hysteresis"); h != nil && readable(h) && (t.Hysteresis.SI <= 0 || t.Hysteresis.Dim != one.Function.Dim()) {
			r.found.Add(h.Place, "a hysteresis is above zero, in the unit of %s", one.Measurement())
		}
		return
	}
	if h := n.Get("hysteresis"); h != nil {
		r.found.Add(h.Place, "a hysteresis belongs to a trigger on a level")
	}
	switch role, on := strings.CutSuffix(whole, " goes on"); {
	case on:
		t.On, t.Role = OnOutput, strings.TrimSpace(role)
	case strings.HasSuffix(whole, " steps"):
		t.On, t.Role = OnSteps, strings.TrimSpace(strings.TrimSuffix(whole, " steps"))
	case whole == string(Software):
		t.On = Software
	case whole == string(AtOnce):
	default:
		r.found.AddHint(r.place(when), "as in vo rises above 4.8 V, io crosses 1 A, feed goes on, sink steps, software, at once", "%q is no event that a capture can wait for", whole)
	}
}

// eventSteps refuses what cannot be done while everything waits for an event.
func (r *reader) eventSteps(out *Capture) {
	for _, step := range out.Steps {
		switch step.(type) {
		case *Source, *Load, *List, *Short, *Profile, *Rails, *Wait, *Note:
		default:
			r.found.AddHint(step.At(), "source, load, list, short, profile, rails, wait and note; put what is read before or behind it", "this cannot be done while a capture waits for its event")
		}
	}
}

// triggerRole looks whether the role of a trigger does in the steps what is waited for.
func (r *reader) triggerRole(out *Capture, p Pos) {
	t := &out.Trigger
	if t.On != OnOutput && t.On != OnSteps {
		return
	}
	var names []string
	for i := range r.ready {
		need := r.ready[i].need
		if need.Role != RoleSource && need.Role != RoleLoad {
			continue
		}
		names = append(names, need.Name)
	}
	if !contains(names, t.Role) {
		if !r.lenientNodes {
			r.found.AddHint(p.Place, diag.Suggest(t.Role, names), "the trigger %q: no source or load of this sequence is called %q", t.Text, t.Role)
		}
		return
	}
	for _, step := range out.Steps {
		switch step := step.(type) {
		case *Source:
			if t.On == OnOutput && step.Role == t.Role && step.Output != Off {
				return
			}
		case *Load:
			if t.On == OnOutput && step.Role == t.Role && step.Input != Off {
				return
			}
		case *Rails:
			for _, rail := range step.Up {
				if t.On == OnOutput && rail.Role == t.Role {
					return
				}
			}
		case *List:
			if t.On == OnSteps && step.Role == t.Role {
				return
			}
		}
	}
	want := "a source or load step that switches it on"
	if t.On == OnSteps {
		want = "a list step of it"
	}
	r.found.AddHint(p.Place, "put "+want+" under steps", "the trigger %q never comes: no step of this capture does it", t.Text)
}

// list reads a list step.
func (r *reader) list(p Pos, n *diag.Node, s *scope) *List {
	out := &List{Pos: p, Role: text(n.Get("list")), Of: Volts}
	levels, other := n.Get("volts"), n.Get("amps")
	role := RoleSource
	for i := range r.ready {
		if r.ready[i].need.Name == out.Role && r.ready[i].need.Role == RoleLoad {
			role, out.Of, levels, other = RoleLoad, Amps, other, levels
		}
	}
	ready := r.role(n.Get("list"), role)
	key := map[Function]string{Volts: "volts", Amps: "amps"}[out.Of]
	switch {
	case other != nil:
		r.found.AddHint(other.Place, "give "+key, "a list of a %s is of %s", role, key)
	case levels == nil:
		r.found.AddHint(p.Place, fmt.Sprintf("as in %s: [...]", key), "the list of %s has no levels", out.Role)
	case levels.Form == diag.List && len(levels.Items) < 2:
		r.found.Add(levels.Place, "a list has 2 levels at least")
	}
	if levels != nil && other == nil {
		for _, item := range levels.Items {
			if e := r.expr(item); e != nil {
				if out.Of == Volts {
					r.setpoint(e, s, ready, "the voltage of a source", "", quantity.Voltage)
				} else {
					r.setpoint(e, s, ready, "what a load holds", "", quantity.Current)
				}
				out.Levels = append(out.Levels, e)
			}
		}
	}
	r.dwell(n.Get("dwell"), out, s)
	if role == RoleLoad && len(out.Levels) > 0 {
		last := out.Levels[len(out.Levels)-1]
		if q, known := constant(last); !known || q.SI != 0 {
			r.found.AddHint(last.Place, "end it with 0 A", "a list goes on when nobody is there any more, and stays at its last level: of a load that is 0 A")
		}
	}
	if ready != nil && (role == RoleSource && !ready.volts || role == RoleLoad && !ready.held) {
		r.found.AddHint(p.Place, "set it first", "the list of %s would begin before anything was set", out.Role)
		ready.volts, ready.held = true, true
	}
	return out
}

func (r *reader) dwell(n *diag.Node, out *List, s *scope) {
	if n == nil {
		return
	}
	items := []*diag.Node{n}
	if n.Form == diag.List {
		items = n.Items
	}
	for _, item := range items {
		if e := r.expr(item); e != nil {
			r.longest(e, s, "the time of a step of a list")
			out.Dwell = append(out.Dwell, e)
		}
	}
	if len(out.Dwell) != 1 && len(out.Dwell) != len(out.Levels) && len(out.Levels) > 0 {
		r.found.AddHint(n.Place, "one time for all, or one for each level", "%d times for %d levels", len(out.Dwell), len(out.Levels))
	}
	if len(out.Dwell) == 0 {
		out.Dwell = []*expr.Expr{expr.Constant(quantity.Of(math.NaN(), quantity.Time))}
	}
}
