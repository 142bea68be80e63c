package report

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"fourwire/quantity"
	"fourwire/record"
)

// Curve is one picture: lines over two columns.
type Curve struct {
	Title      string
	X, Y       record.Column
	LogX, LogY bool
	Per        *record.Column // what the lines differ in; nil for one line
	Lines      []Line
	Bare       bool   // the points are so many that no mark is drawn; they can be looked up all the same
	Missing    string // why there is nothing to draw; empty where there is
}

// Line is one line of a curve, its points in the order measured; in the order of x where a sweep of the run chose points of its own.
type Line struct {
	Name string // "vin = 9 V"; empty for the only line
	Dots []Dot
	Only Drawn // zero: marks, joined by a line
}

// Drawn is what of a line is drawn.
type Drawn uint8

// What may be drawn alone.
const (
	Marks  Drawn = iota + 1 // points that nothing joins
	Stroke                  // a curve that is worked out
)

// Dot is one point of a line. X or Y is NaN where the point has no value; it then breaks the line.
type Dot struct {
	Number int
	X, Y   float64 // SI
	UX, UY float64 // expanded, k = 2; NaN where there is none
	Status string  // of the point; invalid and over-range points are marked and not joined
	Why    string
}

// Joined tells whether the dot belongs to the line, and is not only marked beside it.
func (d Dot) Joined() bool {
	return d.Status == record.StatusOK || d.Status == record.StatusNotSettled
}

func curves(rec *record.Record) []Curve {
	var out []Curve
	for _, c := range rec.Curves {
		out = append(out, curve(rec, c))
	}
	return out
}

func curve(rec *record.Record, asked record.Curve) Curve {
	c := Curve{Title: asked.Title, LogX: asked.LogX, LogY: asked.LogY}
	if c.Title == "" {
		c.Title = asked.Y + " over " + asked.X
	}
	var ok bool
	if c.X, ok = column(rec, asked.X); !ok {
		c.Missing = fmt.Sprintf("the record has no column %s", asked.X)
		return c
	}
	if c.Y, ok = column(rec, asked.Y); !ok {
		c.Missing = fmt.Sprintf("the record has no column %s", asked.Y)
		return c
	}
	if asked.Per != "" && asked.Per != "part" { // each part has lines of its own anyway
		per, ok := column(rec, asked.Per)
		if !ok {
			c.Missing = fmt.Sprintf("the record has no column %s", asked.Per)
			return c
		}
		c.Per = &per
	}
	type key struct {
		per  float64
		part string
	}
	index := map[key]int{}
	drawn := 0
	for _, p := range rec.Rows {
		k := key{part: p.Part}
		if c.Per != nil {
			if k.per = value(p, c.Per.Name).SI; math.IsNaN(k.per) {
				continue
			}
		}
		at, ok := index[k]
		if !ok {
			at = len(c.Lines)
			index[k] = at
			c.Lines = append(c.Lines, Line{Name: lineName(c.Per, k.per, k.part)})
		}
		x, y := value(p, asked.X), value(p, asked.Y)
		d := Dot{Number: p.Number, X: x.SI, Y: y.SI, UX: x.U, UY: y.U, Status: p.Status(), Why: p.Why}
		if asked.LogX && !(d.X > 0) || asked.LogY && !(d.Y > 0) {
			d.X, d.Y = math.NaN(), math.NaN() // a logarithmic axis has no place for it
		}
		if !math.IsNaN(d.X) && !math.IsNaN(d.Y) {
			drawn++
		}
		c.Lines[at].Dots = append(c.Lines[at].Dots, d)
	}
	if len(c.Lines) > 1 {
		for i := range c.Lines {
			if c.Lines[i].Name == "" { // beside points of steps that have a label
				c.Lines[i].Name = "other points"
			}
		}
	}
	if refined(rec) {
		for i := range c.Lines {
			inOrder(c.Lines[i].Dots)
		}
	}
	if drawn == 0 {
		c.Missing = "no point has a value for it"
	}
	return c
}

// refined tells whether a sweep of the run chose points of its own, behind its values: its points are not in the order of x.
func refined(rec *record.Record) bool {
	return slices.ContainsFunc(rec.Log, func(e record.Event) bool { return e.Kind == "refined" })
}

// inOrder puts the points of a line in the order of x, those without one last.
func inOrder(dots []Dot) {
	slices.SortStableFunc(dots, func(a, b Dot) int {
		switch none, other := math.IsNaN(a.X), math.IsNaN(b.X); {
		case none && other:
			return 0
		case none:
			return 1
		case other:
			return -1
		}
		return cmp.Compare(a.X, b.X)
	})
}

func lineName(per *record.Column, si float64, part string) string {
	name := part
	if per != nil {
		name = per.Name + " = " + quantity.Of(si, per.Dim).String()
		if part != "" {
			name += ", " + part
		}
	}
	return name
}

func column(rec *record.Record, name string) (record.Column, bool) {
	for _, c := range rec.Columns {
		if c.Name == name {
			return c, true
		}
	}
	return record.Column{}, false
}

func value(p record.Point, name string) record.Cell {
	if c, ok := p.Cells[name]; ok {
		return c
	}
	return record.Cell{SI: math.NaN(), U: math.NaN()}
}

// ColumnScale chooses the unit in which a column is shown: the one that suits its largest magnitude.
func ColumnScale(rec *record.Record, c record.Column) Scale {
	var largest float64
	for _, p := range rec.Rows {
		if x := math.Abs(value(p, c.Name).SI); x > largest {
			largest = x
		}
	}
	return ScaleFor(largest, c.Dim)
}
