package hookup

import (
	"context"
	"fmt"
	"math"

	"fourwire/driver/bench"
	"fourwire/driver/model"
	"fourwire/quantity"
)

// step is a change of current through the leads of a source, and perhaps of a load.
type step struct {
	low, high survey
	amps      float64 // the change
	load      *probe  // what carried it; nil: the device's own draw at half and at the whole level
	look      look
}

const (
	leastStep  = 2e-3 // A; below, leads drop nothing that can be seen
	leakRange  = 5e-3 // A; what the meter in the line is put on to look for a leak
	leastLeak  = 0.1e-6
	stepMillis = 60
)

// carry sends current through what a source feeds, as far as something takes it, and looks at leads, ammeters, sense and noise.
func (k *checker) carry(ctx context.Context, t *trial) error {
	g := k.gauge(t.probe.wire.Node)
	if g != nil && k.weak(t, g) {
		return nil
	}
	if err := k.leakage(ctx, t); err != nil {
		return err
	}
	if g == nil {
		k.notTold("nothing but %s itself reads the voltage of %s: its leads, its sense and its polarity there were not checked", t.probe, t.probe.wire.Node)
		return nil
	}
	if !(t.follow(g) > follows) {
		return nil // judged together with what else was seen
	}
	s, err := k.step(ctx, t)
	if err != nil || t.pulled {
		return err
	}
	var loop resistance
	if s != nil {
		k.inLine(t.probe.wire.Node, s, s.high[t.probe].amps-s.low[t.probe].amps)
		loop = k.sourceLead(t, s, g)
	} else {
		k.report.Leads = append(k.report.Leads, Lead{Channel: t.probe.String(), Node: t.probe.wire.Node, StatedOhm: t.probe.wire.LeadOhm, Why: "nothing takes a current at this level"})
		k.notTold("nothing takes a current at %s at this level (a converter does not start at %s): the resistance of the leads there and what the ammeters in the line count were not checked",
			t.probe.wire.Node, volts(t.level.volts))
	}
	if s != nil && s.load != nil {
		if err := k.loadSide(ctx, t, s); err != nil {
			return err
		}
	}
	if on, err := k.sense(ctx, t, s, g, loop); err != nil || !on {
		return err
	}
	// with the load still on: without it the node has to come down first
	if err := k.scatter(ctx, t, g); err != nil {
		return err
	}
	if s != nil && s.load != nil {
		return k.off(ctx, s.load)
	}
	return nil
}

// weak tells whether the node stands below the source's terminals although hardly any current flows: then what joins them is no lead. A source with
// sense leads feeds a node through these even with its leads open, by the resistors inside.
func (k *checker) weak(t *trial, g *probe) bool {
	node := t.probe.wire.Node
	f := t.follow(g)
	if t.probe.volts == nil || f < ignores || math.Abs(t.amps) > leastStep {
		return false
	}
	lacks := t.at - t.seen[g].volts
	// by both levels: offsets of the two voltmeters cancel
	rise := t.at - t.half[t.probe].volts
	scatter := math.Hypot(noise(t.probe.spec.Volts, t.level.top, fineAperture), noise(g.spec.Volts, t.level.top, fineAperture)) * math.Sqrt2
	share := (rise - (t.seen[g].volts - t.half[g].volts)) / rise
	if lacks < 0.02*t.level.volts+model.Pick(t.probe.spec.Volts, t.level.top).Accuracy.Offset && share < 5e-3+4*scatter/rise {
		return false
	}
	lacks = share * t.at
	t.pulled = true
	k.fault(Fault{Kind: OpenLead, Channel: t.probe.String(), Node: node, Conduct: "one of both", Text: fmt.Sprintf("the voltage of %s arrives at %s only weakly: a lead is open", t.probe, node),
		Evidence: fmt.Sprintf("%s gives %s, %s reads %s, with less than %s: what joins them has more than %s; it may be the sense leads alone", t.probe, volts(t.at), g, volts(t.seen[g].volts), amps(leastStep), ohms(max(lacks, 0)/leastStep)),
		Remedy:   k.lookAtLeads(node)})
	return true
}

func (k *checker) lookAtLeads(node string) string {
	remedy := "look at both conductors between its terminals and the device"
	if line := k.ammeters(node); len(line) > 0 {
		remedy += ", and at the fuse and terminals of " + line[0].String()
	}
	return remedy
}

