package sequence

import (
	"fmt"
	"strings"

	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/sequence/expr"
	"fourwire/sequence/profile"
)

type (
	// Profile takes a source, which is on, through a voltage over time: that of a preset, or of points.
	Profile struct {
		Pos
		Role   string
		Preset *profile.Preset // nil: Points
		Points []ProfilePoint
		Scale  *expr.Expr // of every voltage; nil: 1
		Repeat int
		Gap    quantity.Quantity // from the end of one to the beginning of the next
		Within profile.Tolerance // how far off still counts as followed
	}
	// ProfilePoint is one corner of a profile.
	ProfilePoint struct{ At, Volts *expr.Expr }
)

// Title is what is followed, for messages: the name of the preset, or that it is the sequence's own.
func (p *Profile) Title() string {
	if p.Preset != nil {
		return p.Preset.Name
	}
	return "a profile of its own"
}

// Wave works the voltage over time out.
func (p *Profile) Wave(env expr.Env) (profile.Wave, error) {
	scale := 1.0
	if p.Scale != nil {
		q, err := Amount(p.Scale, env)
		if err != nil {
			return nil, err
		}
		scale = q.SI
	}
	if p.Preset != nil {
		return p.Preset.Wave.Scaled(scale), nil
	}
	w := make(profile.Wave, len(p.Points))
	for i, point := range p.Points {
		at, err := Amount(point.At, env)
		if err != nil {
			return nil, err
		}
		volts, err := Amount(point.Volts, env)
		if err != nil {
			return nil, err
		}
		w[i] = profile.Point{Seconds: at.SI, Volts: volts.SI * scale}
	}
	if err := w.Check(); err != nil {
		return nil, diag.Finding{Place: p.Place, Text: err.Error()}
	}
	return w, nil
}

// defaultWithin is how far from its points a profile of a sequence's own may be where it does not say: own choice.
const defaultWithin = 0.01

func profileShape() *diag.Shape {
	time := diag.Amount(quantity.Time)
	return &diag.Shape{Title: "a profile step", About: "Takes a source through a voltage over time.", Fields: []diag.Field{
		{Name: "profile", Type: diag.Text(), Required: true, About: "the name of a need with the role source; it is on already"},
		{Name: "preset", Type: diag.Text(), About: "the name of a supply that a standard or practice describes"},
		{Name: "points", Type: diag.ListOf(diag.ListOf(diag.Expr())), About: "in place of a preset: [time, voltage] from 0 s on, straight lines between them; two of one time are a jump"},
		{Name: "scale", Type: diag.Expr(), About: "a ratio by which every voltage is multiplied; 100 % if not said"},
		{Name: "repeat", Type: diag.Whole(1, 100_000), About: "how often; what the preset says, else once, if not said"},
		{Name: "gap", Type: time, About: "from the end of one to the beginning of the next; what the preset says, else none, if not said"},
		{Name: "within", Type: diag.Amount(quantity.Ratio, quantity.Voltage), About: "how far off still counts as followed; what the preset says, else 1 %, if not said"},
	}}
}

func (r *reader) profile(p Pos, n *diag.Node, s *scope) *Profile {
	out := &Profile{Pos: p, Role: text(n.Get("profile")), Scale: r.expr(n.Get("scale")), Repeat: 1, Gap: amount(n.Get("gap")), Within: profile.Tolerance{Relative: defaultWithin}}
	ready := r.role(n.Get("profile"), RoleSource)
	preset, points := n.Get("preset"), n.Get("points")
	if out.Scale != nil {
		r.want(out.Scale, s, "the scale of a profile", quantity.Ratio)
	}
	switch {
	case preset != nil && points != nil:
		r.found.AddHint(points.Place, "leave one out", "a profile has either a preset or points")
	case preset == nil && points == nil:
		r.found.AddHint(p.Place, "as in preset: road-12v-start-2, or points: [[0 s, 12 V], [10 ms, 6 V], [1 s, 12 V]]", "what %s is taken through is not said", out.Role)
	case preset != nil:
		r.preset(preset, out, s, ready)
	default:
		r.ownPoints(points, out, s, ready)
	}
	out.Repeat = whole(n.Get("repeat"), out.Repeat)
	if w := n.Get("within"); w != nil {
		switch q := amount(w); {
		case q.SI <= 0:
			r.found.Add(w.Place, "how far off still counts as followed is above zero")
		case q.Dim == quantity.Voltage:
			out.Within.Relative, out.Within.Volts = 0, q.SI
		default:
			out.Within.Relative, out.Within.Volts = q.SI, 0
		}
	}
	if ready != nil && !ready.volts {
		r.found.AddHint(p.Place, "set it first: a source step with volts and amps", "the profile of %s would begin before anything was set", out.Role)
		ready.volts = true
	}
	return out
}

