package plan

import (
	"fmt"
	"math"
	"sort"
	"strings"

	"fourwire/driver/bench"
	"fourwire/driver/model"
	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/sequence"
)

// wanted is a node measurement that the sequence reads, with where it says so first.
type wanted struct {
	function sequence.Function
	node     string
	place    diag.Place
	low      float64 // smallest and largest magnitude expected, NaN: not known
	high     float64
	likely   []float64 // magnitude at each planned reading, where it is known
	after    bool      // only to see what is left at the node when everything is off
}

func (c *binder) bindGauges() {
	for _, w := range c.wanted() {
		c.bindGauge(w)
	}
}

// wanted lists every node measurement of measure and settle steps and of conditions, and what is expected of it.
func (c *binder) wanted() []wanted {
	var list []wanted
	find := func(f sequence.Function, node string, at diag.Place) *wanted {
		for i := range list {
			if list[i].function == f && list[i].node == node {
				list[i].after = false
				return &list[i]
			}
		}
		list = append(list, wanted{function: f, node: node, place: at, low: math.NaN(), high: math.NaN()})
		return &list[len(list)-1]
	}
	w := newWalker(c.plan, hooks{
		measure: func(w *walker, m *sequence.Measure, _ int) {
			for _, r := range m.Readings {
				x := math.Abs(c.plan.Expect(w.state, r.Function, r.Node))
				g := find(r.Function, r.Node, r.Place)
				if l := math.Abs(c.plan.Likely(w.state, r.Function, r.Node)); !none(l) {
					g.likely = append(g.likely, l)
				}
				if g.low = smaller(g.low, x); !(x <= g.high) && !none(x) {
					g.high = x
				}
			}
		},
		settle: func(w *walker, s *sequence.Settle, _ int) {
			for _, n := range s.Value.Nodes() {
				find(sequence.Function(n.Function), n.Node, s.At())
			}
		},
		check: func(w *walker, s *sequence.Check, _ int) {
			for _, n := range s.Value.Nodes() {
				find(sequence.Function(n.Function), n.Node, s.At())
			}
		},
		zero: func(w *walker, z *sequence.Zero) {
			for _, r := range z.Readings {
				find(r.Function, r.Node, r.Place)
			}
		},
		record: func(w *walker, s *sequence.Record, _ int) {
			i := c.plan.RoleIndex(s.Role)
			if i < 0 {
				return
			}
			node, before := c.plan.Roles[i].Need.Node, len(list)
			if able, _ := c.readers(wanted{function: sequence.Volts, node: node}); len(able) == 0 {
				return
			}
			if g := find(sequence.Volts, node, s.At()); len(list) > before {
				g.after = true
			}
		},
		emulate: func(w *walker, s *sequence.Emulate, _ int) {
			if i := c.plan.RoleIndex(s.Role); i >= 0 { // what is drawn from the battery
				find(sequence.Amps, c.plan.Roles[i].Need.Node, s.At())
			}
		},
		rails: func(w *walker, s *sequence.Rails, _ int) {
			for _, rail := range s.Up {
				if rail.Until == nil {
					continue
				}
				for _, n := range rail.Until.Nodes() {
					find(sequence.Function(n.Function), n.Node, rail.Place)
				}
			}
		},
		condition: func(s *sequence.When) {
			for _, n := range s.If.Nodes() {
				find(sequence.Function(n.Function), n.Node, s.At())
			}
		},
	})
	w.run()
	c.capturedNodes(func(node string, at diag.Place) {
		before := len(list)
		if able, _ := c.readers(wanted{function: sequence.Volts, node: node}); len(able) == 0 {
			return
		}
		if g := find(sequence.Volts, node, at); len(list) > before {
			g.after = true
		}
	})
	return list
}

func smaller(a, b float64) float64 {
	if none(a) || b < a {
		return b
	}
	return a
}

// reader is a channel that could read a measurement.
type reader struct {
	gauge Gauge
	score float64 // mean of ln U over all planned readings: what a reader is chosen by
}

func (c *binder) bindGauge(w wanted) {
	fit := GaugeFit{Measurement: fmt.Sprintf("%s(%s)", w.function, w.node)}
	readers, others := c.readers(w)
	for _, r := range readers[min(1, len(readers)):] {
		others = append(others, c.compare(w, r, readers[0]))
	}
	fit.Others = others
	if len(readers) == 0 {
		use := bench.Voltmeter
		if w.function == sequence.Amps {
			use = bench.Ammeter
		}
		why := ""
		if len(others) > 0 {
			why = " (" + strings.Join(others, "; ") + ")"
		}
		c.found.AddHint(w.place, fmt.Sprintf("wire one in the bench file: {channel: ..., node: %s, as: %s}", w.node, use), "nothing on this bench reads %s%s", fit.Measurement, why)
		c.plan.Fit.Gauges = append(c.plan.Fit.Gauges, fit)
		return
	}
	best := readers[0]
	for _, r := range readers[1:] {
		best.gauge.Others = append(best.gauge.Others, r.gauge)
	}
	fit.Channel, fit.Own = best.gauge.Channel.String(), best.gauge.Own
	c.reach(&fit, w, best)
	c.target(&fit, w, best)
	if fit.Margin != nil && fit.Margin.Part < 0 {
		c.found.AddHint(w.place, "wire a meter with a higher range, or lower what is asked", "%s is read by %s: %s expected, its largest range ends at %s",
			fit.Measurement, best.gauge.Channel, quantity.Of(w.high, dimension(w.function)), quantity.Of(top(best.gauge.Specs), dimension(w.function)))
	}
	if best.gauge.Own && best.gauge.LeadOhm > 0 && !w.after {
		c.leadCaution(w, best.gauge)
	}
	c.plan.Gauges = append(c.plan.Gauges, best.gauge)
	c.plan.Fit.Gauges = append(c.plan.Fit.Gauges, fit)
}

