package sim

import (
	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/sim/instrument"
)

func instrumentKinds() []instrument.Kind {
	return []instrument.Kind{instrument.Source, instrument.Load, instrument.Meter, instrument.Unit, instrument.Switch}
}

func kindNamed(word string) (instrument.Kind, bool) {
	for _, k := range instrumentKinds() {
		if k.String() == word {
			return k, true
		}
	}
	return 0, false
}

// instrumentShape describes one kind of instrument.
func instrumentShape(k instrument.Kind) *diag.Shape {
	return &diag.Shape{Title: "a " + k.String(), Fields: []diag.Field{
		{Name: "kind", Type: diag.Word(k.String()), Required: true, About: "what it is"},
		{Name: "identity", Type: diag.Text(), About: "its answer to *IDN?: maker, model, serial and firmware, with commas between"},
		{Name: "processing", Type: diag.Either(diag.Amount(quantity.Time), diag.Word("fast", "slow")), About: "time between a command's arrival and its effect: the same for all, or fast (0.1 to 0.5 ms by its kind) or slow (10 to 30 ms)"},
		{Name: "error_queue", Type: diag.Whole(2, 1000), About: "entries of the error queue; 20 where it is left out"},
		{Name: "watchdog", Type: diag.YesNo(), About: "whether it has a communications watchdog, which switches its outputs off when no message comes in time; a source alone can have one"},
		{Name: "channels", Type: diag.ListOf(diag.Struct(channelShape(k))), About: "one entry for each channel; one with the usual figures where it is left out"},
		{Name: "quirks", Type: diag.Struct(quirksShape()), About: "how it departs from the standards"},
	}}
}

func channelShape(k instrument.Kind) *diag.Shape {
	s := &diag.Shape{Title: "a channel of a " + k.String()}
	if k == instrument.Switch {
		s.Fields = append(s.Fields, fieldsOf(relayNumbers())...)
		return s
	}
	settings := &diag.Shape{Title: "errors of settings"}
	add := func(name string, dim quantity.Dimension) {
		settings.Fields = append(settings.Fields, diag.Field{Name: name, About: "errors of the " + name + " setting",
			Type: diag.Struct(&diag.Shape{Title: "an error of " + name, Fields: deviationFields(dim)})})
	}
	switch k {
	case instrument.Source, instrument.Unit:
		s.Fields = append(s.Fields, fieldsOf(outputNumbers())...)
		add("volts", quantity.Voltage)
		add("amps", quantity.Current)
	case instrument.Load:
		s.Fields = append(s.Fields, fieldsOf(inputNumbers())...)
		s.Fields = append(s.Fields, diag.Field{Name: "ranges", About: "ends of the level ranges in constant current, ascending", Type: diag.ListOf(diag.Amount(quantity.Current))})
		add("volts", quantity.Voltage)
		add("amps", quantity.Current)
		add("ohms", quantity.Resistance)
		add("watts", quantity.Power)
	}
	if k == instrument.Unit {
		s.Fields = append(s.Fields,
			diag.Field{Name: "series_resistance", Type: diag.Amount(quantity.Resistance), About: "the most that OUTPut:IMPedance can put in series with its output; 100 ohm where it is left out"},
			diag.Field{Name: "record_depth", Type: diag.Whole(1, 1<<30), About: "samples that its recording buffers; 4000000 where it is left out"})
	}
	s.Fields = append(s.Fields, diag.Field{Name: "digitiser", Type: diag.Struct(&diag.Shape{Title: "a digitiser", About: "the sampling converter of a channel", Fields: append(
		fieldsOf(digitiserNumbers()),
		diag.Field{Name: "points", Type: diag.Whole(2, 1<<24), About: "samples of each function that its buffer holds"},
		diag.Field{Name: "readings", Type: diag.Whole(1, 1<<24), About: "integrated readings that its buffer holds"},
		diag.Field{Name: "bits", Type: diag.Whole(6, 28), About: "of the converter, over both signs of a range"},
	)}), About: "how it takes samples around a trigger"})
	if k != instrument.Meter {
		s.Fields = append(s.Fields, diag.Field{Name: "lists", Type: diag.Struct(&diag.Shape{Title: "lists", About: "levels that a channel runs through by itself", Fields: append(
			fieldsOf(listNumbers()), diag.Field{Name: "steps", Type: diag.Whole(1, 1<<20), About: "the most steps of a list"})}), About: "what lists it takes"})
	}
	if len(settings.Fields) > 0 {
		s.Fields = append(s.Fields, diag.Field{Name: "settings", Type: diag.Struct(settings), About: "errors of what is set"})
	}
	s.Fields = append(s.Fields, fieldsOf(channelNumbers())...)
	s.Fields = append(s.Fields,
		diag.Field{Name: "read_volts", Type: diag.ListOf(diag.Struct(rangeShape(quantity.Voltage))), About: "voltage measuring ranges, ascending"},
		diag.Field{Name: "read_amps", Type: diag.ListOf(diag.Struct(rangeShape(quantity.Current))), About: "current measuring ranges, ascending"})
	return s
}

