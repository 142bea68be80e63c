package sequence

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"unicode/utf8"

	"fourwire/analysis/verdict"
	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/sequence/expr"
	"fourwire/sequence/profile"
)

// Read reads a sequence file, sets its parameters, and checks everything that can be known before a bench is connected. All
// faults come as findings, in one go; the sequence is nil where the file cannot be understood at all. With findings that
// are more than warnings the sequence is good for looking at, not for running.
func Read(name string, data []byte, set []Setting, found *diag.Findings) *Sequence {
	root := diag.Parse(name, data, found)
	if root == nil {
		return nil
	}
	shape := Shape()
	var structure diag.Findings
	structure.Source(name, data)
	sound := shape.Check(root, &structure)
	found.Join(structure.List())
	if root.Form != diag.Mapping {
		return nil
	}
	r := &reader{found: found, lines: map[string][]string{name: lines(data)}, columns: map[string]known{}, fits: map[string]diag.Place{}}
	r.seq = &Sequence{File: name, Source: data, Title: text(root.Get("title")), About: text(root.Get("about")), Bench: text(root.Get("bench"))}
	// a misspelt key may hide names: what is not known then is no news
	if !sound {
		r.lenient = touches(structure.List(), root, "steps", "params", "summary")
		r.lenientNodes = touches(structure.List(), root, "needs", "guard")
	}

	global := &scope{r: r}
	r.params(root.Get("params"), set, global)
	r.needs(root.Get("needs"))
	r.guards(root.Get("guard"))
	r.seq.Device = r.device(root.Get("device"))
	r.seq.Rule = r.rule(root.Get("rule"), verdict.Simple)
	body := global.inner()
	r.seq.Steps = r.steps(root.Get("steps"), body)
	r.arrange()
	r.seq.Summary = r.summary(root.Get("summary"), global)
	r.curves(root.Get("curves"))
	r.unused(global)
	if !r.lenient {
		r.size()
	}
	if sound && !found.Failed() {
		r.startUp()
	}
	return r.seq
}

// reader holds what is known while a file is read.
type reader struct {
	found *diag.Findings
	lines map[string][]string // of the file, and of each --set
	seq   *Sequence

	lenient      bool // names that are not known are passed over
	lenientNodes bool

	nodes     []string // of needs and guards
	ready     []readiness
	order     []Column // in order of appearance
	columns   map[string]known
	labels    []string
	fits      map[string]diag.Place
	traces    []trace           // recorded by the steps so far
	recording []*Record         // the record steps whose steps are being read
	worked    int               // values worked out so far
	fed       bool              // a source step has been seen
	unfed     bool              // the warning about its absence has been given
	groups    []string          // of rails
	presets   []*profile.Preset // once they have been read

	setpoints map[*expr.Expr]asked // what is known of each before the run
	cared     map[diag.Place]bool  // places with a warning about the start
}

// readiness is what earlier steps have set of a source or load.
type readiness struct {
	need              *Need
	volts, amps, held bool
	forces            bool // amps
	used, warned      bool
}

// known is a column with the place where it first appeared.
type known struct {
	Column
	place diag.Place
}

func lines(data []byte) []string {
	return strings.Split(strings.ReplaceAll(string(data), "\r\n", "\n"), "\n")
}

// touches tells whether a finding lies inside one of some top-level keys, or inside one that may have been meant for it.
func touches(list []diag.Finding, root *diag.Node, keys ...string) bool {
	for _, f := range list {
		section := ""
		for _, e := range root.Entries {
			if e.Place.Line <= f.Place.Line {
				section = e.Key
			}
		}
		near, ok := diag.Closest(section, keys)
		if contains(keys, section) || ok && contains(keys, near) {
			return true
		}
	}
	return false
}

// text is the text of a scalar; nothing for anything else.
func text(n *diag.Node) string {
	if n == nil || n.Form != diag.Scalar {
		return ""
	}
	return n.Text
}

// whole is a whole number that the shape has checked.
func whole(n *diag.Node, otherwise int) int {
	if v, err := strconv.Atoi(strings.TrimSpace(text(n))); err == nil {
		return v
	}
	return otherwise
}

// yes reads a yes or no that the shape has checked.
func yes(n *diag.Node) bool {
	on, _ := diag.Yes(text(n))
	return on
}

