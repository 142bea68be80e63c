package plan

import (
	"slices"
	"strings"
	"time"

	"fourwire/driver/bench"
	"fourwire/internal/diag"
	"fourwire/internal/ledger"
	"fourwire/sequence"
)

// Routed tells whether the gauge gets to its node through a relay.
func (g Gauge) Routed() bool { return g.Through != (Channel{}) }

// route takes over from a wire through which relay a reading comes.
func (g *Gauge) route(w bench.Wire) {
	if w.Through == (bench.Contact{}) {
		return
	}
	g.Through = Channel{w.Through.Instrument, w.Through.Channel}
	for _, a := range w.Apart {
		g.Apart = append(g.Apart, Channel{a.Instrument, a.Channel})
	}
}

// Instruments lists the instruments that a reading of the gauge needs.
func (g Gauge) Instruments() []string {
	names := []string{g.Channel.Instrument}
	if g.Routed() {
		names = append(names, g.Through.Instrument)
		for _, a := range g.Apart {
			if !slices.Contains(names, a.Instrument) {
				names = append(names, a.Instrument)
			}
		}
	}
	return names
}

// Direct is what reads the same node without a relay, the gauge itself or the best of the others; ok is false where nothing does.
func (g Gauge) Direct() (direct Gauge, ok bool) {
	for _, one := range append([]Gauge{g}, g.Others...) {
		if !one.Routed() {
			return one, true
		}
	}
	return g, false
}

// shared tells whether a reading needs an instrument that other sites use at the same time.
func (p *Plan) shared(g *Gauge) bool {
	return slices.ContainsFunc(g.Instruments(), p.Bench.Shares)
}

// steadyGauges adds, for what settle steps read by a shared meter, a reader of the site's own, where there is one: to see that a value stays where it is takes
// no accuracy, and it takes many readings.
func (c *binder) steadyGauges() {
	p := c.plan
	eachStep(p.Sequence.Steps, func(s sequence.Step) {
		settle, ok := s.(*sequence.Settle)
		if !ok {
			return
		}
		for _, n := range settle.Value.Nodes() {
			k := p.GaugeIndex(sequence.Function(n.Function), n.Node)
			if k < 0 || !p.shared(&p.Gauges[k]) || p.SteadyIndex(p.Gauges[k].Function, n.Node) >= 0 {
				continue
			}
			for _, other := range p.Gauges[k].Others {
				if !p.shared(&other) {
					other.Steady, other.Others = true, nil
					p.Gauges = append(p.Gauges, other)
					break
				}
			}
		}
	})
}

// SteadyIndex finds what reads a node while it settles, in place of a shared meter; -1 where nothing does.
func (p *Plan) SteadyIndex(f sequence.Function, node string) int {
	return slices.IndexFunc(p.Gauges, func(g Gauge) bool { return g.Steady && g.Function == f && g.Node == node })
}

// sharing refuses what needs an instrument for itself for long, where other sites use it at the same time.
func (c *binder) sharing() {
	p := c.plan
	if len(p.Bench.View.Shared) == 0 {
		return
	}
	refuse := func(at diag.Place, what, instrument string) {
		c.found.AddHint(at, "run one site at a time: --site "+p.Bench.View.Site, "%s needs %s for itself, which %s uses at the same time", what, instrument, strings.Join(p.Bench.View.Others, " and "))
	}
	role := func(name string) string {
		if i := p.RoleIndex(name); i >= 0 && p.Bench.Shares(p.Roles[i].Channel.Instrument) {
			return p.Roles[i].Channel.Instrument
		}
		return ""
	}
	any := func() string { // of everything that the sequence uses
		for _, name := range p.Bench.View.Shared {
			if p.Uses(name) {
				return name
			}
		}
		return ""
	}
	eachStep(p.Sequence.Steps, func(s sequence.Step) {
		what, instrument := "", ""
		switch s := s.(type) {
		case *sequence.Record: // while it is fetched, nothing may be waited for
			what, instrument = "a record step", any()
		case *sequence.Emulate:
			what, instrument = "an emulate step", any()
		case *sequence.Rails:
			what, instrument = "a rails step", any()
		case *sequence.Capture:
			what, instrument = "a capture step", any()
		case *sequence.List:
			what, instrument = "a list step", role(s.Role)
		case *sequence.Profile:
			what, instrument = "a profile step", role(s.Role)
		case *sequence.Short:
			what, instrument = "a short step", any()
		case *sequence.Reverse:
			what, instrument = "a reverse step", any()
		case *sequence.Source:
			if s.Pulse.On.SI > 0 {
				what, instrument = "a pulsed source", any()
			}
		}
		if instrument != "" {
			refuse(s.At(), what, instrument)
		}
	})
}

// routeMessages is what it costs to bring a voltmeter to another node: a relay is opened and one is closed, each with a question for errors and whether it has.
const routeMessages = 6

// contact adds the time that the relays of a reading take, where it is not the one before.
func (s *stopwatch) contact(g *Gauge, times int) {
	if !g.Routed() || s.contacts[g.Channel] == g.Through && len(s.plan.Bench.View.Shared) == 0 {
		return
	}
	s.contacts[g.Channel] = g.Through
	var moves time.Duration
	if spec := s.channel(g.Through); spec != nil && spec.Relay != nil {
		moves = spec.Relay.Moves
	}
	s.add(ledger.Settle, times, 2*moves)
	s.add(ledger.Processing, times, routeMessages*s.timing(g.Through).Processing)
}
