package instrument

import (
	"math"

	"fourwire/sim/scpi"
)

// upset is what has gone wrong with a channel since the bench was switched on.
type upset struct {
	stale bool // a fetch gives the reading that was finished before the last one began
}

// Trip has the over-voltage protection of a channel trip, whatever its voltage is.
func (in *Instrument) Trip(channel int) {
	c := in.channels[channel-1]
	now := in.world.Now()
	switch {
	case c.out != nil:
		c.trip(trippedVolts, &c.out.tripped)
		c.out.turn(false, now)
	case c.in != nil:
		c.trip(trippedVolts, &c.in.tripped)
		c.in.turn(false, now)
	}
	c.report(c.Condition())
	in.world.Touch()
}

// Weaken bounds what a channel can do from now on, whatever is set: a source gives no more than so many amps; a load has at least so many ohms.
func (in *Instrument) Weaken(channel int, amps, ohm float64) {
	c := in.channels[channel-1]
	switch {
	case c.out != nil && amps > 0:
		c.out.mostAmps = amps
		c.out.apply(in.world.Now())
	case c.in != nil && ohm > 0:
		c.in.leastOhm = ohm
		c.in.apply(in.world.Now())
	}
	in.world.Touch()
}

// Turn changes a set value as a hand at the front panel does: the voltage or the current of a source, or what a load holds.
func (in *Instrument) Turn(channel int, volts, amps float64) {
	c := in.channels[channel-1]
	now := in.world.Now()
	for _, s := range [...]struct {
		name  string
		value float64
		set   func(float64)
	}{{"volts", volts, c.turnVolts(now)}, {"amps", amps, c.turnAmps(now)}} {
		if math.IsNaN(s.value) || s.set == nil {
			continue
		}
		s.set(s.value)
		c.log(SetValue, s.name, s.value)
	}
	in.world.Touch()
}

func (c *Channel) turnVolts(now int64) func(float64) {
	if c.out == nil {
		return nil
	}
	return func(volts float64) { c.out.setVoltage(volts, now); c.ramping() }
}

func (c *Channel) turnAmps(now int64) func(float64) {
	switch {
	case c.out != nil:
		return func(amps float64) { _ = setAmps(c, amps, now) }
	case c.in != nil:
		return func(amps float64) { c.in.levels[c.in.mode] = amps; c.in.apply(now) }
	}
	return nil
}

// Press switches a channel's output or input as a hand at the front panel does.
func (in *Instrument) Press(channel int, on bool) {
	c := in.channels[channel-1]
	switch {
	case c.out != nil:
		_ = c.turnOutput(on, in.world.Now()) // a hand gets no error message
	case c.in != nil:
		_ = c.turnInput(on, in.world.Now())
	}
	in.world.Touch()
}

// Stale has every fetch from now on give the reading that was finished before the last one began.
func (in *Instrument) Stale() {
	for _, c := range in.channels {
		c.upset.stale = true
	}
}

// PowerCycle is a power failure that passes: outputs off, every setting at its start, PON.
func (in *Instrument) PowerCycle() {
	in.device.PowerCycle()
	in.world.Touch()
}

// staleReading is what a channel with that fault answers; false where there is no earlier reading.
func (c *Channel) staleReading(f Function) (float64, bool) {
	g := &c.gauges[f]
	return g.before, c.upset.stale && !math.IsNaN(g.before)
}

// Blame posts an error that no command caused.
func (in *Instrument) Blame(code int, text string) {
	in.device.Post(scpi.Error{Code: scpi.Code(code), Text: text})
}