// leakage puts the meters in the line on their smallest range, and so sees what even a device that is off takes.
func (k *checker) leakage(ctx context.Context, t *trial) error {
	node := t.probe.wire.Node
	line := k.ammeters(node)
	if len(line) == 0 {
		if math.Abs(t.amps) < leastStep {
			k.notTold("whether a device is at %s: no meter in its line would see the little that it takes when it is off", node)
		}
		return nil
	}
	for _, a := range line {
		if math.Abs(t.seen[a].amps) > leakRange/2 {
			return nil
		}
	}
	now, err := k.look(ctx, look{volts: t.level.top, amps: leakRange, node: node, repeat: 2})
	if err != nil {
		return err
	}
	t.leak = now[line[0]].amps - k.zero[line[0]].amps
	meters := 0.0
	for _, w := range k.witnesses(node) {
		if w.load != nil {
			return nil // its own input resistance takes more than a device that is off
		}
		if r := model.Pick(w.spec.Volts, t.level.top).ResistanceOhm; r > 0 {
			meters += now[w].volts / r
		}
	}
	if g := k.gauge(node); g != nil && t.follow(g) > follows && t.leak-meters < leastLeak {
		t.empty = true
		k.fault(Fault{Kind: Open, Doubt: true, Channel: t.probe.String(), Node: node, Text: "nothing draws current at " + node + ": is the device connected?",
			Evidence: fmt.Sprintf("%s shows %s at %s, of which the voltmeters take %s", line[0], amps(t.leak), volts(now[g].volts), amps(meters)),
			Remedy:   "look at the connection of the device; one that takes nothing at all while it is off looks the same"})
	}
	return nil
}

// step makes a current flow: through a load that sees the source's voltage, else by the device's own draw. It is nil where nothing takes one.
func (k *checker) step(ctx context.Context, t *trial) (*step, error) {
	s := &step{look: look{volts: t.level.top, aperture: 2 * fineAperture, repeat: fineRepeat}}
	var err error
	for _, p := range k.probes {
		if p.load != nil && t.follow(p) > follows && t.seen[p].volts >= p.load.Spec().MinVolts {
			s.load = p
			break
		}
	}
	if s.low, err = k.look(ctx, s.look); err != nil {
		return nil, err
	}
	if s.load == nil {
		return k.ownDraw(ctx, t, s)
	}
	want := 0.8 * t.level.amps
	s.load.touched = true
	if o := s.load.load.Spec().OverAmps; o.Set {
		if err := s.load.load.SetProtection(ctx, 0, quantity.Amp(min(max(2*want, o.Low), o.High))); err != nil {
			return nil, fmt.Errorf("%s: protection: %w", s.load, err)
		}
	}
	if err := s.load.load.Hold(ctx, quantity.Of(min(want, s.load.load.Spec().Amps.High), quantity.Current)); err != nil {
		return nil, err
	}
	s.load.on = true
	if err := s.load.load.Input(ctx, true); err != nil {
		return nil, err
	}
	if err := k.clock.Sleep(ctx, 3*settleEvery); err != nil {
		return nil, err
	}
	if s.high, err = k.look(ctx, s.look); err != nil {
		return nil, err
	}
	s.amps = s.high[s.load].amps - s.low[s.load].amps
	g := k.gauge(t.probe.wire.Node)
	if s.high[g].volts < 0.5*s.low[g].volts {
		t.pulled = true
		k.fault(Fault{Kind: OpenLead, Channel: t.probe.String(), Node: t.probe.wire.Node, Conduct: "one of both",
			Text:     fmt.Sprintf("what joins %s to %s carries no current", t.probe, t.probe.wire.Node),
			Evidence: fmt.Sprintf("%s falls from %s to %s when %s takes %s; %s stays at %s", g, volts(s.low[g].volts), volts(s.high[g].volts), s.load, amps(s.amps), t.probe, volts(s.high[t.probe].volts)),
			Remedy:   "look at both conductors, their contacts, and the fuse of a meter in the line"})
		return nil, k.off(ctx, s.load)
	}
	if s.amps < leastStep {
		k.fault(Fault{Kind: OpenLead, Channel: s.load.String(), Node: s.load.wire.Node, Conduct: "one of both", Text: fmt.Sprintf("%s reads a voltage but takes no current: its leads are open", s.load),
			Evidence: fmt.Sprintf("set to take %s at %s, it takes %s; what it reads may come through its sense leads", amps(want), volts(s.low[s.load].volts), amps(s.amps)),
			Remedy:   "look at both of its conductors, and at the fuse of a meter in its line"})
		return nil, k.off(ctx, s.load)
	}
	return s, nil
}

