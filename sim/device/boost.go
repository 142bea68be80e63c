package device

import (
	"math"
	"time"

	"fourwire/sim/circuit"
)

// BoostParams describes a synchronous step-up converter.
type BoostParams struct {
	SetV           float64 // output set point
	RegulationOhm  float64 // DC load regulation; in a network at least 10 uohm
	SwitchHz       float64
	InductorH      float64
	CopperOhm      float64 // inductor winding
	LowOhm         float64 // low-side switch
	HighOhm        float64 // rectifying switch
	RiseS, FallS   float64 // voltage-current overlap at turn-on and turn-off
	GateC          float64 // total gate charge, fed from the output
	SwitchF        float64 // capacitance of the switch node
	DeadS          float64 // dead time per edge
	BodyV          float64 // body diode of the rectifying switch
	ControllerA    float64 // supply current, from the output (from the input in pass-through)
	OffA           float64
	LimitA         float64 // peak inductor current limit
	LoadDisconnect bool    // when off, the body diode does not join input and output
	RiseLockoutV   float64
	FallLockoutV   float64
	Heat           Heat
	ShutdownC      float64 // thermal shutdown; 0 is none
	RestartC       float64
}

const leastRegulationOhm = 1e-5

// Validate refuses parameters that cannot be.
func (p *BoostParams) Validate() error {
	c := check{part: "step-up converter"}
	c.positive("SetV", p.SetV)
	c.within("RegulationOhm", p.RegulationOhm, 0, 10)
	c.positive("SwitchHz", p.SwitchHz)
	c.positive("InductorH", p.InductorH)
	c.positive("CopperOhm", p.CopperOhm)
	c.positive("LowOhm", p.LowOhm)
	c.positive("HighOhm", p.HighOhm)
	c.positive("LimitA", p.LimitA)
	for _, q := range []struct {
		name string
		x    float64
	}{
		{"RiseS", p.RiseS}, {"FallS", p.FallS}, {"GateC", p.GateC}, {"SwitchF", p.SwitchF}, {"DeadS", p.DeadS},
		{"BodyV", p.BodyV}, {"ControllerA", p.ControllerA}, {"OffA", p.OffA}, {"RiseLockoutV", p.RiseLockoutV},
		{"FallLockoutV", p.FallLockoutV}, {"ShutdownC", p.ShutdownC}, {"RestartC", p.RestartC},
	} {
		c.notNegative(q.name, q.x)
	}
	if p.FallLockoutV > p.RiseLockoutV {
		c.add("FallLockoutV is %g, above RiseLockoutV, %g", p.FallLockoutV, p.RiseLockoutV)
	}
	if p.RestartC > p.ShutdownC {
		c.add("RestartC is %g, above ShutdownC, %g", p.RestartC, p.ShutdownC)
	}
	p.Heat.check(&c)
	return c.err()
}

// BoostMode is a frozen mode of a Boost; it is a circuit.Mode.
type BoostMode uint8

// The modes.
const (
	BoostDisabled BoostMode = iota
	BoostLockout
	BoostPWM
	BoostPass // the input is above the set point: the rectifying switch stays on
	BoostTripped
)

func (m BoostMode) String() string {
	switch m {
	case BoostDisabled:
		return "disabled"
	case BoostLockout:
		return "under-voltage lock-out"
	case BoostPWM:
		return "PWM"
	case BoostPass:
		return "pass-through"
	}
	return "thermal shutdown"
}

// Boost is a step-up converter with its state, a circuit.TwoPort (input, output) and a circuit.Modal. It has no pulse
// skipping: at light load it switches on, with the losses of continuous conduction.
type Boost struct {
	BoostParams
	Enabled bool
	Celsius float64
	mode    BoostMode
}

// NewBoost returns an enabled converter at ambient temperature, locked out until its input is seen above the threshold.
func NewBoost(p BoostParams) (*Boost, error) {
	if err := p.Validate(); err != nil {
		return nil, err
	}
	return &Boost{BoostParams: p, Enabled: true, Celsius: p.Heat.AmbientC, mode: BoostLockout}, nil
}