func quirksShape() *diag.Shape {
	s := &diag.Shape{Title: "quirks", Fields: []diag.Field{
		{Name: "terminator", Type: diag.Word("lf", "crlf", "cr", "lfcr"), About: "end of a response"},
		{Name: "prompt", Type: diag.Text(), About: "sent after each message"},
		{Name: "acknowledge", Type: diag.Text(), About: "sent for a message that has no response"},
		{Name: "input_limit", Type: diag.Whole(16, 1<<20), About: "bytes of the input buffer"},
		{Name: "baud", Type: diag.Whole(50, 4_000_000), About: "pace of a serial port; as fast as possible where it is left out"},
		{Name: "semicolon", Type: diag.Word("joins", "ends", "refused"), About: "what a semicolon does to a message"},
	}}
	for _, f := range quirkFlags() {
		s.Fields = append(s.Fields, diag.Field{Name: f.name, Type: diag.YesNo(), About: f.about})
	}
	return s
}

type flag struct {
	name, about string
	set         func(*Instrument)
}

func quirkFlags() []flag {
	return []flag{
		{"echo", "what comes in goes out again", func(i *Instrument) { i.Quirks.Echo = true }},
		{"one_connection", "a second connection is closed at once", func(i *Instrument) { i.Quirks.OneConnection = true }},
		{"overrun", "what does not fit the input buffer is lost", func(i *Instrument) { i.Quirks.Overrun = true }},
		{"fixed_point", "numbers without exponent", func(i *Instrument) { i.Speech.FixedPoint = true }},
		{"plus_sign", "a plus before numbers that are not negative", func(i *Instrument) { i.Speech.PlusSign = true }},
		{"lower_exponent", "a lower-case e in numbers", func(i *Instrument) { i.Speech.LowerExponent = true }},
		{"clip", "values outside the limits are clipped, without an error", func(i *Instrument) { i.Speech.Clip = true }},
		{"forget_path", "every header of a message starts at the root", func(i *Instrument) { i.Speech.ForgetPath = true }},
		{"instant_complete", "*OPC? answers at once", func(i *Instrument) { i.Speech.InstantComplete = true }},
		{"ignore_wait", "*WAI does nothing", func(i *Instrument) { i.Speech.IgnoreWait = true }},
		{"silent", "errors are not reported", func(i *Instrument) { i.Speech.Silent = true }},
		{"plus_zero", `an empty error queue answers +0,"No error"`, func(i *Instrument) { i.Speech.PlusZero = true }},
	}
}

func digitiserNumbers() []field[Channel] {
	return []field[Channel]{
		{"interval", quantity.Time, "shortest interval", func(c *Channel, v float64) { c.Digitiser.Least = duration(v) }},
		{"bandwidth", quantity.Frequency, "of the low-pass before the converter, first order; 0 Hz is none", func(c *Channel, v float64) { c.Digitiser.BandwidthHertz = v }},
		{"skew", quantity.Time, "by which current is sampled after voltage", func(c *Channel, v float64) { c.Digitiser.Skew = duration(v) }},
	}
}

func relayNumbers() []field[Channel] {
	return []field[Channel]{
		{"resistance", quantity.Resistance, "of the closed relay", func(c *Channel, v float64) { c.Relay.ClosedOhm = v }},
		{"move", quantity.Time, "from the command until it has closed or opened", func(c *Channel, v float64) { c.Relay.Moves = duration(v) }},
	}
}

func listNumbers() []field[Channel] {
	return []field[Channel]{
		{"dwell", quantity.Time, "shortest time of a step", func(c *Channel, v float64) { c.List.LeastDwell = duration(v) }},
	}
}

func channelNumbers() []field[Channel] {
	return []field[Channel]{
		{"settle_time", quantity.Time, "between the start of a reading and its aperture", func(c *Channel, v float64) { c.Settle = duration(v) }},
		{"range_time", quantity.Time, "time that a change of range takes", func(c *Channel, v float64) { c.Switch = duration(v) }},
		{"calibrated_at", quantity.Temperature, "temperature at which its errors hold", func(c *Channel, v float64) { c.CalibratedC = celsius(v) }},
	}
}

