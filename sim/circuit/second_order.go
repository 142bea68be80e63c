package circuit

import (
	"math"
	"time"
)

// SecondOrder steps two linear states x' = A x exactly, with the 2x2 matrix exponential of A h. The states are
// deviations from the equilibrium that the held input has.
type SecondOrder struct{ p11, p12, p21, p22 float64 }

// NewSecondOrder prepares steps of h for the matrix A = [[a11 a12] [a21 a22]], in 1/s where the states have one unit.
// Closed form: exp(Ah) = e^(mh) (c I + s (A - mI)), m the mean of the diagonal, c and s the cosine and the sine (over
// the frequency) of the rest, or their hyperbolic kin.
func NewSecondOrder(a11, a12, a21, a22 float64, h time.Duration) SecondOrder {
	t := h.Seconds()
	mean, half := (a11+a22)/2, (a11-a22)/2
	square := half*half + a12*a21
	var c, s float64 // with the factor e^(mh) inside, so that neither overflows alone
	switch x := math.Sqrt(math.Abs(square)); {
	case x*t < 1e-8:
		c = math.Exp(mean * t)
		s = c * t
	case square < 0:
		e := math.Exp(mean * t)
		c, s = e*math.Cos(x*t), e*math.Sin(x*t)/x
	default:
		far := mean + math.Copysign(x, mean) // the pole further from zero
		near := (a11*a22 - a12*a21) / far    // the other one, without cancellation
		f, n := math.Exp(far*t), math.Exp(near*t)
		c, s = (f+n)/2, (f-n)/(2*x)
		if mean < 0 {
			s = -s
		}
	}
	return SecondOrder{p11: c + s*half, p12: s * a12, p21: s * a21, p22: c - s*half}
}

// Next returns the deviations after one step.
func (o *SecondOrder) Next(x1, x2 float64) (float64, float64) {
	return o.p11*x1 + o.p12*x2, o.p21*x1 + o.p22*x2
}

// LoopOutput is the output of a regulated converter: an ideal source behind a load regulation resistance and an
// effective inductance, made by the control loop, into the output capacitor.
// Output impedance: Z(s) = r + s L0/(1 + 2 z s/w0 + s^2/w0^2), L0 = 1/(w0^2 C). Standard second-order loop theory.
type LoopOutput struct {
	Volts    float64 // deviation of the capacitor voltage from the regulated one, V
	Amps     float64 // current of the effective inductance, A
	step     SecondOrder
	esrOhm   float64
	droopOhm float64
}

// LoopSetting says how a converter's output reacts.
type LoopSetting struct {
	Farad         float64 // output capacitance
	EsrOhm        float64 // its series resistance
	CrossoverHz   float64 // of the control loop
	Damping       float64 // 1 is critical
	RegulationOhm float64 // DC load regulation
}

// NewLoopOutput prepares steps of h, from rest at amps of load.
func NewLoopOutput(s LoopSetting, amps float64, h time.Duration) LoopOutput {
	w := 2 * math.Pi * s.CrossoverHz
	return LoopOutput{
		Amps:     amps,
		step:     NewSecondOrder(0, 1/s.Farad, -w*w*s.Farad, -2*s.Damping*w, h),
		esrOhm:   s.EsrOhm,
		droopOhm: s.RegulationOhm,
	}
}

// Next steps with the load current held and returns the output voltage against the set point at the end of the step, in V.
func (o *LoopOutput) Next(loadAmps float64) float64 {
	volts, amps := o.step.Next(o.Volts, o.Amps-loadAmps)
	o.Volts, o.Amps = volts, amps+loadAmps
	return volts - o.droopOhm*loadAmps + o.esrOhm*amps
}

// SeriesOutput is a source behind a real resistance and inductance into a capacitor.
type SeriesOutput struct {
	Volts float64 // capacitor voltage, V
	Amps  float64 // inductor current, A
	ohm   float64
	step  SecondOrder
}

// NewSeriesOutput prepares steps of h, from rest at sourceVolts and amps of load.
func NewSeriesOutput(ohm, henry, farad, sourceVolts, amps float64, h time.Duration) SeriesOutput {
	return SeriesOutput{
		Volts: sourceVolts - ohm*amps, Amps: amps, ohm: ohm,
		step: NewSecondOrder(0, 1/farad, -1/henry, -ohm/henry, h),
	}
}

// Next steps with source voltage and load current held and returns the capacitor voltage, in V.
func (o *SeriesOutput) Next(sourceVolts, loadAmps float64) float64 {
	rest := sourceVolts - o.ohm*loadAmps
	volts, amps := o.step.Next(o.Volts-rest, o.Amps-loadAmps)
	o.Volts, o.Amps = volts+rest, amps+loadAmps
	return o.Volts
}