// rest returns D' = 1 - D at an output current, from Vout D'^2 - [Vin + Io (RS - RH)] D' + Io (DCR + RS) = 0, upper
// root. It reports false past the nose, where no duty delivers the current.
func (b *Boost) rest(vin, vout, amps jet) (jet, bool) {
	mid := vin.add(amps.times(b.LowOhm - b.HighOhm))
	under := mid.square().sub(vout.mul(amps).times(4 * (b.CopperOhm + b.LowOhm)))
	if under.x < 0 {
		under = jet{x: 0}
		return mid.div(vout.times(2)).atMost(1).atLeast(1e-3), false
	}
	if under.x > 0 {
		under = under.sqrt()
	}
	return mid.add(under).div(vout.times(2)).atMost(1).atLeast(1e-3), true
}

// losses returns the losses while switching, at an inductor current and D', and the ripple of that current.
func (b *Boost) losses(vin, vout, inductor, rest jet) (l lossJets, ripple jet) {
	duty := rest.times(-1).plus(1)
	ripple = vin.sub(inductor.times(b.CopperOhm + b.LowOhm)).atLeast(0).mul(duty).times(1 / (b.SwitchHz * b.InductorH))
	square := inductor.square().add(ripple.square().times(1.0 / 12))
	l.copper = square.times(b.CopperOhm)
	l.low = square.mul(duty).times(b.LowOhm)
	l.high = square.mul(rest).times(b.HighOhm)
	l.deadTime = inductor.times(2 * b.DeadS * b.SwitchHz * b.BodyV)
	valley, peak := inductor.sub(ripple.times(0.5)).atLeast(0), inductor.add(ripple.times(0.5))
	l.overlap = vout.times(b.SwitchHz / 2).mul(valley.times(b.RiseS).add(peak.times(b.FallS)))
	l.charge = vout.square().times(b.SwitchF * b.SwitchHz / 2)
	l.gate = vout.times(b.GateC * b.SwitchHz)
	l.controller = vout.times(b.ControllerA)
	l.duty, l.ripple = duty.x, ripple.x
	return l, ripple
}

// most returns the inductor current, and D', at the peak current limit, or at the voltage gain limit when that comes
// first. With the inductor current IL, D' = (Vin - IL (DCR + RS))/(Vout + IL (RH - RS)); the output current is D' IL.
func (b *Boost) most(vin, vout jet) (inductor, restAt jet) {
	series := b.CopperOhm + b.LowOhm
	rest := func(il jet) jet {
		return vin.sub(il.times(series)).div(vout.add(il.times(b.HighOhm - b.LowOhm)).atLeast(1e-3)).atMost(1).atLeast(0)
	}
	il := constant(b.LimitA)
	for range 30 { // converges by a factor of the ripple's dependence on IL, a few hundredths, each time
		ripple := vin.sub(il.times(series)).atLeast(0).mul(rest(il).times(-1).plus(1)).times(1 / (b.SwitchHz * b.InductorH))
		next := ripple.times(-0.5).plus(b.LimitA).atLeast(0)
		done := math.Abs(next.x-il.x) < 1e-13*b.LimitA
		if il = next; done {
			break
		}
	}
	// The nose of Io(IL): dIo/dIL = 0, from (RH-RS) series IL^2 + 2 series Vout IL - Vin Vout = 0.
	nose := vin.times(1 / (2 * series))
	if q := series * (b.HighOhm - b.LowOhm); q != 0 && vout.x > 0 {
		half := vout.times(series)
		under := half.square().add(vin.mul(vout).times(q))
		if under.x > 0 {
			nose = under.sqrt().sub(half).times(1 / q)
		}
	}
	il = lesser(il, nose.atLeast(0))
	return il, rest(il)
}

