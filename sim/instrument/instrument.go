package instrument

import (
	"fmt"

	"fourwire/sim/circuit"
	"fourwire/sim/scpi"
)

// Instrument is one virtual instrument. It belongs to one bench, under whose lock everything in it happens.
type Instrument struct {
	spec     Spec
	world    World
	device   *scpi.Device
	channels []*Channel
	selected Function // of a meter
	dog      watchdog
	alarms   []*alarm
	outlets  [Lines]outlet
	lists    *lists // nil: a meter
	capture  *capture
}

// Channel is one channel of an instrument: its electrical side and its measuring functions. It is a Mover.
type Channel struct {
	owner    *Instrument
	number   int // from 1
	spec     *ChannelSpec
	out      *output // sources and units
	in       *input  // loads
	gauges   [2]gauge
	line     line // what a meter sees
	ripple   *Ripple
	hum      func() (volts, hertz float64)
	recorder *recorder // units
	list     list
	relay    relay // switch units
	busy     *scpi.Operation
	settling *scpi.Operation
	upset    upset
	ramp     *scpi.Operation
	seen     uint32 // condition that was reported last
	known    bool
}

// line is what a meter's terminals are joined to.
type line struct {
	net         *circuit.Network
	plus, minus circuit.Node
	burden      circuit.Branch // an ammeter's; -1 is none
	sign        float64
}

// New makes an instrument. The world is asked for the time only once commands come.
func New(s Spec, w World) (*Instrument, error) {
	in := &Instrument{spec: s, world: w}
	if s.Kind == Switch {
		return in, in.newSwitch()
	}
	for i := range s.Channels {
		c := &Channel{owner: in, number: i + 1, spec: &s.Channels[i]}
		c.line.burden = -1
		if len(c.spec.Volts) == 0 || len(c.spec.Amps) == 0 {
			return nil, fmt.Errorf("%s channel %d has no measuring range", s.Name, c.number)
		}
		c.gauges = [2]gauge{newGauge(Volts, c.spec.Volts), newGauge(Amps, c.spec.Amps)}
		c.gauges[Volts].window = NewWindow(c.Volts)
		c.gauges[Amps].window = NewWindow(c.Amps)
		switch s.Kind {
		case Source, Unit:
			c.out = newOutput(&c.spec.Output, s.Kind == Unit)
			if s.Kind == Unit {
				c.recorder = newRecorder(c)
			}
		case Load:
			c.in = newInput(&c.spec.Input)
		}
		c.list.reset()
		in.channels = append(in.channels, c)
	}
	in.capture = newCapture(in)
	if s.Kind != Meter {
		in.lists = &lists{owner: in}
	}
	options := scpi.Options{
		Maker: s.Identity[0], Model: s.Identity[1], Serial: s.Identity[2], Firmware: s.Identity[3],
		CommandTime: s.Processing.Common, ErrorQueue: s.ErrorQueue, Quirks: s.Quirks, Digits: 8,
		Commands: s.Processing.timed(in.commands()), Reset: func(*scpi.Call) error { in.reset(); return nil }, Trigger: in.busTrigger,
	}
	if len(in.channels) > 1 {
		options.Registers = append(options.Registers,
			scpi.RegisterSet{Path: instrumentSet, Parent: "STATus:QUEStionable", Bit: 13},
			scpi.RegisterSet{Path: instrumentSet + ":ISUMmary", Parent: instrumentSet, Bit: 1, Count: len(in.channels)})
	}
	var err error
	if in.device, err = scpi.NewDevice(options); err != nil {
		return nil, fmt.Errorf("%s: %w", s.Name, err)
	}
	return in, nil
}

const instrumentSet = "STATus:QUEStionable:INSTrument"

func summarySet(channel int) string {
	return fmt.Sprintf("%s:ISUMmary%d", instrumentSet, channel)
}

// Name returns the name that the instrument has on its bench.
func (in *Instrument) Name() string { return in.spec.Name }

// Kind returns its kind.
func (in *Instrument) Kind() Kind { return in.spec.Kind }

// Device returns the side that speaks with controllers.
func (in *Instrument) Device() *scpi.Device { return in.device }

// Channels returns the number of channels.
func (in *Instrument) Channels() int { return len(in.channels) }

// Channel returns a channel, counted from 1.
func (in *Instrument) Channel(number int) *Channel { return in.channels[number-1] }

// Powered tells whether the channel has an output or input of its own that needs terminals.
func (c *Channel) Powered() bool { return c.out != nil || c.in != nil }

// Connect puts the channel's output or input between two nodes, with its sense input at a third and its plus lead, from the terminal
// outward, as the branch in which its own ammeter sits.
func (c *Channel) Connect(n *circuit.Network, name string, term, minus, sense circuit.Node, lead circuit.Branch) {
	c.ConnectFour(n, name, Terminals{term, minus, sense, minus}, lead)
}

