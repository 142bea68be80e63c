package report

import (
	"fmt"
	"math"
	"strings"

	"fourwire/quantity"
	"fourwire/record"
)

// DrainCurves are the pictures of what was found in a trace: for which fraction of the time the current is above a value, with the recording
// that it is compared with.
func (t *Trace) DrainCurves() []Curve {
	if t.Drain == nil || len(t.Drain.CCDF) == 0 {
		return nil
	}
	c := Curve{Title: "How often the current is above a value", LogX: true, LogY: true, Bare: true,
		X: record.Column{Name: "current", Unit: "A", Dim: quantity.Current, Kind: record.Measured},
		Y: record.Column{Name: "fraction of the time above it", Unit: "1", Dim: quantity.Ratio, Kind: record.Derived}}
	name := ""
	if x := t.Drain.Against; x != nil {
		name = "A: this recording"
	}
	c.Lines = append(c.Lines, ccdfLine(name, t.Drain.CCDF))
	if x := t.Drain.Against; x != nil && len(x.CCDF) > 0 {
		c.Lines = append(c.Lines, ccdfLine("B: "+OtherName(x), x.CCDF))
	}
	for _, l := range c.Lines {
		if len(l.Dots) == 0 {
			return nil
		}
	}
	return []Curve{c}
}

// ccdfLine leaves out what a logarithmic axis cannot show.
func ccdfLine(name string, points []record.CCDFPoint) Line {
	l := Line{Name: name}
	for _, p := range points {
		if p.Amps > 0 && p.Above > 0 {
			l.Dots = append(l.Dots, Dot{X: p.Amps, Y: p.Above, UX: math.NaN(), UY: math.NaN(), Status: record.StatusOK})
		}
	}
	return l
}

// OtherName is the recording that one is compared with.
func OtherName(c *record.Comparison) string {
	if c.Record == "" {
		return c.Trace
	}
	return c.Trace + " of " + c.Record
}

// Other names the recording that this one is compared with.
func (t *Trace) Other() string {
	if t.Drain == nil || t.Drain.Against == nil {
		return ""
	}
	return OtherName(t.Drain.Against)
}

// TimeShare is a share of the time in percent: what is nearly all of it is told from all.
func TimeShare(x float64) string {
	switch {
	case x >= 0.99995 && x < 1:
		return "above 99.99 %"
	case x > 0.99 && x < 1:
		return fmt.Sprintf("%.2f %%", 100*x)
	}
	return Share(x)
}

// KindRow is a kind of event in words.
type KindRow struct{ Name, Count, Period, Length, Charge, Peak, Share string }

// KindRows tells the kinds of events one by one.
func (t *Trace) KindRows() []KindRow {
	var out []KindRow
	if t.Drain == nil {
		return nil
	}
	for _, k := range t.Drain.Kinds {
		row := KindRow{Name: k.Name, Count: Grouped(int64(k.Count)), Period: "none found", Length: SecondsText(k.MeanSeconds),
			Charge: WithU(k.MeanCoulombs, math.NaN(), quantity.Charge), Peak: ampsText(k.PeakAmps), Share: "–"}
		row.Charge = Pretty(quantity.Of(k.MeanCoulombs, quantity.Charge).Text(4))
		if k.SpreadCoulombs > 0 {
			row.Charge = spread(k.MeanCoulombs, k.SpreadCoulombs, quantity.Charge)
		}
		if k.PeriodSeconds > 0 {
			row.Period = SecondsText(k.PeriodSeconds)
			if k.PeriodSpread > 0 {
				text := Pretty(quantity.Of(k.PeriodSpread, quantity.Time).Text(2))
				if k.PeriodSpread >= 60 {
					text = SecondsText(k.PeriodSpread)
				}
				row.Period = fmt.Sprintf("%s, ± %s", row.Period, text)
			}
		}
		if q := t.Drain.Charge.Value; q > 0 {
			row.Share = Share(float64(k.Count) * k.MeanCoulombs / q)
		}
		out = append(out, row)
	}
	return out
}

