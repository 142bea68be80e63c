package sim

import (
	"fourwire/internal/diag"
	"fourwire/quantity"
)

// componentKinds are parts that are characterised by themselves.
func componentKinds() []string { return []string{"led", "solar-cell", "mosfet"} }

// componentFields are those of a kind beside its nodes; ok is false where the kind is none of these.
func componentFields(kind string) (fields []diag.Field, ok bool) {
	switch kind {
	case "led":
		return fieldsOf(diodeNumbers()), true
	case "solar-cell":
		return fieldsOf(solarNumbers()), true
	case "mosfet":
		gate := diag.Field{Name: "gate", Type: diag.Text(), Required: true, About: "node of the gate; plus is the drain, minus the source"}
		return append([]diag.Field{gate}, fieldsOf(mosfetNumbers())...), true
	case "resistor":
		return fieldsOf(warmNumbers()), true
	case "capacitor":
		return fieldsOf(leakNumbers()), true
	}
	return nil, false
}

func warmNumbers() []field[Device] {
	return []field[Device]{
		{"thermal_time", quantity.Time, "time constant of its temperature; it follows at once where this is left out", func(d *Device, v float64) { d.Resistor.Heat.TauSecond = v }},
		{"thermal_emf", quantity.Voltage, "voltage at no current, of joints at different temperatures", func(d *Device, v float64) { d.Single.EMF = v }},
	}
}

func leakNumbers() []field[Device] {
	return []field[Device]{
		{"leakage", quantity.Resistance, "resistance across it; none where it is left out", func(d *Device, v float64) { d.Single.LeakOhm = v }},
		{"absorption", quantity.Ratio, "what it takes up slowly, as a part of its capacitance", func(d *Device, v float64) { d.Single.AbsorbShare = v }},
		{"absorption_time", quantity.Time, "time constant of that", func(d *Device, v float64) { d.Single.AbsorbSeconds = v }},
	}
}

func solarNumbers() []field[Device] {
	return []field[Device]{
		{"photo", quantity.Current, "photocurrent", func(d *Device, v float64) { d.Single.Solar.PhotoA = v }},
		{"saturation", quantity.Current, "saturation current", func(d *Device, v float64) { d.Single.Solar.SaturationA = v }},
		{"emission", quantity.Ratio, "emission coefficient, of the whole string", func(d *Device, v float64) { d.Single.Solar.Emission = v }},
		{"series", quantity.Resistance, "series resistance", func(d *Device, v float64) { d.Single.Solar.SeriesOhm = v }},
		{"shunt", quantity.Resistance, "shunt resistance", func(d *Device, v float64) { d.Single.Solar.ShuntOhm = v }},
		{"temperature", quantity.Temperature, "of the cell; ambient where it is left out", func(d *Device, v float64) { d.Single.Solar.Celsius = celsius(v) }},
	}
}

func mosfetNumbers() []field[Device] {
	perVolt := quantity.Ratio.Over(quantity.Voltage)
	return []field[Device]{
		{"threshold", quantity.Voltage, "threshold voltage at 300 K", func(d *Device, v float64) { d.Single.Mosfet.ThresholdV = v }},
		{"gain", quantity.Current.Over(quantity.Voltage).Over(quantity.Voltage), "K of the square law at 300 K", func(d *Device, v float64) { d.Single.Mosfet.GainAPerV2 = v }},
		{"lambda", perVolt, "channel-length modulation", func(d *Device, v float64) { d.Single.Mosfet.LambdaPerV = v }},
		{"temperature", quantity.Temperature, "of the channel; ambient where it is left out", func(d *Device, v float64) { d.Single.Mosfet.Celsius = celsius(v) }},
	}
}

// readComponent reads the figures of a part that is characterised by itself. Usual ones are those of a small silicon cell (57 mm, 33 degC,
// published measurements), of a small N-channel transistor, and of a red LED.
func (r *reader) readComponent(n *diag.Node, d *Device, ambientC float64) error {
	one := &d.Single
	switch d.Kind {
	case "led":
		d.Diode.SaturationA, d.Diode.Emission, d.Diode.SeriesOhm = 1e-18, 1.9, 3
		fill(n, diodeNumbers(), d)
		return d.Diode.Validate()
	case "solar-cell":
		one.Solar.PhotoA, one.Solar.SaturationA, one.Solar.Emission, one.Solar.SeriesOhm, one.Solar.ShuntOhm, one.Solar.Celsius = 0.760788, 0.3106846e-6, 1.477269, 36.54695e-3, 52.88978, ambientC
		fill(n, solarNumbers(), d)
		return one.Solar.Validate()
	case "mosfet":
		one.Mosfet.GainAPerV2, one.Mosfet.ThresholdV, one.Mosfet.LambdaPerV, one.Mosfet.Celsius = 0.35, 2.1, 0.02, ambientC
		one.Gate = r.node(n.Get("gate"))
		if one.Gate == d.Plus || one.Gate == d.Minus {
			r.found.Add(n.Get("gate").Place, "%s: the gate is at another terminal, %s", d.Name, one.Gate)
		}
		fill(n, mosfetNumbers(), d)
		return one.Mosfet.Validate()
	case "resistor":
		fill(n, warmNumbers(), d)
	case "capacitor":
		fill(n, leakNumbers(), d)
		if one.LeakOhm < 0 || one.AbsorbShare < 0 || one.AbsorbShare > 1 || one.AbsorbShare > 0 && !(one.AbsorbSeconds > 0) {
			r.found.AddHint(d.Place, "as in absorption: 10 %, absorption_time: 60 s", "%s: what leaks and what is absorbed are zero or more, and absorption has a time", d.Name)
		}
	}
	return nil
}
