package sim

import (
	"time"

	"fourwire/internal/diag"
	"fourwire/quantity"
)

func deviceKinds() []string {
	return append([]string{"buck", "boost", "ldo", "resistor", "capacitor", "inductor", "diode", "node", "battery"}, componentKinds()...)
}

func duration(seconds float64) time.Duration {
	return time.Duration(min(seconds*1e9, 9e18) + 0.5)
}

// deviceShape describes one kind of device.
func deviceShape(kind string) *diag.Shape {
	s := &diag.Shape{Title: "a " + kind, Fields: []diag.Field{
		{Name: "kind", Type: diag.Word(kind), Required: true, About: "what it is"},
	}}
	switch kind {
	case "buck", "boost", "ldo":
		s.Fields = append(s.Fields,
			diag.Field{Name: "in", Type: diag.Text(), Required: true, About: "node of the input"},
			diag.Field{Name: "out", Type: diag.Text(), Required: true, About: "node of the output"})
	case "node":
		s.Title = "a wireless node"
		s.Fields = append(s.Fields, nodeFields()...)
	case "battery":
		s.Fields = append(s.Fields, batteryFields()...)
	default:
		s.Fields = append(s.Fields,
			diag.Field{Name: "plus", Type: diag.Text(), Required: true, About: "node of the plus terminal, a diode's anode"},
			diag.Field{Name: "minus", Type: diag.Text(), About: "node of the minus terminal; ground where it is left out"})
	}
	switch kind {
	case "buck":
		s.Fields = append(s.Fields, fieldsOf(buckNumbers())...)
		s.Fields = append(s.Fields,
			diag.Field{Name: "forced_pwm", Type: diag.YesNo(), About: "whether it switches at full frequency down to no load"},
			diag.Field{Name: "ripple", Type: diag.YesNo(), About: "whether samples of its output show its ripple, by output_capacitor and output_esr; readings never do"},
			diag.Field{Name: "hiccup", Type: diag.YesNo(), About: "whether it turns off for a while after an overload"})
	case "boost":
		s.Fields = append(s.Fields, fieldsOf(boostNumbers())...)
		s.Fields = append(s.Fields, diag.Field{Name: "load_disconnect", Type: diag.YesNo(), About: "whether input and output are apart while it is off"})
	case "ldo":
		s.Fields = append(s.Fields, fieldsOf(ldoNumbers())...)
	case "resistor":
		s.Fields = append(s.Fields, fieldsOf(resistorNumbers())...)
	case "capacitor":
		s.Fields = append(s.Fields, fieldsOf(capacitorNumbers())...)
	case "inductor":
		s.Fields = append(s.Fields, fieldsOf(inductorNumbers())...)
	case "diode":
		s.Fields = append(s.Fields, fieldsOf(diodeNumbers())...)
	}
	if more, ok := componentFields(kind); ok {
		s.Fields = append(s.Fields, more...)
	}
	if kind == "buck" || kind == "boost" || kind == "ldo" {
		s.Fields = append(s.Fields, fieldsOf(burstNumbers())...)
	}
	need := map[string]string{"buck": "set", "boost": "set", "ldo": "set", "resistor": "resistance", "capacitor": "capacitance", "inductor": "inductance"}[kind]
	for i := range s.Fields {
		if s.Fields[i].Name == need && need != "" {
			s.Fields[i].Required = true
		}
	}
	return s
}

// ThermalResistance is the dimension of K/W.
func thermalResistance() quantity.Dimension { return quantity.Temperature.Over(quantity.Power) }

func perKelvin() quantity.Dimension { return quantity.Ratio.Over(quantity.Temperature) }

func celsius(kelvin float64) float64 { return kelvin - 273.15 }

