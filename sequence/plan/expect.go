package plan

import (
	"errors"
	"math"

	"fourwire/quantity"
	"fourwire/sequence"
)

var errNotMeasured = errors.New("nothing is measured before the run")

// Setting is what a role is set to at one moment.
type Setting struct {
	On    bool
	Volts float64           // of a source; NaN: not set, or not known before the run
	Amps  float64           // current limit of a source; NaN likewise
	Hold  quantity.Quantity // of a load; SI NaN likewise
	// ForceAmps says that a source holds Amps, of either sign, and Volts is its compliance.
	ForceAmps bool
}

// NotSet is the setting of a role that no step has touched.
func NotSet() Setting {
	return Setting{Volts: math.NaN(), Amps: math.NaN(), Hold: quantity.Quantity{SI: math.NaN(), Dim: quantity.Current}}
}

// A wrong guess here costs a range change, never a result: the range is chosen from it, and one that overflows is raised.
const (
	guessedEfficiency = 0.6  // of what stands between a source and the loads
	guessedIdle       = 0.01 // share of a source's current limit that flows with no load
)

// Expect is the value, in SI units, that a node measurement will give with the roles set so; NaN where nothing is known
// about it. It serves the choice of a range only.
func (p *Plan) Expect(state []Setting, f sequence.Function, node string) float64 {
	var x float64
	if f == sequence.Volts {
		x = p.expectVolts(state, node)
	} else {
		x = p.expectAmps(state, node)
	}
	span := p.span(f, node)
	if math.IsNaN(x) {
		return widest(span)
	}
	return x
}

// span is the guard of the node, else what a need says about it.
func (p *Plan) span(f sequence.Function, node string) quantity.Span {
	pick := func(volts, amps quantity.Span) quantity.Span {
		if f == sequence.Volts {
			return volts
		}
		return amps
	}
	if w, ok := p.guards[node]; ok {
		if s := pick(w.Volts, w.Amps); s.Set && !math.IsInf(widest(s), 0) {
			return s
		}
	}
	for _, r := range p.Roles {
		if r.Need.Node != node {
			continue
		}
		if s := pick(r.Need.Volts, r.Need.Amps); s.Set {
			return s
		}
	}
	return quantity.Span{}
}

// widest is the end of a span that is furthest from zero; NaN where the span is not given, or is open on that side.
func widest(s quantity.Span) float64 {
	switch {
	case !s.Set:
		return math.NaN()
	case math.IsInf(s.High, 0) && math.IsInf(s.Low, 0):
		return math.NaN()
	case math.IsInf(s.Low, 0), !math.IsInf(s.High, 0) && math.Abs(s.High) >= math.Abs(s.Low):
		return s.High
	}
	return s.Low
}

func (p *Plan) expectVolts(state []Setting, node string) float64 {
	if dev := p.Sequence.Device; dev != nil && node == dev.Out && dev.OutVolts > 0 && !p.held(state, node) {
		return dev.OutVolts
	}
	for i, r := range p.Roles {
		if r.Need.Node != node || !state[i].On {
			continue
		}
		switch r.Need.Role {
		case sequence.RoleSource:
			return state[i].Volts
		case sequence.RoleLoad:
			if state[i].Hold.Dim == quantity.Voltage {
				return state[i].Hold.SI
			}
		}
	}
	return math.NaN()
}

// held tells whether a load holds the voltage of a node.
func (p *Plan) held(state []Setting, node string) bool {
	for i, r := range p.Roles {
		if r.Need.Node == node && r.Need.Role == sequence.RoleLoad && state[i].On && state[i].Hold.Dim == quantity.Voltage {
			return true
		}
	}
	return false
}

func (p *Plan) expectAmps(state []Setting, node string) float64 {
	for i, r := range p.Roles {
		if r.Need.Node != node {
			continue
		}
		switch r.Need.Role {
		case sequence.RoleLoad:
			if !state[i].On {
				return 0
			}
			return p.loadAmps(state, i)
		case sequence.RoleSource:
			return p.sourceAmps(state, i)
		}
	}
	return math.NaN()
}

// loadAmps is the current that load i draws when it holds what it is set to.
func (p *Plan) loadAmps(state []Setting, i int) float64 {
	hold, node := state[i].Hold, p.Roles[i].Need.Node
	switch hold.Dim {
	case quantity.Current:
		return hold.SI
	case quantity.Resistance:
		return p.Expect(state, sequence.Volts, node) / hold.SI
	case quantity.Power:
		low := p.Roles[i].Need.AtVolts
		if low.Set && low.Low > 0 {
			return hold.SI / low.Low
		}
		return hold.SI / p.Expect(state, sequence.Volts, node)
	}
	return math.NaN()
}

// sourceAmps guesses what source i delivers from what the loads take elsewhere, up to its current limit.
func (p *Plan) sourceAmps(state []Setting, i int) float64 {
	limit := state[i].Amps
	if math.IsNaN(limit) {
		limit = widest(p.span(sequence.Amps, p.Roles[i].Need.Node))
	}
	volts := state[i].Volts
	if !state[i].On {
		return 0
	}
	if state[i].ForceAmps {
		return limit
	}
	watts := 0.0
	for k, r := range p.Roles {
		if r.Need.Role != sequence.RoleLoad || !state[k].On {
			continue
		}
		if r.Need.Node == p.Roles[i].Need.Node {
			return p.loadAmps(state, k)
		}
		if state[k].Hold.Dim == quantity.Power {
			watts += state[k].Hold.SI
			continue
		}
		watts += p.Expect(state, sequence.Volts, r.Need.Node) * p.loadAmps(state, k)
	}
	guess := p.inputAmps(i, state, watts, math.Abs(volts), leastEfficiency(p.Sequence.Device), guessedIdle*limit)
	if math.IsNaN(guess) || guess > limit {
		return limit
	}
	return guess
}

// inputAmps is the current that the device takes at the node of source i, by what is known of it; idle stands for what it
// takes with no load where that is not stated.
func (p *Plan) inputAmps(i int, state []Setting, watts, volts, efficiency, idle float64) float64 {
	dev := p.Sequence.Device
	if dev == nil || dev.In != p.Roles[i].Need.Node {
		return watts/(guessedEfficiency*volts) + idle
	}
	if dev.IdleAmps > 0 {
		idle = 0
	}
	_, amps := p.taken(state)
	return dev.DrawAmps(watts, amps, volts, efficiency) + idle
}

// Likely is the value, in SI units, that a node measurement will most probably give with the roles set so: [Plan.Expect],
// with what the sequence knows of its device instead of a careful guess; NaN where nothing is known.
func (p *Plan) Likely(state []Setting, f sequence.Function, node string) float64 {
	dev := p.Sequence.Device
	if f == sequence.Amps && dev != nil && node == dev.In && (dev.Kind == sequence.Linear || dev.Efficiency.Set) {
		for i, r := range p.Roles {
			if r.Need.Node != node || r.Need.Role != sequence.RoleSource || !state[i].On {
				continue
			}
			watts, _ := p.taken(state)
			x := p.inputAmps(i, state, watts, math.Abs(state[i].Volts), likelyEfficiency(dev), 0)
			if limit := state[i].Amps; x > limit {
				return limit
			} else if !math.IsNaN(x) {
				return x
			}
		}
	}
	return p.Expect(state, f, node)
}
