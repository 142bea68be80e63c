package instrument

import (
	"errors"
	"fmt"
	"math"
	"time"

	"fourwire/sim/circuit"
	"fourwire/sim/scpi"
)

// RelaySpec describes a relay of a switch unit.
type RelaySpec struct {
	ClosedOhm float64
	Moves     time.Duration // from the command until it has closed or opened
}

// relay is one relay at work.
type relay struct {
	net    *circuit.Network
	branch circuit.Branch
	closed bool
}

// newSwitch makes a unit of relays, all open: ROUTe:CLOSe, ROUTe:OPEN and ROUTe:OPEN:ALL of SCPI-1999.
func (in *Instrument) newSwitch() error {
	s := &in.spec
	for i := range s.Channels {
		c := &Channel{owner: in, number: i + 1, spec: &s.Channels[i]}
		c.line.burden = -1
		in.channels = append(in.channels, c)
	}
	in.capture = newCapture(in) // which nothing ever arms
	all := func(to bool) func(*scpi.Call) error {
		return func(call *scpi.Call) error {
			list, err := in.relays(call)
			if err != nil {
				return err
			}
			longest := time.Duration(0)
			for _, c := range list {
				c.route(to)
				longest = max(longest, c.spec.Relay.Moves)
			}
			in.world.Touch()
			call.Hold(longest)
			return nil
		}
	}
	list := []scpi.Param{{Kind: scpi.Channels}}
	state := func(when bool) func(*scpi.Call) error {
		return func(call *scpi.Call) error {
			list, err := in.relays(call)
			if err != nil {
				return err
			}
			for _, c := range list {
				call.Boolean(c.relay.closed == when)
			}
			return nil
		}
	}
	var err error
	in.device, err = scpi.NewDevice(scpi.Options{
		Maker: s.Identity[0], Model: s.Identity[1], Serial: s.Identity[2], Firmware: s.Identity[3],
		CommandTime: s.Processing.Common, ErrorQueue: s.ErrorQueue, Quirks: s.Quirks, Digits: 8,
		Reset: func(*scpi.Call) error { in.openAll(); return nil },
		Commands: s.Processing.timed([]scpi.Command{
			{Pattern: "ROUTe:CLOSe", Params: list, QueryParams: list, Set: all(true), Query: state(true)},
			{Pattern: "ROUTe:OPEN", Params: list, QueryParams: list, Set: all(false), Query: state(false)},
			{Pattern: "ROUTe:OPEN:ALL", Set: func(*scpi.Call) error { in.openAll(); return nil }},
		}),
	})
	if err != nil {
		return fmt.Errorf("%s: %w", s.Name, err)
	}
	return nil
}

// relays are those that a command names.
func (in *Instrument) relays(call *scpi.Call) ([]*Channel, error) {
	numbers, err := call.ChannelList(0)
	if err != nil {
		return nil, err
	}
	var out []*Channel
	for _, n := range numbers {
		if n < 1 || n > len(in.channels) {
			return nil, scpi.DataOutOfRange.With(fmt.Sprintf("there is no relay %d", n))
		}
		out = append(out, in.channels[n-1])
	}
	return out, nil
}

func (in *Instrument) openAll() {
	for _, c := range in.channels {
		c.route(false)
	}
	in.world.Touch()
}

// route closes or opens the relay.
func (c *Channel) route(closed bool) {
	if c.relay.closed == closed {
		return
	}
	c.relay.closed = closed
	c.log(Switched, [...]string{"off", "on"}[indexOf(closed)], float64(indexOf(closed)))
	if c.relay.net != nil {
		ohm := math.Inf(1)
		if closed {
			ohm = max(c.spec.Relay.ClosedOhm, circuit.MinOhm)
		}
		_ = c.relay.net.SetResistor(c.relay.branch, ohm)
	}
}

// IsRelay tells whether the channel is a relay of a switch unit.
func (c *Channel) IsRelay() bool { return c.owner.spec.Kind == Switch }

// ConnectRelay puts the relay, open, between two nodes.
func (c *Channel) ConnectRelay(n *circuit.Network, name string, a, b circuit.Node) {
	c.relay.net, c.relay.branch = n, n.AddResistor(name+" relay", a, b, math.Inf(1))
}

// RelayVolts is the true voltage across a relay, and RelayAmps the current through it.
func (c *Channel) RelayVolts() float64 {
	v, _ := c.relay.net.PortVolts(c.relay.branch)
	return v
}

// RelayAmps is the true current through a relay.
func (c *Channel) RelayAmps() float64 { return c.relay.net.Amps(c.relay.branch) }

// Check says what of a relay cannot be.
func (r RelaySpec) Check() error {
	if !(r.ClosedOhm >= 0) || r.Moves < 0 {
		return errors.New("the resistance and the time of a relay are 0 or more")
	}
	return nil
}
