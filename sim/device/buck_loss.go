package device

import "math"

// lossJets is the loss split with slopes, and what else an operating point has.
type lossJets struct {
	high, low, copper, deadTime, overlap, charge, recovery, gate, core, controller jet

	duty, ripple, pulseHz float64
}

func (l *lossJets) total() jet {
	return l.high.add(l.low).add(l.copper).add(l.deadTime).add(l.overlap).add(l.charge).add(l.recovery).add(l.gate).add(l.core).add(l.controller)
}

func (l *lossJets) split() Loss {
	return Loss{
		HighSide: l.high.x, LowSide: l.low.x, Copper: l.copper.x, DeadTime: l.deadTime.x, Overlap: l.overlap.x,
		Charge: l.charge.x, Recovery: l.recovery.x, Gate: l.gate.x, Core: l.core.x, Controller: l.controller.x,
	}
}

// dutyAndRipple returns the duty and the peak-to-peak inductor current of continuous conduction, and the switching
// frequency, which falls when the on-time would be below the shortest one.
//
//	D = (Vout + I DCR + I RL (1-d) + d Vf)/(Vin - I RH + I RL);  dI = (Vin - I (RH + DCR) - Vout) D/(f L)
func (b *Buck) dutyAndRipple(s *stage, vin, vout, amps jet) (duty, ripple, hertz jet) {
	duty = vout.add(amps.times(s.a)).plus(s.dead * b.BodyV).div(vin.add(amps.times(s.b)).atLeast(1e-6))
	duty = duty.atLeast(0).atMost(b.MaxDuty)
	hertz = constant(b.SwitchHz)
	onTime := duty.times(1 / b.SwitchHz)
	if onTime.x < b.MinOnS {
		onTime = constant(b.MinOnS)
		hertz = duty.times(1 / b.MinOnS)
	}
	across := vin.sub(amps.times(s.highOhm + s.copperOhm)).sub(vout).atLeast(0)
	return duty, across.mul(onTime).times(1 / b.InductorH), hertz
}

// pwm returns the losses of continuous conduction.
func (b *Buck) pwm(s *stage, vin, vout, amps jet) (l lossJets) {
	duty, ripple, hertz := b.dutyAndRipple(s, vin, vout, amps)
	square := amps.square().add(ripple.square().times(1.0 / 12))
	peak, valley := amps.add(ripple.times(0.5)), amps.sub(ripple.times(0.5))
	perCycle := vin.mul(hertz)
	l.high = square.mul(duty).times(s.highOhm)
	l.low = square.mul(duty.times(-1).plus(1 - s.dead).atLeast(0)).times(s.lowOhm)
	l.copper = square.times(s.copperOhm)
	l.deadTime = amps.times(s.dead * b.BodyV)
	if amps.x < 0 {
		l.deadTime = l.deadTime.times(-1)
	}
	l.overlap = perCycle.times(0.5).mul(valley.atLeast(0).times(b.RiseS).add(peak.atLeast(0).times(b.FallS)))
	l.charge = perCycle.mul(vin).times(b.SwitchF / 2)
	if valley.x > 0 {
		l.recovery = perCycle.times(b.RecoveryC)
	}
	l.gate = perCycle.times(b.GateC)
	l.core = b.coreLoss(ripple, hertz)
	l.controller = vin.times(b.ControllerA)
	l.duty, l.ripple = duty.x, ripple.x
	return l
}

func (b *Buck) coreLoss(ripple, hertz jet) jet {
	core := ripple.pow(b.CoreByRipple).times(b.CoreW)
	if hertz.x == b.SwitchHz {
		if b.SwitchHz == coreHertz {
			return core
		}
		return core.times(math.Pow(b.SwitchHz/coreHertz, b.CoreByHertz))
	}
	return core.mul(hertz.times(1 / coreHertz).pow(b.CoreByHertz))
}

// skip returns the losses of pulse skipping: pulses of a fixed peak current, as many as the load takes.
//
//	Qp = Ipfm^2 L Vin/(2 Vout (Vin - Vout)), fp = I/Qp, losses per pulse as in one switching cycle
func (b *Buck) skip(s *stage, vin, vout, amps jet) (l lossJets) {
	vout = vout.atLeast(b.SetV / 100)
	across := vin.sub(vout).atLeast(max(vin.x*1e-3, 1e-6))
	rise := across.times(1 / (b.InductorH * b.PulseA)) // 1/t1
	fall := vout.times(1 / (b.InductorH * b.PulseA))   // 1/t2
	charge := vin.div(vout.mul(across)).times(b.PulseA * b.PulseA * b.InductorH / 2)
	hertz := amps.div(charge)
	onShare, offShare := hertz.div(rise), hertz.div(fall)
	third := b.PulseA * b.PulseA / 3
	l.high = onShare.times(third * s.highOhm)
	l.low = offShare.times(third * s.lowOhm)
	l.copper = onShare.add(offShare).times(third * s.copperOhm)
	l.overlap = hertz.mul(vin).times(b.PulseA * b.FallS / 2)
	l.charge = hertz.mul(vin).mul(vin).times(b.SwitchF / 2)
	l.gate = hertz.mul(vin).times(b.GateC)
	l.deadTime = hertz.times(b.BodyV * b.PulseA * b.DeadS)
	core := b.CoreW * math.Pow(b.SwitchHz/coreHertz, b.CoreByHertz) * math.Pow(b.PulseA, b.CoreByRipple)
	l.core = hertz.times(core / b.SwitchHz)
	l.controller = vin.times(b.QuiescentA)
	l.pulseHz = hertz.x
	return l
}

// pass returns the losses with the high side always on.
func (b *Buck) pass(s *stage, vin, amps jet) (l lossJets) {
	square := amps.square()
	l.high, l.copper = square.times(s.highOhm), square.times(s.copperOhm)
	l.controller = vin.times(b.ControllerA)
	l.duty = 1
	return l
}

func (b *Buck) losses(s *stage, mode BuckMode, vin, vout, amps jet) lossJets {
	switch mode {
	case BuckSkip:
		return b.skip(s, vin, vout, amps)
	case BuckPass:
		return b.pass(s, vin, amps)
	}
	return b.pwm(s, vin, vout, amps)
}

// handOver returns the load current in A below which pulse skipping is used: min(Qp f, dI/2).
func (b *Buck) handOver(s *stage, vin, vout, amps float64) float64 {
	if b.PulseA == 0 || b.ForcedPWM {
		return 0
	}
	across := vin - vout
	if across <= 0 || vout <= 0 {
		return 0
	}
	charge := b.PulseA * b.PulseA * b.InductorH * vin / (2 * vout * across)
	_, ripple, _ := b.dutyAndRipple(s, constant(vin), constant(vout), constant(amps))
	return min(charge*b.SwitchHz, ripple.x/2)
}
