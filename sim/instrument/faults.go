package instrument

import (
	"math"

	"fourwire/sim/circuit"
)

// Terminals are the four terminals of a source or load.
type Terminals struct{ Plus, Minus, SensePlus, SenseMinus circuit.Node }

// ConnectFour is Connect for a channel whose minus conductors matter by themselves: a lead that is open, or exchanged.
func (c *Channel) ConnectFour(n *circuit.Network, name string, t Terminals, lead circuit.Branch) {
	if c.out != nil {
		c.out.connect(n, name, t.Plus, t.Minus, t.SensePlus, t.SenseMinus)
		c.out.lead = lead
	}
	if c.in != nil {
		c.in.connect(n, name, t.Plus, t.Minus, t.SensePlus, t.SenseMinus)
		c.in.lead = lead
	}
}

// Ripple is an oscillation that voltmeters see on top of the true voltage, which stays without it.
type Ripple struct {
	Volts, Hertz float64
	Active       func() bool
}

// Disturb adds an oscillation to what the channel's voltmeter sees; nil takes it away.
func (c *Channel) Disturb(r *Ripple) { c.ripple = r }

// Hum adds to the voltage that the channel samples, not to its readings, whose mean does not see it: so many volts peak to peak, at so many hertz.
func (c *Channel) Hum(now func() (volts, hertz float64)) { c.hum = now }

// Regulates tells whether the channel's output is on and senses remotely: the state in which a sense loop can oscillate.
func (c *Channel) Regulates() bool { return c.out != nil && c.out.on && c.out.remote }

// rippled is what a reading's mean over an aperture gains by an oscillation: amplitude times |sinc(f T)|, at a phase that belongs to the sample.
func (c *Channel) rippled(f Function) float64 {
	r := c.ripple
	if f != Volts || r == nil || !r.Active() {
		return 0
	}
	g := &c.gauges[f]
	x := math.Pi * r.Hertz * g.aperture.Seconds()
	share := 1.0
	if x > 0 {
		share = math.Sin(x) / x
	}
	phase := math.Pi * c.owner.spec.Seed.Uniform(Key{c.owner.spec.Name, c.number, "ripple phase", g.samples})
	return r.Volts * share * math.Cos(phase)
}
