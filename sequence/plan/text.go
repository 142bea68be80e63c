package plan

import (
	"fmt"
	"strings"
	"unicode/utf8"

	"fourwire/quantity"
)

// textColumns is how wide the fit is printed.
const textColumns = 80

// Text is the fit for people: which channel serves what, with the margin that binds, how each node is read and how well, what
// can be decided, and how long it will take.
func (f Fit) Text() string {
	var b strings.Builder
	for _, r := range f.Roles {
		f.role(&b, r)
	}
	if len(f.Gauges) > 0 {
		b.WriteString("readings\n")
	}
	for _, g := range f.Gauges {
		f.gauge(&b, g)
	}
	if len(f.Derived) > 0 {
		b.WriteString("predicted uncertainty (k = 2)\n")
	}
	for _, s := range f.Derived {
		text := fmt.Sprintf("%s: %s to %s%s", s.Name, unit(s.Best, s.Unit), unit(s.Worst, s.Unit), andAt(s.WorstAt))
		if s.Biggest != "" {
			text += ", most of it from " + s.Biggest
		}
		fill(&b, "  ", "    ", text)
	}
	f.limits(&b)
	if len(f.Notes) > 0 {
		b.WriteString("notes\n")
	}
	for _, n := range f.Notes {
		fill(&b, "  ", "  ", n)
	}
	f.time(&b)
	if f.Accepted != "" {
		fill(&b, "", "  ", "accepted: "+f.Accepted)
	}
	fmt.Fprintf(&b, "verdict: %s\n", f.Verdict)
	return b.String()
}

// fill writes words in lines of textColumns, the first behind one indent, the others behind another.
func fill(b *strings.Builder, first, others, text string) {
	line, empty := first, true
	for _, word := range strings.Fields(text) {
		if !empty && utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > textColumns {
			b.WriteString(line + "\n")
			line, empty = others, true
		}
		if !empty {
			line += " "
		}
		line += word
		empty = false
	}
	b.WriteString(line + "\n")
}

func (f Fit) role(b *strings.Builder, r RoleFit) {
	chosen := r.Chosen
	if chosen == "" {
		chosen = "nothing"
	}
	fmt.Fprintf(b, "%s (%s at %s): %s\n", r.Role, r.Kind, r.Node, chosen)
	if len(r.Candidates) == 0 {
		fmt.Fprintf(b, "  the bench has no %s\n", r.Kind)
	}
	for _, c := range r.Candidates {
		if c.Why != "" {
			fill(b, "  ", "    ", c.Name+": "+c.Why)
			continue
		}
		fmt.Fprintf(b, "  %s: %s\n", c.Name, c.Verdict)
		for i, m := range c.Margins {
			mark := "  "
			if i == 0 || m.Verdict() == Misfits {
				mark = "> " // what binds
			}
			f.margin(b, mark, m)
		}
	}
}

func (f Fit) margin(b *strings.Builder, mark string, m Margin) {
	first := fmt.Sprintf("    %s%-15s %6.1f %%  ", mark, m.Kind, 100*m.Part)
	fill(b, first, strings.Repeat(" ", utf8.RuneCountInString(first)), m.Text+andAt(m.At))
}

func (f Fit) gauge(b *strings.Builder, g GaugeFit) {
	channel := g.Channel
	switch {
	case channel == "":
		channel = "nothing"
	case g.Own:
		channel += " (its own read-back)"
	}
	text := fmt.Sprintf("%s: %s", g.Measurement, channel)
	if g.Low != nil && g.High != nil {
		if g.Low.Value != g.High.Value {
			text += fmt.Sprintf(", %s on %s: U %s", unit(g.Low.Value, g.Low.Unit), unit(g.Low.Range, g.Low.Unit), unit(g.Low.U, g.Low.Unit))
		}
		text += fmt.Sprintf(", %s on %s: U %s", unit(g.High.Value, g.High.Unit), unit(g.High.Range, g.High.Unit), unit(g.High.U, g.High.Unit))
	}
	fill(b, "  ", "    ", text)
	for _, m := range []*Margin{g.Margin, g.Accuracy} {
		if m != nil && m.Verdict() != Fits {
			f.margin(b, "> ", *m)
		}
	}
	for _, o := range g.Others {
		fill(b, "    not ", "      ", o)
	}
}

func (f Fit) limits(b *strings.Builder) {
	if len(f.Judged) > 0 {
		b.WriteString("limits (tolerance to uncertainty)\n")
	}
	for _, j := range f.Judged {
		ratio := "-"
		if j.Ratio > 0 {
			ratio = fmt.Sprintf("%.3g", j.Ratio)
			if j.Ratio >= 100 {
				ratio = fmt.Sprintf("%.0f", j.Ratio)
			}
		}
		fill(b, "  ", "    ", fmt.Sprintf("%s: %s, %s, %s", j.Limit, ratio, j.Verdict, j.Rule))
		text := j.Text + andAt(j.At)
		if j.Biggest != "" {
			text += ", most of it from " + j.Biggest
		}
		fill(b, "    ", "    ", text)
	}
}

func (f Fit) time(b *strings.Builder) {
	text := fmt.Sprintf("%d points, about %s", f.Points, roughly(f.Seconds))
	if f.Points == 1 {
		text = "1 point, about " + roughly(f.Seconds)
	}
	for i, w := range f.Time {
		if i == 0 {
			text += ":"
		} else {
			text += ","
		}
		text += " " + string(w.Kind) + " " + roughly(w.Seconds)
	}
	fill(b, "", "  ", text)
}

// unit prints a number of SI units with a prefix; three digits are enough for a prediction.
func unit(si float64, symbol string) string {
	for _, d := range []quantity.Dimension{quantity.Ratio, quantity.Voltage, quantity.Current, quantity.Power, quantity.Resistance, quantity.Time, quantity.Energy, quantity.Charge} {
		if d.Unit() == symbol {
			return quantity.Of(si, d).Text(3)
		}
	}
	return fmt.Sprintf("%.3g %s", si, symbol)
}

// PointsText lists the prediction for every planned point.
func (f Fit) PointsText() string {
	var b strings.Builder
	at, text := "", ""
	flush := func() {
		if text != "" {
			fill(&b, "", "  ", at+": "+text)
		}
	}
	for i, p := range f.Forecast {
		if i > 0 && p.At == at && !strings.Contains(text, p.Name+" ") {
			text += ", "
		} else {
			flush()
			at, text = p.At, ""
		}
		text += fmt.Sprintf("%s %s (U %s, %s)", p.Name, unit(p.Value, p.Unit), unit(p.U, p.Unit), p.Biggest)
	}
	flush()
	if f.Cut {
		fmt.Fprintf(&b, "the first %d predictions\n", len(f.Forecast))
	}
	return b.String()
}
