package battery

import (
	"fourwire/internal/diag"
	"fourwire/quantity"
)

// Kind is the first line of a battery file.
const Kind = "battery/1"

// Shape describes a battery file.
func Shape() diag.Type {
	table := func(dim quantity.Dimension) diag.Type {
		return diag.Either(diag.MapOf("charges in percent", diag.Amount(dim)), diag.ListOf(diag.ListOf(diag.Amount(quantity.Ratio, dim))))
	}
	figure := diag.Either(diag.Amount(quantity.Resistance), table(quantity.Resistance))
	pair := &diag.Shape{Title: "a pair", About: "A resistor with a capacitor in parallel, in series with the cell: how the voltage goes on sinking under a steady current.", Fields: []diag.Field{
		{Name: "ohm", Type: figure, Required: true, About: "its resistance, or a table of it against charge"},
		{Name: "tau", Type: diag.Amount(quantity.Time), Required: true, About: "its time constant, resistance times capacitance"},
	}}
	temperature := &diag.Shape{Title: "a temperature", Fields: []diag.Field{
		{Name: "reference", Type: diag.Amount(quantity.Temperature), About: "temperature at which the resistance is as stated; 25 degC where left out"},
		{Name: "activation", Type: diag.Text(), Required: true, About: "activation energy of the resistance, as in 25 kJ/mol"},
	}}
	ageing := &diag.Shape{Title: "an ageing", Fields: []diag.Field{
		{Name: "capacity", Type: diag.Amount(quantity.Ratio), About: "capacity as part of the one stated above, as in 85 %"},
		{Name: "resistance", Type: diag.Amount(quantity.Ratio), About: "all resistances as parts of those stated above, as in 160 %"},
	}}
	return diag.Struct(&diag.Shape{Title: "a battery file", About: "One cell, or a battery taken as one.", Fields: []diag.Field{
		{Name: "fourwire", Type: diag.Word(Kind), Required: true, About: "battery/1, the kind and version of this file"},
		{Name: "title", Type: diag.Text(), Required: true, About: "what a report calls the battery"},
		{Name: "source", Type: diag.Text(), About: "where the figures come from: own fit, a data sheet, an open table with its licence"},
		{Name: "capacity", Type: diag.Amount(quantity.Charge), Required: true, About: "charge from full to empty, as in 2.4 Ah"},
		{Name: "tolerance", Type: diag.Amount(quantity.Ratio), About: "how far the capacity may be off, up and down"},
		{Name: "open_circuit", Type: table(quantity.Voltage), Required: true, About: "voltage without load against charge, strictly rising; dense where it bends"},
		{Name: "interpolation", Type: diag.Word("linear", "cubic"), About: "how to read between the points of the open-circuit voltage: linear where left out; cubic is monotone"},
		{Name: "resistance", Type: figure, Required: true, About: "what the voltage drops at once, or a table of it against charge"},
		{Name: "pairs", Type: diag.ListOf(diag.Struct(pair)), About: "up to three resistor-capacitor pairs"},
		{Name: "cutoff", Type: diag.Amount(quantity.Voltage), About: "loaded voltage at which the battery is switched off"},
		{Name: "recover", Type: diag.Amount(quantity.Voltage), About: "voltage without load from which it is switched on again; left out: not by itself"},
		{Name: "self_discharge", Type: diag.SpanOf(quantity.Ratio), About: "loss of charge in a year of 8766 hours, as in 1..2 %"},
		{Name: "efficiency", Type: diag.Amount(quantity.Ratio), About: "part of the charge put in that can be had back; 100 % where left out"},
		{Name: "temperature", Type: diag.Struct(temperature), About: "how the resistance depends on temperature"},
		{Name: "ageing", Type: diag.Struct(ageing), About: "an aged cell: what is left of its capacity, what its resistance has become"},
		{Name: "shelf_life", Type: diag.Amount(quantity.Time), About: "the life that it has without load"},
	}})
}
