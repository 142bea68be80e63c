package device

import "fourwire/sim/circuit"

// WithEMF is a part with a small voltage in series that is there without current: what two junctions of different metals make of a
// difference of temperature. It is a circuit.OnePort.
type WithEMF struct {
	Part  circuit.OnePort
	Volts float64 // at the plus terminal, with no current
}

// Current makes WithEMF a circuit.OnePort.
func (w *WithEMF) Current(volts float64) (amps, siemens float64) {
	return w.Part.Current(volts - w.Volts)
}
