package device

import (
	"math"

	"fourwire/sim/circuit"
)

const (
	leastInputV  = 0.25 // below, a converter cannot run: its power goes to zero with the square of the input voltage
	reverseDiode = 1.4  // two junctions between reversed input terminals, V
	reverseOhm   = 0.05
	voltOfOff    = 1.0 // the off current is reached at this input voltage, V
)

// delivered returns the output current of the running converter in A, with its slopes, at given terminal voltages:
// the least of what regulation, dropout and the current limit allow.
func (b *Buck) delivered(s *stage, vin, vout jet) (amps jet, limit Limit) {
	if l := b.Loop; l != nil && !l.still {
		amps = l.slewed(l.regulated(b.ReferenceV, b.RegulationOhm, vout), vin, vout, b.InductorH)
		limit = Regulating
	} else {
		amps, limit = constant(b.ReferenceV).sub(vout).times(1/b.RegulationOhm), Regulating
	}
	var drop jet
	if b.mode == BuckPass {
		drop = vin.sub(vout).times(1 / (s.highOhm + s.copperOhm))
	} else {
		// Vout = D (Vin - I RH + I RL) - I DCR - I RL (1-d) - d Vf at the largest duty
		top := b.topDuty()
		drop = vin.times(top).sub(vout).plus(-s.dead * b.BodyV).times(1 / (s.a - top*s.b))
	}
	if drop.x < amps.x {
		amps, limit = drop, Dropout
	}
	if amps.x > b.LimitA*b.FoldbackShare*0.5 {
		if most := b.most(s, vin, vout); most.x < amps.x {
			amps, limit = most, CurrentLimit
		}
	}
	switch {
	case amps.x < 0 && !b.ForcedPWM:
		return jet{}, Blocked
	case amps.x < -b.LimitA:
		return constant(-b.LimitA), CurrentLimit
	}
	return amps, limit
}

// most returns the current limit at the output, Ilim - dI/2, by Newton's method for the dependence of dI on the
// current; the last step in jets gives the slopes.
func (b *Buck) most(s *stage, vin, vout jet) jet {
	peak := constant(b.LimitA)
	if b.FoldbackShare < 1 {
		peak = vout.times(1 / b.SetV).atLeast(0).atMost(1).times(1 - b.FoldbackShare).plus(b.FoldbackShare).times(b.LimitA)
	}
	amps := peak.x
	x, y := jet{x: vin.x}, jet{x: vout.x}
	slope := 1.0
	for range 4 {
		_, ripple, _ := b.dutyAndRipple(s, x, y, jet{x: amps, dIn: 1})
		slope = 1 + ripple.dIn/2
		step := (amps + ripple.x/2 - peak.x) / slope
		amps -= step
		if math.Abs(step) < 1e-12*peak.x {
			break
		}
	}
	_, ripple, _ := b.dutyAndRipple(s, vin, vout, constant(amps))
	gap := ripple.times(0.5).plus(amps).sub(peak)
	return constant(amps).sub(gap.times(1 / slope)).atLeast(0)
}

// Currents makes Buck a circuit.TwoPort: input and output against the common ground.
func (b *Buck) Currents(inV, outV float64) (amps1, amps2 float64, slopes circuit.Slopes) {
	vin, vout := jet{x: inV, dIn: 1}, jet{x: outV, dOut: 1}
	in, out := b.standing(vin, vout)
	if b.mode.Running() && inV > 0 {
		s := b.stage()
		i, load := b.input(&s, vin, vout)
		in, out = in.add(i), out.sub(load)
	}
	return in.x, out.x, circuit.Slopes{S11: in.dIn, S12: in.dOut, S21: out.dIn, S22: out.dOut}
}

// input returns the input current and the delivered current of the running converter.
func (b *Buck) input(s *stage, vin, vout jet) (in, load jet) {
	if vin.x < leastInputV { // the power goes with the square of the voltage from here to 0
		at, atLoad := b.input(s, jet{x: leastInputV}, vout)
		share := vin.times(1 / leastInputV)
		return share.mul(at), share.square().mul(atLoad)
	}
	load, _ = b.delivered(s, vin, vout)
	l := b.losses(s, b.mode, vin, vout, load)
	return vout.mul(load).add(l.total()).div(vin), load
}

// standing returns the currents that flow in every mode: off current, output discharge, body diodes.
func (b *Buck) standing(vin, vout jet) (in, out jet) {
	if !b.mode.Running() {
		in = vin.times(1 / voltOfOff).atMost(1).atLeast(-1).times(b.OffA)
		if b.DischargeOhm > 0 {
			out = vout.times(1 / b.DischargeOhm)
		}
	}
	if vin.x < -reverseDiode {
		in = in.add(vin.plus(reverseDiode).times(1 / reverseOhm))
	}
	if back := vout.sub(vin).plus(-b.BodyV); back.x > 0 { // through the high-side body diode
		i := back.times(1 / (b.HighOhm + b.CopperOhm))
		in, out = in.sub(i), out.add(i)
	}
	if vout.x < -b.BodyV { // through the low-side body diode
		out = out.add(vout.plus(b.BodyV).times(1 / (b.LowOhm + b.CopperOhm)))
	}
	return in, out
}

// DemandsPower makes Buck a circuit.Demander: its input current falls when its input voltage rises.
func (b *Buck) DemandsPower() bool { return true }

// StartVolts makes Buck a circuit.Starter: the unloaded output while it runs.
func (b *Buck) StartVolts() (volts1, volts2 float64) {
	if b.mode.Running() {
		return math.NaN(), b.ReferenceV
	}
	return math.NaN(), math.NaN()
}

// PointAt returns the truth at terminal voltages in V that a network was solved for.
func (b *Buck) PointAt(inV, outV float64) Truth {
	s := b.stage()
	vin, vout := constant(inV), constant(outV)
	t := Truth{InVolts: inV, OutVolts: outV, Celsius: b.Celsius, Mode: b.mode.String(), Limit: Blocked}
	in, out := b.standing(vin, vout)
	backFeed := inV*in.x + outV*out.x
	t.OutAmps = -out.x
	if b.mode.Running() && inV > 0 {
		i, load := b.input(&s, vin, vout)
		var l lossJets
		if inV >= leastInputV {
			_, t.Limit = b.delivered(&s, vin, vout)
			l = b.losses(&s, b.mode, vin, vout, load)
			t.Loss = l.split()
		} else {
			backFeed += inV*i.x - outV*load.x
		}
		t.Duty, t.RippleAmps, t.PulseHertz = l.duty, l.ripple, l.pulseHz
		t.OutAmps += load.x
		in = in.add(i)
	}
	t.Loss.BackFeed = backFeed
	t.close(in.x)
	return t
}