// delivered returns the output current of the running converter at its terminal voltages, with the inductor current and
// D' that go with it.
func (b *Boost) delivered(vin, vout jet) (amps, inductor, rest jet, limit Limit) {
	through := vin.sub(vout).times(1 / (b.CopperOhm + b.HighOhm))
	one := constant(1)
	if b.mode == BoostPass {
		if through.x < 0 {
			return jet{}, jet{}, one, Blocked
		}
		return through, through, one, Dropout
	}
	amps, limit = constant(b.SetV).sub(vout).times(1/max(b.RegulationOhm, leastRegulationOhm)), Regulating
	inductor, rest = b.most(vin, vout)
	if most := inductor.mul(rest); most.x < amps.x {
		amps, limit = most, CurrentLimit
	}
	switch {
	case through.x > amps.x:
		return through, through, one, Dropout
	case amps.x < 0:
		amps, limit = jet{}, Blocked
	}
	if limit != CurrentLimit {
		rest, _ = b.rest(vin, vout.atLeast(1e-3), amps)
		inductor = amps.div(rest)
	}
	return amps, inductor, rest, limit
}

func (b *Boost) running() bool { return b.mode == BoostPWM || b.mode == BoostPass }

func (b *Boost) flows(vin, vout jet) (in, out jet, l lossJets, limit Limit) {
	limit = Blocked
	if vin.x < -bodyDiodeVolts {
		in = vin.plus(bodyDiodeVolts).times(1 / reverseOhm)
	}
	if vout.x < -bodyDiodeVolts {
		out = vout.plus(bodyDiodeVolts).times(1 / reverseOhm)
	}
	off := constant(1) // how much the converter is off: wholly at an input of 0 V and below
	if b.running() {
		off = vin.times(-1 / leastInputV).plus(1).atMost(1).atLeast(0)
	}
	if off.x > 0 {
		in = in.add(vin.times(1 / voltOfOff).atMost(1).atLeast(-1).times(b.OffA))
		if ahead := vin.sub(vout).plus(-b.BodyV); ahead.x > 0 && !b.LoadDisconnect {
			i := ahead.times(1 / (b.CopperOhm + b.HighOhm)).mul(off)
			in, out = in.add(i), out.sub(i)
		}
	}
	switch {
	case off.x == 0:
		i, load, losses, limit := b.runs(vin, vout)
		return in.add(i), out.sub(load), losses, limit
	case off.x < 1: // the power goes with the square of the voltage from here to 0
		at, load, _, _ := b.runs(jet{x: leastInputV}, vout)
		share := vin.times(1 / leastInputV)
		return in.add(share.mul(at)), out.sub(share.square().mul(load)), l, limit
	}
	return in, out, l, limit
}

// runs returns the input and the delivered current of the running converter.
func (b *Boost) runs(vin, vout jet) (in, load jet, l lossJets, limit Limit) {
	load, inductor, rest, limit := b.delivered(vin, vout)
	if b.mode == BoostPass {
		square := load.square()
		l.high, l.copper, l.controller = square.times(b.HighOhm), square.times(b.CopperOhm), vin.times(b.ControllerA)
	} else {
		l, _ = b.losses(vin, vout.atLeast(1e-3), inductor, rest)
	}
	return vout.mul(load).add(l.total()).div(vin), load, l, limit
}

// Currents makes Boost a circuit.TwoPort: input and output against the common ground.
func (b *Boost) Currents(inV, outV float64) (amps1, amps2 float64, slopes circuit.Slopes) {
	in, out, _, _ := b.flows(jet{x: inV, dIn: 1}, jet{x: outV, dOut: 1})
	return in.x, out.x, circuit.Slopes{S11: in.dIn, S12: in.dOut, S21: out.dIn, S22: out.dOut}
}

// DemandsPower makes Boost a circuit.Demander.
func (b *Boost) DemandsPower() bool { return true }

// StartVolts makes Boost a circuit.Starter: the unloaded output while it switches.
func (b *Boost) StartVolts() (volts1, volts2 float64) {
	if b.mode == BoostPWM {
		return math.NaN(), b.SetV
	}
	return math.NaN(), math.NaN()
}

