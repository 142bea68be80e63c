package main

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"text/tabwriter"
	"unicode/utf8"

	"fourwire/analysis/drain"
	"fourwire/quantity"
	"fourwire/quantity/measured"
)

func inUnit(x float64, dim quantity.Dimension, digits int) string {
	return orDash(quantity.Of(x, dim).Text(digits), x)
}

// withU writes a value with its expanded uncertainty, where it has one.
func withU(v measured.Value) string {
	u := v.Expanded()
	if math.IsNaN(v.X) || u == 0 {
		return inUnit(v.X, v.Dim, 5)
	}
	return inUnit(v.X, v.Dim, 5) + " +- " + inUnit(u, v.Dim, 2)
}

func inPercent(x float64) string {
	switch p := 100 * x; {
	case math.IsNaN(x):
		return "-"
	case p != 0 && math.Abs(p) < 0.01:
		return "<0.01 %"
	default:
		return fmt.Sprintf("%.2f %%", p)
	}
}

// tell prints all tables.
func (d *drained) tell(to io.Writer) {
	r := d.result
	at := func(index int64) string { return inUnit(float64(index)*r.IntervalSeconds, quantity.Time, 8) }
	fmt.Fprintf(to, "trace %s, %s, from %s to %s: %d samples of %s\n", d.trace, d.signal, at(r.From), at(r.To), r.Samples, inUnit(r.IntervalSeconds, quantity.Time, 4))
	fmt.Fprintf(to, "mean    %s\ncharge  %s\n", withU(r.Mean), withU(r.Charge))
	if !math.IsNaN(r.Energy.X) {
		fmt.Fprintf(to, "energy  %s, with %s\n", withU(r.Energy), d.volts)
	}
	fmt.Fprintf(to, "RMS     %s\npeak    %s\nlowest  %s\n", withU(r.RMS), withU(r.Peak), inUnit(r.Min, quantity.Current, 4))
	if t, ok := r.Charge.Biggest(); ok {
		fmt.Fprintf(to, "U is k = 2, of the instrument; most of that of the charge is from %s\n", printable(r.Ledger.Input(t.Input).Name))
	}

	fmt.Fprintf(to, "\nfloor %s, noise %s; an event begins above %s and ends below %s\n", inUnit(r.Thresholds.FloorAmps, quantity.Current, 4),
		inUnit(r.Thresholds.NoiseAmps, quantity.Current, 2), inUnit(r.Thresholds.EnterAmps, quantity.Current, 4), inUnit(r.Thresholds.LeaveAmps, quantity.Current, 4))
	fmt.Fprintln(to, wrapped(r.Thresholds.Method, 100))

	fmt.Fprintln(to)
	w := tabwriter.NewWriter(to, 0, 0, 2, ' ', tabwriter.AlignRight)
	name := padded("state", r.States, func(s drain.State) string { return s.Name })
	fmt.Fprintln(w, name("state")+"\tcurrent\ttime\tof time\tcharge\tU\tof charge\tpeak\tvisits\t")
	for _, s := range r.States {
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%d\t\n", name(s.Name), inUnit(s.Amps, quantity.Current, 4), inUnit(s.Seconds, quantity.Time, 4), inPercent(s.TimeShare),
			inUnit(s.Charge.X, quantity.Charge, 4), uOf(s.Charge), inPercent(s.Share), inUnit(s.PeakAmps, quantity.Current, 4), s.Visits)
	}
	w.Flush()
	d.tellKinds(to)
	d.tellRest(to, at)
}

func uOf(v measured.Value) string {
	if v.Expanded() == 0 {
		return "-"
	}
	return inUnit(v.Expanded(), v.Dim, 2)
}

func (d *drained) tellKinds(to io.Writer) {
	r := d.result
	fmt.Fprintf(to, "\n%d events\n", len(r.Events))
	if len(r.Kinds) == 0 {
		return
	}
	w := tabwriter.NewWriter(to, 0, 0, 2, ' ', tabwriter.AlignRight)
	name := padded("event", r.Kinds, func(k drain.Kind) string { return k.Name })
	fmt.Fprintln(w, name("event")+"\twhole\tevery\tspread\tlasts\tcharge of one\tspread\tof charge\tpeak\t  states")
	for _, k := range r.Kinds {
		var names []string
		for _, s := range k.States {
			names = append(names, printable(r.States[s].Name))
		}
		fmt.Fprintf(w, "%s\t%d\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t  %s\n", name(k.Name), k.Count, inUnit(k.PeriodSeconds, quantity.Time, 4), inUnit(k.PeriodSpread, quantity.Time, 2),
			inUnit(k.MeanSeconds, quantity.Time, 4), inUnit(k.MeanCharge.X, quantity.Charge, 4), inUnit(k.SpreadCoulombs, quantity.Charge, 2),
			inPercent(k.Charge.X/r.Charge.X), inUnit(k.PeakAmps, quantity.Current, 4), strings.Join(names, ", "))
	}
	w.Flush()
}

