package html

import (
	_ "embed"
	"html/template"
	"math"
	"strconv"
	"strings"

	"fourwire/quantity"
	"fourwire/record"
	"fourwire/report"
	"fourwire/report/chart"
)

//go:embed budget.tmpl
var budgetText string

//go:embed budget.css
var budgetStyle string

//go:embed budget.js
var budgetScript string

const (
	openCards = 6      // budgets that are shown without being asked for
	maxData   = 180000 // bytes, about, of budgets of single points that a page carries
)

// uncertainty is what the page says about uncertainties.
type uncertainty struct {
	Cards, Folded []report.Worst
	Data          *budgetData // nil: nothing can be looked up
}

func newUncertainty(r *report.Report) uncertainty {
	u := uncertainty{Cards: r.Worst, Data: newBudgetData(r)}
	if len(u.Cards) > openCards+1 {
		u.Cards, u.Folded = u.Cards[:openCards], u.Cards[openCards:]
	}
	return u
}

// budgetData is the budgets of the points for the script of the page, written to take little room: a contributor is its number in the list
// of inputs and its share.
type budgetData struct {
	Inputs [][]string  `json:"inputs"` // where from, what, and the measured values that come from there
	Points []pointData `json:"points"`
	Names  []string    `json:"names"` // of values, the preferred first
	Cut    bool        `json:"cut"`   // points are missing at the end
}

type pointData struct {
	Number int         `json:"n"`
	Where  string      `json:"at"`
	Notes  []string    `json:"notes,omitempty"`
	Values []valueData `json:"v"`
}

type valueData struct {
	Name  int          `json:"i"` // in Names
	Text  string       `json:"t"`
	Parts [][2]float64 `json:"p"`           // number of the input, share
	Rest  *[2]float64  `json:"r,omitempty"` // how many, share
}

func newBudgetData(r *report.Report) *budgetData {
	d := &budgetData{Names: preferred(r)}
	input := map[[2]string]int{}
	size := 0
	for _, p := range r.Record.Rows[:min(len(r.Record.Rows), maxRows)] {
		out := pointData{Number: p.Number, Where: report.Where(r.Record, p)}
		for _, note := range p.Notes {
			out.Notes = append(out.Notes, report.ShortNote(note))
			size += len(note) + 4
		}
		for i, name := range d.Names {
			b, ok := r.Budget(p.Number, name, "")
			if !ok {
				continue
			}
			c := p.Cells[name]
			v := valueData{Name: i, Text: report.WithU(c.SI, c.U, dimension(r, name))}
			for _, g := range b.Groups {
				for _, part := range g.Parts {
					key := [2]string{g.From, part.What}
					at, known := input[key]
					if !known {
						at = len(d.Inputs)
						input[key] = at
						d.Inputs = append(d.Inputs, []string{g.From, part.What, strings.Join(g.Values, ", ")})
					}
					v.Parts = append(v.Parts, [2]float64{float64(at), math.Round(1e4*part.Share) / 1e4})
				}
			}
			if b.Rest.Inputs > 0 {
				v.Rest = &[2]float64{float64(b.Rest.Inputs), math.Round(1e4*b.Rest.Share) / 1e4}
			}
			out.Values = append(out.Values, v)
			size += 40 + len(v.Text) + 12*len(v.Parts)
		}
		if len(out.Values) == 0 {
			continue
		}
		if size > maxData {
			d.Cut = true
			break
		}
		d.Points = append(d.Points, out)
	}
	if len(d.Points) == 0 {
		return nil
	}
	return d
}

// preferred is the names of the columns that may have budgets: what is derived, then what is measured; of both what limits judge first.
func preferred(r *report.Report) []string {
	var out []string
	seen := map[string]bool{}
	add := func(name string) {
		if !seen[name] {
			seen[name] = true
			out = append(out, name)
		}
	}
	judged := map[string]bool{}
	for _, w := range r.Worst {
		judged[w.Name] = judged[w.Name] || w.Limit != ""
	}
	for _, kind := range []record.ColumnKind{record.Derived, record.Measured} {
		for _, first := range []bool{true, false} {
			for _, c := range r.Record.Columns {
				if c.Kind == kind && judged[c.Name] == first {
					add(c.Name)
				}
			}
		}
	}
	return out
}

func dimension(r *report.Report, name string) quantity.Dimension {
	for _, c := range r.Record.Columns {
		if c.Name == name {
			return c.Dim
		}
	}
	return quantity.Ratio
}

// gauge is the picture of a limit; empty where there is none.
func gauge(l report.Limit, number int) template.HTML {
	g, ok := l.Gauge()
	if !ok {
		return ""
	}
	return template.HTML(chart.GaugeSVG(g, l.GaugeText(), number)) // it escapes the text
}

// percent is a share as a width for a style sheet.
func percent(share float64) template.CSS {
	return template.CSS(strconv.FormatFloat(math.Round(1000*max(0, min(1, share)))/10, 'f', -1, 64) + "%")
}
