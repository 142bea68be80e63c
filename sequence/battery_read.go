package sequence

import (
	"fmt"
	"math"
	"path"
	"regexp"
	"strings"

	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/sequence/expr"
)

// trace is a recording that a step makes.
type trace struct {
	name     string
	signals  []Signal
	place    diag.Place
	captured bool // around an event
	broken   bool // some of its signals could not be read
}

// traceName is what a trace may be called: it becomes a name of files.
var traceName = regexp.MustCompile(`^[A-Za-z][A-Za-z0-9_-]{0,60}$`)

// numbered is the name of a trace that is recorded more than once.
var numbered = regexp.MustCompile(`^(.+)-[0-9]+$`)

func (r *reader) record(p Pos, n *diag.Node, s *scope) *Record {
	out := &Record{Pos: p, Trace: text(n.Get("record")), Role: text(n.Get("with")), Every: r.positive(n.Get("every"), "the time from one sample to the next")}
	r.newTrace(out, n.Get("record"))
	ready := r.role(n.Get("with"), RoleRecorder)
	out.Signals = r.signals(n.Get("of"), ready)
	if ready != nil && ready.need.Every.SI > 0 && out.Every.SI > 0 && out.Every.SI < ready.need.Every.SI*(1-1e-9) {
		r.found.AddHint(n.Get("every").Place, "write the shorter time into needs", "a sample every %s is asked of %s; its need says every %s (line %d)", out.Every, out.Role, ready.need.Every, ready.need.Place.Line)
	}
	for _, outer := range r.recording {
		if ready != nil && outer.Role == out.Role {
			r.found.AddHint(p.Place, "inside it, record another node with another recorder", "%s would be recorded with %s, which records %s meanwhile", out.Trace, out.Role, outer.Trace)
		}
	}
	steps, span := n.Get("steps"), n.Get("for")
	switch {
	case steps == nil && span == nil:
		r.found.AddHint(p.Place, "as in for: 1 h", "how long %s is recorded is not said", out.Trace)
	case steps != nil && span != nil:
		r.found.AddHint(r.place(span), "leave for out: put a wait behind the steps where it should go on", "a recording with steps ends behind the last of them")
	case span != nil:
		out.For = r.expr(span)
		out.MostSeconds = r.longest(out.For, s, "how long is recorded")
		if out.MostSeconds > 0 && out.Every.SI > 0 && out.MostSeconds < out.Every.SI {
			r.found.Add(r.place(span), "%s is shorter than one sample, %s", quantity.Of(out.MostSeconds, quantity.Time), out.Every)
		}
	}
	if steps != nil {
		r.recording = append(r.recording, out)
		out.Steps = r.body(p, n, s)
		r.recording = r.recording[:len(r.recording)-1]
	}
	if out.Trace != "" {
		r.traces = append(r.traces, trace{name: out.Trace, signals: out.Signals, place: p.Place})
	}
	return out
}

// newTrace checks the name of a trace that is to be recorded.
func (r *reader) newTrace(out *Record, n *diag.Node) {
	if out.Trace == "" {
		return
	}
	if !traceName.MatchString(out.Trace) {
		r.found.AddHint(r.place(n), "letters, digits, - and _, a letter first", "%q cannot be the name of a trace: it becomes a name of files", out.Trace)
		return
	}
	for _, t := range r.traces {
		base, other := out.Trace, t.name
		if strings.EqualFold(base, other) {
			r.found.AddHint(r.place(n), "take another name", "a trace %s is recorded in line %d already", t.name, t.place.Line)
			return
		}
		for range 2 {
			if m := numbered.FindStringSubmatch(base); m != nil && strings.EqualFold(m[1], other) {
				r.found.AddHint(r.place(n), "take another name", "%s could be the next recording of %s (line %d), which is numbered so where it is made more than once", base, other, t.place.Line)
				return
			}
			base, other = other, base
		}
	}
}

