package wiring

import (
	"fmt"
	"html"
	"strings"
	"unicode/utf8"
)

// Size is one of the two forms of a drawing.
type Size struct{ width int }

// Forms returns the form for wide pages, with sources on the left of the device and loads on the right, and the one for narrow screens, with everything
// on the left.
func Forms() (wide, narrow Size) { return Size{880}, Size{368} }

// Measures of a drawing, in pixels of its own width.
const (
	textSize    = 13
	charPixels  = 7.0
	boxWidth    = 112
	boxHeight   = 84
	bandTop     = 26 // above the plus conductor: names of ammeters
	bandHeight  = 158
	stackHeight = 130 // of each further channel at a node
	plusY       = 30  // inside a band
	minusY      = 90
	meterRadius = 15
	deviceWide  = 120
	deviceSmall = 30
)

// longest is how much of a name or a description is taken over.
const longest = 400

// escaped makes a text safe to put into the picture; characters that XML does not know are left out.
func escaped(text string) string {
	if len(text) > longest {
		text = short(text, longest)
	}
	return html.EscapeString(strings.Map(func(r rune) rune {
		if r < ' ' || r == 0xfffe || r == 0xffff || r == utf8.RuneError {
			return -1
		}
		return r
	}, text))
}

// pen draws a half of the picture; a mirrored one has the channels on its right.
type pen struct {
	b        *strings.Builder
	width    float64 // from the outer edge to the device
	outer    float64 // x of the outer edge
	mirrored bool
}

func (p pen) x(inner float64) float64 {
	if p.mirrored {
		return p.outer - inner
	}
	return p.outer + inner
}

func (p pen) line(class string, points ...float64) {
	var path strings.Builder
	for i := 0; i+1 < len(points); i += 2 {
		op := "L"
		if i == 0 {
			op = "M"
		}
		fmt.Fprintf(&path, "%s%.1f %.1f", op, p.x(points[i]), points[i+1])
	}
	fmt.Fprintf(p.b, `<path class="%s" d="%s"/>`, class, path.String())
}

func (p pen) text(class string, x, y float64, anchor, text string) {
	if p.mirrored {
		switch anchor {
		case "start":
			anchor = "end"
		case "end":
			anchor = "start"
		}
	}
	fmt.Fprintf(p.b, `<text class="%s" x="%.1f" y="%.1f" text-anchor="%s">%s</text>`, class, p.x(x), y, anchor, escaped(text))
}

func (p pen) meter(letter, name string, x, y float64) {
	fmt.Fprintf(p.b, `<g><title>%s</title><circle class="meter" cx="%.1f" cy="%.1f" r="%d"/><text class="letter" x="%.1f" y="%.1f" text-anchor="middle">%s</text></g>`,
		escaped(name), p.x(x), y, meterRadius, p.x(x), y+5, letter)
}

func (p pen) dot(x, y float64) {
	fmt.Fprintf(p.b, `<circle class="dot" cx="%.1f" cy="%.1f" r="4"/>`, p.x(x), y)
}

// SVG is the picture in one form, for a page. Colours come from the CSS properties --ink, --soft, --ground, --sheet and --line-1; without them it is dark on
// light. Every text is escaped.
func (d Drawing) SVG(s Size) string {
	body, height := d.body(s)
	return fmt.Sprintf(`<svg class="wiring" viewBox="0 0 %d %d" width="%d" height="%d" role="img" aria-label="%s" xmlns="http://www.w3.org/2000/svg"><style>%s</style>%s</svg>`,
		s.width, height, s.width, height, escaped(d.about()), look, body)
}

// File is the picture as a file of its own, which shows the form that the window has room for, on a light or dark ground as the reader's screen is.
func (d Drawing) File() string {
	wide, narrow := Forms()
	big, tall := d.body(wide)
	small, long := d.body(narrow)
	return fmt.Sprintf(`<?xml version="1.0" encoding="UTF-8"?>
<svg class="wiring" xmlns="http://www.w3.org/2000/svg" width="100%%" height="%d" role="img" aria-label="%s">
<title>%s</title>
<style>%s%s@media (max-width:720px){.wiring{height:%dpx}.wide{display:none}.narrow{display:inline!important}}</style>
<rect width="100%%" height="100%%" fill="var(--ground,#fff)"/>
<svg class="wide" x="16" y="16" width="%d" height="%d" viewBox="0 0 %d %d">%s</svg>
<svg class="narrow" style="display:none" x="8" y="12" width="%d" height="%d" viewBox="0 0 %d %d">%s</svg>
</svg>
`, tall+32, escaped(d.about()), escaped(d.Title), grounds, look, long+24,
		wide.width, tall, wide.width, tall, big, narrow.width, long, narrow.width, long, small)
}

