package sequence

import (
	"fourwire/quantity"
	"fourwire/sequence/expr"
)

// The labels of the two halves of a sweep that goes both ways.
const (
	OutLabel  = "out"  // in the order of the values
	BackLabel = "back" // from the last value to the first
)

// Pulse says that a source is at its level only while a reading is taken, and at zero otherwise: a part that heats itself stays
// cold. It is made by the computer, so its length is about that of the reading and of the messages around it.
type Pulse struct {
	On  quantity.Quantity // how long it is meant to be on; SI 0: not pulsed
	Off quantity.Quantity // how long it rests after each pulse; longer where the pulse was longer, so that the duty stays
}

// Duty is the part of the time for which a pulsed source is on.
func (p Pulse) Duty() float64 { return p.On.SI / (p.On.SI + p.Off.SI) }

type (
	// Reverse measures a resistance with a current that changes its direction from reading to reading, so that a thermal EMF
	// and the offset of the meter cancel. The current is zero before it and behind it.
	Reverse struct {
		Pos
		Role     string     // the need's name, of a source that forces amps
		Amps     *expr.Expr // its size
		Volts    *expr.Expr // compliance
		Across   Reading
		Through  Reading
		Times    int               // readings, three or more; odd: as many forwards as backwards, and one
		Settle   quantity.Quantity // time from each reversal to its reading
		Aperture quantity.Quantity // SI 0: the default
		Gives    []Given
	}
	// Fit finds the parameters of a part by a fit to the points so far.
	Fit struct {
		Pos
		Kind   FitKind
		Of     map[string]string // what the fit needs: the column that it is in
		Part   string            // only points with this label; empty: all
		Kelvin float64           // temperature of the part; 0: that of the bench
		Within float64           // K, by which it may differ from that; 0: it is taken as exact
		Name   string            // of the file in the record
		Gives  []Given
	}
)

// FitKind is the law of a part.
type FitKind string

// The laws.
const (
	DiodeLaw    FitKind = "diode" // also of an LED
	LEDLaw      FitKind = "led"
	SolarLaw    FitKind = "solar cell"
	MosfetLaw   FitKind = "mosfet"
	ResistorLaw FitKind = "resistor"
	LeakageLaw  FitKind = "leakage"
)

// FitKinds lists the laws.
func FitKinds() []FitKind {
	return []FitKind{DiodeLaw, LEDLaw, SolarLaw, MosfetLaw, ResistorLaw, LeakageLaw}
}

// FitInput is a column that a fit needs.
type FitInput struct {
	What  string
	Dim   quantity.Dimension
	About string
}

// Inputs are the columns that a fit of this kind needs.
func (k FitKind) Inputs() []FitInput {
	volts := FitInput{"volts", quantity.Voltage, "across the part"}
	amps := FitInput{"amps", quantity.Current, "through the part"}
	switch k {
	case SolarLaw:
		amps.About = "that the cell delivers"
	case MosfetLaw:
		return []FitInput{{"gate", quantity.Voltage, "gate to source"}, {"drain", quantity.Voltage, "drain to source"}, {"amps", quantity.Current, "into the drain"}}
	case LeakageLaw:
		return []FitInput{{"amps", quantity.Current, "into the capacitor"}}
	}
	return []FitInput{volts, amps}
}

// Results are what a fit of this kind can give.
func (k FitKind) Results() []Result {
	var out []Result
	switch k {
	case DiodeLaw, LEDLaw:
		out = []Result{
			{"saturation", quantity.Current, "saturation current"},
			{"ideality", quantity.Ratio, "ideality factor"},
			{"series", quantity.Resistance, "series resistance; 0 where none shows"},
			{"residual", quantity.Voltage, "root mean square of what the law misses the points by"},
		}
	case SolarLaw:
		out = []Result{
			{"photo", quantity.Current, "photocurrent"},
			{"saturation", quantity.Current, "saturation current"},
			{"ideality", quantity.Ratio, "ideality factor, of all cells in series together"},
			{"series", quantity.Resistance, "series resistance"},
			{"shunt", quantity.Resistance, "shunt resistance"},
			{"short_circuit", quantity.Current, "short-circuit current"},
			{"open_circuit", quantity.Voltage, "open-circuit voltage"},
			{"power", quantity.Power, "largest power"},
			{"power_volts", quantity.Voltage, "voltage at the largest power"},
			{"power_amps", quantity.Current, "current at the largest power"},
			{"fill", quantity.Ratio, "fill factor"},
			{"residual", quantity.Current, "root mean square of what the law misses the points by"},
		}
	case MosfetLaw:
		out = []Result{
			{"threshold", quantity.Voltage, "threshold voltage"},
			{"gain", quantity.Current.Over(quantity.Voltage).Over(quantity.Voltage), "K of the square law"},
			{"lambda", quantity.Ratio.Over(quantity.Voltage), "channel-length modulation"},
			{"residual", quantity.Current, "root mean square of what the law misses the points by"},
		}
	case ResistorLaw:
		out = []Result{
			{"resistance", quantity.Resistance, "at no power where self-heating shows, else over all points"},
			{"offset", quantity.Voltage, "voltage at no current"},
			{"per_watt", quantity.Resistance.Over(quantity.Power), "change of the resistance by the power in it; 0 where none shows"},
			{"residual", quantity.Voltage, "root mean square of what the law misses the points by"},
		}
	case LeakageLaw:
		out = []Result{
			{"leakage", quantity.Current, "what remains when the capacitor has taken up its charge"},
			{"decay_time", quantity.Time, "time constant of what dies away, where it is an exponential"},
			{"exponent", quantity.Ratio, "exponent of what dies away, where it is a power of time"},
			{"settles", quantity.Time, "when what dies away has come down to a twentieth of the leakage"},
			{"residual", quantity.Current, "root mean square of what the law misses the points by"},
		}
	}
	return append(out, Result{"used", quantity.Ratio, "number of points used"}, Result{"left_out", quantity.Ratio, "number of points left out"})
}

// AllFitResults are the results of every law, each word once.
func AllFitResults() []Result {
	var out []Result
	had := map[string]bool{}
	for _, k := range FitKinds() {
		for _, one := range k.Results() {
			if !had[one.What] {
				had[one.What] = true
				out = append(out, one)
			}
		}
	}
	return out
}

// ReverseResults are what a reverse step can give.
func ReverseResults() []Result {
	return []Result{
		{"resistance", quantity.Resistance, "free of what does not turn with the current"},
		{"thermal", quantity.Voltage, "voltage at no current: thermal EMF and the offset of the meter"},
		{"power", quantity.Power, "in the part meanwhile"},
	}
}

// Reading is the measure step that is done at each reversal.
func (s *Reverse) Reading() *Measure {
	return &Measure{Pos: s.Pos, Readings: []Reading{s.Across, s.Through}, Aperture: s.Aperture, Average: 1, Order: Straight}
}
