package report

import (
	"fmt"
	"sort"
	"strings"

	"fourwire/quantity"
	"fourwire/record"
)

// Stepped is how a sweep was stepped, or why points were added to it and where.
type Stepped struct {
	Kind  string              // "fast": by lists of the instruments, or why not; "refine": points of its own
	Where []string            // the coordinates at which it was so: "vin 9 V"; empty: once
	Text  string              // as the run says it
	Added []quantity.Quantity // of a refined sweep: its points of its own, in their order on the axis
}

// mostAdded is how many added points a text lists.
const mostAdded = 12

// stepped reads from the log how sweeps were stepped. What was said in the same words is told once.
func stepped(rec *record.Record) []Stepped {
	var out []Stepped
	var added []quantity.Quantity
	at := map[string]int{}
	for _, e := range rec.Log {
		switch e.Kind {
		case "refined":
			if x, ok := e.Fields["value"].(float64); ok {
				added = append(added, quantity.Of(x, record.DimensionOf(word(e.Fields["unit"]))))
			}
		case "fast", "refine":
			one := Stepped{Kind: e.Kind, Text: e.Text}
			if where := word(e.Fields["where"]); where != "" {
				one.Where = []string{where}
			}
			if e.Kind == "refine" {
				sort.Slice(added, func(i, j int) bool { return added[i].SI < added[j].SI })
				one.Added, added = added, nil
			} else if i, ok := at[one.Text]; ok {
				out[i].Where = append(out[i].Where, one.Where...)
				continue
			}
			at[one.Text] = len(out)
			out = append(out, one)
		}
	}
	return out
}

// String tells it in a sentence or two without the last full stop.
func (s Stepped) String() string {
	text := ShortNote(s.Text)
	if len(s.Where) > 0 {
		text = Pretty(strings.Join(s.Where, ", ")) + ": " + text
	}
	if n := len(s.Added); n > 0 {
		var at []string
		for _, x := range s.Added[:min(n, mostAdded)] {
			at = append(at, x.Text(4))
		}
		text += ". Added at " + Pretty(strings.Join(at, ", "))
		if n > mostAdded {
			text += fmt.Sprintf(" and %d more up to %s", n-mostAdded, Pretty(s.Added[n-1].Text(4)))
		}
	}
	return text
}

// chose tells whether a sweep of the run chose its number of points, so that the number planned is the most.
func chose(steps []Stepped) bool {
	for _, s := range steps {
		if s.Kind == "refine" {
			return true
		}
	}
	return false
}
