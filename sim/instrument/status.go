package instrument

import (
	"fourwire/sim/device"
)

// Bits of the QUEStionable condition. Bits 0 to 4 are those of SCPI-1999 volume 2 (VOLTage, CURRent, TIME, POWer, TEMPerature);
// 8 to 12 are free for the instrument.
const (
	VoltsUnregulated uint16 = 1 << 0
	AmpsUnregulated  uint16 = 1 << 1
	PowerLimit       uint16 = 1 << 3
	TooHot           uint16 = 1 << 4
	OverPower        uint16 = 1 << 8
	OverVoltage      uint16 = 1 << 9
	OverCurrent      uint16 = 1 << 10
	ReverseVoltage   uint16 = 1 << 11
	NotReached       uint16 = 1 << 12
)

// Bits of the OPERation condition (SCPI-1999 volume 2).
const (
	Settling   uint16 = 1 << 1
	Sweeping   uint16 = 1 << 3 // a list is under way
	Measuring  uint16 = 1 << 4
	WaitingFor uint16 = 1 << 5 // a capture waits for its trigger
)

const channelBits = VoltsUnregulated | AmpsUnregulated | PowerLimit | TooHot | OverPower | OverVoltage | OverCurrent | ReverseVoltage | NotReached

// Status returns the QUEStionable condition of the channel at the present operating point.
func (c *Channel) Status() uint16 {
	switch {
	case c.out != nil && c.out.net != nil:
		return c.out.status()
	case c.in != nil && c.in.net != nil:
		return c.in.statusBits()
	}
	return 0
}

func (o *output) status() (bits uint16) {
	if o.on {
		switch o.branchNow() {
		case device.ConstantVoltage:
			bits = AmpsUnregulated
			if o.remote {
				if _, limited := o.part.Compensating(o.terminalVolts(), o.net.Between(o.sense, o.senseMinus)); limited {
					bits |= VoltsUnregulated
				}
			}
		case device.ConstantCurrent:
			bits = VoltsUnregulated
			if o.powerBound() {
				bits |= PowerLimit
			}
		case device.Sinking:
			bits = VoltsUnregulated
			if !o.fourQuadrants {
				bits |= AmpsUnregulated
			}
		}
	}
	return bits | o.tripped.bits()
}

func (t trips) bits() (bits uint16) {
	for _, pair := range [...]struct {
		trip trips
		bit  uint16
	}{{trippedVolts, OverVoltage}, {trippedAmps, OverCurrent}, {trippedWatts, OverPower}, {trippedHeat, TooHot}} {
		if t&pair.trip != 0 {
			bits |= pair.bit
		}
	}
	return bits
}

// reverseSeen is how far below zero a load reports a reversed voltage; from memory, a few hundred millivolts. The reading of a node without
// voltage may be below zero by a little.
const reverseSeen = 0.2

func (l *input) statusBits() (bits uint16) {
	switch b := l.statusNow(); {
	case b == device.LoadReversed && l.terminalVolts() < -reverseSeen:
		bits = ReverseVoltage
	case !l.on:
	case b == device.AtMinimumVolts:
		bits = NotReached
	case b == device.AtMaximumAmps:
		bits = NotReached
	case b == device.AtMaximumWatts:
		bits = NotReached | PowerLimit
	}
	return bits | l.tripped.bits()
}

// report brings the status registers up to date and notes a change of mode.
func (c *Channel) report(condition uint32) {
	word := c.modeWord()
	if c.known && word != "" && condition&0xff != c.seen&0xff {
		c.log(Mode, word, 0)
	}
	c.seen, c.known = condition, true
	c.refreshStatus()
}

func (c *Channel) refreshStatus() {
	register := c.owner.device.Questionable()
	if len(c.owner.channels) > 1 {
		register = c.owner.device.Register(summarySet(c.number))
	}
	register.SetCondition(register.Condition()&^channelBits | c.Status())
}

func (c *Channel) modeWord() string {
	switch {
	case c.out != nil:
		return c.out.branchNow().String()
	case c.in != nil:
		return c.in.statusNow().String()
	}
	return ""
}

// operations brings the OPERation condition up to date.
func (in *Instrument) operations() {
	bits := in.capture.bits()
	if in.lists.running() {
		bits |= Sweeping
	}
	for _, c := range in.channels {
		if c.busy.Pending() || c.recording() {
			bits |= Measuring
		}
		if c.ramp.Pending() {
			bits |= Settling
		}
	}
	register := in.device.Operation()
	register.SetCondition(register.Condition()&^(Settling|Sweeping|Measuring|WaitingFor) | bits)
}
