package chart

import (
	"fmt"
	"html"
	"math"
	"strings"
	"unicode/utf8"

	"fourwire/quantity"
	"fourwire/record"
	"fourwire/record/trace"
)

// Capture is signals around an event, one above the other on one axis of time, with what was found in them drawn on.
type Capture struct {
	Panels   []Panel
	From, To int64   // samples of the picture; To is behind it
	Zero     int64   // the sample that is time zero
	Interval float64 // s
}

// Panel is one signal.
type Panel struct {
	Name   string
	Dim    quantity.Dimension
	Number int // of its colour, from 0
	Bins   []trace.Bin
	Marks  []record.Mark
}

// Heights of a panel, and what lies between panels.
const (
	panelWide   = 170
	panelNarrow = 150
	panelGap    = 18
)

// SVG is the picture in a width; title is read out in its place.
func (c Capture) SVG(s Size, title string) string {
	each, ticks := float64(panelWide), 8
	l := Layout{Left: 66, Right: float64(s.Width) - 16, Top: 24}
	if s.Width < 500 {
		each, ticks, l.Left, l.Right = panelNarrow, 5, 54, float64(s.Width)-10
	}
	s.Height = int(l.Top + float64(len(c.Panels))*(each+panelGap) + 40)
	l.Size = s
	low, high := c.seconds(c.From), c.seconds(c.To)
	l.X = NewAxis(low, high, false, record.Column{Name: "time from the event", Dim: quantity.Time}, ticks)
	l.X.Low, l.X.High = low, high
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="chart" viewBox="0 0 %d %d" width="%d" height="%d" role="img" aria-label="%s" xmlns="http://www.w3.org/2000/svg" font-family="inherit" font-size="12">`,
		s.Width, s.Height, s.Width, s.Height, html.EscapeString(title))
	bottom := l.Top + float64(len(c.Panels))*(each+panelGap) - panelGap
	c.timeGrid(&b, l, bottom)
	for i := range c.Panels {
		p := l
		p.Top = l.Top + float64(i)*(each+panelGap)
		p.Bottom = p.Top + each
		c.panel(&b, p, &c.Panels[i])
	}
	if low < 0 && high > 0 {
		x := l.px(0)
		fmt.Fprintf(&b, `<path class="event" d="M%.1f %.1fV%.1f" stroke="var(--soft,#666)" stroke-dasharray="6 3"/>`, x, l.Top, bottom)
		fmt.Fprintf(&b, `<text x="%.1f" y="%.1f" text-anchor="middle" fill="var(--soft,#666)">event</text>`, clamp(x, l.Left+16, l.Right-16), l.Top-8)
	}
	b.WriteString("</svg>")
	return b.String()
}

func (c *Capture) seconds(sample int64) float64 { return float64(sample-c.Zero) * c.Interval }

// timeGrid draws the axis of time below all panels.
func (c *Capture) timeGrid(b *strings.Builder, l Layout, bottom float64) {
	for _, t := range l.X.Ticks {
		x := l.px(t.At)
		if x < l.Left-0.5 || x > l.Right+0.5 {
			continue
		}
		fmt.Fprintf(b, `<path d="M%.1f %.1fV%.1f" stroke="var(--grid,#e2e2de)"/>`, x, l.Top, bottom)
		if t.Label != "" {
			fmt.Fprintf(b, `<text x="%.1f" y="%.1f" text-anchor="middle" fill="var(--soft,#666)">%s</text>`, x, bottom+16, html.EscapeString(t.Label))
		}
	}
	fmt.Fprintf(b, `<text x="%.1f" y="%.1f" text-anchor="middle" fill="var(--ink,#222)">%s</text>`, (l.Left+l.Right)/2, bottom+34, html.EscapeString(l.X.Label))
}

// panel draws one signal with its own axis.
func (c *Capture) panel(b *strings.Builder, l Layout, p *Panel) {
	low, high := p.bounds()
	l.Y = NewAxis(low, high, false, record.Column{Name: p.Name, Dim: p.Dim}, 4)
	if high > low { // the panel is low: no room is given to ticks beyond the samples
		l.Y.Low, l.Y.High = low-0.06*(high-low), high+0.14*(high-low)
	}
	for _, t := range l.Y.Ticks {
		y := l.py(t.At)
		if y < l.Top-0.5 || y > l.Bottom+0.5 {
			continue
		}
		fmt.Fprintf(b, `<path d="M%.1f %.1fH%.1f" stroke="var(--grid,#e2e2de)"/>`, l.Left, y, l.Right)
		fmt.Fprintf(b, `<text x="%.1f" y="%.1f" text-anchor="end" fill="var(--soft,#666)">%s</text>`, l.Left-7, y+4, html.EscapeString(t.Label))
	}
	fmt.Fprintf(b, `<path d="M%.1f %.1fH%.1fV%.1fH%.1fZ" fill="none" stroke="var(--rule,#c9c9c4)"/>`, l.Left, l.Top, l.Right, l.Bottom, l.Left)
	areas(b, l, p.Marks)
	p.draw(b, l, c)
	d := drawer{b: b, l: l}
	d.write(l.Left+6, l.Top+14, "start", "var(--line-"+fmt.Sprint(StyleOf(p.Number).Number)+",#0b5fa5)", l.Y.Label, true)
	for _, m := range p.Marks {
		d.mark(m)
	}
}

// bounds are those of the samples and of the levels that are drawn among them.
func (p *Panel) bounds() (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, b := range p.Bins {
		if b.Count > 0 {
			low, high = min(low, b.Min), max(high, b.Max)
		}
	}
	if !(low <= high) {
		return 0, 1
	}
	span := high - low
	for _, m := range p.Marks {
		for _, x := range []float64{m.Low, m.High} {
			if !math.IsNaN(x) && x > low-span && x < high+span { // a band far wider than what happens is not shown whole
				low, high = min(low, x), max(high, x)
			}
		}
	}
	return low, high
}

// areas shades bands and spans below the samples.
func areas(b *strings.Builder, l Layout, marks []record.Mark) {
	for _, m := range marks {
		left, right := l.Left, l.Right
		if !math.IsNaN(m.At) {
			left = clamp(l.px(m.At), l.Left, l.Right)
		}
		if !math.IsNaN(m.To) {
			right = clamp(l.px(m.To), l.Left, l.Right)
		}
		top, bottom := l.Top, l.Bottom
		switch {
		case !math.IsNaN(m.Low) && !math.IsNaN(m.High):
			top, bottom = clamp(l.py(m.High), l.Top, l.Bottom), clamp(l.py(m.Low), l.Top, l.Bottom)
		case math.IsNaN(m.Low) && !math.IsNaN(m.At) && !math.IsNaN(m.To):
		default:
			continue
		}
		if right > left && bottom > top {
			fmt.Fprintf(b, `<path d="M%.1f %.1fH%.1fV%.1fH%.1fZ" fill="var(--soft,#666)" fill-opacity=".1"/>`, left, top, right, bottom, left)
		}
	}
}

// draw draws least to most of each stretch, and the mean through it.
func (p *Panel) draw(b *strings.Builder, l Layout, c *Capture) {
	colour := fmt.Sprintf("var(--line-%d,#0b5fa5)", StyleOf(p.Number).Number)
	bins := Overview{Bins: p.Bins}.merged(int(l.Right-l.Left) / 2 * 2)
	x := func(t trace.Bin) float64 { return l.px((c.seconds(t.From) + c.seconds(t.To-1)) / 2) }
	y := func(v float64) float64 { return clamp(l.py(v), l.Top, l.Bottom) }
	var area, line strings.Builder
	var edge []Mark
	lift := func() {
		appendBand(&area, edge)
		edge = edge[:0]
	}
	pen := false
	for _, t := range bins {
		if t.Count == 0 || math.IsNaN(t.Mean) {
			lift()
			pen = false
			continue
		}
		edge = append(edge, Mark{X: x(t), Above: y(t.Max), Down: y(t.Min)})
		verb := "L"
		if !pen {
			verb, pen = "M", true
		}
		fmt.Fprintf(&line, "%s%.1f %.1f", verb, x(t), y(t.Mean))
	}
	lift()
	if area.Len() > 0 {
		fmt.Fprintf(b, `<path d="%s" fill="%s" fill-opacity=".28"/>`, area.String(), colour)
	}
	fmt.Fprintf(b, `<path d="%s" fill="none" stroke="%s" stroke-width="1.6" stroke-linejoin="round"/>`, line.String(), colour)
}

// drawer writes marks and keeps their words apart.
type drawer struct {
	b     *strings.Builder
	l     Layout
	words []box
}

type box struct{ left, top, right, bottom float64 }

// write puts words where none are yet: as wanted, or below that.
func (d *drawer) write(x, y float64, anchor, colour, text string, strong bool) {
	width := 6.6 * float64(utf8.RuneCountInString(text))
	left := x
	switch anchor {
	case "end":
		left = x - width
	case "middle":
		left = x - width/2
	}
	if over := left + width - d.l.Right; over > 0 {
		left, x = left-over, x-over
	}
	if under := d.l.Left - left; under > 0 {
		left, x = left+under, x+under
	}
	one := box{left, y - 11, left + width, y + 3}
	for range 8 {
		hit := false
		for _, w := range d.words {
			if one.left < w.right+3 && w.left < one.right+3 && one.top < w.bottom && w.top < one.bottom {
				down := w.bottom + 0.5 - one.top
				one.top, one.bottom, y, hit = one.top+down, one.bottom+down, y+down, true
			}
		}
		if !hit {
			break
		}
	}
	if one.bottom > d.l.Bottom {
		return // there is no room for it: the figures beside the picture say it
	}
	d.words = append(d.words, one)
	weight := ""
	if strong {
		weight = ` font-weight="600"`
	}
	fmt.Fprintf(d.b, `<text x="%.1f" y="%.1f" text-anchor="%s" fill="%s"%s paint-order="stroke" stroke="var(--sheet,#fff)" stroke-width="3">%s</text>`, x, y, anchor, colour, weight, html.EscapeString(text))
}

// mark draws a level, an instant or a point, with its words.
func (d *drawer) mark(m record.Mark) {
	const ink = "var(--ink,#222)"
	l := d.l
	inside := !math.IsNaN(m.At) && l.px(m.At) >= l.Left-0.5 && l.px(m.At) <= l.Right+0.5
	switch {
	case !math.IsNaN(m.Low) && !math.IsNaN(m.High): // a band, shaded already
		if y := l.py(m.High); y >= l.Top && y <= l.Bottom {
			fmt.Fprintf(d.b, `<path d="M%.1f %.1fH%.1f" stroke="%s" stroke-opacity=".5" stroke-dasharray="2 3"/>`, l.Left, y, l.Right, ink)
			d.write(l.Right-4, y-4, "end", ink, m.Text, false)
		}
		if y := l.py(m.Low); y >= l.Top && y <= l.Bottom {
			fmt.Fprintf(d.b, `<path d="M%.1f %.1fH%.1f" stroke="%s" stroke-opacity=".5" stroke-dasharray="2 3"/>`, l.Left, y, l.Right, ink)
		}
	case inside && !math.IsNaN(m.Low): // a point
		x, y := l.px(m.At), clamp(l.py(m.Low), l.Top, l.Bottom)
		fmt.Fprintf(d.b, `<circle cx="%.1f" cy="%.1f" r="4.5" fill="none" stroke="%s" stroke-width="1.5"/>`, x, y, ink)
		d.write(x+9, y+4, "start", ink, m.Text, false)
	case math.IsNaN(m.At) && !math.IsNaN(m.Low): // a level
		if y := l.py(m.Low); y >= l.Top-0.5 && y <= l.Bottom+0.5 {
			fmt.Fprintf(d.b, `<path d="M%.1f %.1fH%.1f" stroke="%s" stroke-opacity=".6" stroke-dasharray="5 4"/>`, l.Left, y, l.Right, ink)
			d.write(l.Right-4, y-4, "end", ink, m.Text, false)
		}
	case inside: // an instant, or where a span begins
		x := l.px(m.At)
		fmt.Fprintf(d.b, `<path d="M%.1f %.1fV%.1f" stroke="%s" stroke-opacity=".6" stroke-dasharray="1 3"/>`, x, l.Top, l.Bottom, ink)
		d.write(x+4, l.Top+14, "start", ink, m.Text, false)
	}
}
