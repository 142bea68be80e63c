package terminal

import (
	"fmt"
	"strings"

	"fourwire/record"
	"fourwire/report"
)

// Show writes the end of a run: outcome, notices, limits, results and the curves.
func Show(s Stream, r *report.Report) {
	if s.To == nil {
		return
	}
	room := s.columns()
	if s.Live {
		room-- // a sign in the last column makes some terminals start a new line
	}
	p := printer{s, min(room, 110)}
	outcome := r.Record.Outcome
	if outcome == "" {
		outcome = record.NotJudged
	}
	p.lines("", s.paint(bold, s.text(r.Title)), r.Title)
	p.labelled(outcome, r.Headline)
	for _, n := range r.Notices {
		colour := ""
		if n.Grave {
			colour = red
		}
		for _, line := range wrap(s.text(n.Text), p.room, "") {
			p.line(s.paint(colour, line))
		}
	}
	if len(r.Limits) > 0 {
		p.line("")
		for _, l := range r.Limits {
			p.limit(l, r)
		}
	}
	if len(r.Results) > 0 {
		p.line("")
		for _, x := range r.Results {
			name := x.Name
			if x.Part != "" {
				name += " (" + x.Part + ")"
			}
			p.wrapped("", name+" = "+x.Text)
		}
	}
	p.battery(r)
	p.spent(r.Time)
	if len(r.Remarks)+len(r.Stepped)+len(r.Supplies) > 0 {
		p.line("")
		for _, x := range r.Supplies {
			p.wrapped("", report.ShortNote(x.Text))
		}
		for _, x := range r.Stepped {
			p.wrapped("", x.String())
		}
		for _, x := range r.Remarks {
			p.wrapped("", x.String())
		}
	}
	for _, c := range r.Curves {
		if c.Missing == "" && p.room >= 30 {
			p.line("")
			for _, line := range plot(s, c, min(p.room, 90)) {
				p.line(line)
			}
		}
	}
}

type printer struct {
	s    Stream
	room int
}

func (p printer) line(text string) { fmt.Fprintln(p.s.To, strings.TrimRight(text, " ")) }

// lines writes a painted text on one line where it fits, and breaks it unpainted where it does not.
func (p printer) lines(indent, painted, plain string) {
	if cells(plain) <= p.room {
		p.line(painted)
		return
	}
	p.wrapped(indent, plain)
}

func (p printer) wrapped(indent, text string) {
	for _, line := range wrap(p.s.text(text), p.room, indent+"  ") {
		p.line(indent + line)
	}
}

// labelled writes an outcome and a text beside it; below it where there is no room.
func (p printer) labelled(o record.Outcome, text string) {
	label := strings.ToUpper(string(o))
	beside := max(6, cells(label)+2)
	for i, line := range wrap(p.s.text(text), max(6, p.room-beside), "") {
		if i == 0 {
			p.line(p.s.paint(bold+";"+colourOf(o), pad(label, beside)) + line)
			continue
		}
		p.line(strings.Repeat(" ", beside) + line)
	}
}

func (p printer) limit(l report.Limit, r *report.Report) {
	beside, label := 12, string(l.Outcome)
	if p.room < 40 { // the outcome on a line of its own
		p.line(p.s.paint(colourOf(l.Outcome), label))
		beside, label = 2, ""
	}
	text := l.Text
	if l.Closest != nil && l.Closest.Detail != "" {
		text = "(" + l.Closest.Detail + ") " + text
	}
	if l.Clause != "" {
		text += " [" + l.Clause + "]"
	}
	if value := l.ClosestText(); value != "" {
		text += ": closest " + value
		if l.Closest.Point > 0 {
			text += fmt.Sprintf(" at point %d", l.Closest.Point)
		}
	}
	if margin := l.MarginText(); margin != "" {
		text += ", margin " + margin
	}
	if n := len(l.Verdicts); n > 1 {
		text += fmt.Sprintf("; %d of %d pass", l.Counts.Pass, n)
	}
	for i, line := range wrap(p.s.text(text), max(6, p.room-beside), "") {
		if i > 0 {
			label = ""
		}
		p.line(p.s.paint(colourOf(l.Outcome), pad(label, beside)) + line)
	}
	p.decision(l, r, beside)
}
