package terminal

import (
	"strings"

	"fourwire/report"
)

// capture tells what was found around an event.
func (p printer) capture(t *report.Trace) {
	p.line("")
	title := "Capture " + t.Name
	if t.Capture.Where != "" {
		title += " at " + t.Capture.Where
	}
	p.lines("", p.s.paint(bold, p.s.text(title)), title)
	if t.Missing != "" {
		p.below("cannot be shown: " + t.Missing)
		return
	}
	p.below("when " + t.Capture.Trigger + ": " + t.Taken())
	if !t.Statement.Complete {
		p.below("not complete: " + strings.Join(t.Statement.Why, "; "))
	}
	for _, g := range t.FigureGroups() {
		var parts []string
		for _, r := range g.Rows {
			parts = append(parts, r.What+" "+r.Text)
		}
		if len(parts) > 0 {
			p.below(g.Title + ": " + strings.Join(parts, ", "))
		}
	}
	var limits []string
	for _, r := range t.SignalRows() {
		limits = append(limits, r.Name+" by "+r.From+", bandwidth "+r.Bandwidth)
	}
	p.below(strings.Join(limits, "; "))
}
