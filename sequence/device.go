package sequence

import (
	"fourwire/internal/diag"
	"fourwire/quantity"
)

// Device is what is known beforehand of the device between two nodes. It serves the fit of a bench: what the source must be
// able to give, and what readings will come to.
type Device struct {
	Kind        DeviceKind
	In, Out     string        // its nodes
	OutVolts    float64       // nominal output; 0: not stated
	Efficiency  quantity.Span // of a converter: least and best; not Set: not stated
	StartsVolts float64       // input at which it starts; 0: not stated
	StopsVolts  float64       // input at which it stops; 0: not stated
	InFarads    float64       // capacitance at its input; 0: not stated
	IdleAmps    float64       // input current with no load; 0: not stated
	LimitAmps   quantity.Span // output current at which it limits, least and most; not Set: not stated
	Place       diag.Place
}

// DeviceKind is how a device draws from its input.
type DeviceKind string

// The kinds of device.
const (
	Converter DeviceKind = "converter" // constant power: less voltage, more current
	Linear    DeviceKind = "linear"    // what its output gives, and a little
)

func deviceShape() *diag.Shape {
	return &diag.Shape{Title: "a device", About: "What is known beforehand of the device under test, for the fit of the bench.", Fields: []diag.Field{
		{Name: "kind", Type: diag.Word(string(Converter), string(Linear)), Required: true, About: "converter: draws constant power; linear: draws what its output gives"},
		{Name: "in", Type: diag.Text(), Required: true, About: "the node of its input"},
		{Name: "out", Type: diag.Text(), Required: true, About: "the node of its output"},
		{Name: "output", Type: diag.Amount(quantity.Voltage), Required: true, About: "nominal output voltage"},
		{Name: "efficiency", Type: diag.SpanOf(quantity.Ratio), About: "of a converter: what is expected, least and best, as in 85 %..92 %"},
		{Name: "starts_at", Type: diag.Amount(quantity.Voltage), About: "input voltage at which it starts"},
		{Name: "stops_at", Type: diag.Amount(quantity.Voltage), About: "input voltage at which it stops; starts_at where nothing is stated"},
		{Name: "input_capacitance", Type: diag.Amount(quantity.Capacitance), About: "what the source charges when it comes on"},
		{Name: "idle", Type: diag.Amount(quantity.Current), About: "input current with no load"},
		{Name: "current_limit", Type: diag.SpanOf(quantity.Current), About: "output current at which it limits, least and most, as in 4..5 A"},
	}}
}

// device reads what is known of the device; nil where nothing is.
func (r *reader) device(n *diag.Node) *Device {
	if n == nil || n.Form != diag.Mapping {
		return nil
	}
	positive := func(key string) float64 {
		v := n.Get(key)
		q := amount(v)
		if v != nil && q.SI <= 0 && v.Text != "" {
			r.found.Add(v.Place, "%s of a device is above zero", key)
			return 0
		}
		return q.SI
	}
	d := &Device{Kind: DeviceKind(text(n.Get("kind"))), In: text(n.Get("in")), Out: text(n.Get("out")), OutVolts: positive("output"),
		Efficiency: span(n.Get("efficiency")), StartsVolts: positive("starts_at"), StopsVolts: positive("stops_at"),
		InFarads: positive("input_capacitance"), IdleAmps: positive("idle"), LimitAmps: span(n.Get("current_limit")), Place: n.Place}
	for _, key := range []string{"in", "out"} {
		if v := n.Get(key); v != nil && v.Text != "" && !r.lenientNodes && !contains(r.nodes, v.Text) {
			r.found.AddHint(v.Place, diag.Suggest(v.Text, r.nodes), "no need and no guard is at the node %s", v.Text)
		}
	}
	if e := n.Get("efficiency"); e != nil && d.Efficiency.Set {
		switch {
		case d.Kind == Linear:
			r.found.AddHint(e.Place, "leave it out", "the efficiency of a linear device follows from its voltages")
		case !(d.Efficiency.Low > 0 && d.Efficiency.High < 1):
			r.found.AddHint(e.Place, "as in 85 %..92 %", "an efficiency is above zero and below 100 %%, at both ends")
		}
	}
	if l := n.Get("current_limit"); l != nil && d.LimitAmps.Set && !(d.LimitAmps.Low > 0) {
		r.found.AddHint(l.Place, "as in 4..5 A", "a current limit is above zero, at both ends")
	}
	if s := n.Get("stops_at"); s != nil && d.StartsVolts > 0 && d.StopsVolts > d.StartsVolts {
		r.found.Add(s.Place, "a device stops below the voltage at which it starts, %s", quantity.Volt(d.StartsVolts))
	}
	return d
}

// DrawAmps is the input current for a load of watts and amps at the output, with the input at volts; NaN for a converter
// whose efficiency is not stated. efficiency is one out of the span that is stated.
func (d *Device) DrawAmps(watts, amps, volts, efficiency float64) float64 {
	if d.Kind == Linear {
		return amps + d.IdleAmps
	}
	return watts/(efficiency*volts) + d.IdleAmps
}

// dynamics checks how fast and how well a need must be served.
func (r *reader) dynamics(n *diag.Node, need Need) {
	wanted := map[Role]quantity.Dimension{RoleSource: quantity.VoltageSlew, RoleLoad: quantity.CurrentSlew}
	if s := n.Get("slew"); s != nil && need.Slew.SI != 0 {
		dim, ok := wanted[need.Role]
		switch {
		case !ok && need.Role != "":
			r.found.Add(s.Place, "slew is of a source or a load; this is a %s", need.Role)
		case ok && need.Slew.Dim != dim:
			r.found.AddHint(s.Place, "write it in "+dim.Unit()+", with a prefix where it helps", "the slew of a %s is %s, this is %s", need.Role, dim.Name(), need.Slew.Dim.Name())
		}
	}
	if a := n.Get("accuracy"); a != nil && a.Text != "" && (need.Accuracy <= 0 || need.Accuracy >= 1) {
		r.found.AddHint(a.Place, "as in 0.5 %", "an accuracy is a part of the value, above zero and below 100 %%")
	}
}
