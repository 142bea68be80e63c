package plan

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"fourwire/driver/bench"
	"fourwire/driver/model"
	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/sequence"
)

// BindWith is [Bind] with options.
func BindWith(seq *sequence.Sequence, b *bench.Bench, models map[string]*model.Model, o Options, found *diag.Findings) *Plan {
	if len(seq.Source) > 0 {
		found.Source(seq.File, seq.Source)
	}
	if len(b.Sites) > 0 && b.View.Site == "" {
		found.AddHint(b.Sites[0].Place, "name one: --site "+b.Sites[0].Name, "this bench has the sites %s; a sequence runs at one of them", strings.Join(b.SiteNames(), ", "))
	}
	p := &Plan{Sequence: seq, Bench: b, guards: map[string]Window{}, models: models}
	for _, g := range seq.Guards {
		p.guards[g.Node] = Window{g.Node, g.Volts, g.Amps, g.Watts, g.Place}
	}
	c := &binder{plan: p, models: models, found: found, options: o, taken: map[Channel]string{}}
	for _, n := range seq.Needs {
		p.Roles = append(p.Roles, Role{Need: n, Guard: p.guards[n.Node]})
	}
	c.readFiles()
	c.recordings()
	asked := c.demands()
	for i := range p.Roles {
		c.bindRole(i, asked[i])
	}
	c.bindGauges()
	c.steadyGauges()
	c.captures()
	c.profiles()
	c.rails()
	c.hotSwitches()
	c.shorts()
	c.sharing()
	c.checkMeasuring()
	c.checkRecordings()
	c.checkEmulations()
	for _, col := range seq.Columns() {
		out := Column{Column: col}
		for _, g := range p.Gauges {
			if col.Kind == sequence.Measured && col.Node == g.Name() && !g.Steady {
				out.From = g.Channel.String()
			}
		}
		p.Columns = append(p.Columns, out)
	}
	c.predict()
	c.recordNotes()
	c.fastNotes()
	p.Fit.Accepted = o.Accept
	p.Fit.judge()
	return p
}

type binder struct {
	plan    *Plan
	models  map[string]*model.Model
	found   *diag.Findings
	options Options
	taken   map[Channel]string // role by channel
}

func (c *binder) channel(ch Channel) *model.Channel {
	m := c.models[ch.Instrument]
	if m == nil {
		return nil
	}
	for i := range m.Channels {
		if m.Channels[i].Number == ch.Number {
			return &m.Channels[i]
		}
	}
	return nil
}

// demands walks the sequence and collects, for each role, everything that is asked of it, each once. It also complains about
// an order that could hurt the device.
func (c *binder) demands() [][]planned {
	p := c.plan
	asked := make([][]planned, len(p.Roles))
	seen := make([]map[demand]bool, len(p.Roles))
	for i := range seen {
		seen[i] = map[demand]bool{}
	}
	complained := map[diag.Place]bool{}
	collect := func(w *walker) {
		for i := range p.Roles {
			d, on := p.demandOf(w.state, i)
			key := d
			for _, f := range []*float64{&key.set, &key.volts, &key.low, &key.amps, &key.watts, &key.hold.SI} {
				if none(*f) {
					*f = math.MaxFloat64 // NaN is no key
				}
			}
			if !on || seen[i][key] {
				continue
			}
			seen[i][key] = true
			asked[i] = append(asked[i], planned{d, w.where()})
		}
	}
	w := newWalker(p, hooks{
		set: func(w *walker, role int, was Setting, at diag.Place, _ int) {
			collect(w)
			if text := p.beyondGuard(w.state[role], p.Roles[role]); text != "" && !complained[at] {
				complained[at] = true
				c.found.AddHint(at, "the guard is what the device survives: hold more ohms", "%s%s", text, andAt(w.where()))
			}
			if p.Roles[role].Need.Role == sequence.RoleLoad && w.state[role].On && !was.On && !complained[at] && w.inactive == 0 {
				if feed := c.deadSource(w); feed != "" {
					complained[at] = true
					c.found.AddHint(at, "put the load step after the source step: a load that is on already takes everything the device can give while it starts",
						"load %s would be on before source %s", p.Roles[role].Need.Name, feed)
				}
			}
		},
	})
	w.run()
	p.Points, p.Parts = w.points, labelled(p.Sequence.Steps)
	return asked
}

