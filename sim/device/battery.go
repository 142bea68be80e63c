package device

import (
	"fmt"
	"math"
	"sort"
)

// Point is one point of a curve.
type Point struct{ X, Y float64 }

// Curve is a piecewise linear function, its X ascending. Beyond its ends it keeps the slope of the last piece where it falls and stays at
// its last value where it would rise, so that an over-discharged cell loses voltage and an over-charged one does not gain it for ever.
type Curve []Point

// At returns the value and the slope.
func (c Curve) At(x float64) (y, slope float64) {
	switch len(c) {
	case 0:
		return 0, 0
	case 1:
		return c[0].Y, 0
	}
	i := sort.Search(len(c), func(i int) bool { return c[i].X > x })
	if i == len(c) && x > c[i-1].X {
		return c[i-1].Y, 0
	}
	i = min(max(i, 1), len(c)-1)
	a, b := c[i-1], c[i]
	slope = (b.Y - a.Y) / (b.X - a.X)
	return a.Y + slope*(x-a.X), slope
}

// BatteryPair is a resistance with a capacitor across it, by its time constant.
type BatteryPair struct{ Ohm, TauSecond float64 }

// BatteryParams are the figures of a battery.
type BatteryParams struct {
	CapacityC   float64
	StartCharge float64 // state of charge at the beginning, 0..1
	OpenV       Curve   // open-circuit voltage against the state of charge
	SeriesOhm   float64 // at full charge
	SeriesShape Curve   // factor of SeriesOhm against the state of charge; nil is 1
	Pairs       [2]BatteryPair
	CutoffV     float64 // loaded voltage below which it disconnects; 0: never
	RecoverV    float64 // voltage without load above which it connects again; 0: never
	LeakPerYear float64 // self-discharge, part of the capacity in a year of 8766 h
	ActivationJ float64 // per mole, of the resistance; 0: it does not depend on temperature
	Celsius     float64
}

const (
	yearSeconds  = 8766 * 3600.0
	gasConstant  = 8.31446261815324 // J/(mol K), CODATA 2018, exact
	referenceC   = 25.0             // temperature that the series resistance belongs to
	openSiemens  = 1e-9             // of a battery that has disconnected
	leastBattery = 1e-4             // ohm
)

// Validate refuses figures that cannot be.
func (p *BatteryParams) Validate() error {
	c := check{part: "battery"}
	c.positive("capacity", p.CapacityC)
	c.within("charge", p.StartCharge, 0, 1)
	c.within("resistance", p.SeriesOhm, leastBattery, math.MaxFloat64)
	for _, pair := range p.Pairs {
		c.notNegative("resistance of a pair", pair.Ohm)
		if pair.Ohm > 0 {
			c.within("time of a pair", pair.TauSecond, 1e-3, 1e9)
		}
	}
	c.notNegative("cutoff", p.CutoffV)
	c.notNegative("recover", p.RecoverV)
	c.within("self_discharge", p.LeakPerYear, 0, 10)
	c.within("activation", p.ActivationJ, 0, 200e3)
	if len(p.OpenV) < 2 {
		c.add("open_circuit has %d points; two are needed at least", len(p.OpenV))
	}
	for i, point := range p.OpenV {
		switch {
		case !(point.X >= 0 && point.X <= 1):
			c.add("open_circuit: a charge of %g is not within 0 %% and 100 %%", point.X)
		case !(point.Y > 0 && point.Y < 1e4):
			c.add("open_circuit: a voltage of %g V cannot be", point.Y)
		case i > 0 && !(point.X > p.OpenV[i-1].X && point.Y > p.OpenV[i-1].Y):
			c.add("open_circuit: charge and voltage ascend, from point to point; %g V at %g does not", point.Y, point.X)
		}
	}
	if p.RecoverV > 0 && p.RecoverV <= p.CutoffV {
		c.add("recover is %g V; it must be above cutoff", p.RecoverV)
	}
	return c.err()
}

