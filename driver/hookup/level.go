package hookup

import (
	"math"

	"fourwire/driver/bench"
	"fourwire/driver/model"
	"fourwire/quantity"
)

// Levels of the check. No output may go above a tenth of what its node is meant for; where that is not known, above 0.3 V, the reverse voltage
// that integrated circuits commonly stand at any pin (from memory).
const (
	usualShare   = 0.05
	mostShare    = 0.08
	ceilingShare = 0.10
	mostVolts    = 0.9  // below the two diodes of a converter's transistors
	loadVolts    = 0.6  // what loads commonly want before they draw a current
	unknownVolts = 0.25 // level where nothing is known of the node
	unknownTop   = 0.3
	apartShare   = 0.12 // by which the levels of sources differ
	overShare    = 1.25 // protection above the level

	currentShare = 0.05
	leastAmps    = 20e-3
	mostAmps     = 0.25
)

// level is what a source is set to.
type level struct {
	volts, amps float64
	top         float64 // no output may go above
	nominal     float64 // 0: not known
	over        float64 // protection; 0: none
	guarded     bool    // the protection acts below top
}

// level works out a harmless level for the index-th source: each gets its own, so that it can be told by its voltage.
func (k *checker) level(p *probe, index int) level {
	spec := p.spec.Source
	l := level{volts: unknownVolts, top: unknownTop, nominal: k.Nominal[p.wire.Node]}
	if l.nominal == 0 {
		l.nominal = math.Abs(k.Bench.Node(p.wire.Node).NominalVolts)
	}
	if l.nominal > 0 {
		l.volts = min(max(usualShare*l.nominal, loadVolts), mostShare*l.nominal, mostVolts)
		l.top = ceilingShare * l.nominal
	}
	l.volts *= 1 - apartShare*float64(index%5)
	if step := spec.SetVolts.Resolution; step > 0 {
		l.volts = math.Floor(l.volts/step) * step
	}
	l.volts = min(l.volts, spec.Volts.High)
	base := spec.Amps.High
	if planned := k.Planned[p.wire.Node]; planned > 0 {
		base = min(base, planned)
	}
	l.amps = min(max(currentShare*base, leastAmps), mostAmps, spec.Amps.High)
	if step := spec.SetAmps.Resolution; step > 0 {
		l.amps = math.Max(math.Floor(l.amps/step)*step, step)
	}
	if o := spec.OverVolts; o.Set {
		l.over = min(max(overShare*l.volts, o.Low), o.High)
		l.guarded = l.over <= l.top
	}
	return l
}

func (l level) setVolts() quantity.Volt { return quantity.Volt(l.volts) }

// Levels is what a check would put on each node, worked out without any instrument; models are by the instrument's name.
func Levels(c Config, models map[string]*model.Model) (out []Level) {
	k := &checker{Config: c}
	index := 0
	for _, w := range c.Bench.Wiring {
		m := models[w.Instrument]
		if w.As != bench.Source || m == nil || w.Channel > len(m.Channels) || m.Channels[w.Channel-1].Source == nil {
			continue
		}
		p := &probe{wire: w, spec: &m.Channels[w.Channel-1]}
		l := k.level(p, index)
		index++
		out = append(out, Level{Channel: p.String(), Node: w.Node, Volts: l.volts, Amps: l.amps, OverV: l.over, NominalV: l.nominal})
	}
	return out
}
