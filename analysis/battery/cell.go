package battery

import (
	"errors"
	"math"
)

// The hours and seconds of a year of 365.25 days, which self-discharge and life are counted in.
const (
	YearHours   = 8766.0
	YearSeconds = YearHours * 3600
)

// gasConstant in J/(mol K), rounded (exact SI value 8.31446...).
const gasConstant = 8.31446261815324

// roomKelvin is the reference temperature where a cell states none.
const roomKelvin = 298.15

// MostPairs is how many resistor-capacitor pairs a cell may have.
const MostPairs = 3

// Pair is a resistor with a capacitor in parallel, in series with the cell.
type Pair struct {
	Ohm        Table // against charge
	TauSeconds float64
}

// Cell describes one cell, or a battery taken as one.
type Cell struct {
	CapacityCoulomb float64 // from full to empty
	Tolerance       float64 // relative, plus and minus, of the capacity
	OCV             Table   // open-circuit voltage against charge, rising
	Ohm             Table   // series resistance against charge, at the reference temperature
	Pairs           []Pair  // up to MostPairs
	CutoffVolts     float64 // loaded voltage at which the cell is switched off; 0 is never
	RecoverVolts    float64 // voltage without load from which it is switched on again; 0 is never
	SelfDischarge   [2]float64
	Efficiency      float64 // part of the charge put in that can be had back; 0 is all

	KelvinReference        float64 // 0 is 298.15 K
	ActivationJoulePerMole float64 // of the series resistance (Arrhenius); 0 is no influence of temperature

	CapacityScale, OhmScale float64 // ageing: capacity and all resistances as parts of the new ones; 0 is 1
}

// State is where a cell is. Make one with [Cell.At]. It is plain data: copy it to try something, save it to go on later.
type State struct {
	Charge    float64            `json:"charge"` // 0 empty .. 1 full; below 0 where more was drawn than there was
	PairVolts [MostPairs]float64 `json:"pair_volts"`
	From      float64            `json:"from"`    // the charge it was made with
	Drawn     Sum                `json:"drawn"`   // coulombs that left by the terminals, those put in counted negative
	Leaked    Sum                `json:"leaked"`  // coulombs lost by self-discharge, and to the efficiency of charging
	Joules    Sum                `json:"joules"`  // energy that left by the terminals
	Seconds   Sum                `json:"seconds"` // time gone
	Kelvin    float64            `json:"kelvin"`  // 0 is the reference temperature
	Off       bool               `json:"off"`     // the cut-off has switched the cell off

	decayFor float64 // the step for which decay was worked out
	decay    [MostPairs]float64
	taus     [MostPairs]float64
}

// ErrCollapse says that no current gives the power asked for: more than E^2/(4 R0), the voltage behind the resistance
// squared over four times the resistance.
var ErrCollapse = errors.New("the cell cannot give this power at any current: its voltage collapses")

func scale(x float64) float64 {
	if x == 0 {
		return 1
	}
	return x
}

// Capacity is the capacity in coulomb with ageing.
func (c *Cell) Capacity() float64 { return c.CapacityCoulomb * scale(c.CapacityScale) }

// At is the state at a charge, at rest: all pairs at 0 V.
func (c *Cell) At(charge float64) State { return State{Charge: charge, From: charge} }

// OpenCircuit is the open-circuit voltage at a charge.
func (c *Cell) OpenCircuit(charge float64) float64 { return c.OCV.At(charge) }

// Resistance is the series resistance at a charge and a temperature (0 is the reference): that of the table times
// exp(Ea/R (1/T - 1/Tref)) times ageing.
func (c *Cell) Resistance(charge, kelvin float64) float64 {
	return c.Ohm.At(charge) * scale(c.OhmScale) * c.temperatureFactor(kelvin)
}

func (c *Cell) temperatureFactor(kelvin float64) float64 {
	if c.ActivationJoulePerMole == 0 || kelvin == 0 {
		return 1
	}
	reference := c.KelvinReference
	if reference == 0 {
		reference = roomKelvin
	}
	return math.Exp(c.ActivationJoulePerMole / gasConstant * (1/kelvin - 1/reference))
}

func (c *Cell) pairOhm(k int, charge float64) float64 {
	return c.Pairs[k].Ohm.At(charge) * scale(c.OhmScale)
}

// PulseResistance is what a current step of 1 A has taken off the voltage after some seconds, from rest at a charge:
// the series resistance alone at once, all resistances after a long time (an infinity is allowed). A "DC resistance" without
// its time is no figure.
func (c *Cell) PulseResistance(charge, kelvin, seconds float64) float64 {
	ohm := c.Resistance(charge, kelvin)
	for k := range c.pairs() {
		ohm += c.pairOhm(k, charge) * -math.Expm1(-seconds/c.Pairs[k].TauSeconds)
	}
	return ohm
}

