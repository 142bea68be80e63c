package sequence

import (
	"fourwire/analysis/verdict"
	"fourwire/internal/diag"
	"fourwire/quantity"
)

// Version is what the first key of a sequence file says.
const Version = "sequence/1"

// Bounds of a sequence. They are there to stop a slip of the pen before it becomes a week of measuring.
const (
	MaxValues = 100_000   // of one parameter or sweep
	MaxPoints = 1_000_000 // of a run
	maxRuns   = 4_000_000 // of step lists, with and without a point
)

// Shape describes a sequence file: the same description checks files and gives editors their schema.
func Shape() diag.Type {
	var steps, sums []*diag.Shape
	step := diag.Choice("a step", &steps)
	steps = stepShapes(diag.ListOf(step))
	sums = []*diag.Shape{
		deriveShape(diag.Field{Name: "part", Type: diag.Text(), About: "only points of the sweep with this label"}),
		judgeShape(diag.Field{Name: "part", Type: diag.Text(), About: "only points of the sweep with this label"}),
		noteShape(),
		fitShape(),
	}
	return diag.Struct(&diag.Shape{Title: "a sequence", About: "What to set, measure, work out and judge.", Fields: []diag.Field{
		{Name: "fourwire", Type: diag.Word(Version), Required: true, About: "the kind of file, sequence/1"},
		{Name: "title", Type: diag.Text(), Required: true, About: "what is tested, for the head of the report"},
		{Name: "about", Type: diag.Text(), About: "why, and what to know before it is run"},
		{Name: "bench", Type: diag.Text(), About: "the bench file used unless another is named, relative to this file"},
		{Name: "params", Type: diag.MapOf("names of parameters", diag.Struct(paramShape())), About: "values that --set can change"},
		{Name: "needs", Type: diag.MapOf("names of roles", diag.Struct(needShape())), About: "the instrument channels that are asked for"},
		{Name: "device", Type: diag.Struct(deviceShape()), About: "what is known of the device beforehand, for the fit of the bench"},
		{Name: "guard", Type: diag.MapOf("nodes of the device", diag.Struct(guardShape())), About: "the absolute limits of the device at its nodes"},
		{Name: "rule", Type: ruleType(), About: "how limits are decided where a judge step does not say; simple if not said"},
		{Name: "steps", Type: diag.ListOf(step), Required: true, About: "what is done, in order"},
		{Name: "summary", Type: diag.ListOf(diag.Choice("a summary step", &sums)), About: "derive and judge over all points"},
		{Name: "curves", Type: diag.ListOf(diag.Struct(curveShape())), About: "pictures of the report"},
	}})
}

func ruleType() diag.Type { return diag.Word(verdict.Words()...) }

func paramShape() *diag.Shape {
	return &diag.Shape{Title: "a parameter", Fields: []diag.Field{
		{Name: "about", Type: diag.Text(), About: "what it is, in words"},
		{Name: "default", Type: valuesType(), Required: true, About: "a value, a list of values, or a range"},
	}}
}

func valuesType() diag.Type {
	return diag.Either(diag.Expr(), diag.ListOf(diag.Expr()), diag.Struct(&diag.Shape{Title: "a range", Fields: []diag.Field{
		{Name: "from", Type: diag.Expr(), Required: true, About: "the first value"},
		{Name: "to", Type: diag.Expr(), Required: true, About: "the last value"},
		{Name: "points", Type: diag.Whole(2, MaxValues), About: "how many values, both ends included"},
		{Name: "step", Type: diag.Expr(), About: "the distance between values, without a sign; instead of points"},
		{Name: "spacing", Type: diag.Word("linear", "log"), About: "linear if not said; log: each value is the one before times a fixed ratio"},
	}}))
}

