package chart

import (
	"fmt"
	"math"
	"strings"
	"unicode/utf8"

	"fourwire/report"
)

// Size is that of a picture, in CSS pixels.
type Size struct{ Width, Height int }

// The sizes of a page: for a screen or paper, and for a telephone.
var (
	Wide   = Size{900, 440}
	Narrow = Size{360, 330}
)

// Layout is a picture with every place worked out, in pixels from the top left corner.
type Layout struct {
	Size
	Left, Top, Right, Bottom float64 // of the plot inside the picture
	X, Y                     Axis
	Lines                    []Line
	Bare                     bool // no marks are drawn
}

// Line is one line of the picture.
type Line struct {
	Name   string
	Style  Style
	Path   string // SVG path data of the joined points; gaps start it anew
	Band   string // SVG path data of the area between value - U and value + U, where points are too dense for bars; else empty
	Marks  []Mark
	Source int // index in the curve's lines
}

// Mark is one point of a line.
type Mark struct {
	X, Y        float64
	Above, Down float64 // ends of the uncertainty bar; equal where it is too short to be seen
	Joined      bool    // false: marked beside the line, because the point is no evidence
	Hollow      bool    // taken before the device had settled
	Dot         report.Dot
}

// manyDots is the number of points above which a line is drawn thinned and without marks.
const manyDots = 500

// barPixels is the length from which an uncertainty bar is drawn: below that it hides behind the mark. Where neighbours are nearer than
// densePixels, bars would run into one another: a band takes their place, from bandPixels of width on.
const (
	barPixels   = 8
	densePixels = 14
	bandPixels  = 2.5
)

// New lays a curve out. A curve with nothing to draw gives an empty picture with axes from 0 to 1.
func New(c report.Curve, s Size) Layout {
	l := Layout{Size: s, Bare: c.Bare, Left: 58, Top: 14, Right: float64(s.Width) - 16, Bottom: float64(s.Height) - 46}
	xTicks, yTicks := 8, 6
	if s.Width < 500 {
		l.Left, l.Right, xTicks, yTicks = 46, float64(s.Width)-10, 5, 5
	}
	if c.Bare { // lines often run along the top: the name of the values stands above them
		l.Top, l.Left = 30, max(l.Left, 54)
	}
	xLow, xHigh, yLow, yHigh := bounds(c)
	l.X = NewAxis(xLow, xHigh, c.LogX, c.X, xTicks)
	l.Y = NewAxis(yLow, yHigh, c.LogY, c.Y, yTicks)
	if c.Bare {
		for _, t := range l.Y.Ticks {
			l.Left = max(l.Left, 12+6.8*float64(utf8.RuneCountInString(t.Label)))
		}
	}
	for i, line := range c.Lines {
		l.Lines = append(l.Lines, l.line(line, i))
	}
	return l
}

// bounds are those of all points that belong to lines; of all points where none does.
func bounds(c report.Curve) (xLow, xHigh, yLow, yHigh float64) {
	for _, all := range []bool{false, true} {
		xLow, xHigh, yLow, yHigh = math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)
		for _, line := range c.Lines {
			for _, d := range line.Dots {
				if math.IsNaN(d.X) || math.IsNaN(d.Y) || !all && !d.Joined() {
					continue
				}
				xLow, xHigh = math.Min(xLow, d.X), math.Max(xHigh, d.X)
				yLow, yHigh = math.Min(yLow, d.Y), math.Max(yHigh, d.Y)
			}
		}
		if xLow <= xHigh {
			return xLow, xHigh, yLow, yHigh
		}
	}
	return 0, 1, 0, 1
}

func (l *Layout) px(x float64) float64 { return l.Left + l.X.Place(x)*(l.Right-l.Left) }
func (l *Layout) py(y float64) float64 { return l.Bottom - l.Y.Place(y)*(l.Bottom-l.Top) }

