package plan

import (
	"fourwire/driver/bench"
	"fourwire/sequence"
)

// DefaultLeadTolerance is how far the resistance of a lead may be off where the bench file does not say: contacts and temperature
// (copper, 0.4 %/K) included. Common practice, no source.
const DefaultLeadTolerance = 0.2

// meters lists the channels that are wired to a node in one use.
func (c *binder) meters(node string, use bench.Use) []Meter {
	var out []Meter
	for _, w := range c.plan.Bench.Wiring {
		if w.Node != node || w.As != use {
			continue
		}
		ch := Channel{w.Instrument, w.Channel}
		spec := c.channel(ch)
		if spec == nil {
			continue
		}
		ranges := spec.Volts
		if use == bench.Ammeter {
			ranges = spec.Amps
		}
		if len(ranges) > 0 {
			out = append(out, Meter{ch, ranges})
		}
	}
	return out
}

// Spares lists the channels of the bench that measure a function and that neither serve a role nor read a node of this plan: what could
// be wired in place of a poorer one.
func (p *Plan) Spares(f sequence.Function) []Meter {
	var out []Meter
	for _, in := range p.Bench.Instruments {
		m := p.models[in.Name]
		if m == nil {
			continue
		}
		for i := range m.Channels {
			ch := Channel{in.Name, m.Channels[i].Number}
			ranges := m.Channels[i].Volts
			if f == sequence.Amps {
				ranges = m.Channels[i].Amps
			}
			if len(ranges) > 0 && !p.bound(ch) {
				out = append(out, Meter{ch, ranges})
			}
		}
	}
	return out
}

func (p *Plan) bound(ch Channel) bool {
	for i := range p.Roles {
		if p.Roles[i].Channel == ch {
			return true
		}
	}
	for i := range p.Gauges {
		if p.Gauges[i].Channel == ch {
			return true
		}
	}
	return false
}

// Passes is how often a measure step reads its readings for one value, mirrored passes included.
func (p *Plan) Passes(m *sequence.Measure) int {
	n := max(1, m.Average)
	if p.Mirrored(m) && n%2 == 1 {
		n++ // forwards and backwards
	}
	return n
}

// Mirrored tells whether every second pass of a measure step goes backwards.
func (p *Plan) Mirrored(m *sequence.Measure) bool {
	switch m.Order {
	case sequence.Straight:
		return false
	case sequence.Mirrored:
		return true
	}
	return len(p.Rounds(m)) > 1
}
