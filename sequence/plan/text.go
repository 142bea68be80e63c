package plan

import (
	"fmt"
	"strings"
	"time"

	"fourwire/quantity"
)

// Text is the fit for people: which channel serves what, with the margin that binds, how each node is read and how well, and
// how long it will take.
func (f Fit) Text() string {
	var b strings.Builder
	for _, r := range f.Roles {
		f.role(&b, r)
	}
	if len(f.Gauges) > 0 {
		b.WriteString("readings\n")
	}
	for _, g := range f.Gauges {
		f.gauge(&b, g)
	}
	if len(f.Derived) > 0 {
		b.WriteString("predicted uncertainty (k = 2)\n")
	}
	for _, s := range f.Derived {
		fmt.Fprintf(&b, "  %s: %s to %s%s", s.Name, unit(s.Best, s.Unit), unit(s.Worst, s.Unit), andAt(s.WorstAt))
		if s.Biggest != "" {
			fmt.Fprintf(&b, ", most of it from %s", s.Biggest)
		}
		b.WriteByte('\n')
	}
	fmt.Fprintf(&b, "%d points, about %s\n", f.Points, roughly(f.Seconds))
	fmt.Fprintf(&b, "verdict: %s\n", f.Verdict)
	return b.String()
}

func (f Fit) role(b *strings.Builder, r RoleFit) {
	chosen := r.Chosen
	if chosen == "" {
		chosen = "nothing"
	}
	fmt.Fprintf(b, "%s (%s at %s): %s\n", r.Role, r.Kind, r.Node, chosen)
	if len(r.Candidates) == 0 {
		fmt.Fprintf(b, "  the bench has no %s\n", r.Kind)
	}
	for _, c := range r.Candidates {
		if c.Why != "" {
			fmt.Fprintf(b, "  %s: %s\n", c.Name, c.Why)
			continue
		}
		fmt.Fprintf(b, "  %s: %s\n", c.Name, c.Verdict)
		for i, m := range c.Margins {
			mark := "  "
			if i == 0 {
				mark = "> " // the one that binds
			}
			fmt.Fprintf(b, "    %s%-16s %6.1f %%  %s%s\n", mark, m.Kind, 100*m.Part, m.Text, andAt(m.At))
		}
	}
}

func (f Fit) gauge(b *strings.Builder, g GaugeFit) {
	channel := g.Channel
	switch {
	case channel == "":
		channel = "nothing"
	case g.Own:
		channel += " (its own read-back)"
	}
	fmt.Fprintf(b, "  %s: %s", g.Measurement, channel)
	if g.Low != nil && g.High != nil {
		if g.Low.Value != g.High.Value {
			fmt.Fprintf(b, ", %s on %s: U %s", unit(g.Low.Value, g.Low.Unit), unit(g.Low.Range, g.Low.Unit), unit(g.Low.U, g.Low.Unit))
		}
		fmt.Fprintf(b, ", %s on %s: U %s", unit(g.High.Value, g.High.Unit), unit(g.High.Range, g.High.Unit), unit(g.High.U, g.High.Unit))
	}
	b.WriteByte('\n')
	for _, o := range g.Others {
		fmt.Fprintf(b, "    not %s\n", o)
	}
}

// unit prints a number of SI units with a prefix; three digits are enough for a prediction.
func unit(si float64, symbol string) string {
	for _, d := range []quantity.Dimension{quantity.Ratio, quantity.Voltage, quantity.Current, quantity.Power, quantity.Resistance, quantity.Time, quantity.Energy, quantity.Charge} {
		if d.Unit() == symbol {
			return quantity.Of(si, d).Text(3)
		}
	}
	return fmt.Sprintf("%.3g %s", si, symbol)
}

func roughly(seconds float64) string {
	return time.Duration(seconds * float64(time.Second)).Round(100 * time.Millisecond).String()
}
