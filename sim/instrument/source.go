package instrument

import (
	"math"

	"fourwire/sim/circuit"
	"fourwire/sim/device"
)

// output is the electrical side of one source channel.
type output struct {
	part device.SensedSource
	spec *OutputSpec

	setVolts, setAmps   float64 // as asked and rounded to the steps
	listVolts, listAmps float64 // of a list's step, which is in force instead; NaN: none
	overVolts, overAmps float64
	overAmpsOn          bool
	on, remote          bool
	fourQuadrants       bool
	tripped             trips
	seriesOhm           float64 // set in series with the output
	force               forced
	mostAmps            float64 // more it cannot deliver, whatever is set; 0 is no such bound

	reference ramp // of the voltage, as it really is
	overVolt  delay
	overAmp   delay

	net        *circuit.Network
	branch     circuit.Branch
	term       circuit.Node
	minus      circuit.Node
	sense      circuit.Node
	senseMinus circuit.Node
	lead       circuit.Branch // the plus lead, from the terminal outward; -1 when nothing is connected
}

// trips are latched protections, a set.
type trips uint8

const (
	trippedVolts trips = 1 << iota
	trippedAmps
	trippedWatts
	trippedHeat
)

func (t trips) words() string {
	switch {
	case t&trippedVolts != 0:
		return "over-voltage"
	case t&trippedAmps != 0:
		return "over-current"
	case t&trippedWatts != 0:
		return "over-power"
	case t&trippedHeat != 0:
		return "over-temperature"
	}
	return ""
}

func newOutput(s *OutputSpec, fourQuadrants bool) *output {
	o := &output{spec: s, fourQuadrants: fourQuadrants, lead: -1}
	o.part = device.SensedSource{
		SourceOutput:  device.SourceOutput{RcvOhm: s.RcvOhm, RccOhm: s.RccOhm, SinkA: s.SinkAmps},
		CompensationV: s.CompensationVolts, SenseInputOhm: s.SenseInputOhm, ProtectOhm: s.ProtectOhm,
	}
	o.overVolt.span, o.overAmp.span = int64(s.OverVoltsDelay), int64(s.OverAmpsDelay)
	o.powerOn(0)
	return o
}

// powerOn brings the settings to those of *RST.
func (o *output) powerOn(now int64) {
	o.setVolts, o.setAmps = 0, o.spec.MaxAmps
	o.listVolts, o.listAmps = math.NaN(), math.NaN()
	o.overVolts, o.overAmps, o.overAmpsOn = o.spec.MaxOverVolts, o.spec.MaxOverAmps, false
	o.on, o.remote, o.tripped, o.seriesOhm = false, false, 0, 0
	o.force = forced{volts: o.spec.MaxVolts}
	o.overVolt.armed, o.overAmp.armed = false, false
	o.reference.jumpTo(0, now)
	o.apply(now)
}

// apply carries the settings over to the part, with their errors.
func (o *output) apply(now int64) {
	o.part.On = o.on
	o.part.RcvOhm = o.spec.RcvOhm + o.seriesOhm
	o.part.VrefV = o.reference.at(now)
	o.part.IrefA = max(o.levelAmps()*(1+o.spec.AmpsGain)+o.spec.AmpsOffset, 0)
	if volts := math.Abs(o.levelVolts()); o.spec.MaxWatts > 0 && volts > 0 {
		o.part.IrefA = min(o.part.IrefA, o.spec.MaxWatts/volts)
	}
	if o.mostAmps > 0 {
		o.part.IrefA = min(o.part.IrefA, o.mostAmps)
	}
	o.part.SinkA = o.spec.SinkAmps
	if o.fourQuadrants {
		o.part.SinkA = o.part.IrefA
	}
}

// levelVolts is the voltage that is in force: a list's step, or the set one.
func (o *output) levelVolts() float64 {
	if math.IsNaN(o.listVolts) {
		return o.setVolts
	}
	return o.listVolts
}

// levelAmps is the current that is in force.
func (o *output) levelAmps() float64 {
	if math.IsNaN(o.listAmps) {
		return o.setAmps
	}
	return o.listAmps
}

// follow puts the levels of a list's step in force; NaN is the set one.
func (o *output) follow(volts, amps float64, now int64) {
	o.listVolts, o.listAmps = volts, amps
	o.retarget(now, 0)
}

// powerBound tells whether the rated power, not the current setting, limits the current.
func (o *output) powerBound() bool {
	return o.spec.MaxWatts > 0 && o.levelAmps()*math.Abs(o.levelVolts()) > o.spec.MaxWatts
}

func (o *output) truly(volts float64) float64 {
	if !o.fourQuadrants {
		return max(volts*(1+o.spec.VoltsGain)+o.spec.VoltsOffset, 0)
	}
	return volts*(1+o.spec.VoltsGain) + o.spec.VoltsOffset
}

// setVoltage starts a ramp to a new set point; with the output off there is nothing to ramp.
func (o *output) setVoltage(volts float64, now int64) {
	o.setVolts = volts
	o.retarget(now, int64(o.spec.Response))
}

// setSeries puts a resistance in series with the output.
func (o *output) setSeries(ohm float64, now int64) {
	o.seriesOhm = ohm
	o.apply(now)
}

