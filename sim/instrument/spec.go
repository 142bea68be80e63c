package instrument

import (
	"time"

	"fourwire/sim/scpi"
)

// Kind is the sort of an instrument.
type Kind uint8

// The kinds.
const (
	Source Kind = iota + 1 // programmable source, one quadrant
	Load                   // electronic load
	Meter                  // volts and amps, one at a time
	Unit                   // source-measure unit, four quadrants
	Switch                 // relays, each of which joins two nodes
)

// String is the word of the scenario file.
func (k Kind) String() string {
	switch k {
	case Source:
		return "source"
	case Load:
		return "load"
	case Meter:
		return "meter"
	case Unit:
		return "source-measure-unit"
	case Switch:
		return "switch-unit"
	}
	return "no instrument"
}

// Spec describes one instrument as it really is.
type Spec struct {
	Name       string
	Kind       Kind
	Identity   [4]string // maker, model, serial, firmware
	Processing Processing
	Channels   []ChannelSpec // at least one
	ErrorQueue int           // entries; 0 is 20
	Watchdog   bool          // it has a communications watchdog
	Quirks     scpi.Quirks
	Seed       Seed
}

// ChannelSpec describes one channel; which parts count depends on the kind.
type ChannelSpec struct {
	Output  OutputSpec // sources and source-measure units
	Input   InputSpec  // loads
	Volts   []Range    // measuring ranges, ascending
	Amps    []Range
	Settle  time.Duration // between the start of a reading and its aperture
	Switch  time.Duration // time that a change of range takes
	Kelvin  float64       // temperature of the instrument against that of its calibration
	Relay   RelaySpec     // switch units
	Shunted bool          // the channel sits in a line as an ammeter (meters)
	Depth   int           // samples that a unit's recording buffers; 0 is 4 million

	Digitiser DigitiserSpec
	List      ListSpec
}

// DigitiserSpec describes the sampling converter of a channel. Its bandwidth is that of a filter of first order before the converter.
type DigitiserSpec struct {
	Least          time.Duration // shortest interval
	Points         int           // samples of each function that its buffer holds
	Readings       int           // integrated readings that its buffer holds
	BandwidthHertz float64       // 0: no filter
	Skew           time.Duration // by which current is sampled after voltage
	Bits           int           // of the converter, over both signs of a range
}

// ListSpec describes what lists a channel takes.
type ListSpec struct {
	Steps      int // 0 is none
	LeastDwell time.Duration
}

// Range is one measuring range with its errors as they really are: not limits, but the values of this specimen.
type Range struct {
	Full            float64 // SI
	Beyond          float64 // part of Full that can still be read, 1.05 to 1.2; 0 is 1.1
	Gain            float64 // relative error
	Offset          float64 // SI
	GainPerKelvin   float64
	OffsetPerKelvin float64
	NoiseDensity    float64 // SI per square root of Hz
	NoiseFloor      float64 // SI; what averaging cannot reduce
	Resolution      float64 // SI
	Ohm             float64 // input resistance of a voltmeter, burden of an ammeter
}

// OutputSpec describes the output of a source.
type OutputSpec struct {
	MaxVolts, MaxAmps, MaxWatts float64       // MaxWatts 0 is no limit
	VoltsGain, VoltsOffset      float64       // errors of the voltage setting
	AmpsGain, AmpsOffset        float64       // of the current setting
	VoltsStep, AmpsStep         float64       // resolution of the settings
	RcvOhm, RccOhm              float64       // output resistance in voltage and in current mode
	MaxSeriesOhm                float64       // of a unit: the most that can be set in series with its output
	SinkAmps                    float64       // current that the output takes while it is on and too high
	BleedOhm                    float64       // across the terminals, also when off; 0 is none
	Farad                       float64       // output capacitor, behind the current limit
	SlewUp, SlewDown            float64       // V/s; 0 is at once
	Rise                        time.Duration // from 10 % to 90 % of a step, as of a single pole, in place of the slew; 0 is none
	Response                    time.Duration // from a command's execution until the output begins to move
	MaxOverVolts                float64       // top of the over-voltage protection
	OverVoltsDelay              time.Duration
	MaxOverAmps                 float64
	OverAmpsDelay               time.Duration
	CompensationVolts           float64 // for the leads under remote sense
	SenseInputOhm, ProtectOhm   float64
}

// InputSpec describes the input of an electronic load.
type InputSpec struct {
	MaxVolts, MaxAmps, MaxWatts float64
	AmpsRanges                  []float64 // level ranges, ascending
	VoltsGain, VoltsOffset      float64   // errors of the settings
	AmpsGain, AmpsOffset        float64
	OhmsGain, WattsGain         float64
	MinOhm, MinVolts            float64       // below MinVolts, or below I times MinOhm, the set current is not reached
	LowOhms, HighOhms           float64       // settings of the resistance mode
	Slew                        float64       // A/s; 0 is at once
	Response                    time.Duration // from a command's execution until the current begins to move
	Drift                       float64       // of the set current, per second since it went on
	LeakOhm                     float64
	OverVolts                   float64 // trips
	OverWatts                   float64
	MaxOverAmps                 float64
	OverAmpsDelay               time.Duration
}