// spread is a mean with the standard deviation of single ones.
func spread(x, s float64, dim quantity.Dimension) string {
	scale := ScaleFor(x, dim)
	value, by := scale.Numbers(x, s)
	return fmt.Sprintf("%s %s, ± %s", value, Pretty(scale.Symbol), by)
}

// CompareRow is a line of a comparison in words.
type CompareRow struct{ What, A, B, Difference, Percent, Judgement string }

// CompareRows tells where the charge of two recordings went.
func (t *Trace) CompareRows() []CompareRow {
	if t.Drain == nil || t.Drain.Against == nil {
		return nil
	}
	var out []CompareRow
	for _, l := range t.Drain.Against.Lines {
		dim := record.DimensionOf(l.Unit)
		row := CompareRow{What: l.What, A: textOr(l.A, dim), B: textOr(l.B, dim), Difference: WithU(l.Difference, l.U, dim), Judgement: l.Judgement}
		if l.B != 0 && !math.IsNaN(l.Difference) {
			row.Percent = fmt.Sprintf("%+.2g %%", 100*l.Difference/l.B)
		}
		out = append(out, row)
	}
	return out
}

func textOr(x float64, dim quantity.Dimension) string {
	if math.IsNaN(x) {
		return "–"
	}
	return Pretty(quantity.Of(x, dim).Text(4))
}

// Life is how long a battery lasts, in words.
type Life struct {
	record.LifeResult
	Trace    string // whose current it is
	Text     string // "3.4 years"
	Interval string // "2.9 to 3.9 years"
	Ends     string // how, in a sentence; empty where it is not known
	Rows     []LifeRow
}

// LifeRow is one assumption of a life with what it does to it.
type LifeRow struct {
	Name, Interval, Text string
	Share                float64
}

func lives(rec *record.Record, traces []Trace) []Life {
	var out []Life
	add := func(trace string, list []record.LifeResult) {
		for _, r := range list {
			l := Life{LifeResult: r, Trace: trace, Ends: ending(r.EndedBy), Text: hoursText(r.Hours), Interval: hoursText(r.Low, r.High)}
			for _, p := range r.Parts {
				l.Rows = append(l.Rows, LifeRow{Name: p.Name, Interval: hoursText(p.Low, p.High), Text: Share(p.Share), Share: p.Share})
			}
			out = append(out, l)
		}
	}
	for _, t := range traces {
		if t.Drain != nil {
			add(t.Name, t.Drain.Life)
		}
	}
	add("", otherLives(rec))
	return out
}

// ending says how a life ends. What is no word of the analysis is taken as it is.
func ending(by string) string {
	switch by {
	case "":
		return ""
	case "peak":
		return "It ends when a peak of the current takes the voltage below the cut-off, with charge left."
	case "cut-off":
		return "It ends at the cut-off voltage, with charge left."
	case "charge":
		return "It ends with the charge."
	case "shelf life":
		return "The shelf life ends it, not the load."
	case "never on":
		return "There is no life: a peak of the current takes the voltage of the full battery below the cut-off."
	}
	return "It ends with " + strings.TrimSuffix(by, ".") + "."
}

// yearHours is the year in which lives are told: 365.25 days.
const yearHours = 8766

// hoursText tells hours as people do, with two digits: a life is not known better. Several are told in the unit of the largest.
func hoursText(hours ...float64) string {
	largest := 0.0
	for _, h := range hours {
		largest = math.Max(largest, h)
	}
	unit, one := "h", 1.0
	switch {
	case largest >= yearHours:
		unit, one = "years", yearHours
	case largest >= 72:
		unit, one = "days", 24
	}
	var texts []string
	for _, h := range hours {
		if math.IsNaN(h) {
			texts = append(texts, "?")
			continue
		}
		texts = append(texts, twoDigits(h/one))
	}
	return strings.Join(texts, " to ") + " " + unit
}

func twoDigits(x float64) string {
	if x >= 10 {
		return fmt.Sprintf("%.0f", x)
	}
	return fmt.Sprintf("%.2g", x)
}
