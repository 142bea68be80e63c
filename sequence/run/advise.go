package run

import (
	"fmt"
	"math"
	"sort"
	"strings"
	"time"

	"fourwire/driver/model"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/sequence"
	"fourwire/sequence/plan"
)

// origin is the range of a gauge that error inputs belong to, with what was read on it.
type origin struct {
	gauge    int
	name     string // the measured name that was read on it last
	full     float64
	last     float64 // magnitudes: read last, and at most
	most     float64
	aperture time.Duration
	times    int  // readings of one value
	series   bool // they were weighted, for a time
}

// remember notes where the error inputs of a reading come from.
func (r *runner) remember(name string, g *group, i int, v measured.Value) {
	inputs := g.readings[i].Inputs
	if inputs == "" || math.IsNaN(v.X) {
		return
	}
	o := r.origins[inputs]
	if o == nil {
		o = &origin{gauge: g.gauges[i], full: g.readings[i].RangeFull}
		r.origins[inputs] = o
	}
	o.name, o.last, o.most = name, math.Abs(v.X), math.Max(o.most, math.Abs(v.X))
	o.aperture, o.times = g.aperture, g.passes
}

// share is what one origin puts into a variance.
type share struct {
	*origin
	parts   model.Contributions // signed roots of the variance by kind; see add
	scatter float64             // variance of noise, quantisation and what was seen to scatter
	steady  float64             // variance of the rest
	leads   float64             // variance of the way to the node, which another meter at the node does not have
}

const adviceMargin = 0.9 // of the uncertainty that would just decide: the value moves when it is measured again

// advise names the cheapest change that brings the standard uncertainty of a value down to what its rule needs, worked out from the
// value's budget and the models: a longer recording; more time where scatter rules; a lower range; other instruments of the bench; else it says what
// would be needed.
func (r *runner) advise(v measured.Value, needed float64, whole bool) string {
	std := r.expanded(v) / 2
	if r.cfg.Ledger == nil || !(std > 0) {
		return ""
	}
	if needed == 0 {
		return "the value lies on the limit itself: no accuracy decides it"
	}
	target := needed * adviceMargin
	shares, rest := r.shares(v)
	b := budget{run: r, shares: shares, rest: rest, whole: whole, target: target * target, dim: v.Dim}
	record := func() (string, float64) { return r.recordLonger(v, b.target) }
	for _, change := range []func() (string, float64){record, b.longer, b.lower, b.exchange} {
		if text, variance := change(); text != "" {
			return fmt.Sprintf("would be decided, where the value stays, by this: %s; U goes from %s to about %s", text, quantity.Of(2*std, v.Dim).Text(2), quantity.Of(2*math.Sqrt(variance), v.Dim).Text(2))
		}
	}
	most := r.biggest(v)
	return fmt.Sprintf("no single change on this bench decides it: U of %s at most is needed, it is %s, mostly %s", quantity.Of(2*needed, v.Dim).Text(2), quantity.Of(2*std, v.Dim).Text(2), most)
}

// shares sorts the terms of a value by where they come from; rest is the variance of those that belong to no reading.
func (r *runner) shares(v measured.Value) (list []share, rest float64) {
	index := map[*origin]int{}
	for _, t := range v.Terms {
		in := r.cfg.Ledger.Input(t.Input)
		o := r.originOf(in.Name)
		lead := o == nil && in.Kind == measured.Lead
		if lead {
			o = r.readBehindLeads(in.Name)
		}
		if o == nil {
			rest += t.Part * t.Part
			continue
		}
		at, ok := index[o]
		if !ok {
			at = len(list)
			index[o], list = at, append(list, share{origin: o})
		}
		s := &list[at]
		square := t.Part * t.Part
		if lead {
			s.leads += square
			continue
		}
		switch in.Kind {
		case measured.Noise:
			s.parts.Noise += square
		case measured.Quantisation:
			s.parts.Quantisation += square
		case measured.Gain:
			s.parts.Gain += square
		case measured.Offset:
			s.parts.Offset += square
		}
		switch in.Kind {
		case measured.Noise, measured.Quantisation, measured.Ripple:
			s.scatter += square
		default:
			s.steady += square
		}
	}
	sort.SliceStable(list, func(i, j int) bool { return list[i].all() > list[j].all() })
	return list, rest
}

func (s share) all() float64 { return s.scatter + s.steady + s.leads }

// readBehindLeads finds the voltage that is read at the terminals of a channel, by the name of an input that belongs to its leads.
func (r *runner) readBehindLeads(name string) *origin {
	for _, o := range r.origins {
		g := &r.gauges[o.gauge]
		if g.Function == sequence.Volts && g.LeadOhm > 0 && strings.HasPrefix(name, g.Channel.String()+" ") {
			return o
		}
	}
	return nil
}

// originOf finds the range that an error input belongs to, by what its name begins with.
func (r *runner) originOf(name string) *origin {
	for i := len(name) - 1; i > 0; i-- {
		if name[i] == ' ' {
			if o := r.origins[name[:i]]; o != nil {
				return o
			}
		}
	}
	return nil
}

// budget is a variance taken apart, and the one that is wanted.
type budget struct {
	run    *runner
	shares []share
	rest   float64
	whole  bool
	target float64
	dim    quantity.Dimension
}

func (b *budget) variance() float64 {
	sum := b.rest
	for _, s := range b.shares {
		sum += s.all()
	}
	return sum
}

