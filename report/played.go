package report

import (
	"fmt"
	"math"

	"fourwire/quantity"
	"fourwire/record"
)

// Played is a battery that a source played, with the discharge curve that the run measured on it.
type Played struct {
	record.Emulation
	Facts []Fact
	Curve Curve // volts over charge; Missing where the points do not have both
}

func played(rec *record.Record) []Played {
	var out []Played
	for _, e := range emulations(rec) {
		p := Played{Emulation: e, Curve: discharge(rec, e)}
		add := func(name, format string, args ...any) {
			p.Facts = append(p.Facts, Fact{name, fmt.Sprintf(format, args...)})
		}
		add("Battery", "%s, played by %s", e.Battery, e.Source)
		add("Charge", "from %s to %s", Share(e.From), Share(e.Charge))
		add("Drawn", "%s, %s in %s", AmpereHours(e.DrawnCoulombs, math.NaN()), Pretty(quantity.Of(e.DrawnJoules, quantity.Energy).Text(4)), SecondsText(e.Seconds))
		add("Ended by", "%s", e.EndedBy)
		add("Charge counted by", "%s", e.CountedBy)
		text := "the source's own output resistance"
		if e.Resistance == "software" {
			text = "this program, by setting the voltage every " + SecondsText(e.EverySeconds)
		}
		add("Resistance made by", "%s", text)
		if !math.IsNaN(e.LatencyVolts) && e.LatencyVolts > 0 {
			add("Error by setting late", "about %s", Pretty(quantity.Of(e.LatencyVolts, quantity.Voltage).Text(2)))
		}
		out = append(out, p)
	}
	return out
}

// playedAt stands between the word of a column and the source that played the battery: "drawn of the battery at feed".
const playedAt = " of the battery at "

// discharge finds the columns of an emulation: what was measured in volts, over what was drawn or the charge that was left.
func discharge(rec *record.Record, e record.Emulation) Curve {
	x := ""
	for _, word := range []string{"drawn", "charge"} {
		for _, c := range rec.Columns {
			if x == "" && c.Expr == word+playedAt+e.Source {
				x = c.Name
			}
		}
	}
	if x == "" {
		return Curve{Missing: "no column holds the charge of the battery"}
	}
	var list []Curve
	for _, c := range rec.Columns {
		measured := c.Kind == record.Measured && c.Dim == quantity.Voltage
		if measured || c.Expr == "open_circuit"+playedAt+e.Source {
			list = append(list, curve(rec, record.Curve{X: x, Y: c.Name}))
		}
	}
	var out Curve
	for _, c := range list {
		if c.Missing != "" {
			continue
		}
		for i := range c.Lines {
			c.Lines[i].Name = c.Y.Name
			if c.Y.Node != "" {
				c.Lines[i].Name += " = " + c.Y.Node
			}
		}
		if out.Lines == nil {
			out = c
			out.Title = "Discharge of " + e.Battery
			out.Y.Name = "voltage"
			out.Bare = len(c.Lines[0].Dots) > 150
			continue
		}
		out.Lines = append(out.Lines, c.Lines...)
	}
	if out.Lines == nil {
		return Curve{Missing: "no point has both a voltage and the charge of the battery"}
	}
	return out
}
