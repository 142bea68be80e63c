package battery

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Words says a life in sentences: the interval, what ends it, what moves it most, and which year was counted in. Figures
// have three digits at most; a life is not known better.
func (r LifeResult) Words() string {
	var b strings.Builder
	if r.EndedBy == EndedByNothing {
		fmt.Fprintf(&b, "No life: at the beginning already, a peak of %s takes the voltage below the cut-off.", si(r.PeakAmps, "A"))
		return b.String()
	}
	fmt.Fprintf(&b, "%s, between %s and %s, with everything at its bad or at its good end.", Span(r.Hours), Span(r.Low), Span(r.High))
	switch r.EndedBy {
	case EndedByShelf:
		b.WriteString(" The shelf life ends it, not the load.")
	case EndedByPeak:
		fmt.Fprintf(&b, " It ends with %s of the charge left, when a peak of %s takes the voltage below the cut-off.", percent(r.EndCharge), si(r.PeakAmps, "A"))
	case EndedByCutoff:
		fmt.Fprintf(&b, " It ends at the cut-off, with %s of the charge left.", percent(r.EndCharge))
	case EndedByCharge:
		b.WriteString(" It ends with the charge.")
	}
	if drain := r.MeanAmps + r.LeakAmps; r.LeakAmps > 0 && drain > 0 {
		fmt.Fprintf(&b, " Self-discharge is %s beside the load's %s: %s of the charge.", si(r.LeakAmps, "A"), si(r.MeanAmps, "A"), percent(r.LeakAmps/drain))
	}
	for _, p := range r.Parts {
		if p.Name == r.Dominant {
			fmt.Fprintf(&b, " What moves it most is the %s, %s to %s: %s to %s.", p.Name, p.text(p.Low), p.text(p.High), Span(p.HoursLow), Span(p.HoursHigh))
		}
	}
	fmt.Fprintf(&b, " A year is %g h.", r.YearHours)
	return b.String()
}

// text writes an end of a range in its unit.
func (p LifePart) text(x float64) string {
	switch p.Unit {
	case "C":
		return si(x/3600, "Ah")
	case "1/a":
		return percent(x) + " a year"
	}
	return si(x, p.Unit)
}

// Span writes hours as people say them: in hours, days, or years of 8766 h, with three digits.
func Span(hours float64) string {
	switch {
	case math.IsInf(hours, 1):
		return "for ever"
	case hours < 48:
		return three(hours) + " h"
	case hours < YearHours:
		return three(hours/24) + " days"
	}
	return three(hours/YearHours) + " years"
}

func percent(x float64) string { return three(100*x) + " %" }

func three(x float64) string {
	text := strconv.FormatFloat(x, 'g', 3, 64)
	if strings.Contains(text, "e") && math.Abs(x) >= 1 {
		return strconv.FormatFloat(x, 'f', 0, 64)
	}
	return text
}

// si writes a number with three digits and an engineering prefix.
func si(x float64, unit string) string {
	if x == 0 || math.IsNaN(x) || math.IsInf(x, 0) {
		return three(x) + " " + unit
	}
	for _, p := range []struct {
		symbol string
		factor float64
	}{{"k", 1e3}, {"", 1}, {"m", 1e-3}, {"u", 1e-6}, {"n", 1e-9}} {
		if math.Abs(x)*(1+5e-4) >= p.factor {
			return three(x/p.factor) + " " + p.symbol + unit
		}
	}
	return three(x/1e-12) + " p" + unit
}
