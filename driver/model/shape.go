package model

import (
	"fourwire/internal/diag"
	"fourwire/quantity"
)

// Shape describes a model file.
func Shape() diag.Type {
	dialect := diag.Struct(dialectShape())
	return diag.Struct(&diag.Shape{Title: "a model file", About: "One kind of instrument: what it can do, how accurately, how fast, and how it is spoken to.", Fields: []diag.Field{
		{Name: "fourwire", Type: diag.Word("model/1"), Required: true, About: "model/1, the kind and version of this file"},
		{Name: "about", Type: diag.Text(), Required: true, About: "what the instrument is, in one sentence"},
		{Name: "identity", Type: diag.Struct(identityShape()), About: "what it may answer to the identity query; left out: anything"},
		{Name: "wire", Type: diag.Struct(wireShape()), About: "what its interface wants"},
		{Name: "timing", Type: diag.Struct(timingShape()), About: "how long things take"},
		{Name: "channels", Type: diag.ListOf(diag.Struct(channelShape(dialect))), Required: true, About: "its channels, in the order of their numbers"},
		{Name: "dialect", Type: dialect, Required: true, About: "its words"},
	}})
}

func identityShape() *diag.Shape {
	return &diag.Shape{Title: "an identity pattern", Fields: []diag.Field{
		{Name: "maker", Type: diag.Text(), About: "regular expression for the first field of the answer"},
		{Name: "model", Type: diag.Text(), About: "regular expression for the second field"},
		{Name: "firmware", Type: diag.Text(), About: "regular expression for the fourth field"},
	}}
}

func wireShape() *diag.Shape {
	return &diag.Shape{Title: "an interface", Fields: []diag.Field{
		{Name: "end", Type: diag.Word("lf", "crlf", "cr"), About: "what ends a message; lf where nothing is stated"},
		{Name: "gap", Type: diag.Amount(quantity.Time), About: "least pause between messages"},
		{Name: "echo", Type: diag.YesNo(), About: "whether it sends each message back"},
		{Name: "one_connection", Type: diag.YesNo(), About: "whether it takes one connection at a time"},
		{Name: "plain_lines", Type: diag.YesNo(), About: "whether answers are lines, whatever quotes and blocks seem to be in them"},
		{Name: "compound", Type: diag.YesNo(), About: "whether it takes several units in one message, joined by a semicolon; no where nothing is stated"},
		{Name: "longest_message", Type: diag.Whole(16, 1<<20), About: "bytes of the longest message that it takes"},
		{Name: "answer_within", Type: diag.Amount(quantity.Time), About: "longest time that an ordinary answer takes; 2 s where nothing is stated"},
		{Name: "serial", Type: diag.MapOf("options of a serial port", diag.Text()), About: "options of an address that hold for a serial port: baud, bits, parity, stop, flow, backend, clear, settle"},
	}}
}

func timingShape() *diag.Shape {
	time := diag.Amount(quantity.Time)
	return &diag.Shape{Title: "a timing", Fields: []diag.Field{
		{Name: "processing", Type: time, About: "of a simple command"},
		{Name: "output_up", Type: time, About: "from switching on or setting higher until the output is there"},
		{Name: "output_down", Type: time, About: "from switching off or setting lower until the output is there, into its usual load"},
		{Name: "reading", Type: time, About: "that a reading takes on top of its aperture"},
		{Name: "range_change", Type: time, About: "of a measuring range"},
		{Name: "mode_change", Type: time, About: "of a load's mode"},
		{Name: "reset", Type: time, About: "longest time of a reset; 10 s where nothing is stated"},
	}}
}

func channelShape(dialect diag.Type) *diag.Shape {
	return &diag.Shape{Title: "a channel", Fields: []diag.Field{
		{Name: "copies", Type: diag.Whole(1, 99), About: "how many channels alike there are"},
		{Name: "source", Type: diag.Struct(sourceShape()), About: "what it can deliver"},
		{Name: "load", Type: diag.Struct(loadShape()), About: "what it can carry"},
		{Name: "measures", Type: diag.Struct(measuresShape()), About: "what it can measure"},
		{Name: "switch", Type: diag.Struct(relayShape()), About: "what it can carry as a switch between two nodes"},
		{Name: "records", Type: diag.Struct(recordsShape()), About: "how it records samples without a pause into a buffer of its own; left out: it cannot"},
		{Name: "digitises", Type: diag.Struct(digitisesShape()), About: "how it takes samples or readings around triggers into a buffer; left out: it cannot"},
		{Name: "lists", Type: diag.Struct(listsShape()), About: "how it runs through lists of levels by itself; left out: it cannot"},
		{Name: "triggers", Type: diag.Struct(triggersShape()), About: "its trigger lines; left out: none"},
		{Name: "dialect", Type: dialect, About: "words of this channel, where they differ from those of the instrument"},
	}}
}