// longer finds how much more time decides: a longer aperture where noise rules and the meters can, else more readings.
func (b *budget) longer() (string, float64) {
	steady, scatter := b.rest, 0.0
	times, aperture := 1, time.Duration(0)
	for _, s := range b.shares {
		steady, scatter = steady+s.steady+s.leads, scatter+s.scatter
		times, aperture = max(times, s.times), max(aperture, s.aperture)
		if s.series {
			return "", 0
		}
	}
	if steady >= b.target || scatter == 0 {
		return "", 0
	}
	factor := scatter / (b.target - steady)
	if factor > 10_000 {
		return "", 0
	}
	for _, longer := range []time.Duration{20, 40, 100, 200, 400, 1000, 2000, 4000, 10000} {
		longer *= time.Millisecond
		if longer <= aperture || float64(longer) < factor*float64(aperture)*0.99 {
			continue
		}
		if variance, ok := b.at(longer); ok && variance <= b.target {
			return fmt.Sprintf("aperture: %s in place of %s", quantity.Second(longer.Seconds()), quantity.Second(aperture.Seconds())), variance
		}
	}
	n := int(math.Ceil(factor * float64(times)))
	if n <= times || n > 10_000 {
		return "", 0
	}
	return fmt.Sprintf("average: %d in place of %d", n, times), steady + scatter*float64(times)/float64(n)
}

// at is the variance at another aperture, by the models' noise; ok is false where a meter cannot.
func (b *budget) at(aperture time.Duration) (variance float64, ok bool) {
	variance = b.rest
	for _, s := range b.shares {
		g := &b.run.gauges[s.gauge]
		if g.Aperture.Most > 0 && aperture > g.Aperture.Most {
			return 0, false
		}
		a := model.Pick(g.Specs, s.full).Accuracy
		now, then := a.NoiseAt(s.aperture.Seconds()), a.NoiseAt(aperture.Seconds())
		noise := s.parts.Noise
		if now > 0 {
			noise *= then * then / (now * now)
		}
		variance += s.all() - s.parts.Noise + noise
	}
	return variance, true
}

// lower finds one reading whose next lower ranges would do.
func (b *budget) lower() (string, float64) {
	all := b.variance()
	for _, s := range b.shares {
		g := &b.run.gauges[s.gauge]
		now := model.Pick(g.Specs, s.full)
		for _, spec := range g.Specs {
			if spec.Full >= s.full || b.reads(s) > spec.Full {
				continue
			}
			if variance := all - s.scatter - s.steady + b.with(s, now, spec); variance <= b.target {
				return fmt.Sprintf("ranges: {%s: %s}, where %s stands on %s now", s.name, quantity.Of(spec.Full, gaugeDim(g)), g.Channel, quantity.Of(s.full, gaugeDim(g))), variance
			}
		}
	}
	return "", 0
}

// reads is the magnitude that a reading must hold: of many points, the largest.
func (b *budget) reads(s share) float64 {
	if b.whole {
		return s.most
	}
	return s.last
}

// with is what an origin would put into the variance with another specification.
func (b *budget) with(s share, now, then model.Range) float64 {
	scale := func(variance, before, after float64) float64 {
		if before <= 0 {
			return variance
		}
		return variance * after * after / (before * before)
	}
	x, c := b.reads(s), model.Conditions{ApertureSeconds: s.aperture.Seconds(), AmbientKelvin: b.run.plan.Bench.AmbientKelvin}
	o, n := now.At(x, c), then.At(x, c)
	named := s.parts.Gain + s.parts.Offset + s.parts.Noise + s.parts.Quantisation
	return scale(s.parts.Gain, o.Gain, n.Gain) + scale(s.parts.Offset, o.Offset, n.Offset) + scale(s.parts.Noise, o.Noise, n.Noise) +
		scale(s.parts.Quantisation, o.Quantisation, n.Quantisation) + s.scatter + s.steady - named
}

// exchange finds instruments of the bench that read better, the most useful exchange first, until the value is decided.
func (b *budget) exchange() (string, float64) {
	variance := b.variance()
	var changes []string
	used := map[plan.Channel]bool{}
	for _, s := range b.shares {
		g := &b.run.gauges[s.gauge]
		c := model.Conditions{ApertureSeconds: s.aperture.Seconds(), AmbientKelvin: b.run.plan.Bench.AmbientKelvin}
		x := b.reads(s)
		now := model.Pick(g.Specs, s.full).At(x, c).Std()
		better, best, full := plan.Channel{}, now, 0.0
		for _, m := range b.run.plan.Spares(g.Function) {
			spec := model.Pick(m.Specs, x)
			if std := spec.At(x, c).Std(); std < best && !used[m.Channel] && x <= spec.Full {
				better, best, full = m.Channel, std, spec.Full
			}
		}
		if best >= now || now == 0 {
			continue
		}
		used[better] = true
		variance += (s.scatter+s.steady)*(best*best/(now*now)-1) - s.leads
		as := map[sequence.Function]string{sequence.Volts: "voltmeter", sequence.Amps: "ammeter"}[g.Function]
		changes = append(changes, fmt.Sprintf("wire %s at %s as %s (%s range) in place of %s for %s", better, g.Node, as, quantity.Of(full, gaugeDim(g)), g.Channel, s.name))
		if variance <= b.target {
			return strings.Join(changes, ", and "), variance
		}
	}
	return "", 0
}
