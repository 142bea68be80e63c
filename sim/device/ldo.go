package device

import (
	"math"
	"time"

	"fourwire/sim/circuit"
)

// LdoParams describes a linear low-dropout regulator.
type LdoParams struct {
	SetV          float64 // output set point
	RegulationOhm float64 // DC load regulation
	PassOhm       float64 // pass element, fully on
	QuiescentA    float64 // ground current without load
	GroundPerAmp  float64 // more ground current per ampere of load
	DropoutA      float64 // more ground current in dropout, reached over the first 100 mV
	MostA         float64 // current limit at the set point
	ShortA        float64 // current limit into a short, linear between (foldback); 0 is MostA
	OffA          float64 // input current while off
	RiseLockoutV  float64
	FallLockoutV  float64
	DischargeOhm  float64 // across the output while off; 0 is none
	Heat          Heat
	ShutdownC     float64 // thermal shutdown; 0 is none
	RestartC      float64
	OutputF       float64 // output capacitor, that the loop acts on
	CrossoverHz   float64 // of the control loop; 0 is a loop without delay
	Damping       float64 // of the loop; 1 is critical
}

const dropoutSpanV = 0.1 // depth of dropout at which all of DropoutA flows

// Validate refuses parameters that cannot be.
func (p *LdoParams) Validate() error {
	c := check{part: "linear regulator"}
	c.positive("SetV", p.SetV)
	c.within("RegulationOhm", p.RegulationOhm, 1e-5, 10)
	c.positive("PassOhm", p.PassOhm)
	c.positive("MostA", p.MostA)
	c.notNegative("ShortA", p.ShortA)
	c.notNegative("QuiescentA", p.QuiescentA)
	c.notNegative("GroundPerAmp", p.GroundPerAmp)
	c.notNegative("DropoutA", p.DropoutA)
	c.notNegative("OffA", p.OffA)
	c.notNegative("RiseLockoutV", p.RiseLockoutV)
	c.notNegative("FallLockoutV", p.FallLockoutV)
	c.notNegative("DischargeOhm", p.DischargeOhm)
	c.notNegative("ShutdownC", p.ShutdownC)
	c.notNegative("RestartC", p.RestartC)
	if p.ShortA > p.MostA {
		c.add("ShortA is %g, above MostA, %g", p.ShortA, p.MostA)
	}
	if p.FallLockoutV > p.RiseLockoutV {
		c.add("FallLockoutV is %g, above RiseLockoutV, %g", p.FallLockoutV, p.RiseLockoutV)
	}
	if p.RestartC > p.ShutdownC {
		c.add("RestartC is %g, above ShutdownC, %g", p.RestartC, p.ShutdownC)
	}
	c.loop(p.CrossoverHz, p.Damping, p.OutputF)
	p.Heat.check(&c)
	return c.err()
}

// LdoMode is a frozen mode of an Ldo; it is a circuit.Mode.
type LdoMode uint8

// The modes.
const (
	LdoDisabled LdoMode = iota
	LdoLockout
	LdoOn
	LdoTripped
)

func (m LdoMode) String() string {
	return [...]string{"disabled", "under-voltage lock-out", "on", "thermal shutdown"}[m&3]
}

// Ldo is a linear regulator with its state, a circuit.TwoPort (input, output) and a circuit.Modal.
type Ldo struct {
	LdoParams
	Enabled bool
	Celsius float64
	Loop    *Loop // nil: the output follows without delay
	mode    LdoMode
}

// NewLdo returns an enabled regulator at ambient temperature, locked out until its input is seen above the threshold.
func NewLdo(p LdoParams) (*Ldo, error) {
	if err := p.Validate(); err != nil {
		return nil, err
	}
	if p.ShortA == 0 {
		p.ShortA = p.MostA
	}
	r := &Ldo{LdoParams: p, Enabled: true, Celsius: p.Heat.AmbientC, mode: LdoLockout}
	if p.CrossoverHz > 0 {
		r.Loop = NewLoop(p.CrossoverHz, p.Damping, p.OutputF)
	}
	return r, nil
}

// delivered returns the output current at terminal voltages: the least of regulation, dropout and current limit.
func (r *Ldo) delivered(vin, vout jet) (amps jet, limit Limit) {
	amps, limit = r.Loop.asked(r.SetV, r.RegulationOhm, vout), Regulating
	if drop := vin.sub(vout).times(1 / r.PassOhm); drop.x < amps.x {
		amps, limit = drop, Dropout
	}
	if most := r.most(vout); most.x < amps.x {
		amps, limit = most, CurrentLimit
	}
	if amps.x < 0 {
		return jet{}, Blocked
	}
	return amps, limit
}

// most is the foldback line: ShortA + (MostA - ShortA) Vout/SetV.
func (r *Ldo) most(vout jet) jet {
	return vout.times(1 / r.SetV).atLeast(0).atMost(1).times(r.MostA - r.ShortA).plus(r.ShortA)
}

// ground returns the current into the ground terminal. In dropout the output is below what regulation asks.
func (r *Ldo) ground(vin, amps jet) jet {
	g := amps.times(r.GroundPerAmp).plus(r.QuiescentA)
	room := vin.sub(amps.times(r.PassOhm))
	deep := constant(r.SetV).sub(amps.times(r.RegulationOhm)).sub(room)
	g = g.add(deep.times(1 / dropoutSpanV).atLeast(0).atMost(1).times(r.DropoutA))
	if vin.x < voltOfOff { // nothing flows without an input
		g = g.mul(vin.times(1 / voltOfOff).atLeast(0))
	}
	return g
}

