package plan

import (
	"fmt"
	"math"
	"slices"

	"fourwire/quantity"
	"fourwire/sequence"
)

// readings are the values for which readers are compared: every planned one, else full scale.
func (w wanted) readings(g Gauge) []float64 {
	switch {
	case len(w.likely) > 0:
		return w.likely
	case !none(w.high):
		return []float64{w.high}
	}
	return []float64{g.Ranges[len(g.Ranges)-1]}
}

// ends are the smallest and the largest value that is expected; NaN where nothing is known.
func (w wanted) ends() (low, high float64) {
	if len(w.likely) == 0 {
		return w.low, w.high
	}
	return slices.Min(w.likely), slices.Max(w.likely)
}

// score is the mean of ln U over the planned readings. The mean of the logarithms counts a reader that is twice as good at
// the small end as much as one that is twice as good at the large end: relative uncertainty is what goes into products and
// quotients.
func (c *binder) score(w wanted, g Gauge) float64 {
	values := w.readings(g)
	sum, last, was := 0.0, math.NaN(), 0.0
	for _, x := range values {
		if x != last {
			last, was = x, math.Log(math.Max(c.uncertainty(g, x), 1e-30))
		}
		sum += was
	}
	return sum / float64(len(values))
}

// compare says in words why a reader is not the one that was chosen: over the sweep, and at both of its ends.
func (c *binder) compare(w wanted, r, best reader) string {
	dim := dimension(w.function)
	u := func(g Gauge, x float64) string { return quantity.Of(c.uncertainty(g, x), dim).Text(3) }
	text := fmt.Sprintf("%s: over the sweep its U is %.3g times that of %s", r.gauge.Channel, math.Exp(r.score-best.score), best.gauge.Channel)
	if math.Abs(r.score-best.score) < 1e-3 {
		text = fmt.Sprintf("%s: no better than %s", r.gauge.Channel, best.gauge.Channel)
	}
	low, high := w.ends()
	if none(low) {
		return text
	}
	text += fmt.Sprintf(": at %s %s against %s", quantity.Of(low, dim).Text(3), u(r.gauge, low), u(best.gauge, low))
	if high != low {
		text += fmt.Sprintf(", at %s %s against %s", quantity.Of(high, dim).Text(3), u(r.gauge, high), u(best.gauge, high))
	}
	return text
}

// target holds what is planned to be read against the accuracy that a need of a meter asks for at the node: at light load the
// offset counts.
func (c *binder) target(fit *GaugeFit, w wanted, r reader) {
	dim := dimension(w.function)
	for _, n := range c.plan.Sequence.Needs {
		says := n.Volts
		if w.function == sequence.Amps {
			says = n.Amps
		}
		if n.Role != sequence.RoleMeter || n.Node != w.node || n.Accuracy <= 0 || !says.Set {
			continue
		}
		var m margins
		for _, x := range w.likely {
			if x == 0 {
				continue
			}
			spec := pick(r.gauge, x)
			u := c.uncertainty(r.gauge, x)
			m.enough("accuracy", "", 1-u/x/n.Accuracy, "U %s of %s on its %s range (%s of the reading and %s) is %s, %s is wanted", quantity.Of(u, dim).Text(3),
				quantity.Of(x, dim).Text(4), quantity.Of(spec.Full, dim), quantity.Of(spec.Accuracy.Gain, quantity.Ratio), quantity.Of(spec.Accuracy.Offset, dim),
				quantity.Of(u/x, quantity.Ratio).Text(3), quantity.Of(n.Accuracy, quantity.Ratio))
		}
		if len(m.list) == 0 {
			continue
		}
		fit.Accuracy = &m.list[0]
		if m.list[0].Part < 0 {
			c.misfit(n.Place, "take a meter with a lower range or a smaller offset", "%s as read by %s misses the accuracy that %s asks for: %s",
				fit.Measurement, r.gauge.Channel, n.Name, m.list[0].Text)
		}
	}
}