// Battery is an equivalent circuit: an open-circuit voltage that depends on the charge, a series resistance, and two resistances with
// capacitors across them. It is a circuit.OnePort. Standard equivalent-circuit theory:
//
//	v = open(s) - u1 - u2 - i R0(s),   ds/dt = -i/Q,   du/dt = (i R - u)/tau      (i flows out)
//
// A step is exact for a current that stays the same, and of second order for one that moves evenly.
type Battery struct {
	BatteryParams
	Charge float64    // state of charge; below 0 is over-discharged
	PairV  [2]float64 // voltages across the pairs, of a discharge above 0
	Open   bool       // it has disconnected

	amps     float64 // out, at the beginning of the step
	behind   float64 // V: terminal voltage without current at the end of the step
	stepOhm  float64 // and resistance, seen over the step
	stepSec  float64
	apart    float64 // s since it has disconnected
	keep     [2]float64
	keepSpan float64 // the span that keep belongs to
}

// NewBattery makes a battery at its starting charge, rested.
func NewBattery(p BatteryParams) (*Battery, error) {
	if err := p.Validate(); err != nil {
		return nil, err
	}
	b := &Battery{BatteryParams: p, Charge: p.StartCharge}
	b.Aim(0)
	return b, nil
}

// Resistance returns the series resistance at the present charge and temperature, in ohm.
func (b *Battery) Resistance() float64 {
	ohm := b.SeriesOhm
	if len(b.SeriesShape) > 0 {
		factor, _ := b.SeriesShape.At(b.Charge)
		ohm *= max(factor, 1e-3)
	}
	if b.ActivationJ > 0 {
		ohm *= math.Exp(b.ActivationJ / gasConstant * (1/(b.Celsius+zeroCelsius) - 1/(referenceC+zeroCelsius)))
	}
	return ohm
}

// OpenCircuit returns the open-circuit voltage at the present charge, in V.
func (b *Battery) OpenCircuit() float64 {
	v, _ := b.OpenV.At(b.Charge)
	return v
}

// leak is the current of the self-discharge, in A.
func (b *Battery) leak() float64 {
	if b.Charge <= 0 {
		return 0
	}
	return b.LeakPerYear * b.CapacityC / yearSeconds
}

// Aim prepares a step of some seconds from the present state: from then on Current and Volts are those of its end. 0 is a change of the
// current that takes no time.
func (b *Battery) Aim(seconds float64) {
	b.stepSec = seconds
	open, slope := b.OpenV.At(b.Charge)
	b.behind, b.stepOhm = open, b.Resistance()
	if seconds <= 0 {
		b.behind -= b.PairV[0] + b.PairV[1]
		return
	}
	if seconds != b.keepSpan {
		b.keepSpan = seconds
		for k, p := range b.Pairs {
			b.keep[k] = 0
			if p.TauSecond > 0 {
				b.keep[k] = math.Exp(-seconds / p.TauSecond)
			}
		}
	}
	half := slope * seconds / b.CapacityC / 2
	for k, p := range b.Pairs {
		half += p.Ohm * (1 - b.keep[k]) / 2
		b.behind -= b.PairV[k] * b.keep[k]
	}
	b.behind -= b.amps*half + slope*b.leak()*seconds/b.CapacityC
	b.stepOhm += half
}

// Current makes Battery a circuit.OnePort: the current into its plus terminal at the end of the step.
func (b *Battery) Current(volts float64) (amps, siemens float64) {
	if b.Open {
		return volts * openSiemens, openSiemens
	}
	return (volts - b.behind) / b.stepOhm, 1 / b.stepOhm
}

// StartVolts makes Battery a circuit.Starter.
func (b *Battery) StartVolts() (volts1, volts2 float64) {
	if b.Open {
		return math.NaN(), math.NaN()
	}
	return b.behind, math.NaN()
}

// Volts returns the terminal voltage at the end of the step when a current flows out, in V.
func (b *Battery) Volts(amps float64) float64 { return b.behind - amps*b.stepOhm }

// PowerAmps returns the current out of it at which it delivers a power at the end of the step; false where it cannot.
func (b *Battery) PowerAmps(watts float64) (amps float64, ok bool) {
	under := b.behind*b.behind - 4*b.stepOhm*watts
	if under < 0 {
		return 0, false
	}
	return (b.behind - math.Sqrt(under)) / (2 * b.stepOhm), true
}

