package sim

import (
	"math"
	"time"

	"fourwire/sim/circuit"
	"fourwire/sim/device"
	"fourwire/sim/instrument"
)

// warmKelvin is how near to its steady temperature a part must be to count as steady.
const warmKelvin = 1e-3

// model is what the converters of sim/device have in common.
type model interface {
	circuit.TwoPort
	circuit.Modal
	Advance(step time.Duration, inV, outV float64)
	PointAt(inV, outV float64) device.Truth
}

// converter is a converter on the bench: its model, and its state at the last commit. It is a Mover.
type converter struct {
	model
	net      *circuit.Network
	in, out  circuit.Node
	branch   circuit.Branch
	heat     *device.Heat
	celsius  *float64
	warming  func(*device.Truth) float64                 // the power that heats it, W
	over     func(inV, outV float64) uint32              // which protections see something; nil: there are none
	stepping func(*device.Truth) (span int64, idle bool) // longest step, ns, and whether nothing but its temperature moves; nil: no bound
	keep     func()                                      // remembers the state
	recall   func()                                      // goes back to it

	at        int64
	inV, outV float64
	point     device.Truth // at the last commit
	span      int64
	rest      bool
}

func newBuck(b *device.Buck) *converter {
	state := *b
	return &converter{
		model: b, heat: &b.Heat, celsius: &b.Celsius,
		warming:  func(t *device.Truth) float64 { return t.Loss.Silicon() },
		over:     buckOver(b),
		stepping: func(t *device.Truth) (int64, bool) { return buckStep(b, t) },
		keep:     func() { state = *b }, recall: func() { *b = state },
	}
}

// buckOver tells which protections of a converter see something.
func buckOver(b *device.Buck) func(inV, outV float64) uint32 {
	if b.OverV == 0 && b.OverA == 0 {
		return nil
	}
	return func(inV, outV float64) (bits uint32) {
		if !device.BuckMode(b.Mode()).Running() {
			return 0
		}
		amps := 0.0
		if b.OverA > 0 {
			amps = b.PointAt(inV, outV).OutAmps
		}
		high, much := b.Over(outV, amps)
		if high {
			bits = 1
		}
		if much {
			bits |= 2
		}
		return bits
	}
}

// buckStep keeps steps short while the reference rises and while a hiccup delay runs.
func buckStep(b *device.Buck, t *device.Truth) (span int64, idle bool) {
	mode := device.BuckMode(b.Mode())
	if high, much := b.Over(t.OutVolts, t.OutAmps); mode.Running() && (high || much) {
		return max(int64(min(delayOr(high, b.OverVDelay), delayOr(much, b.OverADelay)))/20, leastStep), false
	}
	switch {
	case mode.Running() && b.ReferenceV < b.SetV:
		return int64(b.SoftStart) / 50, false
	case mode == device.BuckHiccup:
		return int64(b.HiccupOff) / 50, false
	case mode.Running() && b.Hiccup && t.Limit == device.CurrentLimit:
		return int64(b.HiccupTrip) / 20, false
	}
	return instrument.Never, true
}

// delayOr is the delay of a protection that sees something, and long for one that does not.
func delayOr(sees bool, delay time.Duration) time.Duration {
	if sees {
		return delay
	}
	return time.Hour
}

func newLdo(r *device.Ldo) *converter {
	state := *r
	return &converter{
		model: r, heat: &r.Heat, celsius: &r.Celsius,
		warming: func(t *device.Truth) float64 { return t.LossWatts },
		keep:    func() { state = *r }, recall: func() { *r = state },
	}
}

func newBoost(b *device.Boost) *converter {
	state := *b
	return &converter{
		model: b, heat: &b.Heat, celsius: &b.Celsius,
		warming: func(t *device.Truth) float64 { return t.Loss.Silicon() },
		keep:    func() { state = *b }, recall: func() { *b = state },
	}
}

// Aim makes converter a Mover. Temperature and delays follow the terminals as they were at the start of the step.
func (c *converter) Aim(at int64) {
	mode := c.Mode()
	c.recall()
	c.SetMode(mode)
	if at > c.at {
		c.Advance(time.Duration(at-c.at), c.inV, c.outV)
	}
}

// Commit makes converter a Mover.
func (c *converter) Commit(at int64) {
	c.at = at
	c.inV, c.outV = c.net.Volts(c.in), c.net.Volts(c.out)
	c.keep()
	c.point = c.PointAt(c.inV, c.outV)
	t := &c.point
	idle := true
	c.span = instrument.Never
	if c.stepping != nil {
		c.span, idle = c.stepping(t)
	}
	steady := math.Abs(c.heat.Steady(c.warming(t))-*c.celsius) < warmKelvin
	if !steady && c.heat.TauSecond > 0 {
		c.span = min(c.span, int64(c.heat.TauSecond*1e9/40))
	}
	c.rest = steady && idle
}

// Horizon makes converter a Mover.
func (c *converter) Horizon(now int64) int64 {
	if c.span >= instrument.Never-now {
		return instrument.Never
	}
	return now + max(c.span, 1)
}

// Resting makes converter a Mover.
func (c *converter) Resting() bool { return c.rest }

// Condition makes converter a Mover: its modes are the network's to change, but the moment at which a protection begins to see something
// counts.
func (c *converter) Condition() uint32 {
	if c.over == nil {
		return 0
	}
	return c.over(c.net.Volts(c.in), c.net.Volts(c.out))
}

// React makes converter a Mover: it takes over what changed without a step.
func (c *converter) React(now int64) bool {
	c.Commit(now)
	return false
}

func (c *converter) truth() DeviceTruth {
	in, out := c.net.Volts(c.in), c.net.Volts(c.out)
	return DeviceTruth{Truth: c.PointAt(in, out), NetWatts: c.net.Watts(c.branch)}
}
