package html

import (
	_ "embed"
	"fmt"
	"html/template"

	"fourwire/record"
	"fourwire/report"
	"fourwire/report/chart"
)

//go:embed capture.tmpl
var captureText string

//go:embed capture.css
var captureStyle string

// still is a picture in its two sizes.
type still struct {
	Caption      string
	Wide, Narrow template.HTML
}

// newCaptureView is a capture on the page: the whole of it, and what would be too small to be seen there.
func newCaptureView(t *report.Trace, with written, number int) traceView {
	v := traceView{Trace: t, ID: fmt.Sprintf("trace-%d", number+1)}
	if t.Missing != "" || len(t.Head.Signals) == 0 || t.Len == 0 {
		return v
	}
	whole := capturePicture(t, 0, t.Len, nil)
	for k := range whole.Panels {
		whole.Panels[k].Bins = t.Overview[k]
	}
	v.Stills = append(v.Stills, drawn(whole, "All of "+t.Name+". Shaded: from the least to the greatest sample; line: mean; dashed and dotted: what was found, as in the figures"))
	for _, c := range t.Closer {
		p := capturePicture(t, c.From, c.To, c.Of)
		for k := range p.Panels {
			p.Panels[k].Bins = c.Bins[k]
		}
		shown := p.Panels[:0]
		for k, one := range p.Panels {
			if t.Happens(k, c) {
				shown = append(shown, one)
			}
		}
		p.Panels = shown
		text := ""
		for n, i := range c.Of {
			if n > 0 {
				text += ", "
			}
			text += t.Capture.Figures[i].Kind + " of " + t.Capture.Figures[i].Of
		}
		v.Stills = append(v.Stills, drawn(p, "Closer: "+text))
	}
	if with.index != nil {
		v.Data = newTraceData(t, with.index, with.events)
	}
	v.EventAt = report.SecondsText(float64(t.Head.Trigger) * t.Head.IntervalSeconds)
	return v
}

func drawn(c chart.Capture, caption string) still {
	return still{caption, template.HTML(c.SVG(chart.Wide, caption)), template.HTML(c.SVG(chart.Narrow, caption))} // it escapes what comes from the record
}

// capturePicture is the picture of some samples of a capture, without them yet. of are the figures whose marks are drawn; nil: all of them.
func capturePicture(t *report.Trace, from, to int64, of []int) chart.Capture {
	c := chart.Capture{From: from, To: to, Zero: t.Head.Trigger, Interval: t.Head.IntervalSeconds}
	for k, s := range t.Head.Signals {
		name := s.Name
		if s.Node != "" {
			name += ", " + s.Node
		}
		c.Panels = append(c.Panels, chart.Panel{Name: name, Dim: record.DimensionOf(s.Unit), Number: k, Marks: t.MarksOn(s.Name, of)})
	}
	return c
}
