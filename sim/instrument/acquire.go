package instrument

import (
	"math"
	"time"

	"fourwire/sim/scpi"
)

// begin starts one acquisition of the channel's functions, which ends after its settling time and its aperture. A meter acquires the
// function that is selected, everything else volts and amps at once.
func (c *Channel) begin(call *scpi.Call, functions ...Function) *scpi.Operation {
	c.drop()
	world := c.owner.world
	world.Observe()
	var aperture time.Duration
	for _, f := range functions {
		aperture = max(aperture, c.gauges[f].aperture)
	}
	start := func(*scpi.Operation) {
		for _, f := range functions {
			world.Watch(c.gauges[f].window)
		}
	}
	finish := func(o *scpi.Operation) {
		for _, f := range functions {
			g := &c.gauges[f]
			world.Unwatch(g.window)
			if !o.Aborted() {
				g.reading = g.read(g.window.Mean()+c.rippled(f), c.owner.spec.Seed, c.owner.spec.Name, c.number, c.spec.Kelvin)
				g.last = g.reading
			}
		}
		if c.busy == o {
			c.owner.operations()
		}
	}
	for _, f := range functions {
		c.gauges[f].reading, c.gauges[f].before = math.NaN(), c.gauges[f].last
	}
	if c.spec.Settle > 0 {
		wait := call.Overlap(c.spec.Settle, func(o *scpi.Operation) {
			if !o.Aborted() {
				start(o)
			}
		})
		c.settling = wait
	} else {
		start(nil)
	}
	c.busy = call.Overlap(c.spec.Settle+aperture, finish)
	c.owner.operations()
	return c.busy
}

// drop ends an acquisition that is under way, without a reading.
func (c *Channel) drop() {
	c.settling.End()
	c.busy.End()
	c.settling, c.busy = nil, nil
	c.owner.operations()
}

// answer waits for the acquisition and answers one function's reading. Without an acquisition it is -230.
func (c *Channel) answer(call *scpi.Call, f Function) error {
	if old, ok := c.staleReading(f); ok {
		call.Number(old)
		return nil
	}
	tell := func(call *scpi.Call) error {
		if math.IsNaN(c.gauges[f].reading) {
			return scpi.DataCorruptOrStale
		}
		call.Number(c.gauges[f].reading)
		return nil
	}
	if c.busy.Pending() {
		call.AfterOperation(c.busy, tell)
		return nil
	}
	return tell(call)
}

// followRange brings the burden of an ammeter in line with its range and tells the time that the change takes.
func (c *Channel) followRange() time.Duration {
	if c.line.burden >= 0 {
		_ = c.line.net.SetResistor(c.line.burden, max(c.gauges[Amps].present().Ohm, minBurdenOhm))
		c.owner.world.Touch()
	}
	return c.spec.Switch
}

const minBurdenOhm = 1e-6