// ownDraw takes the current of the device itself at half and at the whole level.
func (k *checker) ownDraw(ctx context.Context, t *trial, s *step) (*step, error) {
	s.high = s.low
	draws := func(l survey) float64 {
		if line := k.ammeters(t.probe.wire.Node); len(line) > 0 && math.IsNaN(l[t.probe].amps) {
			return l[line[0]].amps
		}
		return l[t.probe].amps
	}
	if !(draws(s.high)-draws(t.before) > 2*leastStep) {
		return nil, nil
	}
	if err := t.probe.source.SetVolts(ctx, t.level.setVolts()/2); err != nil {
		return nil, err
	}
	if err := k.clock.Sleep(ctx, 10*settleEvery); err != nil {
		return nil, err
	}
	var err error
	if s.low, err = k.look(ctx, s.look); err != nil {
		return nil, err
	}
	if err := t.probe.source.SetVolts(ctx, t.level.setVolts()); err != nil {
		return nil, err
	}
	s.amps = draws(s.high) - draws(s.low)
	if !(s.amps > leastStep) {
		return nil, nil
	}
	return s, k.clock.Sleep(ctx, 2*settleEvery)
}

// inLine compares what the meters in a line count with the current that flows there.
func (k *checker) inLine(node string, s *step, flows float64) {
	if math.IsNaN(flows) {
		flows = s.amps
	}
	for _, a := range k.ammeters(node) {
		shows := s.high[a].amps - s.low[a].amps
		evidence := fmt.Sprintf("a step of %s flows, %s shows %s", amps(flows), a, amps(shows))
		switch share := shows / flows; {
		case share < -0.5:
			k.fault(Fault{Kind: Polarity, Channel: a.String(), Node: node, Text: a.String() + " counts the wrong way round", Evidence: evidence, Remedy: "exchange its two leads"})
		case share < 0.85:
			k.fault(Fault{Kind: NotInLine, Channel: a.String(), Node: node, Text: fmt.Sprintf("the current of %s does not all go through %s", node, a), Evidence: evidence,
				Remedy: "look for a second way past it: a sense lead on the wrong side, a ground through another instrument, a strap; or for a meter that sits in another line"})
		}
	}
}

// resistance is a measured one with its expanded uncertainty; U is +Inf where it was not measured.
type resistance struct{ ohm, u float64 }

// difference is how far two voltmeters differ more under current, per ampere.
func (s *step) difference(a, b *probe, level float64) resistance {
	d := (s.high[a].volts - s.high[b].volts) - (s.low[a].volts - s.low[b].volts)
	variance := 0.0
	for _, p := range []*probe{a, b} {
		sigma := noise(p.spec.Volts, level, s.look.aperture)
		gain := model.Pick(p.spec.Volts, level).Accuracy.Gain * math.Abs(s.high[p].volts-s.low[p].volts) / math.Sqrt(3)
		variance += 2*sigma*sigma/float64(fineRepeat) + gain*gain
	}
	return resistance{d / s.amps, 2 * math.Sqrt(variance) / s.amps}
}

// sourceLead works out the resistance between a source's terminals and its node; the loop with the meters in it is returned.
func (k *checker) sourceLead(t *trial, s *step, g *probe) resistance {
	if t.probe.volts == nil {
		k.lead(t.probe, resistance{u: math.Inf(1)}, 0, s.amps, "it does not read its own terminals")
		return resistance{u: math.Inf(1)}
	}
	loop := s.difference(t.probe, g, t.level.top)
	k.lead(t.probe, loop, k.burden(t.probe.wire.Node, s.look), s.amps, "")
	return loop
}