func settingShape(dim quantity.Dimension) diag.Type {
	return diag.Struct(&diag.Shape{Title: "a setting", Fields: []diag.Field{
		{Name: "gain", Type: diag.Amount(quantity.Ratio), About: "accuracy as a part of the value"},
		{Name: "offset", Type: diag.Amount(dim), About: "accuracy that is always there"},
		{Name: "resolution", Type: diag.Amount(dim), About: "smallest step"},
		{Name: "coverage", Type: diag.Word("limit", "2u"), About: "limit: the error is never larger; 2u: an expanded uncertainty with k = 2"},
	}})
}

func sourceShape() *diag.Shape {
	return &diag.Shape{Title: "a source's envelope", Fields: []diag.Field{
		{Name: "volts", Type: diag.SpanOf(quantity.Voltage), Required: true, About: "voltages that can be set"},
		{Name: "amps", Type: diag.SpanOf(quantity.Current), Required: true, About: "currents that can be set as the limit"},
		{Name: "watts", Type: diag.Amount(quantity.Power), About: "most power; left out: volts times amps"},
		{Name: "derating_above", Type: diag.Amount(quantity.Temperature), About: "ambient temperature above which it carries less power"},
		{Name: "derating_per_kelvin", Type: diag.Amount(quantity.Ratio), About: "part of the power that is lost for each kelvin above"},
		{Name: "quadrants", Type: diag.ListOf(diag.Whole(1, 4)), About: "1 delivers at positive volts, 2 takes in; left out: 1"},
		{Name: "set_volts", Type: settingShape(quantity.Voltage), About: "how well the voltage can be set"},
		{Name: "set_amps", Type: settingShape(quantity.Current), About: "how well the limit can be set"},
		{Name: "over_volts", Type: diag.SpanOf(quantity.Voltage), About: "levels of over-voltage protection"},
		{Name: "over_amps", Type: diag.SpanOf(quantity.Current), About: "levels of over-current protection"},
		{Name: "over_volts_at", Type: diag.Word("terminals", "sense"), About: "where over-voltage is sensed"},
		{Name: "sense_compensation", Type: diag.Amount(quantity.Voltage), About: "drop of each lead that remote sense makes up for; left out: no remote sense"},
		{Name: "slew_up", Type: diag.Amount(quantity.VoltageSlew), About: "how fast the output rises"},
		{Name: "slew_down", Type: diag.Amount(quantity.VoltageSlew), About: "how fast it falls without load"},
		{Name: "output_capacitance", Type: diag.Amount(quantity.Capacitance), About: "behind the current limit"},
		{Name: "output_resistance", Type: diag.SpanOf(quantity.Resistance), About: "output resistances that can be set; left out: none"},
		{Name: "set_ohms", Type: settingShape(quantity.Resistance), About: "how well the output resistance can be set"},
		{Name: "forces_amps", Type: diag.SpanOf(quantity.Current), About: "currents that it can force in place of a voltage, as in -3..3 A; left out: none"},
	}}
}

func loadShape() *diag.Shape {
	return &diag.Shape{Title: "a load's envelope", Fields: []diag.Field{
		{Name: "volts", Type: diag.SpanOf(quantity.Voltage), Required: true, About: "voltages permitted at the input"},
		{Name: "amps", Type: diag.SpanOf(quantity.Current), Required: true, About: "currents that it carries"},
		{Name: "ohms", Type: diag.SpanOf(quantity.Resistance), About: "levels of constant resistance; left out: no such mode"},
		{Name: "power", Type: diag.SpanOf(quantity.Power), About: "levels of constant power; left out: no such mode"},
		{Name: "watts", Type: diag.Amount(quantity.Power), About: "most power; left out: volts times amps"},
		{Name: "derating_above", Type: diag.Amount(quantity.Temperature), About: "ambient temperature above which it carries less power"},
		{Name: "derating_per_kelvin", Type: diag.Amount(quantity.Ratio), About: "part of the power that is lost for each kelvin above"},
		{Name: "minimum_volts", Type: diag.Amount(quantity.Voltage), About: "least voltage at which it carries any current"},
		{Name: "minimum_ohms", Type: diag.Amount(quantity.Resistance), About: "least resistance: it carries I only at I times this, or more"},
		{Name: "amps_ranges", Type: diag.ListOf(diag.Amount(quantity.Current)), About: "ranges of the level of constant current, ascending"},
		{Name: "set_amps", Type: settingShape(quantity.Current), About: "how well the current can be set"},
		{Name: "set_volts", Type: settingShape(quantity.Voltage), About: "how well the voltage can be set"},
		{Name: "set_ohms", Type: settingShape(quantity.Resistance), About: "how well the resistance can be set"},
		{Name: "set_watts", Type: settingShape(quantity.Power), About: "how well the power can be set"},
		{Name: "over_volts", Type: diag.SpanOf(quantity.Voltage), About: "levels of over-voltage protection"},
		{Name: "over_amps", Type: diag.SpanOf(quantity.Current), About: "levels of over-current protection"},
		{Name: "sense_compensation", Type: diag.Amount(quantity.Voltage), About: "drop of each lead that remote sense makes up for; left out: no remote sense"},
		{Name: "slew", Type: diag.Amount(quantity.CurrentSlew), About: "how fast the current changes"},
		{Name: "short", Type: diag.YesNo(), About: "yes: it can be a short circuit, as near to it as it gets"},
	}}
}

