package main

import (
	"fmt"
	"math"
	"strings"
	"text/tabwriter"

	cell "fourwire/analysis/battery"
	"fourwire/quantity"
)

func volts(x float64) string { return quantity.Of(x, quantity.Voltage).Text(3) }

// figure writes a number with its uncertainty, as many digits as that leaves meaning.
func figure(f cell.Figure, dim quantity.Dimension) string {
	digits := 3
	if f.U > 0 && f.Value != 0 {
		digits = max(2, min(9, 2+int(math.Ceil(math.Log10(math.Abs(f.Value)/f.U)))))
	}
	return quantity.Of(f.Value, dim).Text(digits) + " +- " + quantity.Of(f.U, dim).Text(2)
}

// tellDischarge lists the points that discharges gave.
func tellDischarge(names []string, f *cell.DischargeFit) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s: %d samples, residual %s, at most %s\n", strings.Join(names, ", "), f.Samples, volts(f.ResidualVolts), volts(f.WorstVolts))
	w := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "charge\topen circuit\tresistance, pairs settled")
	ohm := map[float64]cell.Figure{}
	for _, n := range f.Ohm {
		ohm[n.Charge] = n.Figure
	}
	for _, n := range f.OCV {
		text := ""
		if r, ok := ohm[n.Charge]; ok {
			text = figure(r, quantity.Resistance)
		}
		fmt.Fprintln(w, strings.TrimRight(fmt.Sprintf("%.4g %%\t%s\t%s", 100*n.Charge, figure(n.Figure, quantity.Voltage), text), "\t"))
	}
	w.Flush()
	b.WriteString("uncertainties: 95 %, of the scatter alone; errors of the instruments come on top")
	return trimLines(b.String())
}

// tellPulses lists the pulses of a series.
func tellPulses(name string, f *cell.SeriesFit) string {
	var b strings.Builder
	samples, worst, sum := 0, 0.0, 0.0
	first := math.Inf(1)
	for _, p := range f.Pulses {
		samples += p.Samples
		worst = max(worst, p.WorstVolts)
		sum += p.ResidualVolts * p.ResidualVolts * float64(p.Samples)
		first = min(first, p.FirstSeconds)
	}
	fmt.Fprintf(&b, "%s: %d pulses, %d samples, residual %s, at most %s\n", name, len(f.Pulses), samples, volts(math.Sqrt(sum/float64(samples))), volts(worst))
	for k, p := range f.Pairs {
		fmt.Fprintf(&b, "pair %d: time constant %s\n", k+1, figure(p.Tau, quantity.Time))
	}
	fmt.Fprintf(&b, "the series resistance holds all that is faster than %s, the first look at the voltage after a step\n", quantity.Of(first, quantity.Time).Text(3))
	w := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	fmt.Fprint(w, "charge\tcurrent\topen circuit\tseries")
	for k := range f.Pairs {
		fmt.Fprintf(w, "\tpair %d", k+1)
	}
	fmt.Fprintln(w)
	for _, p := range f.Pulses {
		fmt.Fprintf(w, "%.4g %%\t%s\t%s\t%s", 100*p.Charge, quantity.Of(p.Amps, quantity.Current).Text(3), figure(p.RestVolts, quantity.Voltage), figure(p.Ohm, quantity.Resistance))
		for _, pair := range p.PulseFit.Pairs {
			fmt.Fprintf(w, "\t%s", figure(pair.Ohm, quantity.Resistance))
		}
		fmt.Fprintln(w)
	}
	w.Flush()
	b.WriteString("uncertainties: 95 %, of the scatter alone; errors of the instruments come on top")
	return trimLines(b.String())
}

func trimLines(text string) string {
	lines := strings.Split(text, "\n")
	for i := range lines {
		lines[i] = strings.TrimRight(lines[i], " ")
	}
	return strings.Join(lines, "\n")
}
