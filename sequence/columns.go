package sequence

import (
	"fmt"

	"fourwire/internal/diag"
	"fourwire/sequence/expr"
)

// Columns lists the quantities that the points of this sequence hold: coordinates from the outermost sweep inwards, then
// what is measured, then what is derived, each in order of appearance.
func (s *Sequence) Columns() []Column {
	return append([]Column(nil), s.columns...)
}

// CountPoints is the number of points that a run makes; an upper bound where conditions decide.
func (s *Sequence) CountPoints() int {
	points, _ := count(s.Steps)
	return points
}

// MakesRow tells whether a run of this list of steps, once through, makes a point: whether it measures, records or works out the drain
// or the life of a battery, directly or inside a when. Steps of a sweep or repeat below it make points of their own.
func MakesRow(list []Step) bool {
	for _, s := range list {
		switch s := s.(type) {
		case *Measure, *Record, *Drain, *Life, *Capture, *Figures, *Reverse, *Fit:
			return true
		case *Sweep:
			if s.gives() {
				return true
			}
		case *Rails:
			if len(s.Gives) > 0 || MakesRow(s.Steps) {
				return true
			}
		case *When:
			if MakesRow(s.Then) || MakesRow(s.Else) {
				return true
			}
		}
	}
	return false
}

// count is the number of points that one run of a list makes, and how many lists are run for it; both stop growing far
// above what is allowed.
func count(list []Step) (points, runs int) {
	const most = 1 << 40
	runs = 1
	if MakesRow(list) {
		points = 1
	}
	p, n := nested(list)
	return min(points+p, most), min(runs+n, most)
}

func nested(list []Step) (points, runs int) {
	const most = 1 << 40
	for _, s := range list {
		times := 1
		var p, n int
		switch s := s.(type) {
		case *Sweep:
			times = max(1, s.Values.most)
			if s.Refine != nil {
				times = max(times, s.Refine.Points)
			}
			if s.RepeatFirst {
				times++
			}
			if s.BothWays {
				times *= 2
			}
			p, n = count(s.Steps)
		case *Repeat:
			times = s.Times
			p, n = count(s.Steps)
		case *When:
			p, n = nested(s.Then)
			q, m := nested(s.Else)
			p, n = max(p, q), max(n, m)
		case *Record:
			p, n = nested(s.Steps)
		case *Capture:
			p, n = nested(s.Steps)
		case *Rails:
			p, n = nested(s.Steps)
		case *Emulate:
			times = s.Points()
			p, n = nested(s.Steps)
			p, n = p+1, n+1
		}
		points, runs = min(points+times*p, most), min(runs+times*n, most)
	}
	return points, runs
}

// size refuses sequences that are larger than anybody means, and those that measure nothing.
func (r *reader) size() {
	points, runs := count(r.seq.Steps)
	whole := diag.Place{File: r.seq.File}
	switch {
	case points > MaxPoints:
		r.found.AddHint(whole, "take fewer values, or run it in parts", "this makes %d points, more than the limit of %d", points, MaxPoints)
	case runs > maxRuns:
		r.found.AddHint(whole, "take fewer values, or run it in parts", "this runs lists of steps %d times, more than the limit of %d", runs, maxRuns)
	case points == 0 && !r.found.Failed():
		r.found.Warn(whole, "add a measure step", "this sequence measures nothing")
	}
}

// column notes a column. A name stands for one thing wherever it appears: lists side by side may use it again, for the same.
func (r *reader) column(c Column, place diag.Place) {
	before, ok := r.columns[c.Name]
	if !ok {
		r.columns[c.Name] = known{c, place}
		r.order = append(r.order, c)
		return
	}
	line := fmt.Sprintf("line %d", before.place.Line)
	switch {
	case before.Kind != c.Kind:
		r.found.AddHint(place, "take another name", "%q is %s here and %s in %s", c.Name, words[c.Kind], words[before.Kind], line)
	case before.Node != c.Node:
		r.found.AddHint(place, "take another name", "%q is %s here and %s in %s", c.Name, c.Node, before.Node, line)
	case before.Expr != c.Expr:
		r.found.AddHint(place, "take another name", "%q is worked out in two ways: %s here, %s in %s", c.Name, c.Expr, before.Expr, line)
	case before.Dim != c.Dim:
		r.found.AddHint(place, "take another name", "%q is %s here and %s in %s", c.Name, c.Dim.Name(), before.Dim.Name(), line)
	}
}

var words = map[ColumnKind]string{Coordinate: "a coordinate", Measured: "measured", Worked: "derived"}

// arrange puts the columns in the order that a record shows them in.
func (r *reader) arrange() {
	for _, kind := range []ColumnKind{Coordinate, Measured, Worked} {
		for _, c := range r.order {
			if c.Kind == kind {
				r.seq.columns = append(r.seq.columns, c)
			}
		}
	}
}

// summary reads what is worked out over all points. Columns hide parameters of the same name.
func (r *reader) summary(n *diag.Node, global *scope) []Step {
	if n == nil || n.Form != diag.List {
		return nil
	}
	s := &scope{r: r, up: global, columns: true}
	for _, c := range r.order {
		s.symbols = append(s.symbols, &symbol{name: c.Name, kind: measuredName, typ: expr.Type{Dim: c.Dim, Column: true}, place: r.columns[c.Name].place})
	}
	var out []Step
	for _, item := range n.Items {
		for _, e := range entries(item) {
			p := Pos{Place: e.Place}
			switch e.Key {
			case "derive":
				out = append(out, r.derive(p, item, s))
			case "judge":
				out = append(out, r.judge(p, e.Value, s)...)
			case "fit":
				out = append(out, r.fit(p, item, s))
			case "note":
				out = append(out, &Note{Pos: p, Text: text(e.Value)})
			}
		}
	}
	return out
}

func (r *reader) curves(n *diag.Node) {
	if n == nil || n.Form != diag.List {
		return
	}
	var all, coordinates []string
	for _, c := range r.order {
		all = append(all, c.Name)
		if c.Kind == Coordinate {
			coordinates = append(coordinates, c.Name)
		}
	}
	if len(r.labels) > 0 {
		coordinates = append(coordinates, "part")
	}
	for _, item := range n.Items {
		if item.Form != diag.Mapping {
			continue
		}
		log := text(item.Get("log"))
		c := Curve{X: text(item.Get("x")), Y: text(item.Get("y")), Per: text(item.Get("per")), Title: text(item.Get("title")), Place: item.Place,
			LogX: log == "x" || log == "both", LogY: log == "y" || log == "both"}
		for _, key := range []string{"x", "y", "per"} {
			from, among, what := item.Get(key), all, "nothing in the points is called %q"
			if key == "per" {
				among, what = coordinates, "no sweep is over %q, so there is no line per value of it"
			}
			if name := text(from); name != "" && !contains(among, name) && !r.lenient {
				r.found.AddHint(r.place(from), diag.Suggest(name, among), what, name)
			}
		}
		r.seq.Curves = append(r.seq.Curves, c)
	}
}
