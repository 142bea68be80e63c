package device

import (
	"math"
	"time"

	"fourwire/sim/circuit"
)

// Mode makes Buck a circuit.Modal.
func (b *Buck) Mode() circuit.Mode { return circuit.Mode(b.mode) }

// SetMode makes Buck a circuit.Modal.
func (b *Buck) SetMode(m circuit.Mode) { b.mode = BuckMode(m) }

// ModeName makes Buck a circuit.Modal.
func (b *Buck) ModeName(m circuit.Mode) string { return BuckMode(m).String() }

// Rank makes Buck a circuit.Modal.
func (b *Buck) Rank() int { return 1 }

// Wanted makes Buck a circuit.Modal: the mode it would take at these voltages. Thresholds have hysteresis, so that the
// answer depends on the present mode.
func (b *Buck) Wanted(inV, outV float64) circuit.Mode { return circuit.Mode(b.wanted(inV, outV)) }

func (b *Buck) wanted(inV, outV float64) BuckMode {
	switch {
	case !b.Enabled:
		return BuckDisabled
	case b.ShutdownC > 0 && b.Celsius >= b.ShutdownC:
		return BuckTripped
	case b.mode == BuckTripped && b.Celsius > b.RestartC:
		return BuckTripped
	case b.latched:
		return BuckLatched
	case b.rest > 0:
		return BuckHiccup
	case inV < b.FallLockoutV, !b.mode.Running() && inV < b.RiseLockoutV:
		return BuckLockout
	}
	s := b.stage()
	vin, vout := constant(inV), constant(outV)
	amps, limit := b.delivered(&s, vin, vout)
	if !b.mode.Running() {
		if b.ForcedPWM || b.PulseA == 0 {
			return BuckPWM
		}
		return BuckSkip
	}
	if b.mode == BuckPass {
		return b.leavePass(limit, amps.x, inV, &s)
	}
	if b.MaxDuty == 1 && limit == Dropout {
		return BuckPass
	}
	most := b.handOver(&s, inV, outV, amps.x)
	switch {
	case b.mode == BuckSkip && amps.x > most:
		return BuckPWM
	case b.mode == BuckPWM && amps.x < most*(1-b.HandOverBy):
		return BuckSkip
	}
	return b.mode
}

// leavePass goes back to switching when the output would be above the set point by more than one part in a thousand.
func (b *Buck) leavePass(limit Limit, amps, inV float64, s *stage) BuckMode {
	switching := b.topDuty()*(inV+amps*s.b) - amps*s.a - s.dead*b.BodyV
	if limit != Dropout && switching > (b.ReferenceV-b.RegulationOhm*amps)*1.001 {
		return BuckPWM
	}
	return BuckPass
}

// Start puts a converter that has been off into the mode that it starts in, with its soft start ahead.
func (b *Buck) Start() {
	b.ReferenceV, b.overload, b.rest, b.mode = 0, 0, 0, BuckLockout
	if b.SoftStart == 0 {
		b.ReferenceV = b.SetV
	}
}

// Advance moves reference, temperature and hiccup timer over a step in which the terminals were at these voltages.
// Modes are left to Wanted. In current limit the reference never runs more than 5 % ahead of the output, so that a start
// into an overload leaves no overshoot behind.
func (b *Buck) Advance(step time.Duration, inV, outV float64) {
	t := b.PointAt(inV, outV)
	b.Celsius = b.Heat.After(b.Celsius, t.Loss.Silicon(), step)
	b.latched = b.latched && inV >= b.FallLockoutV
	if b.rest > 0 || !b.mode.Running() {
		b.high, b.much = 0, 0
		b.rest = max(b.rest-step, 0)
		b.overload = 0
		if b.SoftStart > 0 {
			b.ReferenceV = 0
		}
		return
	}
	if b.ReferenceV < b.SetV {
		next := min(b.ReferenceV+b.SetV*step.Seconds()/b.SoftStart.Seconds(), b.SetV)
		if t.Limit == CurrentLimit {
			next = min(next, outV*1.05)
		}
		b.ReferenceV = max(b.ReferenceV, next)
	}
	high, much := b.Over(outV, t.OutAmps)
	for _, p := range [2]struct {
		over  bool
		spent *time.Duration
		delay time.Duration
	}{{high, &b.high, b.OverVDelay}, {much, &b.much, b.OverADelay}} {
		if !p.over {
			*p.spent = 0
			continue
		}
		if *p.spent += step; *p.spent >= p.delay {
			b.latched = true
		}
	}
	if !b.Hiccup {
		return
	}
	if t.Limit != CurrentLimit || outV >= hiccupAt*b.SetV {
		b.overload = 0
		return
	}
	if b.overload += step; b.overload >= b.HiccupTrip {
		b.overload, b.rest = 0, b.HiccupOff
	}
}

// Over tells whether an output voltage and current are above the levels of the protections.
func (b *Buck) Over(outV, outA float64) (high, much bool) {
	return b.OverV > 0 && outV > b.OverV, b.OverA > 0 && outA > b.OverA
}