func buckNumbers() []field[Device] {
	return []field[Device]{
		{"set", quantity.Voltage, "output set point", func(d *Device, v float64) { d.Buck.SetV = v }},
		{"regulation", quantity.Resistance, "fall of the output per ampere", func(d *Device, v float64) { d.Buck.RegulationOhm = v }},
		{"frequency", quantity.Frequency, "switching frequency", func(d *Device, v float64) { d.Buck.SwitchHz = v }},
		{"high_side", quantity.Resistance, "high-side switch at 25 degC", func(d *Device, v float64) { d.Buck.HighOhm = v }},
		{"low_side", quantity.Resistance, "low-side switch at 25 degC", func(d *Device, v float64) { d.Buck.LowOhm = v }},
		{"inductor", quantity.Inductance, "inductor", func(d *Device, v float64) { d.Buck.InductorH = v }},
		{"winding", quantity.Resistance, "inductor winding at 25 degC", func(d *Device, v float64) { d.Buck.CopperOhm = v }},
		{"input_capacitor", quantity.Capacitance, "capacitor at the input", func(d *Device, v float64) { d.InFarad = v }},
		{"output_capacitor", quantity.Capacitance, "capacitor at the output", func(d *Device, v float64) { d.OutFarad, d.Buck.OutputF = v, v }},
		{"output_esr", quantity.Resistance, "its series resistance", func(d *Device, v float64) { d.Buck.OutputEsrOhm = v }},
		{"rise", quantity.Time, "overlap of voltage and current at turn-on", func(d *Device, v float64) { d.Buck.RiseS = v }},
		{"fall", quantity.Time, "overlap at turn-off", func(d *Device, v float64) { d.Buck.FallS = v }},
		{"gate_charge", quantity.Charge, "gate charge of both switches", func(d *Device, v float64) { d.Buck.GateC = v }},
		{"switch_capacitance", quantity.Capacitance, "capacitance of the switch node", func(d *Device, v float64) { d.Buck.SwitchF = v }},
		{"recovery_charge", quantity.Charge, "recovery charge of the low-side diode", func(d *Device, v float64) { d.Buck.RecoveryC = v }},
		{"dead_time", quantity.Time, "dead time per edge", func(d *Device, v float64) { d.Buck.DeadS = v }},
		{"body_diode", quantity.Voltage, "drop of the body diode", func(d *Device, v float64) { d.Buck.BodyV = v }},
		{"core_loss", quantity.Power, "core loss at 500 kHz and 1 A of ripple", func(d *Device, v float64) { d.Buck.CoreW = v }},
		{"supply_current", quantity.Current, "current of the controller while switching", func(d *Device, v float64) { d.Buck.ControllerA = v }},
		{"quiescent_current", quantity.Current, "current in pulse skipping", func(d *Device, v float64) { d.Buck.QuiescentA = v }},
		{"off_current", quantity.Current, "input current while off", func(d *Device, v float64) { d.Buck.OffA = v }},
		{"pulse_current", quantity.Current, "peak of a pulse in pulse skipping; 0 A never skips", func(d *Device, v float64) { d.Buck.PulseA = v }},
		{"max_duty", quantity.Ratio, "largest duty; 100 % keeps the high side on", func(d *Device, v float64) { d.Buck.MaxDuty = v }},
		{"min_on_time", quantity.Time, "shortest on-time", func(d *Device, v float64) { d.Buck.MinOnS = v }},
		{"current_limit", quantity.Current, "peak inductor current", func(d *Device, v float64) { d.Buck.LimitA = v }},
		{"foldback", quantity.Ratio, "part of the current limit that is left at a short", func(d *Device, v float64) { d.Buck.FoldbackShare = v }},
		{"hiccup_after", quantity.Time, "overload time before it turns off", func(d *Device, v float64) { d.Buck.HiccupTrip = duration(v) }},
		{"hiccup_off", quantity.Time, "time that it stays off", func(d *Device, v float64) { d.Buck.HiccupOff = duration(v) }},
		{"over_voltage", quantity.Voltage, "output voltage at which it latches off, until its input has been below stops_below; none where it is left out", func(d *Device, v float64) { d.Buck.OverV = v }},
		{"over_voltage_delay", quantity.Time, "how long it must last", func(d *Device, v float64) { d.Buck.OverVDelay = duration(v) }},
		{"over_current", quantity.Current, "output current at which it latches off", func(d *Device, v float64) { d.Buck.OverA = v }},
		{"over_current_delay", quantity.Time, "how long it must last", func(d *Device, v float64) { d.Buck.OverADelay = duration(v) }},
		{"soft_start", quantity.Time, "rise of the output", func(d *Device, v float64) { d.Buck.SoftStart = duration(v) }},
		{"starts_above", quantity.Voltage, "input voltage above which it starts", func(d *Device, v float64) { d.Buck.RiseLockoutV = v }},
		{"stops_below", quantity.Voltage, "input voltage below which it stops", func(d *Device, v float64) { d.Buck.FallLockoutV = v }},
		{"discharge", quantity.Resistance, "across the output while off", func(d *Device, v float64) { d.Buck.DischargeOhm = v }},
		{"thermal_resistance", thermalResistance(), "of the switches to ambient", func(d *Device, v float64) { d.Buck.Heat.KPerWatt = v }},
		{"thermal_time", quantity.Time, "thermal time constant", func(d *Device, v float64) { d.Buck.Heat.TauSecond = v }},
		{"shutdown", quantity.Temperature, "thermal shutdown", func(d *Device, v float64) { d.Buck.ShutdownC = celsius(v) }},
		{"restart", quantity.Temperature, "temperature at which it restarts", func(d *Device, v float64) { d.Buck.RestartC = celsius(v) }},
		{"crossover", quantity.Frequency, "of the control loop: how quickly the output answers a load step; at once where it is left out", func(d *Device, v float64) { d.Buck.CrossoverHz = v }},
		{"damping", quantity.Ratio, "of the control loop: 1 is critical, 0 a stage without a loop, behind the resistance regulation; 0.5 where it is left out", func(d *Device, v float64) { d.Buck.Damping = v }},
		{"hand_over", quantity.Ratio, "hysteresis between pulse skipping and full frequency", func(d *Device, v float64) { d.Buck.HandOverBy = v }},
	}
}