// beyondGuard says when a resistance lets more current flow, at the highest voltage that the guard allows, than it allows.
func (p *Plan) beyondGuard(st Setting, r Role) string {
	volts, amps := upper(r.Guard.Volts), upper(r.Guard.Amps)
	if !st.On || st.Hold.Dim != quantity.Resistance || volts == 0 || amps == 0 || !(volts/st.Hold.SI > amps) {
		return ""
	}
	return fmt.Sprintf("%s asked of %s draws up to %s / %s = %s; the guard of %s allows %s", st.Hold, r.Need.Name,
		quantity.Volt(volts), st.Hold, quantity.Amp(volts/st.Hold.SI), r.Need.Node, r.Guard.Amps)
}

func andAt(where string) string {
	if where == "" {
		return ""
	}
	return " (at " + where + ")"
}

// deadSource names a source of the sequence when every source is off; empty where one is on, or where there is none.
func (c *binder) deadSource(w *walker) string {
	name := ""
	for i, r := range c.plan.Roles {
		if r.Need.Role != sequence.RoleSource {
			continue
		}
		if w.state[i].On {
			return ""
		}
		name = r.Need.Name
	}
	return name
}

func labelled(steps []sequence.Step) bool {
	for _, s := range steps {
		switch s := s.(type) {
		case *sequence.Sweep:
			if s.Label != "" || s.RepeatFirst || labelled(s.Steps) {
				return true
			}
		case *sequence.Repeat:
			if s.Label != "" || labelled(s.Steps) {
				return true
			}
		case *sequence.When:
			if labelled(s.Then) || labelled(s.Else) {
				return true
			}
		case *sequence.Record:
			if labelled(s.Steps) {
				return true
			}
		case *sequence.Rails:
			if labelled(s.Steps) {
				return true
			}
		}
	}
	return false
}

var uses = map[sequence.Role][]bench.Use{
	sequence.RoleSource: {bench.Source},
	sequence.RoleLoad:   {bench.Load},
	sequence.RoleMeter:  {bench.Voltmeter, bench.Ammeter},
	sequence.RoleSwitch: {bench.Switch},
	// whatever the current of a node goes through
	sequence.RoleRecorder: {bench.Source, bench.Ammeter, bench.Load},
}

// bindRole looks at every channel of the right use and takes the best.
func (c *binder) bindRole(i int, asked []planned) {
	r := &c.plan.Roles[i]
	fit := RoleFit{Role: r.Need.Name, Kind: string(r.Need.Role), Node: r.Need.Node}
	roles := map[string]Role{}
	for _, use := range uses[r.Need.Role] {
		for _, w := range c.plan.Bench.Wiring {
			if w.As != use {
				continue
			}
			ch := Channel{w.Instrument, w.Channel}
			cand := Candidate{Channel: ch, Name: ch.String(), Verdict: Misfits}
			bound := c.asRole(*r, w)
			switch {
			case w.Node != r.Need.Node:
				cand.Why = "wired at " + w.Node
			case c.taken[ch] != "" && r.Need.Role != sequence.RoleRecorder:
				cand.Why = "already serves " + c.taken[ch]
			case r.Need.Role == sequence.RoleRecorder:
				cand = c.measureRecorder(cand, bound, i)
			default:
				cand = c.measure(cand, bound, asked)
			}
			roles[ch.String()] = bound
			fit.Candidates = append(fit.Candidates, cand)
		}
	}
	sort.SliceStable(fit.Candidates, func(a, b int) bool { return better(fit.Candidates[a], fit.Candidates[b]) })
	if k := c.choose(fit); k >= 0 {
		chosen := fit.Candidates[k]
		fit.Candidates = slices.Insert(slices.Delete(fit.Candidates, k, k+1), 0, chosen)
		fit.Chosen = fit.Candidates[0].Name
		*r = roles[fit.Chosen]
		if r.Need.Role != sequence.RoleRecorder {
			c.taken[r.Channel] = r.Need.Name
		}
	} else {
		c.refuse(*r, fit)
	}
	if fit.Chosen != "" {
		c.cautions(*r)
		c.deviceNotes(i)
	}
	c.plan.Fit.Roles = append(c.plan.Fit.Roles, fit)
}

