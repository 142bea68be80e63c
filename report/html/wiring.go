package html

import (
	"html/template"
	"math"
	"strings"

	"fourwire/record"
	"fourwire/report/wiring"
)

// plan is the wiring in its two sizes; empty where there is none to draw, or too much.
type plan struct {
	Wide, Narrow template.HTML
	Measured     bool // some drops are worked out for a current that was measured
}

// mostWires is how many wires are drawn; more are in the table alone.
const mostWires = 40

func newPlan(rec *record.Record) plan {
	if len(rec.Wiring) == 0 || len(rec.Wiring) > mostWires {
		return plan{}
	}
	d := wiring.Drawing{Title: rec.Bench.Title, Amps: mostAmps(rec)}
	for _, w := range rec.Wiring {
		d.Wires = append(d.Wires, wiring.Wire{Channel: w.Channel, Node: w.Node, As: w.As, Sense: w.Sense, LeadOhm: w.LeadOhm})
	}
	wide, narrow := wiring.Forms()
	// the drawing escapes what comes from the record
	return plan{Wide: template.HTML(d.SVG(wide)), Narrow: template.HTML(d.SVG(narrow)), Measured: len(d.Amps) > 0}
}

// mostAmps is the largest current that was measured at each node.
func mostAmps(rec *record.Record) map[string]float64 {
	out := map[string]float64{}
	for _, c := range rec.Columns {
		node, ok := strings.CutPrefix(c.Node, "i(")
		if !ok || c.Kind != record.Measured {
			continue
		}
		node = strings.TrimSuffix(node, ")")
		for _, p := range rec.Rows {
			if x := math.Abs(p.Cells[c.Name].SI); x > out[node] {
				out[node] = x
			}
		}
	}
	return out
}
