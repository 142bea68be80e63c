package sequence

import (
	"fmt"

	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/sequence/expr"
)

func (r *reader) measure(p Pos, n *diag.Node, s *scope) *Measure {
	out := &Measure{Pos: p, Aperture: amount(n.Get("aperture")), Average: whole(n.Get("average"), 1)}
	out.Order = map[string]Order{"mirrored": Mirrored, "straight": Straight}[text(n.Get("order"))]
	r.burst(n, out)
	if a := n.Get("aperture"); a != nil && out.Aperture.Dim == quantity.Time && out.Aperture.SI <= 0 {
		r.found.AddHint(a.Place, "one period of the mains, 20 ms or 16.7 ms, is a good start", "an aperture is above zero")
	}
	list := entries(n.Get("measure"))
	if len(list) == 0 && n.Get("measure") != nil && n.Get("measure").Form == diag.Mapping {
		r.found.Add(p.Place, "measure needs at least one reading, as in {vo: v(dut.out)}")
	}
	out.Readings = r.readings(n.Get("measure"), s)
	r.fixedRanges(n.Get("ranges"), out)
	return out
}

// readings reads what is read under which names.
func (r *reader) readings(n *diag.Node, s *scope) []Reading {
	var out []Reading
	for _, e := range entries(n) {
		reading := Reading{Name: e.Key, Place: e.Place}
		x := r.expr(e.Value)
		typ := expr.Type{Any: true}
		if x != nil {
			ref, ok := x.Node()
			if !ok {
				r.found.AddHint(x.Place, "what is worked out goes into derive", "%q is no reading: v(node) or i(node) is wanted here", x.Text)
			} else {
				typ = r.check(x, s)
				reading.Function, reading.Node = Function(ref.Function), ref.Node
			}
		}
		ok := s.declare(&symbol{name: e.Key, kind: measuredName, typ: typ, place: e.Place})
		if ok && reading.Node != "" {
			node := fmt.Sprintf("%s(%s)", reading.Function, reading.Node)
			r.column(Column{Name: e.Key, Kind: Measured, Dim: typ.Dim, Node: node}, e.Place)
		}
		out = append(out, reading)
	}
	return out
}

// burst reads how readings that follow each other are taken and weighted.
func (r *reader) burst(n *diag.Node, out *Measure) {
	b := &out.Burst
	b.Auto = text(n.Get("aperture")) == "auto"
	b.For, b.Within, b.AtMost = amount(n.Get("for")), amount(n.Get("within")), amount(n.Get("at_most"))
	b.Taper = map[string]Taper{"triangle": Triangle, "none": NoTaper}[text(n.Get("taper"))]
	if b.Auto {
		out.Aperture = quantity.Quantity{}
	}
	for _, key := range []string{"within", "at_most"} {
		v := n.Get(key)
		switch {
		case v == nil:
		case !b.Auto:
			r.found.AddHint(v.Place, "give aperture: auto", "%s belongs to an aperture that is chosen from what is seen", key)
		case amount(v).SI <= 0:
			r.found.Add(v.Place, "%s is above zero", key)
		}
	}
	span := n.Get("for")
	switch {
	case span != nil && b.Auto:
		r.found.AddHint(span.Place, "leave for out, or give an aperture", "aperture: auto chooses the time itself")
	case span != nil && b.For.Dim == quantity.Time && !(b.For.SI >= LeastReadings*out.Aperture.SI && b.For.SI > 0):
		r.found.AddHint(span.Place, "make it longer, or the aperture shorter", "the time %s is too short for %d readings of %s, which a weighted mean needs", b.For, LeastReadings, out.Aperture)
	}
	if t := n.Get("taper"); t != nil && span == nil && !b.Auto {
		r.found.AddHint(t.Place, "as in for: 500 ms", "a taper weights readings that follow each other: give the time with for, or aperture: auto")
	}
	if a := n.Get("average"); a != nil && (span != nil || b.Auto) {
		r.found.AddHint(a.Place, "leave average out", "the weighted mean of readings that follow each other is an average already")
	}
	if b.Auto && b.Within.SI == 0 {
		b.Within = quantity.Of(DefaultWithin, quantity.Ratio)
	}
	if b.Auto && b.AtMost.SI == 0 {
		b.AtMost = quantity.Of(DefaultAtMost, quantity.Time)
	}
}

// LeastReadings is how many readings a weighted mean is made of at least: fewer show no scatter.
const LeastReadings = 8

// fixedRanges reads what the ranges of some readings must hold.
func (r *reader) fixedRanges(n *diag.Node, out *Measure) {
	for _, e := range entries(n) {
		var names []string
		var reading *Reading
		for i := range out.Readings {
			names = append(names, out.Readings[i].Name)
			if out.Readings[i].Name == e.Key {
				reading = &out.Readings[i]
			}
		}
		q := amount(e.Value)
		switch {
		case reading == nil:
			r.found.AddHint(e.Place, diag.Suggest(e.Key, names), "%q is no reading of this step", e.Key)
			continue
		case reading.Function == Volts && q.Dim == quantity.Current, reading.Function == Amps && q.Dim == quantity.Voltage:
			r.found.Add(e.Value.Place, "%s reads %s(%s); its range is no %s", e.Key, reading.Function, reading.Node, q.Dim.Name())
			continue
		case q.SI <= 0 && q.Dim != quantity.Ratio:
			r.found.Add(e.Value.Place, "a range is above zero")
			continue
		}
		if out.Ranges == nil {
			out.Ranges = map[string]quantity.Quantity{}
		}
		out.Ranges[e.Key] = q
	}
}

// zero reads what is read while everything is off.
func (r *reader) zero(p Pos, n *diag.Node, s *scope) *Zero {
	out := &Zero{Pos: p}
	if n == nil || n.Form != diag.List {
		return out
	}
	if len(n.Items) == 0 {
		r.found.AddHint(p.Place, "as in [i(dut.in), i(dut.out)]", "there is nothing to read")
	}
	for _, item := range n.Items {
		x := r.expr(item)
		if x == nil {
			continue
		}
		ref, ok := x.Node()
		if !ok {
			r.found.AddHint(x.Place, "as in [i(dut.in), i(dut.out)]", "%q is no reading: v(node) or i(node) is wanted here", x.Text)
			continue
		}
		r.check(x, s)
		out.Readings = append(out.Readings, Reading{Function: Function(ref.Function), Node: ref.Node, Place: x.Place})
	}
	return out
}
