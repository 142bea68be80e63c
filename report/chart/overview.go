package chart

import (
	"fmt"
	"html"
	"math"
	"strconv"
	"strings"

	"fourwire/quantity"
	"fourwire/record"
	"fourwire/record/trace"
)

// Overview is the whole of a long signal as a still picture: least to most of each stretch, the mean through it, gaps, and below it the states.
type Overview struct {
	Name    string      // of the signal, for the axis
	Bins    []trace.Bin // in order
	Seconds float64     // of the whole trace
	Len     int64       // samples of the whole trace
	Dim     quantity.Dimension
	Log     bool     // the axis of the values
	States  []string // names
	Spans   []Span   // which state when, in order
}

// Span is a stretch in one state; -1 is none.
type Span struct {
	From  int64
	State int
}

const laneHeight = 14

// SVG is the picture in a size; title is read out in its place.
func (o Overview) SVG(s Size, title string) string {
	l := Layout{Size: s, Left: 62, Top: 14, Right: float64(s.Width) - 16}
	ticks := 10
	if s.Width < 500 {
		l.Left, l.Right, ticks = 50, float64(s.Width)-10, 5
	}
	lanes := float64(laneHeight * len(o.States))
	l.Bottom = float64(s.Height) - 46 - lanes
	l.X = timeAxis(o.Seconds, ticks)
	low, high := o.bounds()
	l.Y = NewAxis(low, high, o.Log, record.Column{Name: o.Name, Dim: o.Dim}, 6)
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="chart" viewBox="0 0 %d %d" width="%d" height="%d" role="img" aria-label="%s" xmlns="http://www.w3.org/2000/svg" font-family="inherit" font-size="12">`,
		s.Width, s.Height, s.Width, s.Height, html.EscapeString(title))
	bottom := l.Bottom
	shifted := l
	shifted.Bottom += lanes // the time axis stands below the states
	shifted.gridOver(&b, bottom)
	o.Bins = o.merged(int(l.Right-l.Left) / 2 * 2)
	o.draw(&b, l)
	o.lanes(&b, l)
	b.WriteString("</svg>")
	return b.String()
}

// merged puts neighbouring bins together until there are not more than one for each pixel.
func (o Overview) merged(most int) []trace.Bin {
	every := (len(o.Bins) + most - 1) / most
	if every < 2 {
		return o.Bins
	}
	var out []trace.Bin
	for len(o.Bins) > 0 {
		part := o.Bins[:min(every, len(o.Bins))]
		o.Bins = o.Bins[len(part):]
		all := trace.Bin{From: part[0].From, To: part[len(part)-1].To, Min: math.Inf(1), Max: math.Inf(-1)}
		sum := 0.0
		for _, b := range part {
			if b.Count > 0 {
				all.Count += b.Count
				sum += b.Mean * float64(b.Count)
				all.Min, all.Max = min(all.Min, b.Min), max(all.Max, b.Max)
			}
		}
		all.Mean = sum / float64(all.Count)
		out = append(out, all)
	}
	return out
}

// bounds are those of the values; on a logarithmic axis from the least mean that is above zero, since noise goes below.
func (o Overview) bounds() (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, b := range o.Bins {
		if b.Count == 0 {
			continue
		}
		least := b.Min
		if o.Log && !(least > 0) {
			least = b.Mean
		}
		if !o.Log || least > 0 {
			low = min(low, least)
		}
		high = max(high, b.Max)
	}
	if !(low <= high) {
		return 0.1, 1
	}
	if o.Log && low < high*1e-9 {
		low = high * 1e-9
	}
	return low, high
}

func (o Overview) draw(b *strings.Builder, l Layout) {
	clip := func(y float64) float64 {
		if l.Y.Log && y < l.Y.Low {
			return l.Bottom
		}
		return clamp(l.py(y), l.Top, l.Bottom)
	}
	at := func(index int64) float64 {
		return l.Left + float64(index)/float64(max(1, o.Len))*(l.Right-l.Left)
	}
	var area, mean, gaps strings.Builder
	pen := false
	for _, x := range o.Bins {
		left, right := at(x.From), at(x.To)
		if missing := x.To - x.From - x.Count; missing > 0 && (x.Count == 0 || missing*4 > x.To-x.From) {
			fmt.Fprintf(&gaps, "M%.1f %.1fV%.1fH%.1fV%.1fz", left, l.Top, l.Bottom, max(right, left+2), l.Top)
		}
		if x.Count == 0 {
			pen = false
			continue
		}
		top, down := clip(x.Max), clip(x.Min)
		fmt.Fprintf(&area, "M%.1f %.0fh%.1fv%.0fh%.1fz", left, top, right-left, max(down-top, 1), left-right)
		verb := "L"
		if !pen {
			verb, pen = "M", true
		}
		fmt.Fprintf(&mean, "%s%.1f %.1f", verb, (left+right)/2, clip(x.Mean))
	}
	if gaps.Len() > 0 {
		fmt.Fprintf(b, `<path class="gap" d="%s" fill="var(--soft,#59636e)" fill-opacity=".3" stroke="var(--soft,#59636e)" stroke-width="1" stroke-dasharray="3 2"><title>a gap: nothing was recorded</title></path>`, gaps.String())
	}
	fmt.Fprintf(b, `<path class="envelope" d="%s" fill="var(--line-1,%s)" fill-opacity=".35"/>`, area.String(), styles[0].Light)
	fmt.Fprintf(b, `<path class="mean" d="%s" fill="none" stroke="var(--ink,#20252b)" stroke-width="1.2" stroke-linejoin="round"/>`, mean.String())
}

// lanes draws one row per state: where something stands says what it is, and the colour only helps.
func (o Overview) lanes(b *strings.Builder, l Layout) {
	last := make([]float64, len(o.States))
	paths := make([]strings.Builder, len(o.States))
	for k, s := range o.Spans {
		if s.State < 0 || s.State >= len(o.States) {
			continue
		}
		to := o.Len
		if k+1 < len(o.Spans) {
			to = o.Spans[k+1].From
		}
		from, end := l.Left+float64(s.From)/float64(max(1, o.Len))*(l.Right-l.Left), l.Left+float64(to)/float64(max(1, o.Len))*(l.Right-l.Left)
		from, end = max(from, last[s.State]), max(end, from+0.6)
		if end-0.3 < last[s.State] {
			continue
		}
		y := l.Bottom + float64(laneHeight*s.State) + 3
		fmt.Fprintf(&paths[s.State], "M%.1f %.1fH%.1fv%dH%.1fz", from, y, end, laneHeight-4, from)
		last[s.State] = end
	}
	for k, name := range o.States {
		style := StyleOf(k)
		fmt.Fprintf(b, `<path class="lane" d="%s" fill="var(--line-%d,%s)"/>`, paths[k].String(), style.Number, style.Light)
		if r := []rune(name); len(r) > 9 {
			name = string(r[:8]) + "…"
		}
		fmt.Fprintf(b, `<text x="%.1f" y="%.1f" text-anchor="end" font-size="10.5" fill="var(--soft,#59636e)">%s</text>`, l.Left-6, l.Bottom+float64(laneHeight*k)+12, html.EscapeString(name))
	}
}

// timeAxis counts in the unit that suits a length of time.
func timeAxis(seconds float64, want int) Axis {
	unit, factor := "s", 1.0
	switch {
	case seconds >= 3*3600:
		unit, factor = "h", 3600
	case seconds >= 300:
		unit, factor = "min", 60
	case seconds < 2e-3:
		unit, factor = "µs", 1e-6
	case seconds < 2:
		unit, factor = "ms", 1e-3
	}
	a := Axis{Low: 0, High: seconds, Label: "time since the start [" + unit + "]"}
	if !(seconds > 0) {
		a.High = 1
	}
	step := niceStep(a.High / factor / float64(want))
	for _, s := range []float64{1, 2, 3, 6, 12, 24, 48} {
		if unit == "h" && s >= step*(1-1e-9) {
			step = s
			break
		}
	}
	for k := 0.0; k*step*factor <= a.High*(1+1e-9); k++ {
		a.Ticks = append(a.Ticks, Tick{k * step * factor, strconv.FormatFloat(k*step, 'f', decimals(step), 64)})
	}
	return a
}
