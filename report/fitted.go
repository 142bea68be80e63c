package report

import (
	"fmt"
	"math"
	"strings"

	"fourwire/quantity"
	"fourwire/record"
)

// Fitted is a part whose law was found from points: its parameters, and the law over the points.
type Fitted struct {
	record.Fit
	Title      string
	Counts     string // which points it was found from, and which were left out
	Parameters []FittedParameter
	Curve      Curve
}

// FittedParameter is one parameter with its text.
type FittedParameter struct {
	record.FitParameter
	Text string // value and U with their unit
}

// fitted reads the fits of a record.
func fitted(rec *record.Record) []Fitted {
	var out []Fitted
	for _, one := range kept[record.Fit](rec, record.AnalysisFolder, ".fit.json") {
		out = append(out, newFitted(one))
	}
	return out
}

func newFitted(f record.Fit) Fitted {
	out := Fitted{Fit: f, Title: f.Kind}
	if nice, ok := map[string]string{"diode": "Diode", "led": "LED", "solar cell": "Solar cell", "mosfet": "MOSFET", "resistor": "Resistor", "leakage": "Leakage"}[f.Kind]; ok {
		out.Title = nice
	}
	if f.Name != strings.ReplaceAll(f.Kind, " ", "-") {
		out.Title += ": " + f.Name
	}
	out.Counts = fmt.Sprintf("%d points", f.Used)
	var left []string
	for _, one := range []struct {
		n    int
		text string
	}{{f.Compliance, "in compliance"}, {f.Invalid, "not valid"}, {f.Outside, "outside the law"}} {
		if one.n > 0 {
			left = append(left, fmt.Sprintf("%d %s", one.n, one.text))
		}
	}
	if len(left) > 0 {
		out.Counts += "; left out: " + strings.Join(left, ", ")
	}
	for _, p := range f.Parameters {
		text := "none"
		if !math.IsNaN(p.Value) {
			text = FigureText(p.What, p.Value, p.U, p.Unit)
		}
		out.Parameters = append(out.Parameters, FittedParameter{p, text})
	}
	out.Curve = fittedCurve(f)
	return out
}

// fittedCurve draws the points as marks, and each curve of the law as a line.
func fittedCurve(f record.Fit) Curve {
	c := Curve{Title: "The law over its points", LogX: f.LogX, LogY: f.LogY, X: fittedColumn(f.X, f.XUnit), Y: fittedColumn(f.Y, f.YUnit)}
	points := Line{Name: "points", Only: Marks}
	drawn := 0
	for i, p := range f.Points {
		d := Dot{Number: i + 1, X: p.X, Y: p.Y, UX: math.NaN(), UY: p.U, Status: record.StatusOK, Why: p.Left}
		if p.Left != "" {
			d.Status = record.StatusInvalid
		}
		if c.LogX && !(d.X > 0) || c.LogY && !(d.Y > 0) {
			d.X, d.Y = math.NaN(), math.NaN()
		} else if d.Joined() {
			drawn++
		}
		points.Dots = append(points.Dots, d)
	}
	if drawn == 0 {
		c.Missing = "no point could be used"
		return c
	}
	c.Lines = append(c.Lines, points)
	for _, one := range f.Curves {
		l := Line{Name: "law", Only: Stroke}
		if f.Per != "" {
			l.Name = "law, " + f.Per + " = " + quantity.Of(one.Per, record.DimensionOf(f.Unit)).String()
		}
		for i := range min(len(one.X), len(one.Y)) {
			x, y := one.X[i], one.Y[i]
			if c.LogX && !(x > 0) || c.LogY && !(y > 0) {
				x, y = math.NaN(), math.NaN()
			}
			l.Dots = append(l.Dots, Dot{X: x, Y: y, UX: math.NaN(), UY: math.NaN(), Status: record.StatusOK})
		}
		c.Lines = append(c.Lines, l)
	}
	return c
}

func fittedColumn(name, unit string) record.Column {
	return record.Column{Name: name, Kind: record.Measured, Unit: unit, Dim: record.DimensionOf(unit)}
}
