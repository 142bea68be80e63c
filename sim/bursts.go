package sim

import (
	"math"

	"fourwire/quantity"
	"fourwire/sim/circuit"
	"fourwire/sim/instrument"
)

const usualBurstDuty = 0.25

// burstNumbers are the fields of a converter that draws its input current in bursts.
func burstNumbers() []field[Device] {
	return []field[Device]{
		{"burst_frequency", quantity.Frequency, "the input current is drawn in bursts of this frequency, its mean unchanged; evenly where it is left out", func(d *Device, v float64) { d.BurstHertz = v }},
		{"burst_duty", quantity.Ratio, "part of the time that a burst takes; 25 % where it is left out", func(d *Device, v float64) { d.BurstDuty = v }},
	}
}

// bursts shapes the input current of a converter: the model's own current, which is a mean, over the duty while a burst lasts, and nothing
// between. It stands beside the converter and adds the difference, so that the converter's own power stays the mean's.
type bursts struct {
	of         circuit.TwoPort
	period, on int64 // ns
	duty       float64
	burning    bool
}

func (p *builder) bursts(d *Device, c *converter) {
	duty := d.BurstDuty
	if duty <= 0 || duty > 1 {
		duty = usualBurstDuty
	}
	period := int64(math.Round(1e9 / d.BurstHertz))
	b := &bursts{of: c.model, period: period, on: int64(math.Round(duty * float64(period))), duty: duty, burning: true}
	b.duty = float64(b.on) / float64(period)
	p.net.AddTwoPort(d.Name+" bursts", c.in, circuit.Ground, c.out, circuit.Ground, b)
	p.bench.engine.movers = append(p.bench.engine.movers, b)
}

// Currents makes bursts a circuit.TwoPort.
func (b *bursts) Currents(v1, v2 float64) (i1, i2 float64, slopes circuit.Slopes) {
	amps, _, s := b.of.Currents(v1, v2)
	extra := -1.0
	if b.burning {
		extra = 1/b.duty - 1
	}
	return extra * amps, 0, circuit.Slopes{S11: extra * s.S11, S12: extra * s.S12}
}

// Aim makes bursts a Mover.
func (b *bursts) Aim(int64) {}

// Commit makes bursts a Mover.
func (b *bursts) Commit(int64) {}

// Horizon makes bursts a Mover: the next edge.
func (b *bursts) Horizon(now int64) int64 {
	into := now % b.period
	if into < b.on {
		return now - into + b.on
	}
	return now - into + b.period
}

// Resting makes bursts a Mover: between edges nothing moves.
func (b *bursts) Resting() bool { return true }

// Condition makes bursts a Mover.
func (b *bursts) Condition() uint32 { return 0 }

// React makes bursts a Mover: at an edge the current changes at once.
func (b *bursts) React(now int64) bool {
	burning := now%b.period < b.on
	changed := burning != b.burning
	b.burning = burning
	return changed
}

var _ instrument.Mover = (*bursts)(nil)