// entries of a mapping; none for anything else.
func entries(n *diag.Node) []diag.Entry {
	if n == nil || n.Form != diag.Mapping {
		return nil
	}
	return n.Entries
}

// place is where the text of a scalar begins; without a column where the text is not on its line as it stands, as with text
// that is folded over lines or holds escapes. For other nodes it is the node's own place.
func (r *reader) place(n *diag.Node) diag.Place {
	p := n.Place
	all := r.lines[p.File]
	if n.Form != diag.Scalar || p.Line < 1 || p.Line > len(all) {
		return p
	}
	rest := all[p.Line-1]
	for i := 1; i < p.Column && rest != ""; i++ {
		_, size := utf8.DecodeRuneInString(rest)
		rest = rest[size:]
	}
	if n.Quoted && rest != "" && (rest[0] == '"' || rest[0] == '\'') {
		rest = rest[1:]
		p.Column++
	}
	if !strings.HasPrefix(rest, n.Text) {
		p.Column = 0
	}
	return p
}

// expr reads the expression of a scalar; nil, with findings, where it is none.
func (r *reader) expr(n *diag.Node) *expr.Expr {
	if n == nil || n.Form != diag.Scalar || n.Text == "" && !n.Quoted {
		return nil // the shape, or the reader of YAML, has said so
	}
	return expr.Parse(n.Text, r.place(n), r.found)
}

// join takes over an error that has a place.
func (r *reader) join(err error) {
	var f diag.Finding
	if errors.As(err, &f) {
		r.found.AddHint(f.Place, f.Hint, "%s", f.Text)
		return
	}
	r.found.Add(diag.Place{File: r.seq.File}, "%s", err)
}

func (r *reader) params(n *diag.Node, set []Setting, global *scope) {
	asked := map[string]string{}
	for _, s := range set {
		if _, twice := asked[s.Name]; twice {
			r.found.Add(diag.Place{File: r.seq.File}, "--set gives %s twice", s.Name)
		}
		asked[s.Name] = s.Value
	}
	var names []string
	for _, e := range entries(n) {
		names = append(names, e.Key)
		p := Param{Name: e.Key, About: text(e.Value.Get("about")), Place: e.Place}
		p.Values = Values{Place: e.Place, most: 1, broken: true}
		if d := e.Value.Get("default"); d != nil {
			p.Values = r.readValues(d, global)
			p.Values.param = ""
		}
		if value, ok := asked[e.Key]; ok {
			p.Values = r.setting(p, value, global)
		}
		if p.Values.List == nil && !p.Values.broken {
			r.found.Add(p.Values.Place, "the values of a parameter are known before the run")
			p.Values.broken = true
		}
		r.seq.Params = append(r.seq.Params, p)
		global.declare(&symbol{name: p.Name, kind: parameter, place: p.Place, values: &p.Values, typ: expr.Type{Dim: p.Values.Dim, Any: p.Values.broken}})
	}
	for _, s := range set {
		if !contains(names, s.Name) {
			r.found.AddHint(diag.Place{File: r.seq.File}, diag.Suggest(s.Name, names), "--set %s: there is no parameter of this name", s.Name)
		}
	}
}

// setting reads the value that --set gives to a parameter. Whatever is wrong with it is said at the parameter's place.
func (r *reader) setting(p Param, value string, global *scope) Values {
	file := "--set " + p.Name
	var inner diag.Findings
	outer := r.found
	r.lines[file] = []string{value}
	r.found = &inner
	var v Values
	n := diag.Parse(file, []byte(value), &inner)
	if n != nil && valuesType().Check(n, &inner) {
		v = r.readValues(n, global)
	} else {
		v = Values{broken: true}
	}
	r.found = outer
	v.Place, v.param = p.Place, ""
	for _, f := range inner.List() {
		if f.Warning {
			r.found.Warn(p.Place, f.Hint, "--set %s=%q: %s", p.Name, value, f.Text)
			continue
		}
		r.found.AddHint(p.Place, f.Hint, "--set %s=%q: %s", p.Name, value, f.Text)
	}
	if !v.broken && !p.Values.broken && v.Dim != p.Values.Dim {
		hint := ""
		if v.Dim == quantity.Ratio && !strings.Contains(value, "%") {
			hint = fmt.Sprintf("the unit is missing, as in %s %s", value, p.Values.Dim.Unit())
			if strings.ContainsAny(value, "[{") {
				hint = "the unit is missing: " + p.Values.Dim.Unit()
			}
		}
		r.found.AddHint(p.Place, hint, "--set %s=%q: this is %s, the parameter is %s", p.Name, value, v.Dim.Name(), p.Values.Dim.Name())
		v = Values{Place: p.Place, broken: true}
	}
	if v.broken {
		v.most = 1
	}
	return v
}

