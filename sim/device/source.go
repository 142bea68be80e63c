package device

import (
	"math"

	"fourwire/sim/circuit"
)

// SourceOutput is the output characteristic of a programmable source: a voltage source that a current limit takes over
// from, and that sinks up to a limit when something drives it up:
//
//	delivered = max(-SinkA, min((VrefV - v)/RcvOhm, IrefA - v/RccOhm))
//
// It is a circuit.OnePort between the terminals. The set points are taken as they are: Validate judges them.
type SourceOutput struct {
	VrefV    float64 // voltage set point
	IrefA    float64 // current limit set point
	RcvOhm   float64 // output resistance in voltage mode, 0.1 to 2 mohm
	RccOhm   float64 // output resistance in current mode, 1 to 100 kohm; 0 is an ideal current source
	SinkA    float64 // current that the output sinks; 0 for a source that cannot
	BleedOhm float64 // resistance across the terminals that stays when the output is off; 0 is none
	On       bool
}

// Branch says which part of a source's characteristic holds.
type Branch uint8

// The branches.
const (
	Off             Branch = iota
	ConstantVoltage        // CV
	ConstantCurrent        // CC
	Sinking                // the sink limit holds
)

func (b Branch) String() string {
	return [...]string{"off", "CV", "CC", "sinking"}[b&3]
}

// overdrivenSiemens is the slope of an output that is driven above its set point and can sink no more: small, but it
// keeps the solution unique.
const overdrivenSiemens = 1e-9

// Validate refuses set points that are no number, infinite or negative.
func (s *SourceOutput) Validate() error {
	c := check{part: "source"}
	c.notNegative("VrefV", s.VrefV)
	c.notNegative("IrefA", s.IrefA)
	c.within("RcvOhm", s.RcvOhm, circuit.MinOhm, math.MaxFloat64)
	c.notNegative("RccOhm", s.RccOhm)
	c.notNegative("SinkA", s.SinkA)
	c.notNegative("BleedOhm", s.BleedOhm)
	return c.err()
}

// Delivered returns the current out of the plus terminal in A at a terminal voltage, its slope in S, and the branch.
func (s *SourceOutput) Delivered(volts float64) (amps, siemens float64, branch Branch) {
	amps, byTerminal, byRegulated, branch := s.regulated(volts, volts)
	return amps, byTerminal + byRegulated, branch
}

// regulated is the characteristic with the voltage of the regulated point apart from that of the terminals.
func (s *SourceOutput) regulated(terminal, point float64) (amps, byTerminal, byPoint float64, branch Branch) {
	if !s.On {
		return 0, 0, 0, Off
	}
	gcc := 0.0
	if s.RccOhm > 0 {
		gcc = 1 / s.RccOhm
	}
	amps, byPoint, branch = (s.VrefV-point)/s.RcvOhm, -1/s.RcvOhm, ConstantVoltage
	if cc := s.IrefA - terminal*gcc; cc < amps {
		amps, byTerminal, byPoint, branch = cc, -gcc, 0, ConstantCurrent
	}
	if low := -s.SinkA - (terminal-s.VrefV)*overdrivenSiemens; amps < -s.SinkA && amps < low {
		amps, byTerminal, byPoint, branch = low, -overdrivenSiemens, 0, Sinking
	}
	return amps, byTerminal, byPoint, branch
}

// Current makes SourceOutput a circuit.OnePort.
func (s *SourceOutput) Current(volts float64) (amps, siemens float64) {
	delivered, slope, _ := s.Delivered(volts)
	bleed := s.bleed()
	return volts*bleed - delivered, bleed - slope
}

// StartVolts makes SourceOutput a circuit.Starter.
func (s *SourceOutput) StartVolts() (volts1, volts2 float64) { return s.open(), math.NaN() }

func (s *SourceOutput) open() float64 {
	if !s.On {
		return math.NaN()
	}
	return s.VrefV
}

func (s *SourceOutput) bleed() float64 {
	if s.BleedOhm > 0 {
		return 1 / s.BleedOhm
	}
	return 0
}

// SensedSource is a source that regulates the voltage between its sense terminals. It is a circuit.TwoPort: the first
// port is the output, the second the sense pair. Connect adds it with its protection resistors.
type SensedSource struct {
	SourceOutput
	CompensationV float64 // largest voltage by which the terminals may exceed the sense point, 0.5 to 2 V
	SenseInputOhm float64 // across the sense terminals, 100 kohm to 1 Mohm
	ProtectOhm    float64 // inside, from each terminal to its sense terminal, 10 to 100 ohm: an open sense lead falls back to local sensing
}

// Validate refuses parameters that cannot be.
func (s *SensedSource) Validate() error {
	if err := s.SourceOutput.Validate(); err != nil {
		return err
	}
	c := check{part: "source"}
	c.notNegative("CompensationV", s.CompensationV)
	c.positive("SenseInputOhm", s.SenseInputOhm)
	c.positive("ProtectOhm", s.ProtectOhm)
	return c.err()
}

// Connect adds the source and its two protection resistors to a network and returns the branch of the source.
// The sense nodes are those at the instrument; sense leads to the device are resistors of their own (+Inf when open).
func (s *SensedSource) Connect(n *circuit.Network, name string, plus, minus, sensePlus, senseMinus circuit.Node) circuit.Branch {
	n.AddResistor(name+" sense protection +", plus, sensePlus, s.ProtectOhm)
	n.AddResistor(name+" sense protection -", minus, senseMinus, s.ProtectOhm)
	return n.AddTwoPort(name, plus, minus, sensePlus, senseMinus, s)
}

// RegulatedAt returns the delivered current in A and the branch at a terminal and a sense voltage.
func (s *SensedSource) RegulatedAt(terminal, sense float64) (amps float64, branch Branch) {
	amps, _, _, branch = s.regulated(terminal, max(sense, terminal-s.CompensationV))
	return amps, branch
}

// Compensating returns the voltage that the source adds at its terminals for the leads, in V, and whether it is at its limit.
func (s *SensedSource) Compensating(terminal, sense float64) (volts float64, atLimit bool) {
	volts = terminal - sense
	return min(volts, s.CompensationV), s.On && volts >= s.CompensationV
}

// Currents makes SensedSource a circuit.TwoPort.
func (s *SensedSource) Currents(terminal, sense float64) (amps1, amps2 float64, slopes circuit.Slopes) {
	point, limited := sense, false
	if lowest := terminal - s.CompensationV; lowest > sense {
		point, limited = lowest, true
	}
	delivered, byTerminal, byPoint, _ := s.regulated(terminal, point)
	bleed, input := s.bleed(), 1/s.SenseInputOhm
	slopes = circuit.Slopes{S11: bleed - byTerminal, S12: -byPoint, S22: input}
	if limited {
		slopes.S11, slopes.S12 = slopes.S11-byPoint, 0
	}
	return terminal*bleed - delivered, sense * input, slopes
}

// StartVolts makes SensedSource a circuit.Starter.
func (s *SensedSource) StartVolts() (volts1, volts2 float64) { return s.open(), s.open() }