func (l *Layout) line(line report.Line, index int) Line {
	out := Line{Name: line.Name, Style: StyleOf(index), Source: index}
	dots := line.Dots
	if len(dots) > manyDots {
		dots = l.thin(dots)
	}
	dense := line.Only != report.Marks && l.dense(line.Dots)
	var path, band strings.Builder
	var edge []Mark // of the band under way
	pen := false
	lift := func() {
		pen = false
		appendBand(&band, edge)
		edge = edge[:0]
	}
	for _, d := range dots {
		if math.IsNaN(d.X) || math.IsNaN(d.Y) {
			lift()
			continue
		}
		m := Mark{X: l.px(d.X), Y: l.py(d.Y), Joined: d.Joined(), Hollow: d.Status != "ok", Dot: d}
		m.X = clamp(m.X, l.Left, l.Right) // an invalid point far off is marked at the edge
		m.Y = clamp(m.Y, l.Top, l.Bottom)
		m.Above, m.Down = m.Y, m.Y
		if d.UY > 0 && m.Joined {
			high, low := clamp(l.py(d.Y+d.UY), l.Top, l.Bottom), l.Bottom
			if !l.Y.Log || d.Y-d.UY > 0 {
				low = clamp(l.py(d.Y-d.UY), l.Top, l.Bottom)
			}
			switch {
			case dense:
				edge = append(edge, Mark{X: m.X, Above: high, Down: low})
			case low-high >= barPixels:
				m.Above, m.Down = high, low
			}
		}
		if line.Only != report.Stroke && (len(line.Dots) <= manyDots || !m.Joined && len(out.Marks) < manyDots) {
			out.Marks = append(out.Marks, m)
		}
		if !m.Joined {
			lift()
			continue
		}
		verb := "L"
		if !pen {
			verb, pen = "M", true
		}
		fmt.Fprintf(&path, "%s%.1f %.1f", verb, m.X, m.Y)
	}
	lift()
	if out.Band = band.String(); line.Only != report.Marks {
		out.Path = path.String()
	}
	return out
}

// dense tells whether the points of a line lie so close that their bars would run into one another.
func (l *Layout) dense(dots []report.Dot) bool {
	first, last, n := math.NaN(), math.NaN(), 0
	for _, d := range dots {
		if d.Joined() && !math.IsNaN(d.X) && !math.IsNaN(d.Y) {
			if n++; n == 1 {
				first = l.px(d.X)
			}
			last = l.px(d.X)
		}
	}
	return n > 2 && math.Abs(last-first)/float64(n-1) < densePixels
}

// appendBand adds the outline of a piece of a band, unless it is too thin to be seen.
func appendBand(b *strings.Builder, edge []Mark) {
	widest := 0.0
	for _, m := range edge {
		widest = math.Max(widest, m.Down-m.Above)
	}
	if len(edge) < 2 || widest < bandPixels {
		return
	}
	for i, m := range edge {
		verb := "L"
		if i == 0 {
			verb = "M"
		}
		fmt.Fprintf(b, "%s%.1f %.1f", verb, m.X, m.Above)
	}
	for i := len(edge) - 1; i >= 0; i-- {
		fmt.Fprintf(b, "L%.1f %.1f", edge[i].X, edge[i].Down)
	}
	b.WriteString("Z")
}

// thin keeps of each column of pixels the first, the lowest, the highest and the last dot, in their order, so that a line of any
// length looks the same and has a bounded size. Gaps and invalid points stay.
func (l *Layout) thin(dots []report.Dot) []report.Dot {
	var out []report.Dot
	for i := 0; i < len(dots); {
		if !dots[i].Joined() || math.IsNaN(dots[i].X) || math.IsNaN(dots[i].Y) {
			out = append(out, dots[i])
			i++
			continue
		}
		column := int(l.px(dots[i].X))
		end, low, high := i+1, i, i
		for ; end < len(dots) && dots[end].Joined() && int(l.px(dots[end].X)) == column && !math.IsNaN(dots[end].Y); end++ {
			if dots[end].Y < dots[low].Y {
				low = end
			}
			if dots[end].Y > dots[high].Y {
				high = end
			}
		}
		last := -1
		for _, k := range []int{i, min(low, high), max(low, high), end - 1} {
			if k > last {
				out = append(out, dots[k])
				last = k
			}
		}
		i = end
	}
	return out
}

func clamp(x, low, high float64) float64 { return math.Max(low, math.Min(high, x)) }