// PointAt returns the truth at terminal voltages in V that a network was solved for.
func (b *Boost) PointAt(inV, outV float64) Truth {
	in, out, l, limit := b.flows(constant(inV), constant(outV))
	t := Truth{InVolts: inV, OutVolts: outV, OutAmps: -out.x, Celsius: b.Celsius, Mode: b.mode.String(), Limit: limit}
	t.Loss, t.Duty, t.RippleAmps = l.split(), l.duty, l.ripple
	t.Loss.BackFeed = inV*in.x + outV*out.x - t.Loss.Total()
	t.close(in.x)
	return t
}

// At returns the truth of the running converter at an input voltage in V and a load current in A: switching, or passing
// through when the input is high enough. No duty that delivers the current, or a peak current above the limit, is
// ErrOverload; the truth then holds what the equations say without the limit, if they say anything.
func (b *Boost) At(inV, loadA float64) (Truth, error) {
	if !(inV > 0) || math.IsInf(inV, 0) || !(loadA >= 0) || math.IsInf(loadA, 0) {
		return Truth{}, ErrParameter
	}
	t := Truth{InVolts: inV, OutAmps: loadA, Celsius: b.Celsius, Mode: BoostPWM.String()}
	if through := inV - loadA*(b.CopperOhm+b.HighOhm); through >= b.SetV-b.RegulationOhm*loadA {
		t.OutVolts, t.Mode, t.Limit = through, BoostPass.String(), Dropout
		t.Loss = Loss{HighSide: loadA * loadA * b.HighOhm, Copper: loadA * loadA * b.CopperOhm, Controller: inV * b.ControllerA}
		t.close(loadA + b.ControllerA)
		return t, nil
	}
	t.OutVolts = b.SetV - b.RegulationOhm*loadA
	vin, vout, load := constant(inV), constant(t.OutVolts), constant(loadA)
	rest, ok := b.rest(vin, vout, load)
	if !ok {
		return t, ErrOverload
	}
	inductor := load.div(rest)
	l, ripple := b.losses(vin, vout, inductor, rest)
	t.Loss, t.Duty, t.RippleAmps = l.split(), l.duty, l.ripple
	t.close((t.OutVolts*loadA + t.Loss.Total()) / inV)
	if inductor.x+ripple.x/2 > b.LimitA {
		t.Limit = CurrentLimit
		return t, ErrOverload
	}
	return t, nil
}

// MostAmps returns the largest output current in A at terminal voltages.
func (b *Boost) MostAmps(inV, outV float64) float64 {
	inductor, rest := b.most(constant(inV), constant(outV))
	return inductor.x * rest.x
}

// Mode makes Boost a circuit.Modal.
func (b *Boost) Mode() circuit.Mode { return circuit.Mode(b.mode) }

// SetMode makes Boost a circuit.Modal.
func (b *Boost) SetMode(m circuit.Mode) { b.mode = BoostMode(m) }

// ModeName makes Boost a circuit.Modal.
func (b *Boost) ModeName(m circuit.Mode) string { return BoostMode(m).String() }

// Rank makes Boost a circuit.Modal.
func (b *Boost) Rank() int { return 1 }

// Wanted makes Boost a circuit.Modal: lock-out, thermal shutdown and pass-through, each with hysteresis.
func (b *Boost) Wanted(inV, outV float64) circuit.Mode {
	switch {
	case !b.Enabled:
		return circuit.Mode(BoostDisabled)
	case b.ShutdownC > 0 && b.Celsius >= b.ShutdownC, b.mode == BoostTripped && b.Celsius > b.RestartC:
		return circuit.Mode(BoostTripped)
	case inV < b.FallLockoutV, !b.running() && inV < b.RiseLockoutV:
		return circuit.Mode(BoostLockout)
	case !b.running():
		return circuit.Mode(BoostPWM)
	case b.mode == BoostPWM && outV > b.SetV:
		return circuit.Mode(BoostPass)
	case b.mode == BoostPass && outV < b.SetV*0.995:
		return circuit.Mode(BoostPWM)
	}
	return circuit.Mode(b.mode)
}

// Advance moves the temperature over a step in which the terminals were at these voltages.
func (b *Boost) Advance(step time.Duration, inV, outV float64) {
	t := b.PointAt(inV, outV)
	b.Celsius = b.Heat.After(b.Celsius, t.Loss.Silicon(), step)
}