// choose gives the candidate that serves: the best that fits, else the best whose misfits are accepted; -1 where there is none.
func (c *binder) choose(fit RoleFit) int {
	for k, cand := range fit.Candidates {
		if cand.Verdict != Misfits {
			return k
		}
	}
	for k, cand := range fit.Candidates {
		if c.options.Accept != "" && cand.acceptable() {
			m, _ := cand.Binding()
			c.found.Warn(diag.Place{File: c.plan.Sequence.File}, "", "%s does not fit as %s, accepted (%s): %s %s", cand.Name, fit.Role, c.options.Accept, m.Kind, m.Text)
			return k
		}
	}
	return -1
}

func better(a, b Candidate) bool {
	ma, oka := a.Binding()
	mb, okb := b.Binding()
	switch {
	case (a.Why == "") != (b.Why == ""):
		return a.Why == ""
	case a.Why != "":
		return false
	case !oka || !okb:
		return !oka && okb
	}
	return mb.tighter(ma)
}

// asRole is a role as it would be if the channel of a wire served it: with its leads, and the protection that the guard asks.
func (c *binder) asRole(r Role, w bench.Wire) Role {
	r.Channel, r.Remote, r.LeadOhm, r.LoopHenry = Channel{w.Instrument, w.Channel}, w.Sense == bench.Remote, w.LeadOhm, w.LoopHenry
	ch := c.channel(r.Channel)
	if ch == nil {
		return r
	}
	volts, amps := farEnd(r.Guard.Volts, r.Need.Volts), farEnd(r.Guard.Amps, r.Need.Amps)
	switch {
	case r.Need.Role == sequence.RoleSource && ch.Source != nil:
		if volts == 0 {
			volts = 1.1 * upper(r.Need.Volts) // no guard: a tenth above what is asked for; common practice, no source
		}
		r.Limit = quantity.Amp(least(amps, upper(r.Need.Amps), ch.Source.Amps.High))
		r.OverVolts = quantity.Volt(protection(volts, ch.Source.OverVolts))
		r.OverAmps = quantity.Amp(protection(amps, ch.Source.OverAmps))
	case r.Need.Role == sequence.RoleLoad && ch.Load != nil:
		r.MinVolts, r.MinOhms = ch.Load.MinVolts, ch.Load.MinOhms
		r.OverVolts = quantity.Volt(protection(volts, ch.Load.OverVolts))
		r.OverAmps = quantity.Amp(protection(amps, ch.Load.OverAmps))
	}
	return r
}

// protection is the level to set: what the guard says, or the highest the channel has below it; 0 where it has none. A guard
// below the lowest level stays as it is: the margins then say that it cannot be set.
func protection(guard float64, settable quantity.Span) float64 {
	if !settable.Set || guard <= 0 {
		return 0
	}
	return math.Min(guard, settable.High)
}

// upper is the upper end of a span; 0 where it has none.
func upper(s quantity.Span) float64 {
	if !s.Set || math.IsInf(s.High, 0) {
		return 0
	}
	return s.High
}

// least is the smallest number above 0; 0 where there is none.
func least(numbers ...float64) float64 {
	out := 0.0
	for _, x := range numbers {
		if x > 0 && (out == 0 || x < out) {
			out = x
		}
	}
	return out
}

