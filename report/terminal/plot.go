package terminal

import (
	"math"
	"strings"

	"fourwire/report"
	"fourwire/report/chart"
)

// The signs of the lines, in order, and of a point that is no evidence. Lines on a stream without colours are told apart by
// them alone.
var (
	unicodeMarks = []rune("●■▲◆✚✱")
	asciiMarks   = []rune("o#^@+*")
	lineColours  = []string{"36", "33", "32", "35", "37", "34"}
)

// canvas is a field of signs, and of dots between them: 2 across and 4 down in each cell.
type canvas struct {
	width, height int
	sign          []rune
	dots          []uint8
	line          []int // whose it is, for the colour; -1: nobody's
}

func newCanvas(width, height int) *canvas {
	c := &canvas{width, height, make([]rune, width*height), make([]uint8, width*height), make([]int, width*height)}
	for i := range c.line {
		c.line[i] = -1
	}
	return c
}

// dot sets one dot; x and y count dots from the top left corner.
func (c *canvas) dot(x, y, line int) {
	if x < 0 || y < 0 || x >= 2*c.width || y >= 4*c.height {
		return
	}
	// the order of dots in a sign of Braille: Unicode Standard, block U+2800
	bits := [4][2]uint8{{0x01, 0x08}, {0x02, 0x10}, {0x04, 0x20}, {0x40, 0x80}}
	at := y/4*c.width + x/2
	c.dots[at] |= bits[y%4][x%2]
	c.line[at] = line
}

// stroke joins two places, in dots.
func (c *canvas) stroke(x0, y0, x1, y1 float64, line int) {
	steps := int(math.Max(math.Abs(x1-x0), math.Abs(y1-y0))) + 1
	for i := 0; i <= steps; i++ {
		t := float64(i) / float64(steps)
		c.dot(int(x0+t*(x1-x0)), int(y0+t*(y1-y0)), line)
	}
}

// put sets a sign at a place given in dots; it goes before any dots.
func (c *canvas) put(x, y float64, sign rune, line int) {
	col, row := min(c.width-1, max(0, int(x)/2)), min(c.height-1, max(0, int(y)/4))
	at := row*c.width + col
	c.sign[at], c.line[at] = sign, line
}

// row is one line of the canvas as text.
func (c *canvas) row(s Stream, n int) string {
	var b strings.Builder
	for i := n * c.width; i < (n+1)*c.width; i++ {
		sign := " "
		switch {
		case c.sign[i] != 0:
			sign = string(c.sign[i])
		case c.dots[i] != 0 && s.Unicode:
			sign = string(rune(0x2800) + rune(c.dots[i]))
		case c.dots[i] != 0:
			sign = "."
		}
		if c.line[i] >= 0 {
			sign = s.paint(lineColours[c.line[i]%len(lineColours)], sign)
		}
		b.WriteString(sign)
	}
	return b.String()
}

// plot draws a curve, at most room columns wide.
func plot(s Stream, c report.Curve, room int) []string {
	const height = 14
	marks, void := asciiMarks, 'x'
	if s.Unicode {
		marks, void = unicodeMarks, '×'
	}
	l := chart.New(c, chart.Size{Width: 900, Height: 440})
	x, y := l.X, l.Y
	left := 0
	for _, t := range y.Ticks {
		left = max(left, cells(t.Label))
	}
	left += 2
	width := max(10, room-left)
	field := newCanvas(width, height)
	place := func(d report.Dot) (px, py float64) {
		clip := func(v float64) float64 { return math.Max(0, math.Min(1, v)) }
		return clip(x.Place(d.X)) * float64(2*width-1), (1 - clip(y.Place(d.Y))) * float64(4*height-1)
	}
	for i, line := range c.Lines {
		var before *report.Dot
		for k := range line.Dots {
			d := &line.Dots[k]
			if math.IsNaN(d.X) || math.IsNaN(d.Y) || !d.Joined() {
				before = nil
				continue
			}
			if before != nil {
				x0, y0 := place(*before)
				x1, y1 := place(*d)
				field.stroke(x0, y0, x1, y1, i)
			}
			before = d
		}
	}
	for i, line := range c.Lines {
		for _, d := range line.Dots {
			if math.IsNaN(d.X) || math.IsNaN(d.Y) {
				continue
			}
			sign := void
			if d.Joined() {
				sign = marks[i%len(marks)]
			}
			px, py := place(d)
			field.put(px, py, sign, i)
		}
	}
	out := []string{s.paint(bold, s.cut(s.text(c.Title), room)), s.cut(s.text(y.Label), room)}
	labels := map[int]string{}
	for _, t := range y.Ticks {
		if t.Label != "" {
			labels[min(height-1, int((1-y.Place(t.At))*float64(4*height-1))/4)] = t.Label
		}
	}
	bar := "|"
	if s.Unicode {
		bar = "│"
	}
	for n := range height {
		label := s.text(labels[n])
		out = append(out, strings.Repeat(" ", left-2-cells(label))+label+" "+s.paint(faint, bar)+field.row(s, n))
	}
	out = append(out, floor(s, x, left, width)...)
	return append(out, legend(s, c, marks, room)...)
}

// floor is the X axis with its labels and its name.
func floor(s Stream, x chart.Axis, left, width int) []string {
	corner, flat, tick := "+", '-', '+'
	if s.Unicode {
		corner, flat, tick = "└", '─', '┴'
	}
	rule := []rune(strings.Repeat(string(flat), width))
	text := []rune(strings.Repeat(" ", width+2))
	free := 0
	for _, t := range x.Ticks {
		at := int(x.Place(t.At) * float64(2*width-1) / 2)
		if t.Label == "" || at < 0 || at >= width {
			continue
		}
		label := []rune(s.text(t.Label))
		from := max(0, min(at-len(label)/2, len(text)-len(label)))
		if from < free {
			continue
		}
		rule[at] = tick
		copy(text[from:], label)
		free = from + len(label) + 1
	}
	name := s.cut(s.text(x.Label), width)
	return []string{
		strings.Repeat(" ", left-1) + s.paint(faint, corner+string(rule)),
		strings.Repeat(" ", left) + string(text),
		strings.Repeat(" ", left+max(0, width-cells(name))) + name,
	}
}

// legend names the lines, as many side by side as there is room for.
func legend(s Stream, c report.Curve, marks []rune, room int) []string {
	if len(c.Lines) < 2 {
		return nil
	}
	var out []string
	line, used := "", 0
	for i, l := range c.Lines {
		name := s.cut(s.text(l.Name), room-4)
		if used > 0 && used+cells(name)+5 > room {
			out = append(out, line)
			line, used = "", 0
		}
		if used > 0 {
			line += "   "
			used += 3
		}
		line += s.paint(lineColours[i%len(lineColours)], string(marks[i%len(marks)])) + " " + name
		used += cells(name) + 2
	}
	return append(out, line)
}