func (d *drained) tellRest(to io.Writer, at func(int64) string) {
	r := d.result
	if i := r.Inrush; i != nil {
		fmt.Fprintf(to, "\npower-up at %s: peak %s, %s in %s before it comes down to %s\n", at(i.Start), inUnit(i.PeakAmps, quantity.Current, 4),
			inUnit(i.Coulombs, quantity.Charge, 4), inUnit(i.Seconds, quantity.Time, 4), inUnit(i.FollowingAmps, quantity.Current, 4))
	}
	fmt.Fprintln(to)
	switch s := r.Statistics; {
	case s.Mean > 0:
		fmt.Fprintf(to, "length of the recording: it leaves the mean open by %s more (k = 2)", inUnit(2*s.Mean, quantity.Current, 2))
		if s.OnePerCent > 0 {
			fmt.Fprintf(to, "; 1 %% of the mean takes %s", inUnit(s.OnePerCent, quantity.Time, 2))
		}
		fmt.Fprintf(to, "\n%s\n", wrapped(s.Method, 100))
	case len(r.Events) > 0:
		fmt.Fprintf(to, "length of the recording: %s\n", s.Method)
	}
	if !d.complete {
		fmt.Fprintln(to, "note: the recording is not complete; \"fourwire zoom\" says why")
	}
	for _, n := range r.Notes {
		fmt.Fprintln(to, "note: "+printable(n))
	}
}

// tellCompared prints what has changed from the other recording to this one.
func tellCompared(to io.Writer, found, other *drained, c *drain.Comparison) {
	fmt.Fprintf(to, "\nagainst %s, trace %s: what this recording takes more (+) or less (-) than that one\n", printable(other.record), other.trace)
	w := tabwriter.NewWriter(to, 0, 0, 2, ' ', tabwriter.AlignRight)
	lines := slices.Concat([]drain.Change{c.Total}, c.States, c.Kinds)
	name := padded("", lines, func(x drain.Change) string { return x.Name })
	measure := padded("", lines, func(x drain.Change) string { return x.Measure })
	fmt.Fprintln(w, name("")+"\t"+measure("")+"\tthat\tthis\tdifference\tU\t")
	line := func(x drain.Change) {
		difference := inUnit(x.Difference.X, x.Difference.Dim, 4)
		if x.Difference.X > 0 {
			difference = "+" + difference
		}
		verdict := string(x.Verdict)
		switch x.Verdict {
		case drain.OnlyInA:
			verdict = "only in that"
		case drain.OnlyInB:
			verdict = "only in this"
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t  %s\n", name(x.Name), measure(x.Measure), inUnit(x.A.X, x.A.Dim, 4), inUnit(x.B.X, x.B.Dim, 4), difference, inUnit(x.U, x.Difference.Dim, 2), verdict)
	}
	for _, x := range lines {
		line(x)
	}
	w.Flush()
	for _, n := range c.Notes {
		fmt.Fprintln(to, "note: "+printable(n))
	}
}

// padded makes words of one length, so that a column of them is flush left among numbers that are flush right.
func padded[T any](head string, list []T, word func(T) string) func(string) string {
	width := utf8.RuneCountInString(head)
	for _, x := range list {
		width = max(width, utf8.RuneCountInString(printable(word(x))))
	}
	return func(text string) string {
		text = printable(text)
		return text + strings.Repeat(" ", width-utf8.RuneCountInString(text))
	}
}

// wrapped breaks a text at words.
func wrapped(text string, width int) string {
	var b strings.Builder
	column := 0
	for i, word := range strings.Fields(text) {
		if i > 0 && column+1+len(word) > width {
			b.WriteByte('\n')
			column = 0
		} else if i > 0 {
			b.WriteByte(' ')
			column++
		}
		b.WriteString(word)
		column += len(word)
	}
	return b.String()
}