func boostNumbers() []field[Device] {
	return []field[Device]{
		{"set", quantity.Voltage, "output set point", func(d *Device, v float64) { d.Boost.SetV = v }},
		{"regulation", quantity.Resistance, "fall of the output per ampere", func(d *Device, v float64) { d.Boost.RegulationOhm = v }},
		{"frequency", quantity.Frequency, "switching frequency", func(d *Device, v float64) { d.Boost.SwitchHz = v }},
		{"inductor", quantity.Inductance, "inductor", func(d *Device, v float64) { d.Boost.InductorH = v }},
		{"winding", quantity.Resistance, "inductor winding", func(d *Device, v float64) { d.Boost.CopperOhm = v }},
		{"high_side", quantity.Resistance, "rectifying switch", func(d *Device, v float64) { d.Boost.HighOhm = v }},
		{"low_side", quantity.Resistance, "low-side switch", func(d *Device, v float64) { d.Boost.LowOhm = v }},
		{"input_capacitor", quantity.Capacitance, "capacitor at the input", func(d *Device, v float64) { d.InFarad = v }},
		{"output_capacitor", quantity.Capacitance, "capacitor at the output", func(d *Device, v float64) { d.OutFarad = v }},
		{"current_limit", quantity.Current, "peak inductor current", func(d *Device, v float64) { d.Boost.LimitA = v }},
		{"supply_current", quantity.Current, "current of the controller", func(d *Device, v float64) { d.Boost.ControllerA = v }},
		{"off_current", quantity.Current, "input current while off", func(d *Device, v float64) { d.Boost.OffA = v }},
		{"starts_above", quantity.Voltage, "input voltage above which it starts", func(d *Device, v float64) { d.Boost.RiseLockoutV = v }},
		{"stops_below", quantity.Voltage, "input voltage below which it stops", func(d *Device, v float64) { d.Boost.FallLockoutV = v }},
		{"thermal_resistance", thermalResistance(), "of the switches to ambient", func(d *Device, v float64) { d.Boost.Heat.KPerWatt = v }},
		{"thermal_time", quantity.Time, "thermal time constant", func(d *Device, v float64) { d.Boost.Heat.TauSecond = v }},
		{"shutdown", quantity.Temperature, "thermal shutdown", func(d *Device, v float64) { d.Boost.ShutdownC = celsius(v) }},
		{"restart", quantity.Temperature, "temperature at which it restarts", func(d *Device, v float64) { d.Boost.RestartC = celsius(v) }},
	}
}

