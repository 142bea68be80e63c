package sequence

import (
	"fourwire/internal/diag"
	"fourwire/quantity"
)

// captureShapes are the steps of captures.
func captureShapes(list diag.Type) []*diag.Shape {
	time, band := diag.Amount(quantity.Time), diag.Amount(quantity.Ratio, quantity.Voltage, quantity.Current)
	level := diag.Amount(quantity.Voltage, quantity.Current)
	of := diag.Field{Name: "of", Type: diag.Text(), Required: true, About: "the signal"}
	within := diag.Field{Name: "within", Type: band, About: "the band in which it has settled, to either side: a ratio, or in its unit"}
	slope := diag.Field{Name: "slope", Type: diag.Word("rising", "falling"), About: "which passage counts; the first one if not said"}
	gives := func(k FiguresKind) diag.Field {
		return diag.Field{Name: "gives", Type: givenShape(k.Results(quantity.Voltage)), About: "result: the name that it gets"}
	}
	figures := func(k FiguresKind, title, about string, more ...diag.Field) *diag.Shape {
		fields := []diag.Field{{Name: string(k), Type: diag.Text(), Required: true, About: "the name of a capture that was made before"}, of}
		return &diag.Shape{Title: title, About: about, Fields: append(append(fields, more...), gives(k))}
	}
	return []*diag.Shape{
		{Title: "a capture step", About: "Keeps samples around an event.", Fields: []diag.Field{
			{Name: "capture", Type: diag.Text(), Required: true, About: "the name of the trace"},
			{Name: "of", Type: diag.MapOf("names of signals", diag.Text()), Required: true, About: "name: v(node) or i(node)"},
			{Name: "interval", Type: time, Required: true, About: "from one sample to the next"},
			{Name: "for", Type: time, Required: true, About: "how long in all"},
			{Name: "before", Type: diag.Amount(quantity.Ratio, quantity.Time), About: "of that, what comes before the event: a ratio, or a time; 20 % if not said"},
			{Name: "trigger", Type: diag.Struct(triggerShape()), About: "the event that is time zero; at once if not said"},
			{Name: "at_most", Type: time, About: "how long the event is waited for; 5 s if not said"},
			{Name: "ranges", Type: diag.MapOf("names of signals", level), About: "name: what the range of this signal must hold; what its guard allows if not said"},
			{Name: "steps", Type: list, About: "what makes the event; done once everything waits for it: source, load, list, short, profile, rails, wait and note"},
		}},
		{Title: "a list step", About: "Has a source or load run through levels by itself.", Fields: []diag.Field{
			{Name: "list", Type: diag.Text(), Required: true, About: "the name of a need with the role source or load"},
			{Name: "volts", Type: diag.ListOf(diag.Expr()), About: "of a source: voltages; the last one is what it was set to"},
			{Name: "amps", Type: diag.ListOf(diag.Expr()), About: "of a load: currents; the last one is 0 A"},
			{Name: "dwell", Type: diag.Either(diag.Expr(), diag.ListOf(diag.Expr())), Required: true, About: "how long each lasts: one time for all, or a list"},
		}},
		figures(PulseFigures, "a pulse step", "Looks for states and passages of a captured signal.", within, slope,
			diag.Field{Name: "edge", Type: diag.Text(), About: "the signal whose middle a delay counts from; the trigger if not said"},
			diag.Field{Name: "low", Type: level, About: "the low state; looked for if not said"},
			diag.Field{Name: "high", Type: level, About: "the high state; looked for if not said"}),
		figures(TransientFigures, "a transient step", "Looks at the answer of a supply to a step of its load or its input.", within, slope,
			diag.Field{Name: "edge", Type: diag.Text(), About: "the signal that steps; its middle is the cause, the trigger if not said"}),
		figures(RippleFigures, "a ripple step", "Looks at what alternates in a captured signal."),
		figures(InrushFigures, "an inrush step", "Looks at the current of a device when its supply comes on.", within,
			diag.Field{Name: "volts", Type: diag.Text(), About: "the signal that the energy is worked out with"}),
		figures(StartUpFigures, "a startup step", "Looks at how an output comes up.", within,
			diag.Field{Name: "edge", Type: diag.Text(), About: "the signal that is the cause once it has come to 90 %; the trigger if not said"},
			diag.Field{Name: "dip", Type: diag.Amount(quantity.Ratio), About: "the largest fall on the way up that still counts as monotonic, a share; 1 % if not said"}),
		figures(HoldUpFigures, "a holdup step", "Looks at how long an output stays up without its input.",
			diag.Field{Name: "below", Type: level, Required: true, About: "the level below which the output is lost"},
			diag.Field{Name: "edge", Type: diag.Text(), Required: true, About: "the signal of the input"},
			diag.Field{Name: "at", Type: level, Required: true, About: "the level below which the input is lost"}),
		figures(OverloadFigures, "an overload step", "Looks at how an output bears a short circuit or another overload, and how it comes back.", within,
			diag.Field{Name: "amps", Type: diag.Text(), Required: true, About: "the signal of the current"}),
		shortShape(),
	}
}

func triggerShape() *diag.Shape {
	return &diag.Shape{Title: "a trigger", Fields: []diag.Field{
		{Name: "when", Type: diag.Text(), Required: true, About: "SIGNAL rises above LEVEL, SIGNAL falls below LEVEL, SIGNAL crosses LEVEL, ROLE goes on, ROLE steps, software, or at once"},
		{Name: "hysteresis", Type: diag.Amount(quantity.Voltage, quantity.Current), About: "of a level: how far on the other side the signal must have been; the instrument's own if not said"},
	}}
}