// signals reads what is recorded: the current of the recorder's node, and its voltage.
func (r *reader) signals(n *diag.Node, ready *readiness) []Signal {
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
			r.found.AddHint(x.Place, "as in {i: i(node.supply), v: v(node.supply)}", "%q is no reading: v(node) or i(node) is wanted here", x.Text)
			continue
		}
		one.Function, one.Node = Function(ref.Function), ref.Node
		if ready != nil && ready.need.Node != "" && one.Node != ready.need.Node {
			r.found.Add(x.Place, "%s records at %s; %s is another node", ready.need.Name, ready.need.Node, one.Node)
			continue
		}
		for _, had := range out {
			if had.Function == one.Function {
				r.found.Add(x.Place, "%s is recorded as %s already", x.Text, had.Name)
			}
		}
		out = append(out, one)
	}
	for i := range out {
		if out[i].Function == Amps {
			out[0], out[i] = out[i], out[0]
			return out
		}
	}
	if n != nil && n.Form == diag.Mapping && len(out) == len(n.Entries) {
		node := "node"
		if ready != nil {
			node = ready.need.Node
		}
		r.found.AddHint(n.Place, fmt.Sprintf("as in {i: i(%s)}", node), "a recording is of a current, alone or with the voltage")
	}
	return out
}

// positive reads an amount that is above zero.
func (r *reader) positive(n *diag.Node, what string) quantity.Quantity {
	q := amount(n)
	if n != nil && readable(n) && q.SI <= 0 {
		r.found.Add(n.Place, "%s is above zero", what)
	}
	return q
}

// longest checks a time and gives the longest value that is known before the run, s; 0 where none is.
func (r *reader) longest(e *expr.Expr, s *scope, what string) (most float64) {
	if e == nil || r.want(e, s, what, quantity.Time).Any {
		return 0
	}
	r.enumerate(s, []*expr.Expr{e}, func(env expr.Env) bool {
		q, err := Amount(e, env)
		if err == nil && q.SI <= 0 {
			r.found.Add(e.Place, "%s is above zero, this is %s", what, q)
			return false
		}
		most = max(most, q.SI)
		return true
	})
	return most
}

// known finds a trace that was recorded before.
func (r *reader) recorded(n *diag.Node) *trace {
	name := text(n)
	if name == "" {
		return nil
	}
	var names []string
	for i := range r.traces {
		if names = append(names, r.traces[i].name); r.traces[i].name == name {
			return &r.traces[i]
		}
	}
	if !r.lenient {
		r.found.AddHint(r.place(n), diag.Suggest(name, names), "no trace %q has been recorded before this step", name)
	}
	return nil
}

func (r *reader) drain(p Pos, n *diag.Node, s *scope) *Drain {
	out := &Drain{Pos: p, Trace: text(n.Get("drain")), Against: text(n.Get("against")),
		From: r.amountOf(n.Get("from")), To: r.positive(n.Get("to"), "an end")}
	t := r.recorded(n.Get("drain"))
	if len(r.recording) > 0 {
		r.found.AddHint(p.Place, "put it behind the record step", "a trace is looked at when nothing is being recorded")
	}
	if out.To.SI > 0 && out.From.SI >= out.To.SI {
		r.found.Add(n.Get("to").Place, "the end %s is not behind the start %s", out.To, out.From)
	}
	if t != nil && t.captured {
		r.found.AddHint(r.place(n.Get("drain")), "pulse, transient, inrush...", "%s is a capture, and no recording", t.name)
		t = nil
	}
	if t != nil {
		out.Signal, out.Volts, out.Fixed = r.traceSignals(n, t)
	}
	if a := n.Get("against"); a != nil && r.recorded(a) != nil && out.Against == out.Trace {
		r.found.Add(r.place(a), "a trace is compared with another one, not with itself")
	}
	for _, e := range entries(n.Get("states")) {
		one := NamedState{Name: e.Key, Amps: span(e.Value), Place: e.Place}
		for _, had := range out.States {
			if one.Amps.Set && had.Amps.Set && one.Amps.Low < had.Amps.High && had.Amps.Low < one.Amps.High {
				r.found.Add(e.Place, "the currents of %s, %s, overlap those of %s, %s", one.Name, one.Amps, had.Name, had.Amps)
			}
		}
		out.States = append(out.States, one)
	}
	out.Gives = r.gives(n.Get("gives"), DrainResults(), "of "+out.Trace, s)
	for _, g := range out.Gives {
		switch {
		case g.What == "change" && out.Against == "":
			r.found.AddHint(g.Place, "as in against: other-trace", "change is against another trace, and none is named")
		case t != nil && g.What == "energy" && out.Volts == "" && out.Fixed.SI == 0:
			r.found.AddHint(g.Place, "record v(node), too, or give volts: 3 V", "an energy needs a voltage")
		case t != nil && g.What == "lowest" && out.Volts == "":
			r.found.AddHint(g.Place, "record v(node), too", "the voltage was not recorded")
		}
	}
	return out
}