func (c *Cell) pairs() int { return min(len(c.Pairs), MostPairs) }

// Behind is the voltage behind the series resistance: open-circuit voltage less that of the pairs.
func (c *Cell) Behind(s *State) float64 {
	return c.OCV.At(s.Charge) - s.PairVolts[0] - s.PairVolts[1] - s.PairVolts[2]
}

// Terminal is the voltage at the terminals while amps are drawn (negative: put in).
func (c *Cell) Terminal(s *State, amps float64) float64 {
	return c.Behind(s) - amps*c.Resistance(s.Charge, s.Kelvin)
}

// CurrentAt is the current that flows when the terminals are held at a voltage; infinite without resistance.
func (c *Cell) CurrentAt(s *State, volts float64) float64 {
	return (c.Behind(s) - volts) / c.Resistance(s.Charge, s.Kelvin)
}

// CurrentFor is the current at which the cell gives (negative: takes) a power, the smaller one of the two that do:
// i = (E - sqrt(E^2 - 4 R0 P)) / (2 R0). [ErrCollapse] where there is none.
func (c *Cell) CurrentFor(s *State, watts float64) (amps float64, err error) {
	volts, ohm := c.Behind(s), c.Resistance(s.Charge, s.Kelvin)
	root := volts*volts - 4*ohm*watts
	if !(root >= 0) || volts <= 0 {
		return 0, ErrCollapse
	}
	return 2 * watts / (volts + math.Sqrt(root)), nil // the same without the difference of near numbers
}

// MostPower is the most that the cell can give at this moment with its voltage not below lowest: at half the voltage behind
// its resistance, E^2/(4 R0), or at lowest where that is higher.
func (c *Cell) MostPower(s *State, lowest float64) (watts float64) {
	volts := c.Behind(s)
	at := max(volts/2, lowest)
	return max(0, at*(volts-at)/c.Resistance(s.Charge, s.Kelvin))
}

// LeakAmps is the current that self-discharge amounts to, the middle of its range: Q s / a year.
func (c *Cell) LeakAmps() float64 {
	return c.Capacity() * (c.SelfDischarge[0] + c.SelfDischarge[1]) / 2 / YearSeconds
}

// Step moves the state on by some seconds in which amps are held (negative: charging). It is exact for the pairs however
// long the step; the open-circuit voltage and resistances are those of the charge at the beginning. Energy is counted with
// the voltage at the beginning of the step.
func (c *Cell) Step(s *State, amps, seconds float64) {
	s.Joules.Add(c.Terminal(s, amps) * amps * seconds)
	if s.decayFor != seconds {
		s.prepare(c, seconds)
	}
	for k := range c.pairs() {
		if s.taus[k] != c.Pairs[k].TauSeconds {
			s.prepare(c, seconds)
		}
		s.PairVolts[k] = s.PairVolts[k]*s.decay[k] + c.pairOhm(k, s.Charge)*amps*(1-s.decay[k])
	}
	s.Drawn.Add(amps * seconds)
	if lost := c.lost(amps); lost != 0 {
		s.Leaked.Add(lost * seconds)
	}
	s.Seconds.Add(seconds)
	s.Charge = s.From - ((s.Drawn.High+s.Leaked.High)+(s.Drawn.Low+s.Leaked.Low))/c.Capacity()
}

// lost is the current that goes to self-discharge and to the efficiency of charging.
func (c *Cell) lost(amps float64) float64 {
	lost := 0.0
	if c.SelfDischarge[1] != 0 {
		lost = c.LeakAmps()
	}
	if amps < 0 && c.Efficiency != 0 {
		lost += -amps * (1 - c.Efficiency)
	}
	return lost
}

func (s *State) prepare(c *Cell, seconds float64) {
	s.decayFor = seconds
	for k := range c.pairs() {
		s.taus[k] = c.Pairs[k].TauSeconds
		s.decay[k] = math.Exp(-seconds / s.taus[k])
	}
}

// Guard judges the voltage at the terminals (that of the model, or a measured one) against the cut-off, and remembers: below
// CutoffVolts the cell is switched off; once off, it is on again when the voltage, now without load, has come back to
// RecoverVolts. It tells whether the cell is off: draw nothing then. A cell cut off under a pulse is not empty.
func (c *Cell) Guard(s *State, volts float64) (off bool) {
	switch {
	case !s.Off && c.CutoffVolts > 0 && volts < c.CutoffVolts:
		s.Off = true
	case s.Off && c.RecoverVolts > 0 && volts >= c.RecoverVolts:
		s.Off = false
	}
	return s.Off
}