// ConnectMeter joins a meter's volt terminals to two nodes.
func (c *Channel) ConnectMeter(n *circuit.Network, name string, plus, minus circuit.Node) {
	c.line.net, c.line.plus, c.line.minus = n, plus, minus
	if ohm := c.spec.Volts[0].Ohm; ohm > 0 {
		n.AddResistor(name+" input", plus, minus, ohm)
	}
}

// ConnectAmmeter puts a meter's shunt into a line; current from plus to minus, times sign, is what it reads.
func (c *Channel) ConnectAmmeter(n *circuit.Network, name string, plus, minus circuit.Node, sign float64) {
	c.line.net, c.line.sign = n, sign
	c.line.burden = n.AddResistor(name+" burden", plus, minus, max(c.gauges[Amps].present().Ohm, circuit.MinOhm))
}

// Farad returns the capacitance across the terminals, which the bench adds to its network.
func (c *Channel) Farad() float64 {
	if c.out != nil {
		return c.spec.Output.Farad
	}
	return 0
}

// Volts returns the true voltage that the channel's voltmeter sees.
func (c *Channel) Volts() float64 {
	switch {
	case c.out != nil:
		if c.out.net == nil {
			return 0
		}
		return c.out.sensedVolts()
	case c.in != nil:
		if c.in.net == nil {
			return 0
		}
		return c.in.sensedVolts()
	case c.line.net != nil && c.line.burden < 0:
		return c.line.net.Between(c.line.plus, c.line.minus)
	}
	return 0
}

// Amps returns the true current that the channel's ammeter sees: out of a source, into a load, through a meter.
func (c *Channel) Amps() float64 {
	switch {
	case c.out != nil:
		if c.out.net == nil {
			return 0
		}
		return c.out.amps()
	case c.in != nil:
		if c.in.net == nil {
			return 0
		}
		return c.in.amps()
	case c.line.burden >= 0:
		return c.line.sign * c.line.net.Amps(c.line.burden)
	}
	return 0
}

// Aim makes Channel a Mover.
func (c *Channel) Aim(at int64) {
	if c.out != nil {
		c.out.Aim(at)
	}
	if c.in != nil {
		c.in.Aim(at)
	}
}

// Commit makes Channel a Mover.
func (c *Channel) Commit(int64) {}

// Horizon makes Channel a Mover.
func (c *Channel) Horizon(now int64) int64 {
	switch {
	case c.out != nil:
		return c.out.Horizon(now)
	case c.in != nil:
		return c.in.Horizon(now)
	}
	return Never
}

// Resting makes Channel a Mover: ramps and delays have a horizon, and nothing else moves.
func (c *Channel) Resting() bool {
	now := c.owner.world.Now()
	switch {
	case c.out != nil:
		return !c.out.reference.moving(now)
	case c.in != nil:
		return !c.in.current.moving(now) && !c.in.drifting()
	}
	return true
}

// Condition makes Channel a Mover.
func (c *Channel) Condition() uint32 {
	switch {
	case c.out != nil && c.out.net != nil:
		return c.out.Condition()
	case c.in != nil && c.in.net != nil:
		return c.in.Condition()
	}
	return 0
}

// React makes Channel a Mover.
func (c *Channel) React(now int64) (changed bool) {
	switch {
	case c.out != nil && c.out.net != nil:
		if t := c.out.protect(now); t != 0 {
			c.trip(t, &c.out.tripped)
			c.out.turn(false, now)
			c.owner.lists.tripped()
			changed = true
		}
	case c.in != nil && c.in.net != nil:
		if t := c.in.protect(now); t != 0 {
			c.trip(t, &c.in.tripped)
			c.in.turn(false, now)
			c.owner.lists.tripped()
			changed = true
		}
	}
	if c.out != nil && c.out.reference.start(now) || c.in != nil && c.in.current.start(now) {
		changed = true
	}
	if condition := c.Condition(); !changed && (condition != c.seen || !c.known) {
		c.report(condition)
	}
	return changed
}

func (c *Channel) trip(t trips, latched *trips) {
	*latched |= t
	value := c.Amps()
	if t&trippedVolts != 0 {
		value = c.Volts()
	}
	c.log(Tripped, t.words(), value)
	c.log(Switched, "off", 0)
}

func (c *Channel) log(kind EventKind, text string, value float64) {
	c.owner.world.Log(c.owner.spec.Name, c.number, kind, text, value)
}

func (in *Instrument) reset() {
	now := in.world.Now()
	in.capture.reset()
	if in.lists != nil {
		in.lists.reset()
	}
	in.outlets = [Lines]outlet{}
	for _, c := range in.channels {
		c.drop()
		if c.recorder != nil {
			c.recorder.reset()
		}
		c.gauges[Volts].reset()
		c.gauges[Amps].reset()
		c.followRange()
		switch {
		case c.out != nil:
			if c.out.on {
				c.log(Switched, "off", 0)
			}
			c.out.powerOn(now)
		case c.in != nil:
			if c.in.on {
				c.log(Switched, "off", 0)
			}
			c.in.powerOn(now)
		}
		c.log(ResetDone, "", 0)
	}
	in.selected = Volts
	in.dog = watchdog{}
	in.world.Touch()
}