// Ripple returns the ripple of the output at a point, peak to peak in V, and its frequency: of the inductor's current in the capacitor and its
// series resistance, dI (1/(8 f C) + ESR), and in pulse skipping the charge of a pulse on the capacitor, Qp/C + Ipulse ESR. Common practice.
func (b *Buck) Ripple(t *Truth) (volts, hertz float64) {
	switch {
	case !b.mode.Running() || b.mode == BuckPass || !(b.OutputF > 0):
		return 0, 0
	case b.mode == BuckSkip:
		if !(t.PulseHertz > 0) {
			return 0, 0
		}
		return t.OutAmps/t.PulseHertz/b.OutputF + b.PulseA*b.OutputEsrOhm, t.PulseHertz
	}
	return t.RippleAmps * (1/(8*b.SwitchHz*b.OutputF) + b.OutputEsrOhm), b.SwitchHz
}

// InrushAmps returns the inductor current in A that charges the output capacitor during the soft start.
func (b *Buck) InrushAmps() float64 {
	if b.SoftStart == 0 {
		return 0
	}
	return b.OutputF * b.SetV / b.SoftStart.Seconds()
}

// At returns the truth at an input voltage in V and a load current in A, at the present temperature, in the mode that
// belongs to the load. It does not look at or change the present mode. A current above the limit is ErrOverload.
func (b *Buck) At(inV, loadA float64) (Truth, error) {
	vout := b.OutputAt(BuckPWM, inV, loadA)
	s := b.stage()
	mode := BuckPWM
	if most := b.handOver(&s, inV, vout, loadA); loadA < most {
		mode = BuckSkip
	} else if b.MaxDuty == 1 && b.top(inV, loadA) < b.SetV-b.RegulationOhm*loadA {
		mode = BuckPass
	}
	return b.AtMode(mode, inV, loadA)
}

// AtMode is At in a given running mode.
func (b *Buck) AtMode(mode BuckMode, inV, loadA float64) (Truth, error) {
	if math.IsNaN(inV) || math.IsNaN(loadA) || !(inV > 0) || math.IsInf(inV, 0) || math.IsInf(loadA, 0) {
		return Truth{}, ErrParameter
	}
	t := Truth{InVolts: inV, OutAmps: loadA, Celsius: b.Celsius, Mode: mode.String()}
	t.OutVolts = b.OutputAt(mode, inV, loadA)
	if t.OutVolts < b.SetV-b.RegulationOhm*loadA {
		t.Limit = Dropout
	}
	if !(t.OutVolts > 0) || loadA > b.MostAmps(inV, t.OutVolts)+1e-9 {
		return t, ErrOverload
	}
	s := b.stage()
	l := b.losses(&s, mode, constant(inV), constant(t.OutVolts), constant(loadA))
	t.Loss, t.Duty, t.RippleAmps, t.PulseHertz = l.split(), l.duty, l.ripple, l.pulseHz
	t.close((t.OutVolts*loadA + t.Loss.Total()) / inV)
	return t, nil
}

// OutputAt returns the output voltage in V in a running mode: the set point less load regulation, or dropout.
func (b *Buck) OutputAt(mode BuckMode, inV, loadA float64) float64 {
	most := b.top(inV, loadA)
	if mode == BuckPass {
		s := b.stage()
		most = inV - loadA*(s.highOhm+s.copperOhm)
	}
	return min(b.SetV-b.RegulationOhm*loadA, most)
}

// top is the output voltage at the largest duty.
func (b *Buck) top(inV, loadA float64) float64 {
	s := b.stage()
	return b.topDuty()*(inV+loadA*s.b) - loadA*s.a - s.dead*b.BodyV
}

// MostAmps returns the largest output current in A at terminal voltages: LimitA - dI/2, folded back if so built.
func (b *Buck) MostAmps(inV, outV float64) float64 {
	s := b.stage()
	return b.most(&s, constant(inV), constant(outV)).x
}

// InputAt returns the input current in A and its slope by the input voltage in S, at a load current in A that does not
// change: the converter as a (negative) resistance, in the given mode.
func (b *Buck) InputAt(mode BuckMode, inV, loadA float64) (amps, siemens float64) {
	s := b.stage()
	vin, load := jet{x: inV, dIn: 1}, constant(loadA)
	vout := constant(b.SetV - b.RegulationOhm*loadA)
	if top := vin.plus(loadA * s.b).times(b.topDuty()).plus(-loadA*s.a - s.dead*b.BodyV); top.x < vout.x {
		vout = top
	}
	l := b.losses(&s, mode, vin, vout, load)
	in := vout.mul(load).add(l.total()).div(vin)
	return in.x, in.dIn
}

// Warm brings the converter to the steady temperature of a load, for a DC point without time, and returns the truth
// there. ErrThermalRunaway when none exists; the temperature is then left as it was.
func (b *Buck) Warm(inV, loadA float64) (Truth, error) {
	before := b.Celsius
	var failed error
	celsius, err := settleTemperature(&b.Heat, before, func(celsius float64) float64 {
		b.Celsius = celsius
		t, err := b.At(inV, loadA)
		failed = err
		return t.Loss.Silicon()
	})
	if err == nil {
		err = failed
	}
	if err != nil {
		b.Celsius = before
		return Truth{}, err
	}
	b.Celsius = celsius
	return b.At(inV, loadA)
}
