package html

import (
	_ "embed"
	"fmt"
	"math"

	"fourwire/quantity"
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

func voltsText(x float64) string { return report.WithU(x, math.NaN(), quantity.Voltage) }

// instantText is a time to three digits.
func instantText(x float64) string {
	if math.IsNaN(x) {
		return "–"
	}
	return report.Pretty(quantity.Of(x, quantity.Time).Text(3))
}
