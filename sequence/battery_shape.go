package sequence

import (
	"fourwire/internal/diag"
	"fourwire/quantity"
)

// batteryShapes are the steps of battery work.
func batteryShapes(list diag.Type) []*diag.Shape {
	time := diag.Amount(quantity.Time)
	return []*diag.Shape{
		{Title: "a record step", About: "Keeps every sample of a node, without a gap.", Fields: []diag.Field{
			{Name: "record", Type: diag.Text(), Required: true, About: "the name of the trace"},
			{Name: "with", Type: diag.Text(), Required: true, About: "the name of a need with the role recorder"},
			{Name: "of", Type: diag.MapOf("names of signals", diag.Text()), Required: true, About: "name: i(node), and name: v(node) where the voltage is recorded, too"},
			{Name: "every", Type: time, Required: true, About: "from one sample to the next"},
			{Name: "for", Type: diag.Expr(), About: "how long; left out where there are steps"},
			{Name: "steps", Type: list, About: "what is done meanwhile; the recording ends behind the last"},
		}},
		{Title: "a drain step", About: "Looks through a trace: states, events, where the charge went.", Fields: []diag.Field{
			{Name: "drain", Type: diag.Text(), Required: true, About: "the name of a trace that was recorded before"},
			{Name: "of", Type: diag.Text(), About: "its signal of the current; the only one if not said"},
			{Name: "volts", Type: diag.Either(diag.Amount(quantity.Voltage), diag.Text()), About: "for the energy: a signal of the trace, or a voltage such as 3 V; the recorded voltage if not said"},
			{Name: "from", Type: time, About: "since the start of the trace; its start if not said"},
			{Name: "to", Type: time, About: "since the start of the trace; its end if not said"},
			{Name: "states", Type: diag.MapOf("names of states", diag.SpanOf(quantity.Current)), About: "name: the currents of a state, as in sleep: ..10 uA; found from the trace if not said"},
			{Name: "against", Type: diag.Text(), About: "another trace of this run: what became better or worse"},
			{Name: "gives", Type: givenShape(DrainResults()), About: "result: the name that it gets"},
		}},
		{Title: "a life step", About: "Works out how long a battery lasts.", Fields: []diag.Field{
			{Name: "life", Type: diag.Text(), Required: true, About: "what it is the life of, in words"},
			{Name: "battery", Type: diag.Text(), Required: true, About: "a battery file, relative to this file"},
			{Name: "current", Type: diag.Expr(), Required: true, About: "the mean current"},
			{Name: "peak", Type: diag.Expr(), About: "the largest current, which decides when the voltage is too low; the mean if not said"},
			{Name: "gives", Type: givenShape(LifeResults()), About: "result: the name that it gets"},
		}},
		{Title: "an emulate step", About: "Makes a source behave as a battery, and keeps a point from time to time.", Fields: []diag.Field{
			{Name: "emulate", Type: diag.Text(), Required: true, About: "the name of a need with the role source"},
			{Name: "battery", Type: diag.Text(), Required: true, About: "a battery file, relative to this file"},
			{Name: "amps", Type: diag.Expr(), About: "current limit; as it is set if not said"},
			{Name: "from", Type: diag.Either(diag.Expr(), diag.Struct(savedShape())), About: "state of charge at the beginning, or {saved: FILE}; where the last emulation of this battery ended if not said, else 100 %"},
			{Name: "every", Type: time, About: "from one setting of the voltage to the next; 100 ms if not said"},
			{Name: "until", Type: diag.Struct(endShape()), Required: true, About: "when it ends: at the first of these, or at the cut-off of the battery"},
			{Name: "then", Type: diag.Word("on", "off"), About: "the output at the end; off if not said, and always off at the cut-off of the battery"},
			{Name: "reads", Type: diag.MapOf("names of readings", diag.Text()), About: "name: v(node) or i(node), read at each point"},
			{Name: "keep", Type: time, About: "from one point to the next; 60 s if not said"},
			{Name: "gives", Type: givenShape(EmulateResults()), About: "result: the name that it gets in each point"},
			{Name: "steps", Type: list, About: "what is done at each point: derive, judge..."},
		}},
	}
}

func savedShape() *diag.Shape {
	return &diag.Shape{Title: "a saved state", Fields: []diag.Field{
		{Name: "saved", Type: diag.Text(), Required: true, About: "a state that an emulation has saved, relative to this file"},
	}}
}

func endShape() *diag.Shape {
	return &diag.Shape{Title: "an end", Fields: []diag.Field{
		{Name: "time", Type: diag.Expr(), Required: true, About: "how long at most"},
		{Name: "volts", Type: diag.Expr(), About: "when the voltage at the terminals has fallen to this"},
		{Name: "charge", Type: diag.Expr(), About: "when the state of charge has fallen to this"},
	}}
}

// givenShape has a key for each result that a step can give.
func givenShape(results []Result) diag.Type {
	s := &diag.Shape{Title: "names of results"}
	for _, one := range results {
		s.Fields = append(s.Fields, diag.Field{Name: one.What, Type: diag.Text(), About: one.About})
	}
	return diag.Struct(s)
}
