package run

import (
	"math"

	"fourwire/driver/model"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/sequence"
	"fourwire/sequence/plan"
)

// How well the resistances of meters are known where they serve for a correction; common practice, no source.
const (
	burdenTolerance = 0.1  // of an ammeter
	inputTolerance  = 0.01 // of a voltmeter
)

// correct takes off what the wiring does to the readings of a group: what was subtracted as a zero is noted, a current is freed of
// what flows through the voltmeters at its node, and a voltage that is read behind leads of their drop.
func (r *runner) correct(g *group, t *taken) {
	for i, k := range g.gauges {
		if z, ok := r.zeros[zeroKey{k, g.readings[i].RangeFull}]; ok && r.notes != nil {
			r.remark("%s: zero %s subtracted", r.nameOf(k), z.Quantity().Text(3))
		}
	}
	for i, k := range g.gauges {
		if r.gauges[k].Function == sequence.Amps && !t.overload[i] {
			t.values[i] = r.unloaded(g, t, i)
		}
	}
	for i, k := range g.gauges {
		if r.gauges[k].LeadOhm+float64(len(r.gauges[k].InLine)) > 0 && r.gauges[k].Role >= 0 && !t.overload[i] {
			t.values[i] = r.atNode(g, t, i)
		}
	}
}

// delivers tells whether what serves a node feeds the device (1) or takes from it (-1); 0 where nothing does.
func (r *runner) delivers(node string) float64 {
	for i := range r.roles {
		if r.roles[i].Need.Node != node {
			continue
		}
		switch r.roles[i].Need.Role {
		case sequence.RoleSource:
			return 1
		case sequence.RoleLoad:
			return -1
		}
	}
	return 0
}

// resistance is that of the range a meter stands on; of its largest where that is not known. 0: not stated.
func (r *runner) resistance(m plan.Meter) float64 {
	full := nan
	for k := range r.gauges {
		if g := &r.gauges[k]; g.Channel == m.Channel && g.read {
			full = g.last.RangeFull
		}
	}
	return model.Pick(m.Specs, full).ResistanceOhm
}

// unloaded takes off a current what flows through the voltmeters at its node: they sit between the ammeter and the device.
func (r *runner) unloaded(g *group, t *taken, i int) measured.Value {
	gauge, v := &r.gauges[g.gauges[i]], t.values[i]
	sign := -r.delivers(gauge.Node)
	if sign == 0 || len(gauge.Across) == 0 {
		return v
	}
	volts := measured.Exact(quantity.Of(r.plan.Expect(r.state, sequence.Volts, gauge.Node), quantity.Voltage))
	if k := r.in(g, sequence.Volts, gauge.Node); k >= 0 && !t.overload[k] {
		volts = t.values[k]
	}
	if math.IsNaN(volts.X) {
		return v
	}
	for _, m := range gauge.Across {
		ohm := r.resistance(m)
		if ohm == 0 {
			continue
		}
		amps := volts.X / ohm
		v = measured.Linear(v.X+sign*amps, v.Dim, v, 1, volts, sign/ohm)
		if l := r.cfg.Ledger; l != nil {
			id := l.Shared(measured.Input{Name: m.Channel.String() + " input resistance", Kind: measured.Lead, Shape: measured.Rectangular})
			v = r.plus(v, id, sign*amps*inputTolerance/math.Sqrt(3))
		}
		if r.notes != nil {
			r.remark("%s: %s through %s %s", r.nameOf(g.gauges[i]), quantity.Amp(amps), m.Channel, map[bool]string{true: "added", false: "subtracted"}[sign > 0])
		}
	}
	return v
}

// atNode corrects a voltage that is read at the terminals of a source or load by the drop on the way to the node, one term for each
// lead. Where the current is not measured with it, the whole drop that may be there becomes a term, taken as rectangular.
func (r *runner) atNode(g *group, t *taken, i int) measured.Value {
	gauge, v := &r.gauges[g.gauges[i]], t.values[i]
	burden := 0.0
	for _, m := range gauge.InLine {
		burden += r.resistance(m)
	}
	ohm := gauge.LeadOhm + burden
	if ohm == 0 {
		return v
	}
	l := r.cfg.Ledger
	term := func(v measured.Value, name string, part float64) measured.Value {
		if l == nil || part == 0 {
			return v
		}
		return r.plus(v, l.Shared(measured.Input{Name: gauge.Channel.String() + " " + name, Kind: measured.Lead, Shape: measured.Rectangular}), part/math.Sqrt(3))
	}
	k := r.in(g, sequence.Amps, gauge.Node)
	if k < 0 || t.overload[k] {
		amps := math.Abs(r.plan.Expect(r.state, sequence.Amps, gauge.Node))
		if math.IsNaN(amps) {
			return v
		}
		return term(v, "lead drop", amps*ohm)
	}
	amps := t.values[k]
	sign := -r.delivers(gauge.Node)
	drop := amps.X * ohm
	v = measured.Linear(v.X+sign*drop, v.Dim, v, 1, amps, sign*ohm)
	each := sign * amps.X * gauge.LeadOhm / 2 * gauge.LeadTolerance
	v = term(term(v, "plus lead", each), "minus lead", each)
	v = term(v, "burden in the lead", sign*amps.X*burden*burdenTolerance)
	if r.notes != nil && drop != 0 {
		r.remark("%s: %s of drop on the way to the node %s", r.nameOf(g.gauges[i]), quantity.Of(math.Abs(drop), quantity.Voltage).Text(3), map[bool]string{true: "added", false: "subtracted"}[sign*drop > 0])
	}
	return v
}