// Take makes the end of the step, at which a current flows out, the present state.
func (b *Battery) Take(amps float64) {
	mean := (b.amps + amps) / 2
	for k, p := range b.Pairs {
		if b.stepSec > 0 {
			b.PairV[k] = b.PairV[k]*b.keep[k] + mean*p.Ohm*(1-b.keep[k])
		}
	}
	b.Charge -= (mean + b.leak()) * b.stepSec / b.CapacityC
	if b.apart += b.stepSec; !b.Open {
		b.apart = 0
	}
	b.amps = amps
	b.Aim(0)
}

// recoverSeconds is how long a battery stays disconnected at least; from memory, the release delay of a protection circuit.
const recoverSeconds = 0.1

// batteryBend is what the voltage of a battery may depart from a straight line in one step.
const batteryBend = 20e-6

// LongestStep returns how long a step may be that still follows the voltage, in s.
func (b *Battery) LongestStep() float64 {
	longest := 3600.0
	if drain := math.Abs(b.amps) / b.CapacityC; drain > 0 {
		longest = min(longest, 0.002/drain)
	}
	if b.Open && b.apart < recoverSeconds {
		longest = recoverSeconds - b.apart + 1e-6
	}
	bend := 0.0
	for k, p := range b.Pairs {
		if p.Ohm > 0 {
			bend += math.Abs(b.PairV[k]-b.amps*p.Ohm) / (p.TauSecond * p.TauSecond)
		}
	}
	if bend > 0 {
		longest = min(longest, math.Sqrt(8*batteryBend/bend))
	}
	return longest
}

// Condition tells whether the battery would change its connection at a terminal voltage: 1 opens it, 2 closes it.
func (b *Battery) Condition(volts float64) uint32 {
	switch {
	case !b.Open && b.CutoffV > 0 && volts < b.CutoffV:
		return 1
	case b.Open && b.RecoverV > 0 && b.apart >= recoverSeconds && (b.behind >= b.RecoverV || volts >= b.RecoverV):
		return 2
	}
	return 0
}

// Chemistry gives the usual figures of a kind of cell; false where it is not known. From memory: open-circuit voltages rounded from
// data sheets of ordinary cells, resistances of the middle class.
func Chemistry(name string) (BatteryParams, bool) {
	switch name {
	case "li-ion":
		return BatteryParams{
			CapacityC: 3 * 3600, StartCharge: 1, SeriesOhm: 30e-3, LeakPerYear: 0.2, ActivationJ: 25e3, Celsius: referenceC, CutoffV: 2.5, RecoverV: 3.2,
			OpenV:       Curve{{0, 2.75}, {0.02, 3.05}, {0.05, 3.22}, {0.1, 3.38}, {0.2, 3.50}, {0.3, 3.57}, {0.4, 3.62}, {0.5, 3.68}, {0.6, 3.77}, {0.7, 3.88}, {0.8, 3.97}, {0.9, 4.06}, {1, 4.18}},
			Pairs:       [2]BatteryPair{{15e-3, 30}, {10e-3, 600}},
			SeriesShape: shape(func(s float64) float64 { return 1 + 0.5*math.Exp(-s/0.05) }),
		}, true
	case "lithium-primary":
		return BatteryParams{
			CapacityC: 2.4 * 3600, StartCharge: 1, SeriesOhm: 0.5, LeakPerYear: 0.01, ActivationJ: 25e3, Celsius: referenceC, CutoffV: 0,
			OpenV:       Curve{{0, 2.0}, {0.03, 2.4}, {0.08, 2.65}, {0.15, 2.8}, {0.3, 2.9}, {0.5, 2.96}, {0.8, 3.02}, {0.95, 3.12}, {1, 3.25}},
			Pairs:       [2]BatteryPair{{0.2, 10}, {0.3, 200}},
			SeriesShape: shape(func(s float64) float64 { return 1 + 3*(1-s)*(1-s) }),
		}, true
	}
	return BatteryParams{}, false
}

// Chemistries names the kinds of cell that are known.
func Chemistries() []string { return []string{"li-ion", "lithium-primary"} }

// shape tabulates a factor over the charge.
func shape(f func(float64) float64) Curve {
	var c Curve
	for i := range 51 {
		s := float64(i) / 50
		c = append(c, Point{s, f(s)})
	}
	return c
}

// String names the state for people.
func (b *Battery) String() string {
	return fmt.Sprintf("%.3g %% of charge, %.4g V open", 100*b.Charge, b.OpenCircuit())
}
