package report

import (
	"math"

	"fourwire/quantity"
	"fourwire/record"
)

// Voltages from which a report warns about touch. Product standards chose different ones and do not agree (42.4 V, 50 V,
// 60 V d.c. among them); these two are common cautious choices and no rule.
const (
	touchCaution = 42.0
	touchWarning = 60.0
)

// cautions are the warnings that fit the run: what it could have hurt somebody with.
func cautions(rec *record.Record) []Caution {
	out := []Caution{{"Stopping", "The stop of this software is not an emergency stop: it needs a working computer, cable and instrument. Have a switch that cuts the power by hand."}}
	volts, watts := extremes(rec)
	const local = " Local codes and the rules of your site come first; wet and medical surroundings ask for less."
	switch text := quantity.Of(volts, quantity.Voltage).Text(3); {
	case volts >= touchWarning:
		out = append(out, Caution{"Voltage", "WARNING: up to " + text + " in this test can be dangerous to touch. Cover live parts and arm the output only with hands off." + local})
	case volts >= touchCaution:
		out = append(out, Caution{"Voltage", "CAUTION: up to " + text + " in this test; some standards no longer call that safe to touch. Cover live parts." + local})
	case volts > 0:
		out = append(out, Caution{"Voltage", "Up to " + text + " in this test, counting the guard." + local})
	default:
		out = append(out, Caution{"Voltage", "The record does not tell the highest voltage of this test: take the device's rating." + local})
	}
	out = append(out, Caution{"Stored energy", "Capacitors stay charged after the output is off: measure the node before touching it. Low voltage at high current heats rings and tools: take rings off, insulate tools."})
	heat := "The load turns the device's output into heat, and the device its losses: keep air paths free, treat surfaces as hot."
	if watts > 0 {
		heat = "Up to " + quantity.Of(watts, quantity.Power).Text(3) + " in this test, which ends as heat in load and device: keep air paths free, treat surfaces as hot."
	}
	return append(out, Caution{"Heat", heat},
		Caution{"Cells", "Where lithium or other cells are connected: keep to the maker's limits of voltage, current and temperature, never charge below 0 °C, do not leave them unattended, have a fire-resistant place."})
}

// extremes finds the highest voltage that was set, measured or allowed, and the highest power of any column.
func extremes(rec *record.Record) (volts, watts float64) {
	for _, g := range rec.Guards {
		if s, err := quantity.ParseSpanAs(g.Volts, quantity.Voltage); err == nil {
			for _, x := range []float64{s.Low, s.High} {
				if !math.IsInf(x, 0) && math.Abs(x) > volts {
					volts = math.Abs(x)
				}
			}
		}
	}
	for _, c := range rec.Columns {
		for _, p := range rec.Rows {
			x := math.Abs(value(p, c.Name).SI)
			switch {
			case c.Dim == quantity.Voltage && x > volts && c.Kind != record.Derived:
				volts = x
			case c.Dim == quantity.Power && x > watts:
				watts = x
			}
		}
	}
	return volts, watts
}
