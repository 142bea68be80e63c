package instrument

import (
	"math"

	"fourwire/sim/circuit"
	"fourwire/sim/device"
)

// input is the electrical side of an electronic load.
type input struct {
	part device.LoadInput
	spec *InputSpec

	mode                device.LoadMode
	levels              [4]float64 // by mode: A, ohm, V, W
	listed              [2]float64 // by Function: of a list's step, which is in force instead; NaN: none
	ampsRange           int
	overAmps            float64
	overAmpsOn          bool
	on, remote          bool
	shorted             bool // its transistors are fully on, whatever is set
	onSince             int64
	tripped             trips
	leastOhm            float64 // less it cannot get to, whatever is set; 0 is no such bound
	current             ramp    // of the current, in constant current
	response            int64   // ns, until it begins to move
	overVolt, overAmp   delay
	overWatt            delay
	net                 *circuit.Network
	branch              circuit.Branch
	term, minus, sensed circuit.Node
	sensedMinus         circuit.Node
	lead                circuit.Branch
}

const (
	loadProtectOhm  = 10e3  // from the terminals to the sense terminals
	loadSenseOhm    = 10e6  // across the sense terminals
	loadProtectSpan = 20000 // ns
)

func newInput(s *InputSpec) *input {
	l := &input{spec: s, lead: -1, response: int64(s.Response)}
	l.part = device.LoadInput{RminOhm: s.MinOhm, MaxA: s.MaxAmps * 1.02, LeakOhm: s.LeakOhm}
	if s.MaxWatts > 0 {
		l.part.MaxW = s.MaxWatts * 1.02
	}
	l.overVolt.span, l.overWatt.span, l.overAmp.span = loadProtectSpan, loadProtectSpan, int64(s.OverAmpsDelay)
	l.powerOn(0)
	return l
}

// powerOn brings the settings to those of *RST.
func (l *input) powerOn(now int64) {
	l.mode = device.HoldAmps
	l.levels = [4]float64{device.HoldAmps: 0, device.HoldOhms: l.spec.HighOhms, device.HoldVolts: l.spec.MaxVolts, device.HoldWatts: 0}
	l.listed = [2]float64{math.NaN(), math.NaN()}
	l.ampsRange = len(l.spec.AmpsRanges) - 1
	l.overAmps, l.overAmpsOn = l.spec.MaxOverAmps, false
	l.on, l.remote, l.shorted, l.tripped = false, false, false, 0
	l.overAmp.armed, l.overVolt.armed, l.overWatt.armed = false, false, false
	l.current.jumpTo(0, now)
	l.apply(now)
}

// apply carries the settings over to the part, with their errors; in constant current the setting slews.
func (l *input) apply(now int64) {
	s := l.spec
	l.part.On, l.part.Mode = l.on, l.mode
	level := l.level()
	if l.shorted && l.on {
		l.part.Mode, l.part.Setting = device.HoldOhms, circuit.MinOhm
		l.part.RminOhm = max(s.MinOhm, l.leastOhm)
		l.current.jumpTo(0, now)
		return
	}
	switch l.mode {
	case device.HoldAmps:
		target := 0.0
		if l.on {
			target = max(level*(1+s.AmpsGain)+s.AmpsOffset, 0)
		}
		l.current.moveTo(target, s.Slew, now, l.response)
		if !l.on {
			l.current.jumpTo(0, now)
		}
		l.Aim(now)
		return
	case device.HoldOhms:
		l.part.Setting = level * (1 + s.OhmsGain)
	case device.HoldVolts:
		l.part.Setting = max(level*(1+s.VoltsGain)+s.VoltsOffset, 0)
	case device.HoldWatts:
		l.part.Setting = level * (1 + s.WattsGain)
	}
	l.part.RminOhm = max(s.MinOhm, l.leastOhm)
	l.current.jumpTo(0, now)
}

// level is what the mode holds now: a list's step, or what is set.
func (l *input) level() float64 {
	for f, mode := range [2]device.LoadMode{Volts: device.HoldVolts, Amps: device.HoldAmps} {
		if l.mode == mode && !math.IsNaN(l.listed[f]) {
			return l.listed[f]
		}
	}
	return l.levels[l.mode]
}

// follow puts the levels of a list's step in force; NaN is the set one.
func (l *input) follow(volts, amps float64, now int64) {
	l.listed = [2]float64{Volts: volts, Amps: amps}
	lead := l.response
	l.response = 0
	l.apply(now)
	l.response = lead
}

// Aim makes input a Mover. A load that has too little voltage for its current follows a line through the origin: the larger of its
// transistors' resistance and MinVolts over the current.
func (l *input) Aim(at int64) {
	if l.mode != device.HoldAmps || l.shorted && l.on {
		return
	}
	l.part.Setting = l.current.at(at) * l.drifted(at)
	l.part.RminOhm = l.spec.MinOhm
	if l.part.Setting > 0 {
		l.part.RminOhm = max(l.spec.MinOhm, l.spec.MinVolts/l.part.Setting)
	}
	l.part.RminOhm = max(l.part.RminOhm, l.leastOhm)
	l.part.RminOhm = min(l.part.RminOhm, 1e9)
}