// lead keeps a lead and judges it. The burden of meters in the line is taken off.
func (k *checker) lead(p *probe, loop resistance, burden, current float64, why string) {
	stated := p.wire.LeadOhm
	l := Lead{Channel: p.String(), Node: p.wire.Node, StatedOhm: stated, Amps: current, Why: why}
	pair := loop.ohm - burden
	switch {
	case why != "":
	case pair < loop.u:
		l.Why = fmt.Sprintf("below %s; %s is too little current to see more", ohms((max(pair, 0)+loop.u)/2), amps(current))
	default:
		l.Ohm, l.U = pair/2, loop.u/2
		if most := 3*stated + 50e-3; pair-loop.u > most {
			k.fault(Fault{Kind: HighLead, Channel: p.String(), Node: p.wire.Node, Conduct: "one of both", Text: fmt.Sprintf("the leads of %s have %s together, %s were stated", p, ohms(pair), ohms(2*stated)),
				Evidence: fmt.Sprintf("a step of %s drops %s between its terminals and the node, meters in the line taken off; which of the two conductors it is cannot be told so", amps(current), volts(pair*current)),
				Remedy:   "tighten and clean the contacts, look for a thin or broken conductor; or state the lead as it is"})
		}
	}
	k.report.Leads = append(k.report.Leads, l)
}

// loadSide looks at the leads, the meters and the sense of the load that carries a step.
func (k *checker) loadSide(ctx context.Context, t *trial, s *step) error {
	p := s.load
	k.inLine(p.wire.Node, s, s.amps)
	g := k.gauge(p.wire.Node)
	if g == nil || g == p || !(t.follow(g) > follows) {
		k.lead(p, resistance{u: math.Inf(1)}, 0, s.amps, "nothing else reads the voltage of "+p.wire.Node)
		return nil
	}
	loop := s.difference(g, p, t.level.top)
	burden := 0.0
	if p.wire.Node != t.probe.wire.Node { // at the source's own node the meters in the line are the source's, or the load's: not known
		burden = k.burden(p.wire.Node, s.look)
	}
	k.lead(p, loop, burden, s.amps, "")
	if p.wire.Sense != bench.Remote {
		return nil
	}
	return k.loadSense(ctx, t, s, g, loop)
}

// loadSense lets a load measure at the node and looks whether the drop of its leads is gone.
func (k *checker) loadSense(ctx context.Context, t *trial, s *step, g *probe, loop resistance) error {
	p := s.load
	if err := p.load.Sense(ctx, true); err != nil {
		return err
	}
	remote := &step{amps: s.amps, look: s.look, load: p}
	var err error
	if remote.high, err = k.look(ctx, s.look); err != nil {
		return err
	}
	if err = k.off(ctx, p); err != nil {
		return err
	}
	if remote.low, err = k.look(ctx, s.look); err != nil {
		return err
	}
	p.on = true
	if err = p.load.Input(ctx, true); err != nil {
		return err
	}
	left := remote.difference(g, p, t.level.top)
	away := (remote.low[g].volts - remote.low[p].volts) - (s.low[g].volts - s.low[p].volts)
	if remote.low[p].volts < -0.5*t.level.volts {
		k.fault(Fault{Kind: ReversedSense, Channel: p.String(), Node: p.wire.Node, Text: "the sense leads of " + p.String() + " are exchanged", Evidence: fmt.Sprintf("it reads %s when it senses at the node", volts(remote.low[p].volts)),
			Remedy: "exchange its sense leads"})
		return nil
	}
	part := left.ohm / loop.ohm
	switch {
	case left.u > 0.3*loop.ohm:
		if math.Abs(away) < max(5e-4*t.level.volts, 3*noise(p.spec.Volts, t.level.top, s.look.aperture)) {
			k.notTold("the sense leads of %s: their leads drop too little at %s", p, amps(s.amps))
			return nil
		}
		part = 0.5
	case part < 0.25:
		return nil
	}
	k.openSense(p, conductorOf(part), fmt.Sprintf("under %s its reading at the node still lacks %s of the %s that its leads drop", amps(s.amps), volts(left.ohm*s.amps), volts(loop.ohm*s.amps)))
	return nil
}

func conductorOf(part float64) string {
	if part > 0.75 {
		return "both"
	}
	return "one of both"
}

func (k *checker) openSense(p *probe, conductor, evidence string) {
	text := map[string]string{
		"plus": "the plus sense lead of %s is open", "minus": "the minus sense lead of %s is open", "both": "both sense leads of %s are open",
		"one of both": "a sense lead of %s is open, plus or minus",
	}[conductor]
	k.fault(Fault{Kind: OpenSense, Channel: p.String(), Node: p.wire.Node, Conduct: conductor, Text: fmt.Sprintf(text, p), Evidence: evidence,
		Remedy: "look at its sense terminals and at the far end of the sense leads; where no sense leads are meant to be, state sense: local and strap the terminals"})
}
