package bench

import (
	"fmt"
	"slices"

	"fourwire/driver/model"
	"fourwire/internal/diag"
)

// TriggerLine is a trigger line that joins instruments: what pulses on one of them triggers the others.
type TriggerLine struct {
	From  string   // instrument that pulses
	To    []string // instruments that are triggered
	Line  int      // number of the line, the same on all of them
	Place diag.Place
}

// LineFrom gives the line on which one instrument can trigger all the others; false where there is none. Itself it can always trigger.
func (b *Bench) LineFrom(from string, to ...string) (line int, ok bool) {
	for _, t := range b.Triggers {
		if t.From == from && !slices.ContainsFunc(to, func(name string) bool { return name != from && !slices.Contains(t.To, name) }) {
			return t.Line, true
		}
	}
	return 0, false
}

func triggerShape() *diag.Shape {
	return &diag.Shape{Title: "a trigger line", About: "A cable on which one instrument triggers others.", Fields: []diag.Field{
		{Name: "from", Type: diag.Text(), Required: true, About: "the instrument that pulses"},
		{Name: "to", Type: diag.Either(diag.Text(), diag.ListOf(diag.Text())), Required: true, About: "the instrument, or the instruments, that it triggers"},
		{Name: "line", Type: diag.Whole(1, 99), Required: true, About: "number of the line, the same on all of them"},
	}}
}

// triggers reads the trigger lines.
func (r *reader) triggers(n *diag.Node) {
	if n == nil {
		return
	}
	b := r.bench
	used := map[string]bool{}
	take := func(at *diag.Node, line int) bool {
		key := fmt.Sprint(at.Text, " ", line)
		switch {
		case b.Find(at.Text) == nil:
			var names []string
			for _, in := range b.Instruments {
				names = append(names, in.Name)
			}
			r.found.AddHint(at.Place, diag.Suggest(at.Text, names), "there is no instrument %q on this bench", at.Text)
			return false
		case used[key]:
			r.found.AddHint(at.Place, "one cable has one entry, with everything that it triggers under to; another one takes another line", "line %d of %s is used already", line, at.Text)
			return false
		}
		used[key] = true
		return true
	}
	for _, item := range n.Items {
		t := TriggerLine{From: text(item.Get("from")), Line: number(item.Get("line")), Place: item.Place}
		if !take(item.Get("from"), t.Line) {
			continue
		}
		to := item.Get("to")
		targets := to.Items
		if to.Form == diag.Scalar {
			targets = []*diag.Node{to}
		}
		if len(targets) == 0 {
			r.found.Add(to.Place, "a trigger line that leads nowhere")
		}
		for _, one := range targets {
			if take(one, t.Line) {
				t.To = append(t.To, one.Text)
			}
		}
		b.Triggers = append(b.Triggers, t)
	}
}

// number reads a whole number that the shape has checked.
func number(n *diag.Node) (out int) {
	for _, c := range n.Text {
		if c >= '0' && c <= '9' {
			out = 10*out + int(c-'0')
		}
	}
	return out
}

// checkLines looks whether the instruments have the lines that join them.
func checkLines(b *Bench, models map[string]*model.Model, found *diag.Findings) {
	for _, t := range b.Triggers {
		for _, name := range append([]string{t.From}, t.To...) {
			m := models[name]
			switch {
			case m == nil:
			case m.Lines() == 0:
				found.Add(t.Place, "%s (model %s) has no trigger lines", name, m.Name)
			case t.Line > m.Lines():
				found.AddHint(t.Place, fmt.Sprintf("its lines are 1 to %d", m.Lines()), "%s (model %s) has no trigger line %d", name, m.Name, t.Line)
			}
		}
	}
}
