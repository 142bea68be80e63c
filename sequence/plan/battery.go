package plan

import (
	"fmt"
	"math"

	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/sequence"
	"fourwire/sequence/battery"
)

// readFiles reads the batteries that the steps name, from what the options hold.
func (c *binder) readFiles() {
	p := c.plan
	p.Batteries, p.Files = map[string]*battery.File{}, c.options.Files
	for _, f := range p.Sequence.Files {
		data, ok := p.Files[f.Name]
		if !ok {
			c.found.AddHint(f.Place, "it is looked for beside the sequence", "the %s file %s is not there", f.Kind, f.Name)
			continue
		}
		if f.Kind == sequence.BatteryFile {
			if one := battery.Read(f.Name, data, c.found); one != nil {
				p.Batteries[f.Name] = one
			}
		}
	}
}

// fullVolts is the highest voltage that an emulation sets: open circuit, at the charge that it begins with; NaN where the battery could not
// be read.
func (w *walker) fullVolts(s *sequence.Emulate) float64 {
	b := w.of.Batteries[s.Battery]
	if b == nil {
		return math.NaN()
	}
	charge := 1.0
	if s.From != nil {
		if q, ok := w.quantity(s.From); ok && q.SI > 0 && q.SI <= 1 {
			charge = q.SI
		}
	}
	return b.Cell.OpenCircuit(charge)
}

// checkEmulations holds what a battery will put on the node against its guard and against the need.
func (c *binder) checkEmulations() {
	complained := map[diag.Place]bool{}
	w := newWalker(c.plan, hooks{set: func(w *walker, role int, _ Setting, at diag.Place, _ int) {
		s, ok := w.under.(*sequence.Emulate)
		if !ok || complained[at] {
			return
		}
		r, volts := c.plan.Roles[role], w.state[role].Volts
		if none(volts) {
			return
		}
		for _, one := range []struct {
			span quantity.Span
			says string
		}{{r.Guard.Volts, "the guard of " + r.Need.Node + " allows"}, {r.Need.Volts, "the need " + r.Need.Name + " says"}} {
			if one.span.Set && !one.span.Holds(volts) {
				complained[at] = true
				c.found.AddHint(at, "lower from, or take another battery", "%s at its beginning has %s; %s %s%s", s.Battery, quantity.Volt(volts), one.says, one.span, andAt(w.where()))
				return
			}
		}
		if cell := &c.plan.Batteries[s.Battery].Cell; s.Until.Volts != nil {
			if q, ok := w.quantity(s.Until.Volts); ok && q.SI < cell.CutoffVolts {
				complained[at] = true
				c.found.Warn(at, "the protection of the battery ends it, with the output off", "an end at %s is below the cut-off of %s, %s", q, s.Battery, quantity.Volt(cell.CutoffVolts))
			}
		}
	}})
	w.run()
	for i := range c.plan.Roles {
		c.outputResistance(i)
	}
}

// outputResistance notes how the resistance of a battery will be made.
func (c *binder) outputResistance(i int) {
	r := &c.plan.Roles[i]
	ch := c.channel(r.Channel)
	if ch == nil || ch.Source == nil {
		return
	}
	noted := map[string]bool{}
	eachStep(c.plan.Sequence.Steps, func(s sequence.Step) {
		e, ok := s.(*sequence.Emulate)
		if !ok || e.Role != r.Need.Name || noted[e.Battery] || c.plan.Batteries[e.Battery] == nil {
			return
		}
		noted[e.Battery] = true
		cell := &c.plan.Batteries[e.Battery].Cell
		ohm := cell.Resistance(0.5, 0)
		if ch.Source.Ohms.Set && ch.Source.Ohms.Holds(ohm) {
			return
		}
		c.plan.Fit.Notes = append(c.plan.Fit.Notes, fmt.Sprintf("%s has no output resistance of its own: the %s of %s follow the current only every %s, and a step of 1 A leaves %s of error until then",
			r.Channel, quantity.Ohm(ohm), e.Battery, e.Every, quantity.Volt(ohm)))
	})
}

// SettingStep is the step in which the voltage of role i can be set, V; 0: not stated.
func (p *Plan) SettingStep(i int) float64 {
	ch := p.Roles[i].Channel
	m := p.models[ch.Instrument]
	if m == nil {
		return 0
	}
	for k := range m.Channels {
		if m.Channels[k].Number == ch.Number && m.Channels[k].Source != nil {
			return m.Channels[k].Source.SetVolts.Resolution
		}
	}
	return 0
}