func (c *binder) measure(cand Candidate, r Role, asked []planned) Candidate {
	ch := c.channel(r.Channel)
	if ch == nil {
		cand.Why = "its model has no such channel"
		return cand
	}
	switch r.Need.Role {
	case sequence.RoleSource:
		if ch.Source == nil {
			cand.Why = "its model says that the channel is no source"
			return cand
		}
		cand.Margins = c.sourceMargins(ch.Source, r, asked)
	case sequence.RoleLoad:
		if ch.Load == nil {
			cand.Why = "its model says that the channel is no load"
			return cand
		}
		cand.Margins = c.loadMargins(ch.Load, r, asked)
	case sequence.RoleSwitch:
		if cand.Margins, cand.Why = switchMargins(c, r); cand.Why != "" {
			return cand
		}
	case sequence.RoleMeter:
		cand.Margins = meterMargins(ch, r.Need)
	}
	cand.Verdict = Fits
	if m, ok := cand.Binding(); ok {
		cand.Verdict = m.Verdict()
	}
	return cand
}

func (c *binder) measureRecorder(cand Candidate, r Role, i int) Candidate {
	ch := c.channel(r.Channel)
	if ch == nil {
		cand.Why = "its model has no such channel"
		return cand
	}
	if c.recorderMargins(&cand, ch, i); cand.Why != "" {
		return cand
	}
	cand.Verdict = Fits
	if m, ok := cand.Binding(); ok {
		cand.Verdict = m.Verdict()
	}
	return cand
}

func meterMargins(ch *model.Channel, n sequence.Need) []Margin {
	var m margins
	for _, s := range []struct {
		span   quantity.Span
		ranges []model.Range
		dim    quantity.Dimension
	}{{n.Volts, ch.Volts, quantity.Voltage}, {n.Amps, ch.Amps, quantity.Current}} {
		if !s.span.Set || len(s.ranges) == 0 { // what is read there is bound to a gauge of its own
			continue
		}
		top := 0.0
		for _, r := range s.ranges {
			top = math.Max(top, r.Full*(1+r.Over))
		}
		m.within("range", "", widest(s.span), top, s.dim)
	}
	return m.sorted()
}

func (c *binder) refuse(r Role, fit RoleFit) {
	var why []string
	for _, cand := range fit.Candidates {
		text := cand.Why
		if m, ok := cand.Binding(); ok && text == "" {
			text = m.Kind + " " + m.Text
			if m.At != "" {
				text += " (at " + m.At + ")"
			}
		}
		why = append(why, cand.Name+": "+text)
	}
	reasons := "the bench has no " + string(r.Need.Role) + " at all"
	if len(why) > 0 {
		reasons = strings.Join(why, "; ")
	}
	hint := `wire a channel that can, or lower what is asked; "fourwire fit" shows every margin`
	if slices.ContainsFunc(fit.Candidates, Candidate.acceptable) {
		hint += acceptHint
	}
	c.found.AddHint(r.Need.Place, hint,
		"no %s at %s on this bench can serve %s: %s", r.Need.Role, r.Need.Node, r.Need.Name, reasons)
}

// cautions warns of what is no fault but may surprise.
func (c *binder) cautions(r Role) {
	if r.Need.Role == sequence.RoleMeter || r.Need.Role == sequence.RoleRecorder || r.Need.Role == sequence.RoleSwitch {
		return
	}
	if !r.Guard.Volts.Set && !r.Guard.Amps.Set {
		c.found.Warn(r.Need.Place, "give the absolute limits of the device at this node under guard", "node %s has no guard: nothing stops %s from hurting the device there", r.Need.Node, r.Need.Name)
	}
	if amps := upper(r.Need.Amps); r.Need.Role == sequence.RoleSource && !r.Remote && r.LeadOhm > 0 && amps > 0 && !slight(2*amps*r.LeadOhm, r.Need) {
		c.found.Warn(r.Need.Place, "sense it at the node, or set more", "%s is sensed at its own terminals: at %s the node gets %s less than is set (2 x %s x %s)",
			r.Need.Name, quantity.Amp(amps), quantity.Volt(2*amps*r.LeadOhm), quantity.Ohm(r.LeadOhm), quantity.Amp(amps))
	}
}

// slightDrop is the part of the voltage at a node that leads may take without a word; common practice, no source.
const slightDrop = 0.002

// slight tells whether a drop is too small to be told.
func slight(drop float64, n sequence.Need) bool {
	return drop <= slightDrop*upper(n.Volts)
}
