package terminal

import (
	"fmt"
	"strings"

	"fourwire/report"
)

// gaugeWidth is how many columns the picture of a limit takes; from besideRoom on, its rule stands beside it.
const (
	gaugeWidth = 26
	besideRoom = 76
)

// signs of the picture of a limit: what is not allowed, the limit, the guard band, what is allowed, the value and the ends of its U.
type signs struct{ bad, limit, band, good, value, from, to, bar string }

var (
	unicodeSigns = signs{"╱", "┃", "░", "─", "●", "├", "┤", "─"}
	asciiSigns   = signs{"x", "|", ":", "-", "o", "(", ")", "-"}
)

// gauge draws where a value stands against its limit, on one line.
func gauge(s Stream, g report.Gauge, width int) string {
	sign := asciiSigns
	if s.Unicode {
		sign = unicodeSigns
	}
	at := func(place float64) int { return min(width-1, max(0, int(place*float64(width)))) }
	limit, accept, reject, value := at(g.Limit), at(g.Accept), at(g.Reject), at(g.Value)
	from, to := at(g.From), at(g.To)
	var b strings.Builder
	for i := range width {
		mark, colour := sign.good, green
		beyond := i > limit
		if g.Lower {
			beyond = i < limit
		}
		if beyond {
			mark, colour = sign.bad, red
		}
		if i >= min(accept, reject) && i <= max(accept, reject) && g.Accept != g.Limit {
			mark, colour = sign.band, yellow
		}
		if i > from && i < to {
			mark, colour = sign.bar, bold
		}
		switch i {
		case value:
			mark, colour = sign.value, bold
		case limit:
			mark, colour = sign.limit, bold
		case from:
			if from < value {
				mark, colour = sign.from, bold
			}
		case to:
			if to > value {
				mark, colour = sign.to, bold
			}
		}
		b.WriteString(s.paint(colour, mark))
	}
	return b.String()
}

// decision writes under a limit how it was decided: the picture, the rule with its guard band and risk, what the uncertainty mostly
// comes from, and what would decide it.
func (p printer) decision(l report.Limit, r *report.Report, beside int) {
	v := l.Closest
	if v == nil {
		return
	}
	indent := strings.Repeat(" ", beside)
	text := joined(report.RuleText(*v), report.RiskText(*v))
	room := max(6, p.room-beside)
	if g, ok := l.Gauge(); ok {
		picture := gauge(p.s, g, min(gaugeWidth, room))
		if p.room >= besideRoom {
			for i, line := range wrap(p.s.text(text), room-gaugeWidth-2, "") {
				if i > 0 {
					picture = strings.Repeat(" ", gaugeWidth)
				}
				p.line(indent + picture + "  " + p.s.paint(faint, line))
			}
			text = ""
		} else {
			p.line(indent + picture)
		}
	}
	text = joined(text, mostly(l, r))
	why := ""
	if blind := l.Blind(); blind != nil {
		why = blind.Why
	}
	for _, x := range []struct{ colour, text string }{{faint, text}, {yellow, why}, {yellow, report.Pretty(v.Advice)}} {
		for _, line := range wrap(p.s.text(x.text), room, "") {
			if line != "" {
				p.line(indent + p.s.paint(x.colour, line))
			}
		}
	}
}

// joined puts two texts together, either of which may be empty.
func joined(a, b string) string {
	if a != "" && b != "" {
		a += "; "
	}
	return a + b
}

// mostly names the places that most of the uncertainty of a limit's closest value comes from.
func mostly(l report.Limit, r *report.Report) string {
	for _, w := range r.Worst {
		if w.Limit != l.Text && !strings.Contains(w.Why, "closest to the limit "+l.Text) {
			continue
		}
		var parts []string
		for i, g := range w.Budget.Groups {
			if i == 3 || g.Share < 0.1 && i > 0 {
				break
			}
			parts = append(parts, fmt.Sprintf("%s %s", report.Share(g.Share), g.From))
		}
		return "U: " + strings.Join(parts, "; ")
	}
	return ""
}
