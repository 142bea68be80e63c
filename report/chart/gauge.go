package chart

import (
	"fmt"
	"html"
	"strings"

	"fourwire/report"
)

// GaugeSVG is where a value stands against its limit, on one line: the limit as a thick stroke with a striped side that is not allowed,
// the guard band shaded beside it, the value as a dot with its U. Colours come from the CSS properties of SVG, --fail, --undecided and --pass.
// label is read out in its place. number makes the names inside the picture differ from those of others on the page.
func GaugeSVG(g report.Gauge, label string, number int) string {
	const width, height, from, to = 240.0, 26.0, 8.0, 18.0
	x := func(place float64) float64 { return 2 + place*(width-4) }
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="gauge" viewBox="0 0 %g %g" width="%g" height="%g" role="img" aria-label="%s" xmlns="http://www.w3.org/2000/svg">`, width, height, width, height, html.EscapeString(label))
	fmt.Fprintf(&b, `<defs><pattern id="stripes-%d" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><path d="M0 0V5" stroke="var(--fail,#ad1f1f)" stroke-width="2.4"/></pattern></defs>`, number)
	area := func(a, z float64, fill string, opacity float64) {
		if a > z {
			a, z = z, a
		}
		if z-a > 0.05 {
			fmt.Fprintf(&b, `<path d="M%.1f %gH%.1fV%gH%.1fZ" fill="%s" fill-opacity="%g"/>`, a, from, z, to, a, fill, opacity)
		}
	}
	bad, good := x(1), x(0)
	if g.Lower {
		bad, good = x(0), x(1)
	}
	limit, accept, reject := x(g.Limit), x(g.Accept), x(g.Reject)
	area(bad, limit, fmt.Sprintf("url(#stripes-%d)", number), 1)
	area(accept, good, "var(--pass,#0b6b45)", .28)
	area(limit, accept, "var(--undecided,#855500)", .45)
	area(limit, reject, "var(--undecided,#855500)", .45)
	fmt.Fprintf(&b, `<path d="M%.1f 2V%g" stroke="var(--ink,#20252b)" stroke-width="3"/>`, limit, height-2)
	value := x(g.Value)
	if u0, u1 := x(g.From), x(g.To); u1-u0 > 1 {
		fmt.Fprintf(&b, `<path d="M%.1f 13H%.1fM%.1f 8.5v9M%.1f 8.5v9" fill="none" stroke="var(--ground,#fff)" stroke-width="4.5"/>`, u0, u1, u0, u1)
		fmt.Fprintf(&b, `<path d="M%.1f 13H%.1fM%.1f 8.5v9M%.1f 8.5v9" fill="none" stroke="var(--ink,#20252b)" stroke-width="1.8"/>`, u0, u1, u0, u1)
	}
	fmt.Fprintf(&b, `<circle cx="%.1f" cy="13" r="4.2" fill="var(--ink,#20252b)" stroke="var(--ground,#fff)" stroke-width="1.5"/></svg>`, value)
	return b.String()
}
