package device

import "fmt"

// Loss splits the power that a converter turns into heat, in W.
type Loss struct {
	HighSide   float64 // conduction of the high-side switch (boost: the rectifying one), or of an LDO's pass element
	LowSide    float64 // conduction of the low-side switch
	Copper     float64 // inductor winding
	DeadTime   float64 // body diode between the edges
	Overlap    float64 // voltage-current overlap at the edges
	Charge     float64 // switch-node capacitance
	Recovery   float64 // body diode recovery charge
	Gate       float64 // gate charge
	Core       float64 // inductor core
	Controller float64 // supply current of the controller, or an LDO's ground current
	BackFeed   float64 // body diode that conducts from a driven output to the input, or at reversed terminals
}

// Total returns the sum in W.
func (l *Loss) Total() float64 {
	return l.HighSide + l.LowSide + l.Copper + l.DeadTime + l.Overlap + l.Charge + l.Recovery + l.Gate + l.Core +
		l.Controller + l.BackFeed
}

// Silicon returns the part that heats the switches and the controller, in W: all but the inductor.
func (l *Loss) Silicon() float64 { return l.Total() - l.Copper - l.Core }

// Limit says what bounds a converter's output.
type Limit uint8

// The bounds.
const (
	Regulating   Limit = iota // the set point holds
	Dropout                   // the input is too low for the set point
	CurrentLimit              // the current limit holds
	Blocked                   // the output is driven above the set point, or the converter is off: no current
)

func (l Limit) String() string {
	switch l {
	case Regulating:
		return "regulating"
	case Dropout:
		return "dropout"
	case CurrentLimit:
		return "current limit"
	case Blocked:
		return "blocked"
	}
	return fmt.Sprintf("limit %d", uint8(l))
}

// Truth is what really goes on in a converter at one operating point: the private side that only tests and the
// simulator's own report see, never an instrument.
type Truth struct {
	InVolts, InAmps   float64
	OutVolts, OutAmps float64 // OutAmps is delivered, so above 0 in normal use
	InWatts, OutWatts float64
	LossWatts         float64
	Efficiency        float64 // OutWatts/InWatts; 0 when nothing is delivered
	Duty              float64
	RippleAmps        float64 // peak to peak, inductor
	PulseHertz        float64 // in pulse skipping
	Celsius           float64 // of the switches
	Mode              string
	Limit             Limit
	Loss              Loss
}

func (t *Truth) close(inAmps float64) {
	t.InAmps = inAmps
	t.InWatts, t.OutWatts = t.InVolts*inAmps, t.OutVolts*t.OutAmps
	t.LossWatts = t.Loss.Total()
	if t.OutWatts > 0 && t.InWatts > 0 {
		t.Efficiency = t.OutWatts / t.InWatts
	}
}
