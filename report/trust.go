package report

import (
	"fmt"
	"math"
	"strings"

	"fourwire/quantity"
	"fourwire/record/trace"
)

// Trust says in plain words whether a trace is whole, and how that is known.
type Trust struct {
	Complete bool
	Headline string // one sentence
	Lines    []Fact // what was counted
	Gaps     []string
	More     int64 // further gaps, not listed
}

// Text is all of it in one paragraph, for where there is no table.
func (t Trust) Text() string {
	parts := []string{t.Headline}
	for _, l := range t.Lines {
		parts = append(parts, l.Name+": "+l.Value+".")
	}
	return strings.Join(parts, " ")
}

// Names of two of the lines of Trust.
const (
	ChargeAgainstCount = "Charge against the unit's own count"
	WhyNotComplete     = "Why it is not complete"
)

// mostGaps is how many gaps are listed one by one.
const mostGaps = 20

func trust(t *Trace) Trust {
	s, dt := t.Statement, t.Head.IntervalSeconds
	out := Trust{Complete: s.Complete}
	missing := s.Lost
	if s.Expected > 0 {
		missing = max(missing, s.Expected-s.Received)
	}
	switch {
	case missing > 0:
		share := float64(missing) / float64(max(s.Expected, s.Received+s.Lost))
		out.Headline = fmt.Sprintf("Not complete: %s of %s samples are missing, which is %s or %s of the time. Nothing was filled in; all figures are of the samples that are there.",
			Grouped(missing), Grouped(max(s.Expected, s.Received+s.Lost)), SecondsText(float64(missing)*dt), smallShare(share))
	case !s.Complete:
		out.Headline = "Not complete: " + strings.TrimSuffix(strings.Join(s.Why, "; "), ".") + "."
	default:
		out.Headline = "Complete: every sample that was expected has been received."
	}
	add := func(name, text string) { out.Lines = append(out.Lines, Fact{name, text}) }
	if s.Expected > 0 {
		add("Samples expected", fmt.Sprintf("%s, from the interval of %s and the time", Grouped(s.Expected), SecondsText(dt)))
	}
	add("Samples received", Grouped(s.Received))
	if s.GapCount > 0 {
		add("Gaps", Grouped(s.GapCount))
	}
	if s.LostStated > 0 {
		add("Lost as the instrument says", Grouped(s.LostStated))
	}
	if s.Handovers > 0 {
		add("Hand-overs between ranges", Grouped(s.Handovers)+", as the instrument counts them; a hand-over loses no sample")
	}
	if c := chargeCheck(s); c != "" {
		add(ChargeAgainstCount, c)
	}
	if missing > 0 && len(s.Why) > 0 {
		add(WhyNotComplete, strings.Join(s.Why, "; "))
	}
	for i, g := range s.Gaps {
		if i == mostGaps {
			break
		}
		text := fmt.Sprintf("at %s: %s, %s samples", SecondsText(float64(g.Start)*dt), SecondsText(float64(g.Count)*dt), Grouped(g.Count))
		if g.Why != "" {
			text += " (" + g.Why + ")"
		}
		out.Gaps = append(out.Gaps, text)
	}
	out.More = max(0, s.GapCount-int64(len(out.Gaps)))
	return out
}

// chargeCheck compares the sum of the samples with what the instrument has integrated itself.
func chargeCheck(s trace.Statement) string {
	got, counted := s.CoulombsReceived, s.CoulombsCounted
	if math.IsNaN(got) || math.IsNaN(counted) || got == 0 && counted == 0 {
		return ""
	}
	by := s.CountedBy
	if by == "" {
		by = "the unit"
	}
	text := fmt.Sprintf("%s from the samples, %s counted by %s", Pretty(quantity.Of(got, quantity.Charge).Text(7)), Pretty(quantity.Of(counted, quantity.Charge).Text(7)), by)
	switch off := math.Abs(got-counted) / math.Max(math.Abs(got), math.Abs(counted)); {
	case got == counted:
		return text + ": the same"
	case off < 1e-3:
		return fmt.Sprintf("%s: %.2g ppm apart", text, 1e6*off)
	default:
		return fmt.Sprintf("%s: %.2g %% apart", text, 100*off)
	}
}

// smallShare is a share in percent, or in ppm where it is small.
func smallShare(x float64) string {
	if x < 1e-4 {
		return fmt.Sprintf("%.2g ppm", 1e6*x)
	}
	return fmt.Sprintf("%.2g %%", 100*x)
}