func ldoNumbers() []field[Device] {
	return []field[Device]{
		{"set", quantity.Voltage, "output set point", func(d *Device, v float64) { d.Ldo.SetV = v }},
		{"regulation", quantity.Resistance, "fall of the output per ampere", func(d *Device, v float64) { d.Ldo.RegulationOhm = v }},
		{"pass", quantity.Resistance, "pass element, fully on", func(d *Device, v float64) { d.Ldo.PassOhm = v }},
		{"quiescent_current", quantity.Current, "ground current without load", func(d *Device, v float64) { d.Ldo.QuiescentA = v }},
		{"ground_per_load", quantity.Ratio, "ground current per current of the load", func(d *Device, v float64) { d.Ldo.GroundPerAmp = v }},
		{"dropout_current", quantity.Current, "more ground current in dropout", func(d *Device, v float64) { d.Ldo.DropoutA = v }},
		{"current_limit", quantity.Current, "current limit at the set point", func(d *Device, v float64) { d.Ldo.MostA = v }},
		{"short_current", quantity.Current, "current limit into a short", func(d *Device, v float64) { d.Ldo.ShortA = v }},
		{"off_current", quantity.Current, "input current while off", func(d *Device, v float64) { d.Ldo.OffA = v }},
		{"input_capacitor", quantity.Capacitance, "capacitor at the input", func(d *Device, v float64) { d.InFarad = v }},
		{"output_capacitor", quantity.Capacitance, "capacitor at the output", func(d *Device, v float64) { d.OutFarad, d.Ldo.OutputF = v, v }},
		{"output_esr", quantity.Resistance, "series resistance of the output capacitor, with a crossover", func(d *Device, v float64) { d.OutEsrOhm = v }},
		{"crossover", quantity.Frequency, "of the control loop: how quickly the output answers a load step; at once where it is left out", func(d *Device, v float64) { d.Ldo.CrossoverHz = v }},
		{"damping", quantity.Ratio, "of the control loop: 1 is critical; 0.5 where it is left out", func(d *Device, v float64) { d.Ldo.Damping = v }},
		{"starts_above", quantity.Voltage, "input voltage above which it starts", func(d *Device, v float64) { d.Ldo.RiseLockoutV = v }},
		{"stops_below", quantity.Voltage, "input voltage below which it stops", func(d *Device, v float64) { d.Ldo.FallLockoutV = v }},
		{"discharge", quantity.Resistance, "across the output while off", func(d *Device, v float64) { d.Ldo.DischargeOhm = v }},
		{"thermal_resistance", thermalResistance(), "to ambient", func(d *Device, v float64) { d.Ldo.Heat.KPerWatt = v }},
		{"thermal_time", quantity.Time, "thermal time constant", func(d *Device, v float64) { d.Ldo.Heat.TauSecond = v }},
		{"shutdown", quantity.Temperature, "thermal shutdown", func(d *Device, v float64) { d.Ldo.ShutdownC = celsius(v) }},
		{"restart", quantity.Temperature, "temperature at which it restarts", func(d *Device, v float64) { d.Ldo.RestartC = celsius(v) }},
	}
}

func resistorNumbers() []field[Device] {
	return []field[Device]{
		{"resistance", quantity.Resistance, "at 25 degC", func(d *Device, v float64) { d.Resistor.OhmAt25 = v }},
		{"per_kelvin", perKelvin(), "temperature coefficient", func(d *Device, v float64) { d.Resistor.PerK = v }},
		{"thermal_resistance", thermalResistance(), "to ambient", func(d *Device, v float64) { d.Resistor.Heat.KPerWatt = v }},
	}
}

func capacitorNumbers() []field[Device] {
	return []field[Device]{
		{"capacitance", quantity.Capacitance, "capacitance", func(d *Device, v float64) { d.Farad = v }},
		{"esr", quantity.Resistance, "resistance in series with it", func(d *Device, v float64) { d.EsrOhm = v }},
	}
}

func inductorNumbers() []field[Device] {
	return []field[Device]{
		{"inductance", quantity.Inductance, "inductance", func(d *Device, v float64) { d.Henry = v }},
		{"winding", quantity.Resistance, "resistance in series with it; 1 uohm where it is left out", func(d *Device, v float64) { d.WindingOhm = v }},
	}
}

func diodeNumbers() []field[Device] {
	return []field[Device]{
		{"saturation", quantity.Current, "saturation current at nominal", func(d *Device, v float64) { d.Diode.SaturationA = v }},
		{"emission", quantity.Ratio, "emission coefficient", func(d *Device, v float64) { d.Diode.Emission = v }},
		{"series", quantity.Resistance, "series resistance", func(d *Device, v float64) { d.Diode.SeriesOhm = v }},
		{"nominal", quantity.Temperature, "temperature that saturation belongs to", func(d *Device, v float64) { d.Diode.NominalC = celsius(v) }},
		{"breakdown", quantity.Voltage, "reverse voltage at which breakdown_current flows", func(d *Device, v float64) { d.Diode.BreakdownV = v }},
		{"breakdown_current", quantity.Current, "current at the breakdown voltage", func(d *Device, v float64) { d.Diode.BreakdownA = v }},
	}
}