// span reads a span that the shape has checked.
func span(n *diag.Node) quantity.Span {
	s, err := quantity.ParseSpan(text(n))
	if n == nil || err != nil {
		return quantity.Span{}
	}
	return s
}

func (r *reader) node(name string, place diag.Place) {
	if !expr.ValidNode(name) {
		r.found.Add(place, "%q is no node: words of letters, digits, - and _, joined by points, as in dut.out", name)
	}
	if !contains(r.nodes, name) {
		r.nodes = append(r.nodes, name)
	}
}

func (r *reader) needs(n *diag.Node) {
	for _, e := range entries(n) {
		v := e.Value
		need := Need{Name: e.Key, Role: Role(text(v.Get("role"))), Node: text(v.Get("node")), Place: e.Place,
			Volts: span(v.Get("volts")), Amps: span(v.Get("amps")), Watts: span(v.Get("watts")), AtVolts: span(v.Get("at_volts")), Slew: amount(v.Get("slew")), Accuracy: amount(v.Get("accuracy")).SI, Every: r.positive(v.Get("every"), "the time from one sample to the next")}
		if why := expr.ValidName(e.Key); why != "" {
			r.found.Add(e.Place, "%q cannot be a name: %s", e.Key, why)
		}
		if !contains([]string{string(RoleSource), string(RoleLoad), string(RoleMeter), string(RoleRecorder), string(RoleSwitch)}, string(need.Role)) {
			need.Role = "" // the shape has said so
		}
		if need.Node != "" {
			r.node(need.Node, v.Get("node").Place)
		}
		if need.AtVolts.Set && need.Role != RoleLoad && need.Role != "" {
			r.found.Add(v.Get("at_volts").Place, "at_volts is of a load; this is a %s", need.Role)
		}
		if e := v.Get("every"); e != nil && need.Role != RoleRecorder && need.Role != "" {
			r.found.Add(e.Place, "every is of a recorder; this is a %s", need.Role)
		}
		r.dynamics(v, need)
		r.seq.Needs = append(r.seq.Needs, need)
	}
	for i := range r.seq.Needs {
		r.ready = append(r.ready, readiness{need: &r.seq.Needs[i]})
	}
}

func (r *reader) guards(n *diag.Node) {
	for _, e := range entries(n) {
		g := Guard{Node: e.Key, Volts: span(e.Value.Get("volts")), Amps: span(e.Value.Get("amps")), Watts: span(e.Value.Get("watts")), Place: e.Place}
		r.node(e.Key, e.Place)
		if e.Value.Form == diag.Mapping && len(e.Value.Entries) == 0 {
			r.found.AddHint(e.Place, "as in {volts: ..18 V, amps: ..2.8 A}", "this guard limits nothing")
		}
		r.seq.Guards = append(r.seq.Guards, g)
	}
	for _, need := range r.seq.Needs {
		if (need.Role == RoleSource || need.Role == RoleLoad) && need.Node != "" && !r.lenientNodes && r.guard(need.Node) == nil {
			r.found.Warn(need.Place, fmt.Sprintf("guard: {%s: {volts: .., amps: ..}} holds what the device survives", need.Node), "no guard for %s: nothing stops a slip of the pen", need.Node)
		}
	}
}

// guard is the guard of a node; nil where there is none.
func (r *reader) guard(node string) *Guard {
	for i := range r.seq.Guards {
		if r.seq.Guards[i].Node == node {
			return &r.seq.Guards[i]
		}
	}
	return nil
}

func (r *reader) unused(global *scope) {
	for _, sym := range global.symbols {
		if !sym.used && !r.lenient {
			r.found.Warn(sym.place, "", "nothing uses the parameter %s", sym.name)
		}
	}
	for _, s := range r.ready {
		if !s.used && s.need.Role != RoleMeter && s.need.Role != "" && !r.lenient {
			r.found.Warn(s.need.Place, "", "no step uses the %s %s", s.need.Role, s.need.Name)
		}
	}
}