// Commit makes input a Mover.
func (l *input) Commit(int64) {}

// Horizon makes input a Mover.
func (l *input) Horizon(now int64) int64 {
	return min(l.current.horizon(now), l.overVolt.horizon(), l.overAmp.horizon(), l.overWatt.horizon())
}

// Currents makes input a circuit.TwoPort. The current is what the mode asks for at the sense point, but no more than the
// transistors let through at the terminals.
func (l *input) Currents(terminal, sense float64) (amps1, amps2 float64, slopes circuit.Slopes) {
	if !l.remote || !l.on || l.mode == device.HoldAmps || l.shorted || terminal <= 0 {
		amps, siemens := l.part.Current(terminal)
		return amps, sense / loadSenseOhm, circuit.Slopes{S11: siemens, S22: 1.0 / loadSenseOhm}
	}
	asked := l.part
	asked.RminOhm = circuit.MinOhm
	amps, siemens := asked.Current(max(sense, 0))
	slopes = circuit.Slopes{S12: siemens, S22: 1.0 / loadSenseOhm}
	if most := terminal / l.part.RminOhm; most < amps {
		amps, slopes.S11, slopes.S12 = most, 1/l.part.RminOhm, 0
	}
	return amps, sense / loadSenseOhm, slopes
}

// DemandsPower makes input a circuit.Demander: any mode may be set after the network was built.
func (l *input) DemandsPower() bool { return true }

func (l *input) connect(n *circuit.Network, name string, term, minus, sense, senseMinus circuit.Node) {
	l.net, l.term, l.minus, l.sensed, l.sensedMinus = n, term, minus, sense, senseMinus
	n.AddResistor(name+" sense protection", term, sense, loadProtectOhm)
	if senseMinus != minus {
		n.AddResistor(name+" sense protection -", minus, senseMinus, loadProtectOhm)
	}
	l.branch = n.AddTwoPort(name, term, minus, sense, senseMinus, l)
}

func (l *input) terminalVolts() float64 { return l.net.Between(l.term, l.minus) }

func (l *input) sensedVolts() float64 {
	if l.remote {
		return l.net.Between(l.sensed, l.sensedMinus)
	}
	return l.terminalVolts()
}

// amps is the current that flows in through the plus lead.
func (l *input) amps() float64 {
	if l.lead < 0 {
		return 0
	}
	return -l.net.Amps(l.lead)
}

// statusNow tells what bounds the current.
func (l *input) statusNow() device.LoadBranch {
	_, _, b := l.part.Taken(l.terminalVolts())
	if l.shorted && b == device.AtMinimumVolts {
		return device.Holding
	}
	if b == device.AtMinimumVolts && l.mode == device.HoldVolts && l.terminalVolts() > l.part.Setting {
		return device.Holding // a voltage is held by a current without bound
	}
	if b == device.Holding && l.mode == device.HoldVolts && l.terminalVolts() < l.part.Setting-1e-6 {
		return device.AtMinimumVolts // no current brings the voltage up
	}
	return b
}

func (l *input) tooHigh() bool { return l.terminalVolts() > l.spec.OverVolts }

func (l *input) tooMuch() bool {
	return l.overAmpsOn && l.amps() >= l.overAmps*(1-1e-6) && l.amps() > 0
}

func (l *input) tooHot() bool {
	return l.spec.OverWatts > 0 && l.terminalVolts()*l.net.Amps(l.branch) > l.spec.OverWatts
}

// Condition makes input a Mover.
func (l *input) Condition() uint32 {
	c := uint32(l.statusNow())
	if l.on {
		for i, set := range [3]bool{l.tooHigh(), l.tooMuch(), l.tooHot()} {
			if set {
				c |= 1 << (8 + i)
			}
		}
	}
	return c
}

func (l *input) protect(now int64) trips {
	var t trips
	if l.overVolt.see(l.on && l.tooHigh(), now) {
		t |= trippedVolts
	}
	if l.overAmp.see(l.on && l.tooMuch(), now) {
		t |= trippedAmps
	}
	if l.overWatt.see(l.on && l.tooHot(), now) {
		t |= trippedWatts
	}
	return t
}

// turn switches the input.
func (l *input) turn(on bool, now int64) {
	if on == l.on {
		return
	}
	l.on, l.onSince = on, now
	l.apply(now)
}

// short has its transistors fully on, or follow what is set.
func (l *input) short(on bool, now int64) {
	l.shorted = on
	l.apply(now)
}

// chooseRange selects the smallest level range that holds a current.
func (l *input) chooseRange(amps float64) bool {
	for i, full := range l.spec.AmpsRanges {
		if math.Abs(amps) <= full*(1+1e-9) {
			l.ampsRange = i
			return true
		}
	}
	return false
}

func (l *input) topAmps() float64 { return l.spec.AmpsRanges[l.ampsRange] }
