package terminal

import (
	"fmt"
	"sort"
	"strings"

	"fourwire/report"
)

// fullTraces is how many recordings are told in full; more of them have one line each.
const fullTraces = 3

// battery writes what long recordings and batteries came to: whether a recording is whole, its figures, where the charge went, how long the
// battery lasts.
func (p printer) battery(r *report.Report) {
	for _, c := range r.Missed {
		p.line("")
		p.wrapped("", c.Missed)
	}
	for i := range r.Traces {
		if t := &r.Traces[i]; t.Capture != nil {
			p.capture(t)
			continue
		}
		if len(r.Traces) > fullTraces {
			row := r.Traces[i].Row()
			if i == 0 {
				p.line("")
			}
			p.wrapped("", row.Name+": "+row.Whole+"; mean "+row.Mean+", charge "+row.Charge)
			continue
		}
		p.recording(&r.Traces[i])
	}
	for _, l := range r.Lives {
		p.line("")
		p.wrapped("", fmt.Sprintf("%s lasts %s, most likely about %s", l.Title, l.Interval, l.Text))
		if l.Dominant != "" {
			p.below("mostly depends on " + l.Dominant)
		}
	}
	for _, x := range r.Played {
		p.line("")
		var parts []string
		for _, f := range x.Facts[:min(4, len(x.Facts))] {
			parts = append(parts, strings.ToLower(f.Name[:1])+f.Name[1:]+" "+f.Value)
		}
		p.wrapped("", strings.Join(parts, "; "))
	}
}

// below writes a text two columns in.
func (p printer) below(text string) {
	for _, line := range wrap(p.s.text(text), max(6, p.room-2), "  ") {
		p.line("  " + line)
	}
}

func (p printer) recording(t *report.Trace) {
	p.line("")
	title := t.Title() + " (" + t.Name + ")"
	p.lines("", p.s.paint(bold, p.s.text(title)), title)
	if t.Missing != "" {
		p.below("cannot be shown: " + t.Missing)
		return
	}
	p.below(t.Taken())
	colour := green
	if !t.Trust.Complete {
		colour = yellow
	}
	for i, line := range wrap(p.s.text(t.Trust.Headline), max(6, p.room-2), "") {
		if i == 0 {
			p.line("  " + p.s.paint(colour, line))
			continue
		}
		p.line("  " + line)
	}
	for _, l := range t.Trust.Lines {
		switch l.Name {
		case report.WhyNotComplete:
			p.below("why: " + l.Value)
		case report.ChargeAgainstCount:
			p.below("count of the charge: " + l.Value)
		}
	}
	var figures []string
	for _, f := range t.Figures() {
		switch f.Name {
		case "Mean current", "Charge", "Energy", "Peak":
			figures = append(figures, strings.ToLower(f.Name)+" "+f.Value)
		case "Events":
			figures = append(figures, "events: "+f.Value)
		}
	}
	if len(figures) > 0 {
		p.below(strings.Join(figures, "; "))
	}
	p.states(t)
	for _, row := range t.CompareRows()[:min(1, len(t.CompareRows()))] {
		p.below(fmt.Sprintf("against %s: %s %s there, difference %s: %s", report.OtherName(t.Drain.Against), row.What, row.B, row.Difference, row.Judgement))
	}
}

// stateBar is how many columns the bar of a state takes.
const stateBar = 24

// states draws where the charge went, the greatest share first.
func (p printer) states(t *report.Trace) {
	if t.Drain == nil || len(t.Drain.States) == 0 {
		return
	}
	list := append(t.Drain.States[:0:0], t.Drain.States...)
	sort.SliceStable(list, func(i, k int) bool { return list[i].Share > list[k].Share })
	name := 0
	for _, s := range list {
		name = max(name, cells(p.s.text(s.Name)))
	}
	name = min(name, 20)
	on := "#"
	if p.s.Unicode {
		on = "█"
	}
	for _, s := range list {
		share := report.Share(s.Share)
		if p.room < name+stateBar+14 {
			p.below(s.Name + " " + share + " of the charge")
			continue
		}
		bar := strings.Repeat(on, int(0.5+stateBar*max(0, min(1, s.Share))))
		p.line("  " + pad(p.s.cut(p.s.text(s.Name), name), name) + "  " + pad(bar, stateBar) + " " + p.s.text(share))
	}
}
