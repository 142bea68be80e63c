package model

import (
	"regexp"
	"time"

	"fourwire/internal/diag"
	"fourwire/quantity"
)

// Model is one kind of instrument.
type Model struct {
	Name     string // of the file, without its ending: "dc-source"
	About    string
	File     string
	Identity Pattern
	Channels []Channel // Channels[0] is channel 1
	Wire     Wire
	Timing   Timing
	Dialect  Dialect // what holds for all channels; a channel's own is in Channel.Dialect
	Source   []byte  // the file as read
	Place    diag.Place
}

// Pattern is what an instrument of this model may answer to the identity query. A nil expression matches anything.
type Pattern struct {
	Maker, Model, Firmware *regexp.Regexp
}

// Channel is what one channel can do. A nil Source or Load and empty ranges are abilities it does not have.
type Channel struct {
	Number int // from 1
	Source *SourceSpec
	Load   *LoadSpec
	Volts  []Range // measuring ranges, ascending
	Amps   []Range
	// Together says that one acquisition takes volts and amps at one time.
	Together  bool
	Aperture  Aperture
	Records   *Records   // nil: it cannot record
	Digitises *Digitises // nil: it cannot digitise
	Lists     *Lists     // nil: it cannot run lists
	Triggers  *Triggers  // nil: it has no trigger lines
	Relay     *Relay     // nil: it is no switch
	Dialect   Dialect    // complete: the model's, with the channel's own words in place of it where there are any
	Place     diag.Place
}

// SourceSpec is what a source can deliver, and how well it can be set. Numbers are in SI units; a Span that is not Set is
// an ability that is missing.
type SourceSpec struct {
	Volts, Amps  quantity.Span // settable; the rectangle
	MaxWatts     float64       // further limit on the product; 0: the rectangle alone
	Quadrants    []int         // 1 delivers; 2 and 4 take in; 1 alone where nothing is stated
	SetVolts     Setting
	SetAmps      Setting
	OverVolts    quantity.Span // levels that over-voltage protection can be set to
	OverAmps     quantity.Span
	OverVoltsAt  string        // where over-voltage is sensed: "terminals" or "sense"
	SenseVolts   float64       // lead drop per conductor that remote sense can make up for; 0: no remote sense
	SlewUp       float64       // V/s
	SlewDown     float64       // V/s, unloaded; 0: not stated
	OutputFarads float64       // capacitance behind the current limit; 0: not stated
	Ohms         quantity.Span // output resistance that can be set; not Set: none
	SetOhms      Setting
	ForcedAmps   quantity.Span // currents that it can force in place of a voltage; not Set: none
	Derating     Derating
}

// LoadSpec is what an electronic load can carry.
type LoadSpec struct {
	Volts    quantity.Span // permitted at the input, and levels of constant voltage
	Amps     quantity.Span
	Ohms     quantity.Span // not Set: no constant resistance
	Watts    quantity.Span // levels of constant power; not Set: none
	MaxWatts float64       // dissipation; 0: the rectangle alone
	// The lowest voltage at which the load carries amps is max(MinVolts, amps*MinOhms).
	MinVolts   float64
	MinOhms    float64
	AmpsRanges []float64 // level ranges of constant current, ascending; empty: one range
	ConstVolts bool      // has a constant-voltage mode
	SetAmps    Setting
	SetVolts   Setting
	SetOhms    Setting
	SetWatts   Setting
	OverAmps   quantity.Span // levels that over-current protection can be set to
	OverVolts  quantity.Span
	SenseVolts float64 // as of a source; 0: no remote sense
	Slew       float64 // A/s; 0: not stated
	Shorts     bool    // can be as near to a short circuit as it gets, whatever it holds
	Derating   Derating
}

// Setting is how well a value can be set.
type Setting struct {
	Gain       float64 // of the value
	Offset     float64 // SI
	Resolution float64 // SI; 0: not stated
	Coverage   Coverage
}

// Coverage says how a stated accuracy is to be read.
type Coverage uint8

// The readings of a specification.
const (
	Limit    Coverage = iota // the error is never larger: rectangular, u = a/sqrt(3) (JCGM 100:2008, 4.3.7)
	TwoSigma                 // an expanded uncertainty with k = 2: u = a/2
)

// Range is one measuring range.
type Range struct {
	Full     float64 // nominal full scale, SI
	Over     float64 // how far beyond, as a part of Full, readings are still good
	Accuracy Accuracy
	// ResistanceOhm is the input resistance of a voltage range, or the burden of a current range; 0: not stated.
	ResistanceOhm float64
}

// Accuracy is the specification of a measuring range, inside the calibration band of temperature.
type Accuracy struct {
	Gain            float64 // of the reading
	Offset          float64 // SI
	Noise           float64 // standard deviation of one reading at NoiseAperture, SI
	NoiseAperture   float64 // seconds; noise goes with one over the square root of the aperture, down from here only as NoiseFloor allows
	NoiseFloor      float64 // least noise however long the aperture, SI
	Resolution      float64 // SI
	GainPerKelvin   float64 // of the reading, for each kelvin outside the band
	OffsetPerKelvin float64 // SI
	BandLow         float64 // the calibration band, in kelvin
	BandHigh        float64
	IntervalSeconds float64 // for how long after a calibration gain and offset hold; 0: not stated
	Coverage        Coverage
}

// Aperture is how long a reading may integrate.
type Aperture struct {
	Least, Most time.Duration
	Default     time.Duration
	Choices     []time.Duration // ascending; empty: anything from Least to Most
}

// Timing is how long things take, for predictions and for time limits.
type Timing struct {
	Processing  time.Duration // of a simple command
	OutputUp    time.Duration // from the command until the output is there
	OutputDown  time.Duration
	Reading     time.Duration // on top of the aperture
	RangeChange time.Duration
	ModeChange  time.Duration
	Reset       time.Duration // longest that a reset takes; 0 is 10 s
}