func (r *Ldo) flows(vin, vout jet) (in, out jet, limit Limit) {
	limit = Blocked
	if r.mode == LdoOn && vin.x > 0 {
		var load jet
		load, limit = r.delivered(vin, vout)
		if vin.x < leastInputV { // nothing is passed on without an input
			share := vin.times(1 / leastInputV)
			load = share.mul(load)
		}
		in, out = load.add(r.ground(vin, load)), load.times(-1)
	} else {
		in = vin.times(1 / voltOfOff).atMost(1).atLeast(-1).times(r.OffA)
		if r.DischargeOhm > 0 {
			out = vout.times(1 / r.DischargeOhm)
		}
	}
	if vin.x < -bodyDiodeVolts {
		in = in.add(vin.plus(bodyDiodeVolts).times(1 / reverseOhm))
	}
	if back := vout.sub(vin).plus(-bodyDiodeVolts); back.x > 0 {
		i := back.times(1 / r.PassOhm)
		in, out = in.sub(i), out.add(i)
	}
	if vout.x < -bodyDiodeVolts {
		out = out.add(vout.plus(bodyDiodeVolts).times(1 / reverseOhm))
	}
	return in, out, limit
}

// Currents makes Ldo a circuit.TwoPort: input and output against the common ground.
func (r *Ldo) Currents(inV, outV float64) (amps1, amps2 float64, slopes circuit.Slopes) {
	in, out, _ := r.flows(jet{x: inV, dIn: 1}, jet{x: outV, dOut: 1})
	return in.x, out.x, circuit.Slopes{S11: in.dIn, S12: in.dOut, S21: out.dIn, S22: out.dOut}
}

// DemandsPower makes Ldo a circuit.Demander: in deepening dropout its ground current rises while the input falls.
func (r *Ldo) DemandsPower() bool { return true }

// StartVolts makes Ldo a circuit.Starter: the unloaded output while it is on.
func (r *Ldo) StartVolts() (volts1, volts2 float64) {
	if r.mode == LdoOn {
		return math.NaN(), r.SetV
	}
	return math.NaN(), math.NaN()
}

// PointAt returns the truth at terminal voltages in V that a network was solved for.
func (r *Ldo) PointAt(inV, outV float64) Truth {
	in, out, limit := r.flows(constant(inV), constant(outV))
	t := Truth{InVolts: inV, OutVolts: outV, OutAmps: -out.x, Celsius: r.Celsius, Mode: r.mode.String(), Limit: limit}
	if r.mode == LdoOn && inV >= leastInputV {
		load, _ := r.delivered(constant(inV), constant(outV))
		t.Loss.HighSide = (inV - outV) * load.x
		t.Loss.Controller = inV * r.ground(constant(inV), load).x
	}
	t.Loss.BackFeed = inV*in.x + outV*out.x - t.Loss.Total()
	t.close(in.x)
	return t
}

// At returns the truth of the regulator, on, at an input voltage in V and a load current in A. A current above the
// foldback line is ErrOverload: a current sink then pulls the output down to 0 V.
func (r *Ldo) At(inV, loadA float64) (Truth, error) {
	if !(inV > 0) || math.IsInf(inV, 0) || math.IsNaN(loadA) || math.IsInf(loadA, 0) {
		return Truth{}, ErrParameter
	}
	t := Truth{InVolts: inV, OutAmps: loadA, Celsius: r.Celsius, Mode: LdoOn.String()}
	regulated, room := r.SetV-r.RegulationOhm*loadA, inV-loadA*r.PassOhm
	t.OutVolts = min(regulated, room)
	if room < regulated {
		t.Limit = Dropout
	}
	if t.OutVolts < 0 || loadA > r.MostAmps(t.OutVolts)+1e-12 {
		return t, ErrOverload
	}
	ground := r.ground(constant(inV), constant(loadA)).x
	t.Loss.HighSide, t.Loss.Controller = (inV-t.OutVolts)*loadA, inV*ground
	t.close(loadA + ground)
	return t, nil
}

// MostAmps returns the current limit in A at an output voltage in V.
func (r *Ldo) MostAmps(outV float64) float64 { return r.most(constant(outV)).x }

// Mode makes Ldo a circuit.Modal.
func (r *Ldo) Mode() circuit.Mode { return circuit.Mode(r.mode) }

// SetMode makes Ldo a circuit.Modal.
func (r *Ldo) SetMode(m circuit.Mode) { r.mode = LdoMode(m) }

// ModeName makes Ldo a circuit.Modal.
func (r *Ldo) ModeName(m circuit.Mode) string { return LdoMode(m).String() }

// Rank makes Ldo a circuit.Modal.
func (r *Ldo) Rank() int { return 1 }

// Wanted makes Ldo a circuit.Modal: lock-out and thermal shutdown, both with hysteresis.
func (r *Ldo) Wanted(inV, _ float64) circuit.Mode {
	switch {
	case !r.Enabled:
		return circuit.Mode(LdoDisabled)
	case r.ShutdownC > 0 && r.Celsius >= r.ShutdownC, r.mode == LdoTripped && r.Celsius > r.RestartC:
		return circuit.Mode(LdoTripped)
	case inV < r.FallLockoutV, r.mode != LdoOn && inV < r.RiseLockoutV:
		return circuit.Mode(LdoLockout)
	}
	return circuit.Mode(LdoOn)
}

// Advance moves the temperature over a step in which the terminals were at these voltages.
func (r *Ldo) Advance(step time.Duration, inV, outV float64) {
	t := r.PointAt(inV, outV)
	r.Celsius = r.Heat.After(r.Celsius, t.Loss.Silicon(), step)
}