func measuresShape() *diag.Shape {
	ranges := func(dim quantity.Dimension) diag.Type {
		value := diag.Amount(dim)
		return diag.ListOf(diag.Struct(&diag.Shape{Title: "a measuring range", Fields: []diag.Field{
			{Name: "full", Type: value, Required: true, About: "nominal full scale"},
			{Name: "over", Type: diag.Amount(quantity.Ratio), About: "how far beyond full scale readings are good"},
			{Name: "gain", Type: diag.Amount(quantity.Ratio), Required: true, About: "accuracy as a part of the reading"},
			{Name: "offset", Type: diag.Amount(dim, quantity.Ratio), Required: true, About: "accuracy that is always there; a percentage is of full scale"},
			{Name: "noise", Type: value, About: "standard deviation of a reading at the aperture noise_at"},
			{Name: "noise_at", Type: diag.Amount(quantity.Time), About: "aperture at which the noise is stated; it goes with one over the square root"},
			{Name: "noise_floor", Type: value, About: "least noise, however long the aperture"},
			{Name: "resolution", Type: value, About: "smallest step of a reading"},
			{Name: "gain_per_kelvin", Type: diag.Amount(quantity.Ratio), About: "added for each kelvin outside the calibration band"},
			{Name: "offset_per_kelvin", Type: diag.Amount(dim, quantity.Ratio), About: "the same for the offset; a percentage is of full scale"},
			{Name: "resistance", Type: diag.Amount(quantity.Resistance), About: "input resistance for volts, burden for amps"},
		}}))
	}
	time := diag.Amount(quantity.Time)
	return &diag.Shape{Title: "a measuring side", Fields: []diag.Field{
		{Name: "volts", Type: ranges(quantity.Voltage), About: "ranges, ascending"},
		{Name: "amps", Type: ranges(quantity.Current), About: "ranges, ascending"},
		{Name: "together", Type: diag.YesNo(), About: "whether one reading takes volts and amps at one time"},
		{Name: "aperture", Type: diag.Struct(&diag.Shape{Title: "an aperture", Fields: []diag.Field{
			{Name: "from", Type: time, About: "shortest"},
			{Name: "to", Type: time, About: "longest"},
			{Name: "default", Type: time, About: "where a sequence does not ask for one; 20 ms where nothing is stated"},
			{Name: "choices", Type: diag.ListOf(time), About: "the only ones there are, ascending"},
		}}), About: "how long a reading may integrate"},
		{Name: "coverage", Type: diag.Word("limit", "2u"), About: "how the accuracies are meant; limit: the error is never larger; 2u: an expanded uncertainty with k = 2"},
		{Name: "calibration_band", Type: diag.SpanOf(quantity.Temperature), About: "ambient temperatures for which the accuracies hold; 18..28 degC where nothing is stated"},
		{Name: "calibration_interval", Type: time, About: "for how long after a calibration the accuracies hold; 365 d where nothing is stated"},
	}}
}

func dialectShape() *diag.Shape {
	message := diag.Either(diag.Text(), diag.ListOf(diag.Text()))
	say := &diag.Shape{Title: "a list of commands", About: "A message, or several, for each verb; a verb that is left out is an ability that is missing."}
	for _, v := range sayVerbs() {
		say.Fields = append(say.Fields, diag.Field{Name: v.name, Type: message, About: v.about})
	}
	ask := &diag.Shape{Title: "a list of questions", About: "A question for each verb, and how to read its answer."}
	for _, v := range askVerbs() {
		question := &diag.Shape{Title: "a question", Fields: []diag.Field{
			{Name: "send", Type: message, Required: true, About: "the question; of several, the answers are read one after the other"},
			{Name: "read", Type: diag.Either(diag.Text(), diag.MapOf("names of fields", diag.Text())), About: "the fields of the answer in their order, each number, number in UNIT, whole, truth, word, text or skip"},
			{Name: "match", Type: diag.Text(), About: "regular expression that cuts the fields out of the answer, by the names of its groups"},
		}}
		if len(v.state) > 0 {
			states := &diag.Shape{Title: "a list of meanings"}
			for _, s := range v.state {
				states.Fields = append(states.Fields, diag.Field{Name: s, Type: diag.Text(), About: "when this is so, as in \"quest & 3 = 2\" or \"mode = CURR\""})
			}
			question.Fields = append(question.Fields, diag.Field{Name: "means", Type: diag.Struct(states), About: "what the fields mean"})
		}
		ask.Fields = append(ask.Fields, diag.Field{Name: v.name, Type: diag.Either(diag.Text(), diag.Struct(question)), About: v.about})
	}
	return &diag.Shape{Title: "a dialect", Fields: []diag.Field{
		{Name: "say", Type: diag.Struct(say), About: "commands"},
		{Name: "ask", Type: diag.Struct(ask), About: "questions"},
	}}
}