// about says in words what is drawn, for those who cannot see it.
func (d Drawing) about() string {
	var parts []string
	for _, n := range d.nodes() {
		var at []string
		for _, s := range n.supplies {
			words := s.As + " " + s.Channel
			if s.Sense == "remote" {
				words += " with remote sense"
			}
			at = append(at, words)
		}
		for _, w := range n.ammeters {
			at = append(at, "ammeter "+w.Channel+" in the line")
		}
		for _, w := range n.voltmeters {
			at = append(at, "voltmeter "+w.Channel)
		}
		parts = append(parts, n.name+": "+strings.Join(at, ", "))
	}
	return "Wiring. " + strings.Join(parts, "; ")
}

const look = `.wiring text{font:13px system-ui,"Segoe UI",Roboto,"Helvetica Neue",Arial,"Noto Sans",sans-serif;fill:var(--ink,#1c2127)}
.wiring .name{font-weight:650}.wiring .soft{fill:var(--soft,#59636e)}.wiring .letter{font-weight:650;font-size:14px}
.wiring path{fill:none;stroke:var(--ink,#1c2127);stroke-width:2.2;stroke-linejoin:round}.wiring .thin{stroke-width:1.2}
.wiring .sense{stroke:var(--line-1,#0b5c8f);stroke-width:1.4;stroke-dasharray:5 4}
.wiring rect.box{fill:var(--sheet,#f6f7f8);stroke:var(--ink,#1c2127);stroke-width:1.4}.wiring .meter{fill:var(--ground,#fff);stroke:var(--ink,#1c2127);stroke-width:1.6}
.wiring .drop{paint-order:stroke;stroke:var(--ground,#fff);stroke-width:5px}
.wiring .dot{fill:var(--ink,#1c2127)}.wiring .sensedot{fill:var(--line-1,#0b5c8f)}
`

const grounds = `:root{color-scheme:light dark}svg{--ground:#fff;--sheet:#f6f7f8;--ink:#1c2127;--soft:#59636e;--line-1:#0b5c8f}
@media (prefers-color-scheme:dark){svg{--ground:#15181c;--sheet:#1d2126;--ink:#e6e9ec;--soft:#a0a9b2;--line-1:#7cc0ea}}
`

// body draws everything and gives its height.
func (d Drawing) body(s Size) (string, int) {
	var b strings.Builder
	wide, _ := Forms()
	left, right := d.nodes(), []*node(nil)
	deviceAt, deviceWidth := float64(s.width-deviceSmall-1), float64(deviceSmall)
	if s == wide {
		var keep []*node
		for _, n := range left {
			if n.load {
				right = append(right, n)
			} else {
				keep = append(keep, n)
			}
		}
		left = keep
		deviceAt, deviceWidth = float64(s.width-deviceWide)/2, deviceWide
	}
	legendY := d.column(&b, pen{b: &b, width: deviceAt - 1, outer: 1}, left)
	if len(right) > 0 {
		legendY = max(legendY, d.column(&b, pen{b: &b, width: float64(s.width) - deviceAt - deviceWidth - 1, outer: float64(s.width - 1), mirrored: true}, right))
	}
	legendY = max(legendY, 96)
	fmt.Fprintf(&b, `<rect class="box" x="%.1f" y="1" width="%.1f" height="%.1f" rx="6"/>`, deviceAt, deviceWidth, legendY-8)
	middle, midY := deviceAt+deviceWidth/2, (legendY-8)/2
	if deviceWidth < deviceWide {
		fmt.Fprintf(&b, `<text class="name" x="%.1f" y="%.1f" text-anchor="middle" transform="rotate(-90 %.1f %.1f)">device</text>`, middle, midY+5, middle, midY)
	} else {
		fmt.Fprintf(&b, `<text class="name" x="%.1f" y="%.1f" text-anchor="middle">device</text>`, middle, midY+5)
	}
	legend := pen{b: &b, outer: 1}
	y := legendY + 16
	legend.line("power", 0, y, 26, y)
	legend.text("soft", 32, y+4, "start", "conductor")
	legend.line("sense", 112, y, 138, y)
	legend.text("soft", 144, y+4, "start", "sense lead")
	legend.dot(230, y)
	legend.text("soft", 240, y+4, "start", "node of the device")
	return b.String(), int(y) + 14
}

// column draws the nodes of one side from top to bottom and returns where it ends.
func (d Drawing) column(b *strings.Builder, p pen, nodes []*node) float64 {
	y := 0.0
	for _, n := range nodes {
		y = d.band(p, n, y)
	}
	return y
}