func needShape() *diag.Shape {
	return &diag.Shape{Title: "a need", Fields: []diag.Field{
		{Name: "role", Type: diag.Word(string(RoleSource), string(RoleLoad), string(RoleMeter), string(RoleRecorder), string(RoleSwitch)), Required: true, About: "source, load, meter, recorder or switch"},
		{Name: "node", Type: diag.Text(), Required: true, About: "the node of the device that it is at, such as dut.in"},
		{Name: "volts", Type: diag.SpanOf(quantity.Voltage), About: "the voltages that it must be able to set or see"},
		{Name: "amps", Type: diag.SpanOf(quantity.Current), About: "the currents that it must be able to set or see"},
		{Name: "watts", Type: diag.SpanOf(quantity.Power), About: "the powers that it must carry"},
		{Name: "at_volts", Type: diag.SpanOf(quantity.Voltage), About: "of a load: the voltage at which the currents must be reached"},
		{Name: "slew", Type: diag.Amount(quantity.VoltageSlew, quantity.CurrentSlew), About: "how fast a source must move in V/s, a load in A/s"},
		{Name: "accuracy", Type: diag.Amount(quantity.Ratio), About: "how well a source or load must be set, or a meter must read, as a part of every planned value"},
		{Name: "every", Type: diag.Amount(quantity.Time), About: "of a recorder: the shortest time from one sample to the next"},
	}}
}

func guardShape() *diag.Shape {
	return &diag.Shape{Title: "a guard", Fields: []diag.Field{
		{Name: "volts", Type: diag.SpanOf(quantity.Voltage), About: "voltages that the device survives"},
		{Name: "amps", Type: diag.SpanOf(quantity.Current), About: "currents that the device survives"},
		{Name: "watts", Type: diag.SpanOf(quantity.Power), About: "powers that the device survives"},
	}}
}

func curveShape() *diag.Shape {
	return &diag.Shape{Title: "a curve", Fields: []diag.Field{
		{Name: "x", Type: diag.Text(), Required: true, About: "the name along the axis"},
		{Name: "y", Type: diag.Text(), Required: true, About: "the name that is shown"},
		{Name: "per", Type: diag.Text(), About: "one line for each value of this coordinate, or for each part"},
		{Name: "log", Type: diag.Word("x", "y", "both"), About: "which axes are logarithmic"},
		{Name: "title", Type: diag.Text(), About: "the head of the picture"},
	}}
}

