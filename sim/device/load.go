package device

import "math"

// LoadMode says what an electronic load holds.
type LoadMode uint8

// The modes; the unit of LoadInput.Setting goes with them.
const (
	HoldAmps  LoadMode = iota // constant current, A
	HoldOhms                  // constant resistance, ohm
	HoldVolts                 // constant voltage, V: takes current above it
	HoldWatts                 // constant power, W
)

func (m LoadMode) String() string {
	return [...]string{"constant current", "constant resistance", "constant voltage", "constant power"}[m&3]
}

// LoadInput is the input characteristic of an electronic load, a circuit.OnePort: what its mode asks for, but never
// more than volts/RminOhm (the line of its fully driven transistors), MaxA or MaxW/volts. Where two of these cross,
// a blend of a thousandth of the current keeps the slope continuous; elsewhere the figures are exact.
type LoadInput struct {
	Mode     LoadMode
	Setting  float64 // A, ohm, V or W, by Mode
	RminOhm  float64 // minimum operating resistance, 10 to 50 mohm
	SlopeOhm float64 // volts per ampere above the setting in constant voltage; 0 is RminOhm
	MaxA     float64 // 0 is no limit
	MaxW     float64 // 0 is no limit
	LeakOhm  float64 // input resistance, also when off; 0 is none
	// FilteredV replaces the terminal voltage in the division of constant power: the slow voltage filter of the real
	// loop, kept by the caller between time steps. 0 divides by the terminal voltage, which is right at DC.
	FilteredV float64
	On        bool
}

// LoadBranch says which bound holds in a load.
type LoadBranch uint8

// The bounds.
const (
	LoadOff        LoadBranch = iota
	Holding                   // the setting holds
	AtMinimumVolts            // the voltage is too low for the setting: fully driven
	AtMaximumAmps             // the load's own current limit
	AtMaximumWatts            // the load's own power limit
	LoadReversed              // the voltage is the wrong way round
)

const (
	blendShare     = 1e-3 // width of the blend at a crossing, relative to the currents
	bodyDiodeVolts = 0.7  // of a transistor, from memory
	bodyDiodeOhm   = 0.02 // its slope resistance, from memory
)

func (b LoadBranch) String() string {
	switch b {
	case LoadOff:
		return "off"
	case Holding:
		return "holding"
	case AtMinimumVolts:
		return "below its minimum voltage"
	case AtMaximumAmps:
		return "at its current limit"
	case AtMaximumWatts:
		return "at its power limit"
	}
	return "reversed"
}

// Validate refuses settings that are no number, infinite or negative, and a resistance of zero.
func (l *LoadInput) Validate() error {
	c := check{part: "load"}
	if l.Mode > HoldWatts {
		c.add("Mode is %d; it must be one of the four", l.Mode)
	}
	if l.Mode == HoldOhms {
		c.positive("Setting", l.Setting)
	} else {
		c.notNegative("Setting", l.Setting)
	}
	c.positive("RminOhm", l.RminOhm)
	c.notNegative("SlopeOhm", l.SlopeOhm)
	c.notNegative("MaxA", l.MaxA)
	c.notNegative("MaxW", l.MaxW)
	c.notNegative("LeakOhm", l.LeakOhm)
	c.notNegative("FilteredV", l.FilteredV)
	return c.err()
}

// Current makes LoadInput a circuit.OnePort.
func (l *LoadInput) Current(volts float64) (amps, siemens float64) {
	amps, siemens, _ = l.Taken(volts)
	return amps, siemens
}

// Taken returns the current into the load in A at a voltage, its slope in S, and what bounds it.
func (l *LoadInput) Taken(volts float64) (amps, siemens float64, branch LoadBranch) {
	leak := 0.0
	if l.LeakOhm > 0 {
		leak = 1 / l.LeakOhm
	}
	switch {
	case !l.On && volts < -bodyDiodeVolts:
		return volts*leak + (volts+bodyDiodeVolts)/bodyDiodeOhm, leak + 1/bodyDiodeOhm, LoadReversed
	case !l.On:
		return volts * leak, leak, LoadOff
	case volts < 0:
		return volts*leak + volts/l.RminOhm, leak + 1/l.RminOhm, LoadReversed
	}
	amps, siemens = l.asked(volts)
	branch = Holding
	if l.MaxA > 0 {
		amps, siemens, branch = l.bound(amps, siemens, l.MaxA, 0, branch, AtMaximumAmps)
	}
	if l.MaxW > 0 && volts > 0 {
		amps, siemens, branch = l.bound(amps, siemens, l.MaxW/volts, -l.MaxW/(volts*volts), branch, AtMaximumWatts)
	}
	amps, siemens, branch = l.bound(amps, siemens, volts/l.RminOhm, 1/l.RminOhm, branch, AtMinimumVolts)
	return amps + volts*leak, siemens + leak, branch
}

func (l *LoadInput) asked(volts float64) (amps, siemens float64) {
	switch l.Mode {
	case HoldOhms:
		return volts / l.Setting, 1 / l.Setting
	case HoldVolts:
		slope := l.SlopeOhm
		if slope == 0 {
			slope = l.RminOhm
		}
		if volts <= l.Setting {
			return 0, 0
		}
		return (volts - l.Setting) / slope, 1 / slope
	case HoldWatts:
		if l.FilteredV > 0 {
			return l.Setting / l.FilteredV, 0
		}
		if l.Setting == 0 {
			return 0, 0
		}
		if volts == 0 {
			return math.MaxFloat64, 0
		}
		return l.Setting / volts, -l.Setting / (volts * volts)
	}
	return l.Setting, 0
}

func (l *LoadInput) bound(amps, siemens, most, mostSiemens float64, was, becomes LoadBranch) (float64, float64, LoadBranch) {
	if most < amps {
		was = becomes
	}
	amps, siemens = smoothMinimum(amps, siemens, most, mostSiemens)
	return amps, siemens, was
}

// DemandsPower makes LoadInput a circuit.Demander: any mode may be set after the network was built.
func (l *LoadInput) DemandsPower() bool { return true }

// smoothMinimum returns the lesser of two currents (both 0 or more) and its slope. Within w = blendShare (a+b)/2 of
// each other it rounds the corner by a parabola: min - (w - |a-b|)^2/(4w), which is continuous in value and slope.
func smoothMinimum(a, da, b, db float64) (amps, siemens float64) {
	if a > b {
		a, da, b, db = b, db, a, da
	}
	width := blendShare / 2 * (a + b)
	q := width - (b - a)
	if !(q > 0) || math.IsInf(width, 0) {
		return a, da
	}
	dWidth := blendShare / 2 * (da + db)
	dq := dWidth - (db - da)
	return a - q*q/(4*width), da - q*dq/(2*width) + q*q*dWidth/(4*width*width)
}