func outputNumbers() []field[Channel] {
	return []field[Channel]{
		{"volts", quantity.Voltage, "largest voltage", func(c *Channel, v float64) { c.Output.MaxVolts = v }},
		{"amps", quantity.Current, "largest current", func(c *Channel, v float64) { c.Output.MaxAmps = v }},
		{"watts", quantity.Power, "largest power; 0 W is no limit", func(c *Channel, v float64) { c.Output.MaxWatts = v }},
		{"volts_step", quantity.Voltage, "resolution of the voltage setting", func(c *Channel, v float64) { c.Output.VoltsStep = v }},
		{"amps_step", quantity.Current, "resolution of the current setting", func(c *Channel, v float64) { c.Output.AmpsStep = v }},
		{"output_resistance", quantity.Resistance, "in voltage mode", func(c *Channel, v float64) { c.Output.RcvOhm = v }},
		{"current_resistance", quantity.Resistance, "output resistance in current mode", func(c *Channel, v float64) { c.Output.RccOhm = v }},
		{"sink", quantity.Current, "current that it takes to bring its output down", func(c *Channel, v float64) { c.Output.SinkAmps = v }},
		{"bleeder", quantity.Resistance, "across the terminals, also when off; 0 ohm is none", func(c *Channel, v float64) { c.Output.BleedOhm = v }},
		{"capacitor", quantity.Capacitance, "across the terminals, behind the current limit", func(c *Channel, v float64) { c.Output.Farad = v }},
		{"slew", quantity.VoltageSlew, "of the voltage upward; 0 V/s is at once", func(c *Channel, v float64) { c.Output.SlewUp = v }},
		{"rise_time", quantity.Time, "of the output, from 10 % to 90 % of any step, as of a single pole, in place of the slew", func(c *Channel, v float64) { c.Output.Rise = duration(v) }},
		{"response_time", quantity.Time, "from the execution of a command until the output begins to move; lists do not have it", func(c *Channel, v float64) { c.Output.Response = duration(v) }},
		{"slew_down", quantity.VoltageSlew, "of the voltage downward", func(c *Channel, v float64) { c.Output.SlewDown = v }},
		{"over_voltage", quantity.Voltage, "top of the over-voltage protection", func(c *Channel, v float64) { c.Output.MaxOverVolts = v }},
		{"over_voltage_delay", quantity.Time, "delay of the over-voltage protection", func(c *Channel, v float64) { c.Output.OverVoltsDelay = duration(v) }},
		{"over_current", quantity.Current, "top of the over-current protection", func(c *Channel, v float64) { c.Output.MaxOverAmps = v }},
		{"over_current_delay", quantity.Time, "delay of the over-current protection", func(c *Channel, v float64) { c.Output.OverAmpsDelay = duration(v) }},
		{"compensation", quantity.Voltage, "largest lead drop that remote sense makes up for", func(c *Channel, v float64) { c.Output.CompensationVolts = v }},
		{"sense_input", quantity.Resistance, "across its sense terminals", func(c *Channel, v float64) { c.Output.SenseInputOhm = v }},
		{"sense_protection", quantity.Resistance, "from its output terminals to its sense terminals; what an open sense lead leaves", func(c *Channel, v float64) { c.Output.ProtectOhm = v }},
	}
}

func inputNumbers() []field[Channel] {
	return []field[Channel]{
		{"volts", quantity.Voltage, "largest voltage", func(c *Channel, v float64) { c.Input.MaxVolts = v }},
		{"amps", quantity.Current, "largest current", func(c *Channel, v float64) { c.Input.MaxAmps = v }},
		{"watts", quantity.Power, "largest power", func(c *Channel, v float64) { c.Input.MaxWatts = v }},
		{"min_resistance", quantity.Resistance, "of its transistors, fully on", func(c *Channel, v float64) { c.Input.MinOhm = v }},
		{"min_volts", quantity.Voltage, "voltage below which it cannot hold its current", func(c *Channel, v float64) { c.Input.MinVolts = v }},
		{"slew", quantity.CurrentSlew, "of the current; 0 A/s is at once", func(c *Channel, v float64) { c.Input.Slew = v }},
		{"response_time", quantity.Time, "from the execution of a command until the current begins to move; lists do not have it", func(c *Channel, v float64) { c.Input.Response = duration(v) }},
		{"drift", quantity.Frequency, "of the set current, per second since its input went on, as in 1 %/s", func(c *Channel, v float64) { c.Input.Drift = v }},
		{"input_resistance", quantity.Resistance, "across its terminals, also when off", func(c *Channel, v float64) { c.Input.LeakOhm = v }},
		{"low_ohms", quantity.Resistance, "lowest setting of the resistance mode", func(c *Channel, v float64) { c.Input.LowOhms = v }},
		{"high_ohms", quantity.Resistance, "highest setting of the resistance mode", func(c *Channel, v float64) { c.Input.HighOhms = v }},
		{"over_voltage", quantity.Voltage, "voltage at which it trips", func(c *Channel, v float64) { c.Input.OverVolts = v }},
		{"over_power", quantity.Power, "power at which it trips", func(c *Channel, v float64) { c.Input.OverWatts = v }},
		{"over_current", quantity.Current, "top of the over-current protection", func(c *Channel, v float64) { c.Input.MaxOverAmps = v }},
		{"over_current_delay", quantity.Time, "delay of the over-current protection", func(c *Channel, v float64) { c.Input.OverAmpsDelay = duration(v) }},
	}
}
