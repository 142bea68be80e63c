package sequence

import (
	"fmt"

	"fourwire/internal/diag"
	"fourwire/quantity"
)

// figures reads a step that looks at a captured signal.
func (r *reader) figures(kind FiguresKind, p Pos, n *diag.Node, s *scope) *Figures {
	out := &Figures{Pos: p, Kind: kind, Trace: text(n.Get(string(kind))), Of: text(n.Get("of")), Edge: text(n.Get("edge")), Volts: text(n.Get("volts")), Amps: text(n.Get("amps")),
		Within: r.positive(n.Get("within"), "a band"), Dip: r.positive(n.Get("dip"), "a dip"),
		Low: amount(n.Get("low")), High: amount(n.Get("high")), Below: amount(n.Get("below")), Lost: amount(n.Get("at"))}
	out.Slope = map[string]int{"rising": 1, "falling": -1}[text(n.Get("slope"))]
	t := r.recorded(n.Get(string(kind)))
	dim := quantity.Voltage
	if kind == InrushFigures {
		dim = quantity.Current
	}
	switch {
	case t == nil:
	case !t.captured:
		r.found.AddHint(r.place(n.Get(string(kind))), "a drain step looks through it", "%s is a recording, and no capture", t.name)
	default:
		if of := r.signalOf(n.Get("of"), t); of != nil {
			dim = of.Function.Dim()
			r.figureLevels(out, n, t, of)
		}
	}
	out.Gives = r.gives(n.Get("gives"), kind.Results(dim), "of "+out.Of+" in "+out.Trace, s)
	for _, g := range out.Gives {
		if kind == InrushFigures && g.What == "energy" && out.Volts == "" {
			r.found.AddHint(g.Place, "capture v(node), too, and name it under volts", "an energy needs a voltage")
		}
	}
	return out
}

// signalOf finds the signal of a capture that a key names; nil, with a finding, where there is none.
func (r *reader) signalOf(n *diag.Node, t *trace) *Signal {
	if text(n) == "" {
		return nil
	}
	var names []string
	for i := range t.signals {
		if names = append(names, t.signals[i].Name); t.signals[i].Name == text(n) {
			return &t.signals[i]
		}
	}
	if !t.broken {
		r.found.AddHint(r.place(n), diag.Suggest(text(n), names), "the capture %s has no signal %q", t.name, text(n))
	}
	return nil
}

// figureLevels checks what a step says beside the signal that it looks at.
func (r *reader) figureLevels(out *Figures, n *diag.Node, t *trace, of *Signal) {
	edge, volts, amps := r.signalOf(n.Get("edge"), t), r.signalOf(n.Get("volts"), t), r.signalOf(n.Get("amps"), t)
	if edge != nil && edge.Name == of.Name {
		r.found.Add(r.place(n.Get("edge")), "%s is not its own cause", of.Name)
	}
	switch {
	case out.Kind == InrushFigures && of.Function != Amps:
		r.found.Add(r.place(n.Get("of")), "an inrush is of a current; %s is %s", of.Name, of.Measurement())
	case out.Kind == OverloadFigures && of.Function != Volts:
		r.found.Add(r.place(n.Get("of")), "an overload is looked at by the voltage of the output; %s is %s", of.Name, of.Measurement())
	case amps != nil && amps.Function != Amps:
		r.found.Add(r.place(n.Get("amps")), "a current is wanted here; %s is %s", amps.Name, amps.Measurement())
	case volts != nil && volts.Function != Volts:
		r.found.Add(r.place(n.Get("volts")), "a voltage is wanted here; %s is %s", volts.Name, volts.Measurement())
	}
	for _, one := range []struct {
		key    string
		q      quantity.Quantity
		signal *Signal
	}{{"low", out.Low, of}, {"high", out.High, of}, {"below", out.Below, of}, {"at", out.Lost, edge}, {"within", out.Within, of}} {
		v := n.Get(one.key)
		if v == nil || !readable(v) || one.signal == nil || one.key == "within" && one.q.Dim == quantity.Ratio {
			continue
		}
		if want := one.signal.Function.Dim(); one.q.Dim != want {
			r.found.Add(v.Place, "%s is %s; %s is no %s", one.signal.Name, one.signal.Measurement(), one.q, want.Name())
		}
	}
	if w := n.Get("within"); w != nil && readable(w) && out.Within.Dim != quantity.Ratio && out.Kind != TransientFigures {
		r.found.AddHint(w.Place, "as in 2 %", "the band of a %s step is a share", out.Kind)
	}
	low, high := n.Get("low"), n.Get("high")
	switch {
	case (low == nil) != (high == nil):
		r.found.Add(n.Get("of").Place, "low and high are given together, or not at all")
	case low != nil && readable(low) && readable(high) && out.Low.SI >= out.High.SI:
		r.found.Add(high.Place, "the high state, %s, is not above the low one, %s", out.High, out.Low)
	}
}

// Title is what the step looks at, in words.
func (f *Figures) Title() string { return fmt.Sprintf("%s of %s in %s", f.Kind, f.Of, f.Trace) }
