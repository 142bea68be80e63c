package chart

import (
	"fmt"
	"html"
	"strings"
	"unicode/utf8"
)

// SVG is the picture. Colours can be set from outside by the CSS properties --ink, --grid, --ground and --line-1 and so on; without them it
// is dark on light. title is read out in place of the picture, and text describes single marks: it may be nil.
func (l Layout) SVG(title string, text func(line int, m Mark) string) string {
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="chart" viewBox="0 0 %d %d" width="%d" height="%d" role="img" aria-label="%s" xmlns="http://www.w3.org/2000/svg" font-family="inherit" font-size="12">`,
		l.Width, l.Height, l.Width, l.Height, html.EscapeString(title))
	l.grid(&b)
	for _, line := range l.Lines {
		l.draw(&b, line, text)
	}
	b.WriteString("</svg>")
	return b.String()
}

func (l Layout) grid(b *strings.Builder) { l.gridOver(b, l.Bottom) }

// gridOver draws the axes; the values end at floor, above the time axis where something stands between.
func (l Layout) gridOver(b *strings.Builder, floor float64) {
	b.WriteString(`<g class="axes" fill="none" stroke="var(--grid,#d5d9de)" stroke-width="1">`)
	var labels strings.Builder
	for _, t := range l.X.Ticks {
		x := l.px(t.At)
		faint := ""
		if t.Label == "" {
			faint = ` stroke-opacity=".45"`
		} else {
			fmt.Fprintf(&labels, `<text x="%.1f" y="%.1f" text-anchor="middle">%s</text>`, x, l.Bottom+17, html.EscapeString(t.Label))
		}
		fmt.Fprintf(b, `<path d="M%.1f %.1fV%.1f"%s/>`, x, l.Top, l.Bottom, faint)
	}
	values := l
	values.Bottom = floor
	for _, t := range l.Y.Ticks {
		y := values.py(t.At)
		faint := ""
		if t.Label == "" {
			faint = ` stroke-opacity=".45"`
		} else {
			fmt.Fprintf(&labels, `<text x="%.1f" y="%.1f" text-anchor="end">%s</text>`, l.Left-7, y+4, html.EscapeString(t.Label))
		}
		fmt.Fprintf(b, `<path d="M%.1f %.1fH%.1f"%s/>`, l.Left, y, l.Right, faint)
	}
	fmt.Fprintf(b, `<path d="M%.1f %.1fV%.1fH%.1f" stroke="var(--ink,#20252b)" stroke-opacity=".6"/></g>`, l.Left, l.Top, l.Bottom, l.Right)
	fmt.Fprintf(b, `<g class="labels" fill="var(--ink,#20252b)">%s`, labels.String())
	fmt.Fprintf(b, `<text class="name" x="%.1f" y="%.1f" text-anchor="end" font-weight="600">%s</text>`, l.Right, l.Bottom+37, html.EscapeString(l.X.Label))
	// the y label stands inside the plot, level, where it can be read without turning the head
	width, top := 7*utf8.RuneCountInString(l.Y.Label)+12, l.Top
	if l.Bare {
		top -= 24
	}
	fmt.Fprintf(b, `<rect x="%.1f" y="%.1f" width="%d" height="20" fill="var(--ground,#fff)" fill-opacity=".85"/>`, l.Left+3, top+3, width)
	fmt.Fprintf(b, `<text class="name" x="%.1f" y="%.1f" font-weight="600">%s</text></g>`, l.Left+8, top+17, html.EscapeString(l.Y.Label))
}

func (l Layout) draw(b *strings.Builder, line Line, text func(int, Mark) string) {
	s := line.Style
	dash := ""
	if s.Dash != "" {
		dash = ` stroke-dasharray="` + s.Dash + `"`
	}
	colour := fmt.Sprintf("var(--line-%d,%s)", s.Number, s.Light)
	fmt.Fprintf(b, `<g class="line" data-line="%d" stroke="%s" fill="%s" stroke-width="2" stroke-linejoin="round">`, line.Source, colour, colour)
	if line.Band != "" {
		fmt.Fprintf(b, `<path class="band" d="%s" stroke="none" fill-opacity=".22"/>`, line.Band)
	}
	fmt.Fprintf(b, `<path d="%s" fill="none"%s/>`, line.Path, dash)
	for _, m := range line.Marks {
		title := ""
		if text != nil {
			title = "<title>" + html.EscapeString(text(line.Source, m)) + "</title>"
		}
		if m.Down > m.Above {
			fmt.Fprintf(b, `<path class="bar" stroke-width="1" stroke-opacity=".7" d="M%.1f %.1fV%.1fm-3 0h6M%.1f %.1fh6"/>`, m.X, m.Above, m.Down, m.X-3, m.Above)
		}
		fill := ""
		if !m.Joined || m.Hollow {
			fill = ` fill="var(--ground,#fff)"`
		}
		shape := s.Mark
		if !m.Joined {
			shape = "void"
		} else if l.Bare { // only a place that can be looked up
			fmt.Fprintf(b, `<path class="mark" data-point="%d" data-at="%.1f %.1f" stroke="none" fill="none" d="M%.1f %.1f">%s</path>`, m.Dot.Number, m.X, m.Y, m.X, m.Y, title)
			continue
		}
		fmt.Fprintf(b, `<path class="mark" data-point="%d" data-at="%.1f %.1f" stroke-width="1.5"%s d="%s">%s</path>`, m.Dot.Number, m.X, m.Y, fill, shapePath(shape, m.X, m.Y), title)
	}
	b.WriteString("</g>")
}

// LegendSVG is a short piece of a line with its mark.
func (s Style) LegendSVG() string {
	dash := ""
	if s.Dash != "" {
		dash = ` stroke-dasharray="` + s.Dash + `"`
	}
	colour := fmt.Sprintf("var(--line-%d,%s)", s.Number, s.Light)
	return fmt.Sprintf(`<svg class="swatch" width="40" height="14" viewBox="0 0 40 14" aria-hidden="true"><g stroke="%s" fill="%s" stroke-width="2"><path d="M1 7H39" fill="none"%s/><path stroke-width="1.5" d="%s"/></g></svg>`,
		colour, colour, dash, shapePath(s.Mark, 20, 7))
}

// shapePath is SVG path data of a mark about 7 pixels across. An unknown name gives the ringed cross of a point that is no evidence.
func shapePath(mark string, x, y float64) string {
	at := fmt.Sprintf("M%.1f %.1f", x, y)
	switch mark {
	case "circle":
		return at + "m-3 0a3 3 0 1 0 6 0a3 3 0 1 0-6 0z"
	case "square":
		return at + "m-3-3h6v6h-6z"
	case "triangle":
		return at + "m0-4l3.6 6.6h-7.2z"
	case "diamond":
		return at + "m0-4l4 4l-4 4l-4-4z"
	case "cross":
		return at + "m-3-3l6 6m-6 0l6-6"
	case "star":
		return at + "m-3.5 0h7m-3.5-3.5v7m-2.5-6l5 5m0-5l-5 5"
	}
	return at + "m-5 0a5 5 0 1 0 10 0a5 5 0 1 0-10 0zm2.2-2.8l5.6 5.6m0-5.6l-5.6 5.6"
}