// stepShapes are the kinds of step; the first field of each is the key that tells it.
func stepShapes(list diag.Type) []*diag.Shape {
	body := diag.Field{Name: "steps", Type: list, Required: true, About: "what is done each time"}
	label := diag.Field{Name: "label", Type: diag.Text(), About: "shown in the column part of its points"}
	onOff := diag.Word("on", "off")
	return append([]*diag.Shape{
		{Title: "a source step", About: "Sets a source; its output goes on unless it says off.", Fields: []diag.Field{
			{Name: "source", Type: diag.Text(), Required: true, About: "the name of a need with the role source"},
			{Name: "volts", Type: diag.Expr(), About: "voltage"},
			{Name: "amps", Type: diag.Expr(), About: "current limit"},
			{Name: "output", Type: onOff, About: "on or off"},
			forceFields()[0], forceFields()[1],
		}},
		{Title: "a load step", About: "Sets a load; its input goes on unless it says off.", Fields: []diag.Field{
			{Name: "load", Type: diag.Text(), Required: true, About: "the name of a need with the role load"},
			{Name: "hold", Type: diag.Expr(), About: "what is held; the unit picks the mode: A, V, ohm or W"},
			{Name: "input", Type: onOff, About: "on or off"},
		}},
		{Title: "a settle step", About: "Waits until a value stays inside a band.", Fields: []diag.Field{
			{Name: "settle", Type: diag.Struct(settleShape()), Required: true, About: "what must be stable"},
		}},
		{Title: "a check step", About: "Stops the run where a value does not come back to what it was when this step ran first.", Fields: []diag.Field{
			{Name: "check", Type: diag.Struct(checkShape()), Required: true, About: "what must come back"},
		}},
		{Title: "a measure step", About: "Reads nodes at one time; its list of steps makes a point.", Fields: []diag.Field{
			{Name: "measure", Type: diag.MapOf("names of readings", diag.Text()), Required: true, About: "name: v(node) or i(node)"},
			{Name: "aperture", Type: diag.Either(diag.Amount(quantity.Time), diag.Word("auto")), About: "how long each reading integrates; auto: chosen from what is seen, for inputs that draw in bursts"},
			{Name: "average", Type: diag.Whole(1, 10_000), About: "readings per value"},
			{Name: "order", Type: diag.Word("mirrored", "straight"), About: "of readings that cannot be taken at one time: forwards and backwards, averaged, so that an even drift cancels (so if not said), or forwards only"},
			{Name: "ranges", Type: diag.MapOf("names of readings", diag.Amount(quantity.Voltage, quantity.Current)), About: "name: what the range of this reading must hold; the others choose for themselves"},
			{Name: "for", Type: diag.Amount(quantity.Time), About: "take readings one after the other for this time, and weight them"},
			{Name: "taper", Type: diag.Word("hann", "triangle", "none"), About: "how those readings are weighted; hann if not said"},
			{Name: "within", Type: diag.Amount(quantity.Ratio), About: "of aperture: auto: the standard error that is wanted, as a ratio of the value; 0.05 % if not said"},
			{Name: "at_most", Type: diag.Amount(quantity.Time), About: "of aperture: auto: the longest time for one point; 5 s if not said"},
		}},
		{Title: "a zero step", About: "Reads what meters show while everything is off; it is subtracted from then on.", Fields: []diag.Field{
			{Name: "zero", Type: diag.ListOf(diag.Text()), Required: true, About: "the readings, as in [i(dut.in), i(dut.out)]"},
		}},
		deriveShape(),
		judgeShape(),
		{Title: "a sweep step", About: "Runs its steps for each value of a name.", Fields: []diag.Field{
			{Name: "sweep", Type: diag.MapOf("one name", valuesType()), Required: true, About: "name: a parameter, a value, a list or a range"},
			body, label,
			{Name: "repeat_first", Type: diag.YesNo(), About: "whether the first value is measured once more at the end, to show what has drifted"},
			bothWaysField(), quickFields()[0], quickFields()[1],
		}},
		{Title: "a wait step", About: "Waits a fixed time; settle is better where something can be watched.", Fields: []diag.Field{
			{Name: "wait", Type: diag.Expr(), Required: true, About: "how long"},
		}},
		{Title: "a repeat step", About: "Runs its steps some times; the coordinate n counts from 1.", Fields: []diag.Field{
			{Name: "repeat", Type: diag.Whole(1, MaxValues), Required: true, About: "how often"},
			body, label,
		}},
		{Title: "a when step", About: "Runs its steps where a condition holds.", Fields: []diag.Field{
			{Name: "when", Type: diag.Expr(), Required: true, About: "a condition"},
			{Name: "steps", Type: list, Required: true, About: "what is done where it holds"},
			{Name: "else", Type: list, About: "what is done where it does not"},
		}},
		noteShape(),
		profileShape(),
		railsShape(list),
		switchShape(),
	}, append(append(batteryShapes(list), componentShapes()...), captureShapes(list)...)...)
}

func settleShape() *diag.Shape {
	return &diag.Shape{Title: "a settle condition", Fields: []diag.Field{
		{Name: "until", Type: diag.Text(), Required: true, About: "VALUE within BAND for TIME, as in v(dut.out) within 0.05 % for 20 ms"},
		{Name: "at_most", Type: diag.Amount(quantity.Time), Required: true, About: "after this time the point is marked not settled"},
	}}
}

func deriveShape(more ...diag.Field) *diag.Shape {
	return &diag.Shape{Title: "a derive step", About: "Works values out, in the order written.", Fields: append([]diag.Field{
		{Name: "derive", Type: diag.MapOf("names of values", diag.Expr()), Required: true, About: "name: expression"},
	}, more...)}
}

func judgeShape(more ...diag.Field) *diag.Shape {
	return &diag.Shape{Title: "a judge step", About: "Compares with a limit.", Fields: []diag.Field{
		{Name: "judge", Required: true, About: "the limit", Type: diag.Struct(&diag.Shape{Title: "a limit", Fields: append([]diag.Field{
			{Name: "limit", Type: diag.Expr(), Required: true, About: "a comparison, as in efficiency >= 88 %"},
			{Name: "when", Type: diag.Expr(), About: "judged only where this holds"},
			{Name: "rule", Type: ruleType(), About: "how it is decided; the rule of the file if not said"},
			{Name: "clause", Type: diag.Text(), About: "where the limit comes from"},
		}, more...)})},
	}}
}

func noteShape() *diag.Shape {
	return &diag.Shape{Title: "a note step", About: "Writes a line into the record.", Fields: []diag.Field{
		{Name: "note", Type: diag.Text(), Required: true, About: "the line"},
	}}
}