// band draws one node: channels at the outer end, meters between, the device at the inner end.
func (d Drawing) band(p pen, n *node, top float64) float64 {
	plus, minus := top+plusY+bandTop-8, top+minusY+bandTop-8
	nodeX := p.width - 22
	start := nodeX - 8 - float64(len(n.voltmeters)*(2*meterRadius+14))
	if len(n.supplies) > 0 || len(n.ammeters) > 0 {
		start = boxWidth
	}
	p.line("power", start, plus, p.width, plus)
	p.line("power", start, minus, p.width, minus)
	d.senseLeads(p, n, top+bandHeight, plus, minus, nodeX)
	// voltmeters stand between the conductors beside the node
	for i, w := range n.voltmeters {
		x := nodeX - 2 - float64((i+1)*(2*meterRadius+14)) + meterRadius
		p.line("thin", x, plus, x, minus)
		p.meter("V", w.Channel, x, (plus+minus)/2)
	}
	p.dot(nodeX, plus)
	p.dot(nodeX, minus)
	x := float64(boxWidth) + 44
	for _, w := range n.ammeters {
		p.meter("A", w.Channel, x, plus)
		p.text("label", x, plus-meterRadius-5, "middle", short(w.Channel, 12))
		x += 2*meterRadius + 22
	}
	p.text("name", p.width-6, plus-9, "end", short(n.name, 18))
	d.meterNames(p, n, minus, nodeX)
	y := top + bandHeight
	for i := 1; i < len(n.supplies); i++ {
		own := y + float64(i-1)*stackHeight + 12
		p.line("power", boxWidth, own, boxWidth+12, own, boxWidth+12, plus)
		p.line("power", boxWidth, own+60, boxWidth+20, own+60, boxWidth+20, minus)
		p.dot(boxWidth+12, plus)
		p.dot(boxWidth+20, minus)
	}
	for i, s := range n.supplies {
		boxTop := plus - 12
		if i > 0 {
			boxTop = y
			y += stackHeight
		}
		d.supply(p, s, boxTop, i == 0)
	}
	return y
}

// meterNames puts the names of voltmeters below the minus conductor, the nearest to the device first, all in one line where they fit.
func (d Drawing) meterNames(p pen, n *node, minus, nodeX float64) {
	var names []string
	for i := len(n.voltmeters) - 1; i >= 0; i-- {
		names = append(names, n.voltmeters[i].Channel)
	}
	if len(names) == 0 {
		return
	}
	room := int((p.width - boxWidth - 50) / charPixels)
	p.text("label", nodeX, minus+18, "end", short(strings.Join(names, ", "), room))
}

// senseLeads draws the sense leads of every channel of a node; further ones stand below next.
func (d Drawing) senseLeads(p pen, n *node, next, plus, minus, nodeX float64) {
	for i, s := range n.supplies {
		boxTop := plus - 12
		if i > 0 {
			boxTop = next
			next += stackHeight
		}
		if s.Sense != "remote" {
			continue
		}
		up, down := boxTop+26, boxTop+58
		if i == 0 {
			p.line("sense", boxWidth, up, nodeX, up, nodeX, plus)
			p.line("sense", boxWidth, down, nodeX, down, nodeX, minus)
			continue
		}
		p.line("sense", boxWidth, up, nodeX-7, up, nodeX-7, plus+6, nodeX, plus)
		p.line("sense", boxWidth, down, nodeX+7, down, nodeX+7, minus+6, nodeX, minus)
	}
}

// supply draws one source or load: its box, and what its leads drop.
func (d Drawing) supply(p pen, s supply, boxTop float64, first bool) {
	x := p.x(0)
	if p.mirrored {
		x = p.x(boxWidth)
	}
	fmt.Fprintf(p.b, `<g><title>%s</title><rect class="box" x="%.1f" y="%.1f" width="%d" height="%d" rx="6"/></g>`, escaped(s.Channel+", "+s.As), x, boxTop, boxWidth, boxHeight)
	p.text("name", 10, boxTop+20, "start", short(s.Channel, 12))
	p.text("soft", 10, boxTop+38, "start", s.As)
	sense := "local sense"
	if s.Sense == "remote" {
		sense = "remote sense"
	}
	p.text("soft", 10, boxTop+56, "start", sense)
	p.text("label", boxWidth+5, boxTop+7, "start", "+")
	p.text("label", boxWidth+5, boxTop+87, "start", "−")
	p.text("soft drop", 0, boxTop+boxHeight+18+below(first), "start", short(d.drop(s.Wire), int(p.width/6.6)))
	if s.Earthed {
		e := float64(14)
		p.line("thin", e, boxTop+boxHeight, e, boxTop+boxHeight+5)
		p.line("thin", e-7, boxTop+boxHeight+5, e+7, boxTop+boxHeight+5)
		p.line("thin", e-4, boxTop+boxHeight+8, e+4, boxTop+boxHeight+8)
	}
}

// below leaves room for the names of voltmeters.
func below(first bool) float64 {
	if first {
		return 18
	}
	return 4
}
