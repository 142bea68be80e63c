package html

import (
	_ "embed"
	"fmt"

	"fourwire/report"
)

//go:embed fitted.tmpl
var fittedText string

// fitView is a fitted part on the page.
type fitView struct {
	report.Fitted
	Picture *picture
}

func fitViews(r *report.Report) []fitView {
	var out []fitView
	for i, f := range r.Fitted {
		v := fitView{Fitted: f}
		if f.Curve.Missing == "" {
			one := picture{Curve: f.Curve, ID: fmt.Sprintf("part-%d", i+1), Caption: fmt.Sprintf("%s over %s: points as marks, the law with the parameters found as a line", f.Y, f.X)}.drawn()
			v.Picture = &one
		}
		out = append(out, v)
	}
	return out
}