// retarget has the reference move to what is in force, some ns from now on.
func (o *output) retarget(now, lead int64) {
	target := 0.0
	if o.on {
		target = o.truly(o.levelVolts())
	}
	slew := o.spec.SlewUp
	if math.Abs(target) < math.Abs(o.reference.at(now)) {
		slew = o.spec.SlewDown
	}
	switch {
	case !o.on:
		o.reference.jumpTo(target, now)
	case o.spec.Rise > 0:
		o.reference.settleTo(target, int64(o.spec.Rise), now, lead)
	default:
		o.reference.moveTo(target, slew, now, lead)
	}
	o.apply(now)
}

// Currents makes output a circuit.TwoPort: terminal and sense point.
func (o *output) Currents(terminal, sense float64) (amps1, amps2 float64, slopes circuit.Slopes) {
	if o.force.yes {
		return o.forcedCurrents(terminal, sense)
	}
	if o.remote {
		amps1, amps2, slopes = o.part.Currents(terminal, sense)
	} else {
		input := 1 / o.spec.SenseInputOhm
		amps1, slopes.S11 = o.part.SourceOutput.Current(terminal)
		amps2, slopes.S22 = sense*input, input
	}
	amps, siemens := o.bleed(terminal)
	amps1, slopes.S11 = amps1+amps, slopes.S11+siemens
	return amps1, amps2, slopes
}

// bleedSpan is the width, in V, over which the bleeder comes in.
const bleedSpan = 1e-3

// bleed is the current of the bleeder. It draws an output down that is off or above its set point; otherwise the regulator supplies it,
// so that it does not take away from the current setting.
func (o *output) bleed(terminal float64) (amps, siemens float64) {
	if o.spec.BleedOhm <= 0 {
		return 0, 0
	}
	g := 1 / o.spec.BleedOhm
	if !o.on || o.fourQuadrants {
		return terminal * g, g
	}
	switch above := (terminal - o.part.VrefV) / bleedSpan; {
	case above <= 0:
		return 0, 0
	case above < 1:
		return terminal * g * above, g*above + terminal*g/bleedSpan
	}
	return terminal * g, g
}

// StartVolts makes output a circuit.Starter.
func (o *output) StartVolts() (volts1, volts2 float64) {
	if o.force.yes {
		return math.NaN(), math.NaN()
	}
	return o.part.StartVolts()
}

// connect puts the output between two nodes of a network, with its sense input at a third.
func (o *output) connect(n *circuit.Network, name string, term, minus, sense, senseMinus circuit.Node) {
	o.net, o.term, o.minus, o.sense, o.senseMinus = n, term, minus, sense, senseMinus
	n.AddResistor(name+" sense protection", term, sense, o.spec.ProtectOhm)
	if senseMinus != minus {
		n.AddResistor(name+" sense protection -", minus, senseMinus, o.spec.ProtectOhm)
	}
	o.branch = n.AddTwoPort(name, term, minus, sense, senseMinus, o)
}

func (o *output) terminalVolts() float64 { return o.net.Between(o.term, o.minus) }

// sensedVolts is what the channel's own voltmeter sees.
func (o *output) sensedVolts() float64 {
	if o.remote {
		return o.net.Between(o.sense, o.senseMinus)
	}
	return o.terminalVolts()
}

// amps is the current that flows out through the plus lead.
func (o *output) amps() float64 {
	if o.lead < 0 {
		return 0
	}
	return o.net.Amps(o.lead)
}

// branchNow tells which part of the characteristic holds.
func (o *output) branchNow() device.Branch {
	if o.force.yes {
		return o.forcedBranch()
	}
	if o.remote {
		_, b := o.part.RegulatedAt(o.terminalVolts(), o.net.Between(o.sense, o.senseMinus))
		return b
	}
	_, _, b := o.part.Delivered(o.terminalVolts())
	return b
}

func (o *output) tooHigh() bool { return math.Abs(o.terminalVolts()) > o.overVolts }

func (o *output) tooMuch() bool {
	return o.overAmpsOn && math.Abs(o.amps()) >= o.overAmps*(1-1e-6) // the limit itself counts
}

// Aim makes output a Mover.
func (o *output) Aim(at int64) { o.part.VrefV = o.reference.at(at) }

// Commit makes output a Mover.
func (o *output) Commit(int64) {}

// Horizon makes output a Mover.
func (o *output) Horizon(now int64) int64 {
	return min(o.reference.horizon(now), o.overVolt.horizon(), o.overAmp.horizon())
}

// Condition makes output a Mover.
func (o *output) Condition() uint32 {
	c := uint32(o.branchNow())
	if o.on {
		if o.tooHigh() {
			c |= 1 << 8
		}
		if o.tooMuch() {
			c |= 1 << 9
		}
	}
	return c
}

// protect runs the delays and returns what has tripped.
func (o *output) protect(now int64) trips {
	var t trips
	if o.overVolt.see(o.on && o.tooHigh(), now) {
		t |= trippedVolts
	}
	if o.overAmp.see(o.on && o.tooMuch(), now) {
		t |= trippedAmps
	}
	return t
}

// turn switches the output.
func (o *output) turn(on bool, now int64) {
	if on == o.on {
		return
	}
	o.on = on
	if on {
		o.reference.jumpTo(min(max(o.terminalVolts(), 0), max(o.truly(o.levelVolts()), 0)), now) // the ramp starts where the terminals stand
	}
	o.retarget(now, int64(o.spec.Response))
}