// preset finds a preset by its name, and holds its lowest and highest voltage against guard and need.
func (r *reader) preset(n *diag.Node, out *Profile, s *scope, ready *readiness) {
	if r.presets == nil {
		var err error
		if r.presets, err = profile.Presets(); err != nil {
			r.found.Add(n.Place, "the presets cannot be read: %s", err)
			return
		}
	}
	var names []string
	for _, one := range r.presets {
		if names = append(names, one.Name); one.Name == text(n) {
			out.Preset = one
		}
	}
	if out.Preset == nil {
		hint := "there are " + strings.Join(names, ", ")
		if near, ok := diag.Closest(text(n), names); ok {
			hint = fmt.Sprintf("did you mean %q? %s", near, hint)
		}
		r.found.AddHint(r.place(n), hint, "no preset is called %q", text(n))
		return
	}
	one := out.Preset
	out.Repeat, out.Within = one.Repeat, one.Tolerance
	if out.Gap.Dim != quantity.Time {
		out.Gap = quantity.Of(one.Gap, quantity.Time)
	}
	low, high := one.Wave.Span()
	for _, volts := range []float64{high, low} {
		r.setpoint(r.scaled(quantity.Of(volts, quantity.Voltage).Text(12), out.Scale, r.place(n)), s, ready, "the voltage of a source", " by "+one.Name, quantity.Voltage)
	}
}

// scaled is a voltage times the scale of a profile.
func (r *reader) scaled(volts string, scale *expr.Expr, place diag.Place) *expr.Expr {
	if scale != nil {
		volts = fmt.Sprintf("(%s) * (%s)", volts, scale.Text)
	}
	return expr.Parse(volts, place, r.found)
}

func (r *reader) ownPoints(n *diag.Node, out *Profile, s *scope, ready *readiness) {
	sound := n.Form == diag.List
	for _, item := range n.Items {
		if item.Form != diag.List || len(item.Items) != 2 {
			r.found.AddHint(item.Place, "as in [10 ms, 6 V]", "a point of a profile is [time, voltage]")
			sound = false
			continue
		}
		one := ProfilePoint{At: r.expr(item.Items[0]), Volts: r.expr(item.Items[1])}
		if one.At == nil || one.Volts == nil {
			sound = false
			continue
		}
		if r.want(one.At, s, "the time of a point", quantity.Time).Any {
			sound = false
		}
		if out.Scale == nil {
			r.setpoint(one.Volts, s, ready, "the voltage of a source", "", quantity.Voltage)
		} else if !r.want(one.Volts, s, "the voltage of a source", quantity.Voltage).Any {
			r.setpoint(r.scaled(one.Volts.Text, out.Scale, one.Volts.Place), s, ready, "the voltage of a source", "", quantity.Voltage)
		}
		out.Points = append(out.Points, one)
	}
	if !sound {
		return
	}
	var uses []*expr.Expr
	for _, p := range out.Points {
		uses = append(uses, p.At)
	}
	r.enumerate(s, uses, func(env expr.Env) bool {
		w := make(profile.Wave, len(out.Points))
		for i, p := range out.Points {
			at, err := Amount(p.At, env)
			if err != nil {
				return true
			}
			w[i] = profile.Point{Seconds: at.SI}
		}
		if err := w.Check(); err != nil {
			r.found.Add(n.Place, "%s", err)
			return false
		}
		return true
	})
}