func (r *reader) amountOf(n *diag.Node) quantity.Quantity {
	q := amount(n)
	if n != nil && readable(n) && q.SI < 0 {
		r.found.Add(n.Place, "a trace starts at 0 s")
	}
	return q
}

// traceSignals finds the current and the voltage that a drain step looks at.
func (r *reader) traceSignals(n *diag.Node, t *trace) (current, volts string, fixed quantity.Quantity) {
	var names []string
	own := map[Function]string{}
	for _, one := range t.signals {
		names = append(names, one.Name)
		own[one.Function] = one.Name
	}
	current, volts = own[Amps], own[Volts]
	if of := n.Get("of"); text(of) != "" && text(of) != current {
		switch {
		case text(of) == volts:
			r.found.AddHint(r.place(of), "take "+current, "%s is a voltage; a drain is of a current", volts)
		default:
			r.found.AddHint(r.place(of), diag.Suggest(text(of), names), "the trace %s has no signal %q", t.name, text(of))
		}
	}
	v := n.Get("volts")
	if text(v) == "" || text(v) == volts {
		return current, volts, fixed
	}
	q, err := quantity.Parse(text(v))
	switch {
	case err == nil && q.Dim == quantity.Voltage && q.SI > 0:
		return current, "", q
	case err == nil:
		r.found.Add(r.place(v), "a voltage above zero is wanted here, this is %s", q)
	default:
		r.found.AddHint(r.place(v), "a signal of the trace, or a voltage such as 3 V", "the trace %s has no voltage %q", t.name, text(v))
	}
	return current, volts, fixed
}

// gives reads the names that results of a step get.
func (r *reader) gives(n *diag.Node, results []Result, of string, s *scope) []Given {
	var out []Given
	for _, e := range entries(n) {
		name := text(e.Value)
		if name == "" {
			continue
		}
		for _, one := range results {
			if one.What != e.Key {
				continue
			}
			place := r.place(e.Value)
			out = append(out, Given{What: e.Key, Name: name, Place: place})
			kind := Worked
			c := Column{Name: name, Kind: kind, Dim: one.Dim, Expr: e.Key + " " + of}
			if s.declare(&symbol{name: name, kind: measuredName, typ: expr.Number(one.Dim), place: place}) {
				r.column(c, place)
			}
		}
	}
	return out
}

func (r *reader) life(p Pos, n *diag.Node, s *scope) *Life {
	out := &Life{Pos: p, Title: text(n.Get("life")), Battery: r.file(n.Get("battery"), BatteryFile)}
	for _, one := range []struct {
		key, what string
		into      **expr.Expr
	}{{"current", "a mean current", &out.Current}, {"peak", "a peak", &out.Peak}} {
		if v := n.Get(one.key); v != nil {
			if *one.into = r.named(r.expr(v), s); *one.into != nil {
				r.want(*one.into, s, one.what, quantity.Current)
			}
		}
	}
	battery := strings.TrimSuffix(path.Base(out.Battery), ".battery.yaml")
	out.Gives = r.gives(n.Get("gives"), LifeResults(), "on "+battery, s)
	return out
}

// file notes a file that a step names.
func (r *reader) file(n *diag.Node, kind FileKind) string {
	name := text(n)
	if name == "" {
		return ""
	}
	for _, f := range r.seq.Files {
		if f.Name == name && f.Kind == kind {
			return name
		}
	}
	r.seq.Files = append(r.seq.Files, File{Name: name, Kind: kind, Place: r.place(n)})
	return name
}