func (c *binder) leadCaution(w wanted, g Gauge) {
	role := c.plan.Roles[g.Role]
	amps := upper(role.Need.Amps)
	if amps == 0 {
		amps = upper(role.Guard.Amps)
	}
	if slight(amps*g.LeadOhm, role.Need) {
		return
	}
	c.found.Warn(w.place, "wire a voltmeter at the node", "%s is read by %s at its own terminals: the lead drop, up to %s x %s = %s, is worked out from the current measured with it, where there is one, and adds to its uncertainty",
		g.Name(), g.Channel, quantity.Amp(amps), quantity.Ohm(g.LeadOhm), quantity.Volt(amps*g.LeadOhm))
}

// readers lists the channels that can read a measurement, best first: by their uncertainty over all planned readings.
func (c *binder) readers(w wanted) (able []reader, unable []string) {
	for _, wire := range c.plan.Bench.Wiring {
		if wire.Node != w.node {
			continue
		}
		ch := Channel{wire.Instrument, wire.Channel}
		g := Gauge{Function: w.function, Node: w.node, Channel: ch, Role: -1}
		g.route(wire)
		meter := wire.As == bench.Voltmeter && w.function == sequence.Volts || wire.As == bench.Ammeter && w.function == sequence.Amps
		if !meter {
			if wire.As != bench.Source && wire.As != bench.Load {
				continue
			}
			if g.Role = c.plan.roleOf(ch); g.Role < 0 {
				unable = append(unable, ch.String()+" serves no role here")
				continue
			}
			g.Own = true
			if w.function == sequence.Volts && wire.Sense != bench.Remote {
				g.LeadOhm, g.LeadTolerance = 2*wire.LeadOhm, wire.LeadTolerance
				if wire.LeadTolerance == 0 {
					g.LeadTolerance = DefaultLeadTolerance
				}
				g.InLine = c.meters(w.node, bench.Ammeter)
			}
		}
		spec := c.channel(ch)
		if spec == nil {
			continue
		}
		ranges := spec.Volts
		if w.function == sequence.Amps {
			ranges = spec.Amps
		}
		if len(ranges) == 0 {
			unable = append(unable, fmt.Sprintf("%s does not measure %s", ch, dimension(w.function).Name()))
			continue
		}
		for _, r := range ranges {
			g.Ranges = append(g.Ranges, r.Full)
		}
		g.Specs, g.Together, g.Aperture = ranges, spec.Together, spec.Aperture
		if w.function == sequence.Amps {
			g.Across = c.meters(w.node, bench.Voltmeter)
		}
		able = append(able, reader{g, c.score(w, g)})
	}
	sort.SliceStable(able, func(i, j int) bool {
		a, b := able[i], able[j]
		if math.Abs(a.score-b.score) < 1e-3 && a.gauge.Own != b.gauge.Own {
			return b.gauge.Own // a meter before a read-back that is no better
		}
		return a.score < b.score
	})
	return able, unable
}

func (p *Plan) roleOf(ch Channel) int {
	for i, r := range p.Roles {
		if r.Channel == ch && r.Need.Role != sequence.RoleRecorder {
			return i
		}
	}
	return -1
}

func dimension(f sequence.Function) quantity.Dimension {
	if f == sequence.Amps {
		return quantity.Current
	}
	return quantity.Voltage
}

func top(ranges []model.Range) float64 {
	last := ranges[len(ranges)-1]
	return last.Full * (1 + last.Over)
}

// uncertainty is the expanded uncertainty (k = 2) of one reading of x at the default aperture.
func (c *binder) uncertainty(g Gauge, x float64) float64 {
	std := model.Pick(g.Specs, x).Contributions(x, DefaultAperture.Seconds(), c.plan.Bench.AmbientKelvin).Std()
	if g.LeadOhm > 0 && g.Role >= 0 {
		if amps := widest(c.plan.Roles[g.Role].Need.Amps); !none(amps) && !math.IsInf(amps, 0) {
			std = math.Hypot(std, g.LeadTolerance*g.LeadOhm*amps/math.Sqrt(3))
		}
	}
	return 2 * std
}

// reach notes the range and the accuracy at both ends of what is expected.
func (c *binder) reach(fit *GaugeFit, w wanted, r reader) {
	if none(w.high) {
		return
	}
	dim := dimension(w.function)
	at := func(x float64) *Reach {
		return &Reach{x, r.gauge.Range(x), c.uncertainty(r.gauge, x), dim.Unit()}
	}
	low, high := w.ends()
	fit.Low, fit.High = at(low), at(high)
	var m margins
	m.within("range", "", w.high, top(r.gauge.Specs), dim)
	fit.Margin = &m.list[0]
}
