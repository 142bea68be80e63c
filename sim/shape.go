package sim

import (
	"fourwire/internal/diag"
	"fourwire/quantity"
)

// field is one number of a file that goes straight into a struct.
type field[T any] struct {
	name  string
	dim   quantity.Dimension
	about string
	set   func(*T, float64)
}

func fieldsOf[T any](list []field[T]) []diag.Field {
	out := make([]diag.Field, len(list))
	for i, f := range list {
		out[i] = diag.Field{Name: f.name, Type: diag.Amount(f.dim), About: f.about}
	}
	return out
}

// fill sets what the file states; the rest stays at its default.
func fill[T any](n *diag.Node, list []field[T], into *T) {
	for _, f := range list {
		if v := n.Get(f.name); v != nil {
			q, err := quantity.Parse(v.Text)
			if err == nil {
				f.set(into, q.SI)
			}
		}
	}
}

// version is the value of the first key of a scenario file.
const version = "scenario/1"

// Shape describes a scenario file.
func Shape() diag.Type {
	var devices, instruments []*diag.Shape
	for _, k := range deviceKinds() {
		devices = append(devices, deviceShape(k))
	}
	for _, k := range instrumentKinds() {
		instruments = append(instruments, instrumentShape(k))
	}
	s := headShape()
	s.Fields = append(s.Fields,
		diag.Field{Name: "devices", About: "what is under test", Type: diag.MapOf("names of devices", diag.Variant("a device", "kind", devices))},
		diag.Field{Name: "instruments", Required: true, About: "the virtual instruments", Type: diag.MapOf("names of instruments", diag.Variant("an instrument", "kind", instruments))},
		diag.Field{Name: "wiring", Required: true, About: "what is joined to what, really", Type: diag.ListOf(diag.Struct(wireShape()))},
		diag.Field{Name: "triggers", About: "trigger lines, on which one instrument triggers others", Type: diag.ListOf(diag.Struct(triggerShape()))},
		diag.Field{Name: "faults", About: "what is wrong with the wiring, and what goes wrong during a run; nothing where it is left out",
			Type: diag.ListOf(diag.Variant("a fault", "kind", append(faultShapes(), incidentShapes()...)))},
	)
	return diag.Struct(s)
}

func headShape() *diag.Shape {
	return &diag.Shape{Title: "a scenario", About: "the truth about a simulated bench", Fields: []diag.Field{
		{Name: "fourwire", Type: diag.Word(version), Required: true, About: "kind and version of the file"},
		{Name: "title", Type: diag.Text(), About: "what this bench is"},
		{Name: "seed", Type: diag.Whole(0, 1<<53), About: "decides every error that is drawn, and all noise; 0 where it is left out"},
		{Name: "ambient", Type: diag.Amount(quantity.Temperature), About: "temperature around the bench; 23 degC where it is left out"},
	}}
}

func wireShape() *diag.Shape {
	return &diag.Shape{Title: "a wire", About: "what one channel is joined to", Fields: []diag.Field{
		{Name: "channel", Type: diag.Text(), Required: true, About: "instrument, or instrument.channel"},
		{Name: "node", Type: diag.Text(), Required: true, About: "the node that its plus terminal goes to"},
		{Name: "against", Type: diag.Text(), About: "the node that its minus terminal goes to; ground where it is left out"},
		{Name: "as", Type: diag.Word("source", "load", "voltmeter", "ammeter", "switch"), About: "what it is there; an ammeter sits in the line that leads to the node"},
		{Name: "counts", Type: diag.Word("in", "out"), About: "which way an ammeter counts: current into the device or out of it"},
		{Name: "lead", Type: diag.Amount(quantity.Resistance), About: "resistance of each of the two conductors"},
		{Name: "sense", Type: diag.Word("local", "remote"), About: "whether sense leads go to the node"},
		{Name: "sense_at", Type: diag.Text(), About: "the node that the sense leads go to, where it is another one"},
		{Name: "sense_lead", Type: diag.Amount(quantity.Resistance), About: "resistance of each sense conductor"},
	}}
}

func deviationFields(offset quantity.Dimension) []diag.Field {
	return fieldsOf(deviationNumbers(offset))
}

func deviationNumbers(offset quantity.Dimension) []field[Deviation] {
	return []field[Deviation]{
		{"gain", quantity.Ratio, "relative error", func(d *Deviation, v float64) { d.Gain = v }},
		{"gain_within", quantity.Ratio, "limit within which a relative error is drawn", func(d *Deviation, v float64) { d.GainWithin = v }},
		{"offset", offset, "constant error", func(d *Deviation, v float64) { d.Offset = v }},
		{"offset_within", offset, "limit within which a constant error is drawn", func(d *Deviation, v float64) { d.OffsetWithin = v }},
	}
}

func rangeNumbers(dim quantity.Dimension) []field[Range] {
	return []field[Range]{
		{"full", dim, "end of the range", func(r *Range, v float64) { r.Full = v }},
		{"beyond", quantity.Ratio, "part of the full range that can still be read", func(r *Range, v float64) { r.Beyond = v }},
		{"gain", quantity.Ratio, "relative error", func(r *Range, v float64) { r.Gain = v }},
		{"gain_within", quantity.Ratio, "limit within which a relative error is drawn", func(r *Range, v float64) { r.GainWithin = v }},
		{"offset", dim, "constant error", func(r *Range, v float64) { r.Offset = v }},
		{"offset_within", dim, "limit within which a constant error is drawn", func(r *Range, v float64) { r.OffsetWithin = v }},
		{"noise", dim, "standard deviation of one reading at the aperture noise_at", func(r *Range, v float64) { r.Noise = v }},
		{"noise_at", quantity.Time, "the aperture that noise belongs to; 20 ms where it is left out", func(r *Range, v float64) { r.NoiseAt = duration(v) }},
		{"floor", dim, "noise that a longer aperture cannot reduce", func(r *Range, v float64) { r.Floor = v }},
		{"resolution", dim, "step between two readings", func(r *Range, v float64) { r.Resolution = v }},
		{"resistance", quantity.Resistance, "input resistance of a voltmeter, burden of an ammeter", func(r *Range, v float64) { r.Ohm = v }},
	}
}

func rangeShape(dim quantity.Dimension) *diag.Shape {
	s := &diag.Shape{Title: "a " + dim.Name() + " range", Fields: fieldsOf(rangeNumbers(dim))}
	s.Fields[0].Required = true
	s.Fields = append(s.Fields,
		diag.Field{Name: "gain_per_kelvin", Type: diag.Amount(quantity.Ratio), About: "change of the relative error per kelvin away from calibration"},
		diag.Field{Name: "offset_per_kelvin", Type: diag.Amount(dim), About: "change of the constant error per kelvin"})
	return s
}
