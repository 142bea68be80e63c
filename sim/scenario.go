package sim

import (
	"time"

	"fourwire/internal/diag"
	"fourwire/sim/device"
	"fourwire/sim/instrument"
	"fourwire/sim/scpi"
)

// Scenario is the truth about a bench, as its file states it. FORMAT.md describes the file.
type Scenario struct {
	File, Title string
	Seed        uint64
	AmbientC    float64
	Devices     []Device
	Instruments []Instrument
	Wiring      []Wire
	Triggers    []TriggerLine
	Faults      []Fault // where the bench departs from Wiring
	Incidents   []Incident
}

// Device is one part under test. Kind says which of the fields below counts.
type Device struct {
	Name, Kind string
	Place      diag.Place
	In, Out    string // nodes of a converter
	Plus       string // nodes of a part with two terminals
	Minus      string
	Buck       device.BuckParams
	Boost      device.BoostParams
	Ldo        device.LdoParams
	Resistor   device.Resistor
	Diode      device.Diode
	Node       device.NodeParams
	Battery    device.BatteryParams
	Single     single
	Farad      float64 // capacitor
	EsrOhm     float64 // in series with it
	Henry      float64 // inductor
	WindingOhm float64 // in series with it
	Ripple     bool    // samples of a converter's output show its ripple
	BurstHertz float64 // a converter draws its input current in bursts; 0: evenly
	BurstDuty  float64 // part of the time
	InFarad    float64 // capacitor at a converter's input
	OutFarad   float64 // and at its output
	OutEsrOhm  float64 // the series resistance of that
}

// Instrument is one virtual instrument.
type Instrument struct {
	Name       string
	Kind       instrument.Kind
	Place      diag.Place
	Identity   [4]string
	Processing instrument.Processing
	ErrorQueue int
	Watchdog   bool // it has a communications watchdog
	Channels   []Channel
	Quirks     Quirks
	Speech     scpi.Quirks
}

// Channel is one channel with the errors that it has, or the limits within which they are drawn.
type Channel struct {
	Output instrument.OutputSpec
	Input  instrument.InputSpec
	// SetVolts to SetWatts are the errors of the settings.
	SetVolts, SetAmps, SetOhms, SetWatts Deviation
	Volts, Amps                          []Range
	Settle, Switch                       time.Duration
	CalibratedC                          float64
	Depth                                int // samples that a unit's recording buffers; 0 is the usual
	Digitiser                            instrument.DigitiserSpec
	List                                 instrument.ListSpec
	Relay                                instrument.RelaySpec
}

// Deviation is the error of a value: given, and drawn evenly from the seed within a limit; both add up.
type Deviation struct {
	Gain, GainWithin     float64 // relative
	Offset, OffsetWithin float64 // SI
}

// Range is one measuring range.
type Range struct {
	Full, Beyond float64
	Deviation
	GainPerKelvin, OffsetPerKelvin float64
	Noise                          float64 // standard deviation at NoiseAt
	NoiseAt                        time.Duration
	Floor, Resolution, Ohm         float64
}

// Quirks are how the wire of an instrument departs from the plain: LF ends what comes and goes, any number of connections.
type Quirks struct {
	Terminator    string // of responses; "" is LF
	Echo          bool
	Prompt        string
	Acknowledge   string
	OneConnection bool // a second connection is closed at once
	InputLimit    int  // bytes; 0 is 64 KiB
	Overrun       bool // what does not fit the input buffer is lost
	Baud          int  // a serial port's pace; 0 is as fast as possible
}

// Wire says what a channel is joined to.
type Wire struct {
	Instrument string
	Channel    int
	Node       string
	Against    string // the other node; "" is ground
	Ammeter    bool   // a meter in the line of the node, instead of at it
	Outward    bool   // an ammeter counts current out of the device
	LeadOhm    float64
	SenseAt    string // node that the sense leads go to; "" is none
	SenseOhm   float64
	Place      diag.Place

	// What faults make of it.
	conductors               *conductors // nil: nothing is wrong with a conductor
	reversed, bypassed       bool
	rippleVolts, rippleHertz float64
}

// Ground is the name of the reference node in a scenario.
const Ground = "ground"

// draw gives the errors that a deviation comes to, for one seed.
func (d Deviation) draw(seed instrument.Seed, key instrument.Key) (gain, offset float64) {
	gain, offset = d.Gain, d.Offset
	if d.GainWithin != 0 {
		k := key
		k.What += " gain"
		gain += d.GainWithin * seed.Uniform(k)
	}
	if d.OffsetWithin != 0 {
		k := key
		k.What += " offset"
		offset += d.OffsetWithin * seed.Uniform(k)
	}
	return gain, offset
}
