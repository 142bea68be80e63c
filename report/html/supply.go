package html

import (
	_ "embed"
	"fmt"

	"fourwire/report"
)

//go:embed supply.tmpl
var supplyText string

// supplyView is a voltage over time on the page.
type supplyView struct {
	report.Supply
	Picture *picture
}

func supplyViews(r *report.Report) []supplyView {
	var out []supplyView
	for i, s := range r.Supplies {
		v := supplyView{Supply: s}
		if s.Curve.Missing == "" {
			text := fmt.Sprintf("Voltage over time at %s, as asked for and as the source plays it by its model", s.Node)
			if s.Repeat > 1 {
				text += "; one of " + fmt.Sprint(s.Repeat)
			}
			one := picture{Curve: s.Curve, ID: fmt.Sprintf("supply-%d", i+1), Caption: text}.drawn()
			v.Picture = &one
		}
		out = append(out, v)
	}
	return out
}