func (r *reader) emulate(p Pos, n *diag.Node, s *scope) *Emulate {
	out := &Emulate{Pos: p, Role: text(n.Get("emulate")), Battery: r.file(n.Get("battery"), BatteryFile), Amps: r.expr(n.Get("amps")), Then: onOff(n.Get("then")),
		Every: r.positive(n.Get("every"), "the time from one setting to the next"), Keep: r.positive(n.Get("keep"), "the time from one point to the next")}
	if out.Then == Unsaid {
		out.Then = Off
	}
	if out.Every.SI == 0 {
		out.Every = quantity.Of(DefaultEvery, quantity.Time)
	}
	if out.Keep.SI == 0 {
		out.Keep = quantity.Of(max(DefaultKeep, out.Every.SI), quantity.Time)
	}
	if k := n.Get("keep"); k != nil && out.Keep.SI > 0 && out.Keep.SI < out.Every.SI {
		r.found.Add(k.Place, "a point every %s cannot be kept where the voltage is set every %s", out.Keep, out.Every)
	}
	ready := r.role(n.Get("emulate"), RoleSource)
	if out.Amps != nil {
		r.setpoint(out.Amps, s, ready, "the current limit of a source", " as its current limit", quantity.Current)
	}
	r.fed = true
	if ready != nil {
		ready.volts = true
		if ready.amps = ready.amps || out.Amps != nil; !ready.amps && !ready.warned {
			r.found.Warn(p.Place, "give amps: what the device may draw", "the output of %s goes on without a current limit of this sequence", out.Role)
			ready.warned = true
		}
	}
	r.emulateFrom(n.Get("from"), out, s)
	r.emulateEnd(n.Get("until"), out, s)
	inner := s.inner()
	out.Reads = r.readings(n.Get("reads"), inner)
	out.Gives = r.gives(n.Get("gives"), EmulateResults(), "of the battery at "+out.Role, inner)
	if steps := n.Get("steps"); steps != nil {
		out.Steps = r.body(p, n, inner)
		for _, step := range out.Steps {
			switch step.(type) {
			case *Derive, *Judge, *When, *Note:
			default:
				r.found.AddHint(step.At(), "derive, judge, when and note", "this cannot be done at a point of an emulation, which goes on meanwhile")
			}
		}
	}
	return out
}

func (r *reader) emulateFrom(n *diag.Node, out *Emulate, s *scope) {
	if n == nil {
		return
	}
	if n.Form == diag.Mapping {
		out.Saved = r.file(n.Get("saved"), SavedState)
		return
	}
	if out.From = r.expr(n); out.From != nil {
		r.share(out.From, s, "a state of charge", false)
	}
}

// share checks a part of the full charge.
func (r *reader) share(e *expr.Expr, s *scope, what string, zero bool) {
	if r.want(e, s, what, quantity.Ratio).Any {
		return
	}
	r.enumerate(s, []*expr.Expr{e}, func(env expr.Env) bool {
		q, err := Amount(e, env)
		if err == nil && !(q.SI > 0 && q.SI <= 1 || zero && q.SI == 0) {
			r.found.AddHint(e.Place, "as in 80 %", "%s is above 0 %% and at most 100 %%, this is %s", what, q)
			return false
		}
		return true
	})
}

func (r *reader) emulateEnd(n *diag.Node, out *Emulate, s *scope) {
	if n == nil || n.Form != diag.Mapping {
		return
	}
	u := &out.Until
	if u.Time = r.expr(n.Get("time")); u.Time != nil {
		u.MostSeconds = r.longest(u.Time, s, "the time of an emulation")
		if passes := u.MostSeconds / out.Keep.SI; out.Keep.SI > 0 && passes > MaxPoints {
			r.found.AddHint(u.Time.Place, "make keep longer", "a point every %s makes more than %d points", out.Keep, MaxPoints)
			u.MostSeconds = out.Keep.SI
		}
	}
	if u.Volts = r.expr(n.Get("volts")); u.Volts != nil {
		r.want(u.Volts, s, "the voltage at which an emulation ends", quantity.Voltage)
	}
	if u.Charge = r.expr(n.Get("charge")); u.Charge != nil {
		r.share(u.Charge, s, "the state of charge at which an emulation ends", true)
	}
}

// Reading is the measure step that is done at each of its points.
func (e *Emulate) Reading() *Measure {
	return &Measure{Pos: e.Pos, Readings: e.Reads, Aperture: quantity.Of(min(e.Every.SI, mostReading), quantity.Time), Average: 1}
}

// mostReading is the longest aperture of a reading at a point of an emulation, s: one period of a 50 Hz mains.
const mostReading = 0.02

// Points is how many points an emulation keeps at most: one at its beginning, one after each keep, one at its end.
func (e *Emulate) Points() int {
	if e.Until.MostSeconds <= 0 || e.Keep.SI <= 0 {
		return 2
	}
	return int(math.Ceil(min(e.Until.MostSeconds/e.Keep.SI, 1<<30)-1e-9)) + 1
}
