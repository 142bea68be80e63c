package device

import "math"

// Loop is the dynamic side of a regulated output: what its control loop makes of the capacitor that stands at it. Seen from there it is the
// set point behind the load regulation and, in parallel, an inductance and a conductance:
//
//	Z(s) = r + 1/(G + 1/(s L0)),   L0 = 1/(w0^2 C),  G = 2 z w0 C,  w0 = 2 pi fc
//
// with crossover fc, damping z and output capacitance C; together with C this is the usual second-order answer to a load step. Damping 0 is an
// inductance with a real resistance r in series: a stage whose duty does not change. Standard second-order loop theory.
//
// Its state, the current of the inductance, moves in time steps by the rule of two-step backward differentiation, as the capacitors do.
type Loop struct {
	henry, siemens float64
	amps, before   float64 // of the inductance, at the present time and one step earlier
	flow           float64 // delivered, at the present time

	base, gain float64 // the inductance's current at the end of the step is base + gain times the error
	span       float64 // s, of the step
	origin     float64 // flow at its start
	still      bool    // for ever: nothing moves
}

// NewLoop makes the loop of a converter whose output capacitor has so many farads.
func NewLoop(crossoverHz, damping, farad float64) *Loop {
	w := 2 * math.Pi * crossoverHz
	return &Loop{henry: 1 / (w * w * farad), siemens: 2 * damping * w * farad, still: true}
}

// Prepare sets it for a step of h after one of last, in ns; last 0: the state before is not known.
func (l *Loop) Prepare(h, last int64) {
	l.still, l.span, l.origin = false, float64(h)*1e-9, l.flow
	l.base, l.gain = l.amps, l.span/l.henry
	if last > 0 {
		w := float64(h) / float64(last)
		k := (1 + w) / (1 + 2*w)
		l.base = ((1+w)*l.amps - w*w/(1+w)*l.before) * k
		l.gain *= k
	}
}

// Rest sets it for a point at which nothing moves.
func (l *Loop) Rest() { l.still = true }

// regulated is the current that the loop delivers, where nothing limits it.
func (l *Loop) regulated(setV, droopOhm float64, vout jet) jet {
	g := l.gain + l.siemens
	return constant(setV).sub(vout).times(g).plus(l.base).times(1 / (1 + g*droopOhm))
}

// slewed bounds a current to what the inductor allows within the step.
func (l *Loop) slewed(amps, vin, vout jet, inductorH float64) jet {
	rate := l.span / inductorH
	if most := vin.sub(vout).times(rate).plus(l.origin); vin.x > vout.x && most.x < amps.x {
		return most
	}
	if least := vout.times(-rate).plus(l.origin); vout.x > 0 && least.x > amps.x {
		return least
	}
	return amps
}

// take makes the end of the step the present: so much is delivered, at so much error of the output. What a limit holds back, the current limit, dropout
// or the slew of the inductor, does not wind up: the inductance then has what is delivered.
func (l *Loop) take(amps, errorV float64) {
	next := l.base + l.gain*errorV
	switch asked := next + l.siemens*errorV; {
	case amps < asked-1e-12:
		next = min(next, amps)
	case amps > asked+1e-12:
		next = max(next, amps)
	}
	l.before, l.amps, l.flow = l.amps, next, amps
}

// Amps returns the current of the inductance and its value one step earlier.
func (l *Loop) Amps() (now, before float64) { return l.amps, l.before }

// TakeLoop makes the end of a step the present state of the converter's loop, at the terminal voltages that were solved for.
func (b *Buck) TakeLoop(inV, outV float64) {
	l := b.Loop
	if !b.mode.Running() || inV < leastInputV {
		l.before, l.amps, l.flow = 0, 0, 0
		return
	}
	s := b.stage()
	amps, _ := b.delivered(&s, constant(inV), constant(outV))
	l.take(amps.x, b.ReferenceV-b.RegulationOhm*amps.x-outV)
}

// asked is the current that a set point behind a load regulation delivers, where nothing limits it: by the loop while something moves.
func (l *Loop) asked(setV, droopOhm float64, vout jet) jet {
	if l != nil && !l.still {
		return l.regulated(setV, droopOhm, vout)
	}
	return constant(setV).sub(vout).times(1 / droopOhm)
}

// stop is the loop of a converter that delivers nothing.
func (l *Loop) stop() { l.before, l.amps, l.flow = 0, 0, 0 }

// ControlLoop makes Buck a [Looped].
func (b *Buck) ControlLoop() *Loop { return b.Loop }

// ControlLoop makes Ldo a [Looped].
func (r *Ldo) ControlLoop() *Loop { return r.Loop }

// TakeLoop makes the end of a step the present state of the regulator's loop, at the terminal voltages that were solved for.
func (r *Ldo) TakeLoop(inV, outV float64) {
	if r.mode != LdoOn || inV < leastInputV {
		r.Loop.stop()
		return
	}
	amps, _ := r.delivered(constant(inV), constant(outV))
	r.Loop.take(amps.x, r.SetV-r.RegulationOhm*amps.x-outV)
}

// Looped is a converter whose output answers as its control loop does.
type Looped interface {
	ControlLoop() *Loop // nil: the output follows without delay
	TakeLoop(inV, outV float64)
}

// Trial returns what the loop's current would be at the end of the step, without taking it.
func Trial(c Looped, inV, outV float64) float64 {
	l := c.ControlLoop()
	saved := *l
	c.TakeLoop(inV, outV)
	next := l.amps
	*l = saved
	return next
}

// loop complains about the parameters of a control loop.
func (c *check) loop(crossoverHz, damping, farad float64) {
	c.notNegative("CrossoverHz", crossoverHz)
	c.within("Damping", damping, 0, 100)
	if crossoverHz > 0 && !(farad > 0) {
		c.add("CrossoverHz is %g; a loop acts on an output capacitor, and OutputF is %g", crossoverHz, farad)
	}
}
