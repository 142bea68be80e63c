package sequence

import (
	"fourwire/internal/diag"
	"fourwire/quantity"
)

// componentShapes are the steps for single parts.
func componentShapes() []*diag.Shape {
	time := diag.Amount(quantity.Time)
	return []*diag.Shape{
		{Title: "a reverse step", About: "Measures a resistance by a current that changes its direction; its list of steps makes a point.", Fields: []diag.Field{
			{Name: "reverse", Type: diag.Text(), Required: true, About: "the name of a need with the role source, that can force amps"},
			{Name: "amps", Type: diag.Expr(), Required: true, About: "the current in each direction"},
			{Name: "volts", Type: diag.Expr(), Required: true, About: "voltage compliance"},
			{Name: "of", Type: diag.Struct(&diag.Shape{Title: "two readings", Fields: []diag.Field{
				{Name: "volts", Type: diag.Text(), Required: true, About: "v(node) across the part"},
				{Name: "amps", Type: diag.Text(), Required: true, About: "i(node) through it"},
			}}), Required: true, About: "what is read"},
			{Name: "times", Type: diag.Whole(3, 1001), About: "readings; 7 if not said"},
			{Name: "settle", Type: time, About: "time from each reversal to its reading; none if not said"},
			{Name: "aperture", Type: time, About: "how long each reading integrates"},
			{Name: "gives", Type: givenShape(ReverseResults()), Required: true, About: "result: the name that it gets"},
		}},
		fitShape(),
	}
}

func fitShape() *diag.Shape {
	var kinds []string
	inputs := &diag.Shape{Title: "columns of a fit"}
	had := map[string]bool{}
	for _, k := range FitKinds() {
		kinds = append(kinds, string(k))
		for _, in := range k.Inputs() {
			if !had[in.What] {
				had[in.What] = true
				inputs.Fields = append(inputs.Fields, diag.Field{Name: in.What, Type: diag.Text(), About: "the column of the " + in.Dim.Name()})
			}
		}
	}
	return &diag.Shape{Title: "a fit step", About: "Finds the parameters of a part by a fit to the points so far.", Fields: []diag.Field{
		{Name: "fit", Type: diag.Word(kinds...), Required: true, About: "the law of the part"},
		{Name: "of", Type: diag.Struct(inputs), Required: true, About: "what the fit needs: the name that was measured or derived"},
		{Name: "part", Type: diag.Text(), About: "only points of the sweep with this label"},
		{Name: "temperature", Type: diag.Amount(quantity.Temperature), About: "of the part; that of the bench if not said"},
		{Name: "temperature_within", Type: diag.Amount(quantity.Temperature), About: "by how much it may differ from that, as in 2 K"},
		{Name: "name", Type: diag.Text(), About: "what the fit is called in the record; the kind if not said"},
		{Name: "gives", Type: givenShape(AllFitResults()), Required: true, About: "result: the name that it gets"},
	}}
}

// pulseShape is how a source is pulsed.
func pulseShape() *diag.Shape {
	return &diag.Shape{Title: "a pulse", Fields: []diag.Field{
		{Name: "on", Type: diag.Amount(quantity.Time), Required: true, About: "how long it is meant to be on for each reading"},
		{Name: "off", Type: diag.Amount(quantity.Time), Required: true, About: "how long it rests at zero after each"},
	}}
}

// forceFields belong to a source step.
func forceFields() []diag.Field {
	return []diag.Field{
		{Name: "force", Type: diag.Word("volts", "amps"), About: "what is forced; the other one is the compliance. volts if not said"},
		{Name: "pulsed", Type: diag.Struct(pulseShape()), About: "at its level only while a reading is taken, at zero otherwise"},
	}
}

// bothWaysField belongs to a sweep step.
func bothWaysField() diag.Field {
	return diag.Field{Name: "both_ways", Type: diag.YesNo(), About: "whether the values are gone through forwards (part out), then backwards (part back)"}
}
