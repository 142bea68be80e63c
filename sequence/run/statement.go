package run

import (
	"fmt"
	"math"
	"strings"

	"fourwire/driver"
	"fourwire/quantity"
	"fourwire/record/trace"
)

// statement holds what was received against what was expected by the interval and the time, and against what the unit itself has counted.
// The faults say, in plain sentences, what is missing.
func (r *runner) statement(rec *recording, totals driver.Totals, counted bool) (s trace.Statement, faults []string) {
	got, at := rec.writer.Received(), rec.next
	charge := rec.writer.Integral(0)
	s = trace.Statement{Expected: max(rec.expected, at), CoulombsCounted: nan, LostStated: max(0, rec.in.Lost)}
	gaps := rec.writer.Gaps()
	if text := gapsText(gaps, rec.writer.Lost(), rec.every); text != "" {
		faults = append(faults, text)
	}
	missing := rec.writer.Lost()
	if rec.expected > 0 && at < rec.expected && !rec.stopped.IsZero() {
		faults = append(faults, fmt.Sprintf("%d samples were wanted, the last one that came is number %d", rec.expected, at))
	}
	if counted {
		s.Expected = max(s.Expected, totals.Taken)
		s.CoulombsCounted, s.CountedBy = totals.Coulombs, rec.role.Channel.String()
		s.Handovers, s.LostStated = max(0, totals.Handovers), max(s.LostStated, totals.Lost)
		if behind := totals.Taken - at; behind != 0 {
			text := fmt.Sprintf("the unit took %d samples, and %d are accounted for: %s missing at a place that is not known", totals.Taken, at, spanText(math.Abs(float64(behind))*rec.every))
			if behind < 0 {
				text = fmt.Sprintf("the unit took %d samples, and %d came: the numbers of the samples cannot be relied on", totals.Taken, at)
			}
			faults = append(faults, text)
			missing += max(0, behind)
		}
		if d := totals.Coulombs - charge; !math.IsNaN(d) && math.Abs(d) > rec.tolerance(totals.Coulombs) {
			text := fmt.Sprintf("the unit counted %s, the samples that came make %s: %s are missing", coulombs(totals.Coulombs), coulombs(charge), coulombs(d))
			if missing > 0 {
				text = fmt.Sprintf("%s of the %s that the unit counted flowed in what is missing", coulombs(d), coulombs(totals.Coulombs))
			}
			faults = append(faults, text)
		}
	}
	if text := rec.byTheClock(got + missing); text != "" {
		faults = append(faults, text)
	}
	return s, faults
}

func coulombs(c float64) string { return quantity.Of(c, quantity.Charge).Text(6) }

// tolerance is by how much the charge of all samples may differ from the unit's own integral over the same samples: each is rounded once to
// 32 bits and once to a count of its range, and the answer has at least 11 digits; and where the unit integrates beside its samples, their
// noise and resolution are not in its count: five standard deviations of that, which chance exceeds once in two million recordings.
func (rec *recording) tolerance(counted float64) float64 {
	return rec.perStep + 1e-11*math.Abs(counted) + 5*math.Sqrt(rec.noise)*rec.every
}

// byTheClock looks whether the samples fill the time from start to stop by the clock of the computer. A gap that the unit knows nothing of
// shows here, where it is longer than what two clocks may differ by.
func (rec *recording) byTheClock(samples int64) string {
	if rec.stopped.IsZero() {
		return ""
	}
	elapsed := rec.stopped.Sub(rec.started.At).Seconds()
	allowed := rec.started.Within.Seconds() + clockPart*elapsed + 2*rec.every
	if short := elapsed - float64(samples)*rec.every; short > allowed {
		return fmt.Sprintf("%s went by from start to stop, and the samples fill %s: %s missing at a place that is not known", spanText(elapsed), spanText(float64(samples)*rec.every), spanText(short))
	}
	return ""
}

// gapsTold is how many gaps are told one by one.
const gapsTold = 3

// gapsText is what is missing, with place and length: "3 ms missing at 12 min 4.2 s, 150 samples".
func gapsText(gaps []trace.Gap, lost int64, every float64) string {
	if len(gaps) == 0 {
		return ""
	}
	var parts []string
	for _, g := range gaps[:min(len(gaps), gapsTold)] {
		what := "missing"
		if g.Why != "" {
			what = "without a reading (" + g.Why + ")"
		}
		samples := "samples"
		if g.Count == 1 {
			samples = "sample"
		}
		parts = append(parts, fmt.Sprintf("%s %s at %s, %d %s", spanText(float64(g.Count)*every), what, spanText(float64(g.Start)*every), g.Count, samples))
	}
	if more := len(gaps) - gapsTold; more > 0 {
		parts = append(parts, fmt.Sprintf("and %d more: %s missing in all, %d samples", more, spanText(float64(lost)*every), lost))
	}
	return strings.Join(parts, ", ")
}

// spanText is a time for reading: "3 ms", "4.2 s", "12 min 4.2 s", "23 h 59 min 59 s".
func spanText(seconds float64) string {
	if math.IsNaN(seconds) || math.IsInf(seconds, 0) || math.Abs(seconds) < 60 {
		return quantity.Of(seconds, quantity.Time).Text(6)
	}
	sign := ""
	if seconds < 0 {
		sign, seconds = "-", -seconds
	}
	tenths := int64(math.Round(seconds * 10))
	hours, minutes, rest := tenths/36000, tenths/600%60, float64(tenths%600)/10
	text := sign
	if hours > 0 {
		text += fmt.Sprintf("%d h ", hours)
	}
	if minutes > 0 {
		text += fmt.Sprintf("%d min ", minutes)
	}
	if rest > 0 {
		text += fmt.Sprintf("%g s", rest)
	}
	return strings.TrimSpace(text)
}
