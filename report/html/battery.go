package html

import (
	"fmt"
	"html/template"
	"math"

	"fourwire/report"
)

// discharge is a played battery on the page.
type discharge struct {
	report.Played
	Picture *picture
}

// battery fills in what long recordings and batteries add to the page.
func (p *page) battery(beside map[string]written) error {
	for i := range p.Report.Traces {
		if p.Report.Traces[i].Brief {
			p.Further = append(p.Further, p.Report.Traces[i].Row())
			continue
		}
		if t := &p.Report.Traces[i]; t.Capture != nil {
			v := newCaptureView(t, beside[t.Name], i)
			p.Tiled = p.Tiled || v.Data != nil
			p.Captures = append(p.Captures, v)
			continue
		}
		v := newTraceView(&p.Report.Traces[i], beside[p.Report.Traces[i].Name], i)
		p.Tiled = p.Tiled || v.Data != nil
		p.Recordings = append(p.Recordings, v)
	}
	for i, x := range p.Report.Played {
		d := discharge{Played: x}
		if x.Curve.Missing == "" {
			one := picture{Curve: x.Curve, ID: fmt.Sprintf("discharge-%d", i+1), Caption: "Volts at the terminals while the battery was played, over " + x.Curve.X.Name}.drawn()
			d.Picture = &one
		}
		p.Discharges = append(p.Discharges, d)
	}
	if len(p.Captures) > 0 {
		p.Style += template.CSS(captureStyle)
	}
	if len(p.Captures) == 0 && len(p.Recordings) == 0 && len(p.Discharges) == 0 && len(p.Report.Lives) == 0 {
		return nil
	}
	p.Style += template.CSS(traceStyle)
	if !p.Tiled {
		return nil
	}
	script, style, err := viewerScript()
	p.Viewer = template.JS(script)
	p.Style += template.CSS(style)
	return err
}

func usable(coulombs float64) string {
	return report.AmpereHours(coulombs, math.NaN())
}

// judgedText is a judgement with a sign, for readers who cannot tell the styles apart.
func judgedText(judgement string) string {
	switch judgement {
	case "better":
		return "▼ better"
	case "worse":
		return "▲ worse"
	}
	return judgement
}

func judgedClass(judgement string) string {
	if judgement == "better" || judgement == "worse" {
		return judgement
	}
	return "same"
}
