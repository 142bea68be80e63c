package report

import (
	"fmt"
	"math"

	"fourwire/quantity"
	"fourwire/record"
)

// Supply is a voltage over time that a source was taken through: what was asked for and what comes of it.
type Supply struct {
	record.Profile
	Heading string // "road-12v-code-d at dut.in by feed"
	Facts   []Fact
	Curve   Curve
}

func suppliesOf(list []record.Profile) []Supply {
	var out []Supply
	for _, p := range list {
		s := Supply{Profile: p, Heading: p.Preset, Curve: supplyCurve(p)}
		if s.Heading == "" {
			s.Heading = "Points of the sequence"
		}
		s.Heading += " at " + p.Node + " by " + p.Role
		if p.Where != "" {
			s.Heading += ", " + p.Where
		}
		s.Curve.Title = s.Heading
		s.Facts = supplyFacts(p)
		out = append(out, s)
	}
	return out
}

func supplyFacts(p record.Profile) []Fact {
	var out []Fact
	add := func(name, value string) {
		if value != "" {
			out = append(out, Fact{name, value})
		}
	}
	add("What it is", p.Title)
	add("Standard", p.Standard)
	add("Edition", p.Edition)
	add("Clause", p.Clause)
	switch p.Basis {
	case "":
	case "from memory":
		add("Figures", "from memory: unverified, hold them against the standard")
	default:
		text := p.Basis
		if p.Source != "" {
			text += " in " + p.Source
		}
		add("Figures", text)
	}
	add("To know", p.About)
	by := fmt.Sprintf("list of %s, %s", p.Channel, count(p.Steps, "step"))
	if p.By == "host" {
		by = "the computer, " + count(p.Steps, "setting")
		if p.LatestSeconds > 0 {
			by += fmt.Sprintf(", the latest by %s", SecondsText(p.LatestSeconds))
		}
	}
	if p.Repeat > 1 {
		by += fmt.Sprintf(", %d times", p.Repeat)
		if p.GapSeconds > 0 {
			by += " with " + SecondsText(p.GapSeconds) + " between"
		}
	}
	add("Played by", by)
	within := ""
	if p.WithinRelative > 0 {
		within = quantity.Of(p.WithinRelative, quantity.Ratio).Text(3)
	}
	if p.WithinVolts > 0 {
		if within != "" {
			within += " and "
		}
		within += quantity.Of(p.WithinVolts, quantity.Voltage).Text(3)
	}
	if p.WithinSeconds > 0 {
		within += ", " + SecondsText(p.WithinSeconds) + " early or late"
	}
	near := "within " + within + " all the time"
	if p.OutsideSeconds > 0 {
		near = fmt.Sprintf("outside of %s for %s; worst %s off at %s", within, SecondsText(p.OutsideSeconds), quantity.Of(p.WorstVolts, quantity.Voltage).Text(3), SecondsText(p.WorstAtSeconds))
	}
	add("Nearest achievable", Pretty(near+", by the source's model"))
	if p.Negative {
		add("Sign", "negative to earth; voltages are magnitudes")
	}
	return out
}

// supplyCurve draws what was asked for and what the source makes of it.
func supplyCurve(p record.Profile) Curve {
	c := Curve{Bare: true, X: record.Column{Name: "time", Dim: quantity.Time, Unit: "s"}, Y: record.Column{Name: "voltage", Dim: quantity.Voltage, Unit: "V"}}
	line := func(name string, points [][2]float64) {
		l := Line{Name: name, Only: Stroke}
		for _, x := range points {
			l.Dots = append(l.Dots, Dot{X: x[0], Y: x[1], UX: math.NaN(), UY: math.NaN(), Status: record.StatusOK})
		}
		if len(l.Dots) > 1 {
			c.Lines = append(c.Lines, l)
		}
	}
	line("asked for", p.Wanted)
	line("played, by the source's model", p.Expected)
	if len(c.Lines) == 0 {
		c.Missing = "the record has no points of it"
	}
	return c
}
