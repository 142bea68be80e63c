package bench

import (
	"time"

	"fourwire/internal/diag"
)

// Bench is a bench as its file states it.
type Bench struct {
	File          string
	Title         string
	AmbientKelvin float64 // 0: not stated
	Simulate      string  // scenario file, relative to the bench file; empty: a real bench
	Instruments   []Instrument
	Wiring        []Wire
	Nodes         []Node // those that the file says something of
	Touch         Touch
	Triggers      []TriggerLine
	Sites         []Site // positions for devices; none: the bench has one device
	View          View   // of [Bench.ForSite]; zero: all of the bench
	Source        []byte // the file as read
	Place         diag.Place
}

// Instrument is one instrument of the bench.
type Instrument struct {
	Name       string
	Model      string // name in the library, or a path relative to the bench file that ends in .yaml
	Address    string // as transport.ParseAddress reads it
	Identity   Identity
	Calibrated string // date of the last calibration, as in 2026-03-01; empty: not stated
	Place      diag.Place

	ModelPlace, AddressPlace diag.Place
}

// Age is the time since the last calibration; 0 where its date is not stated or lies ahead.
func (i Instrument) Age(now time.Time) time.Duration {
	at, err := time.Parse(time.DateOnly, i.Calibrated)
	if err != nil || now.Before(at) {
		return 0
	}
	return now.Sub(at)
}

// Identity is what the instrument's answer to the identity query must say. Empty parts are not checked.
type Identity struct{ Maker, Model, Serial string }

// Use is what a channel does at a node.
type Use string

// The uses.
const (
	Source    Use = "source"
	Load      Use = "load"
	Voltmeter Use = "voltmeter"
	Ammeter   Use = "ammeter"
	Switch    Use = "switch" // between its node and another
)

// Sense is where a source or load senses its voltage.
type Sense string

// The ways to sense.
const (
	Local  Sense = "local"  // at its own terminals
	Remote Sense = "remote" // at the node
)

// Wire is one channel at one node.
type Wire struct {
	Instrument string
	Channel    int // from 1
	Node       string
	As         Use
	Sense      Sense   // of a source or load; Local where nothing is stated
	LeadOhm    float64 // per conductor, between terminals and node
	// LeadTolerance is how far LeadOhm may be off, a ratio; 0: not stated.
	LeadTolerance float64
	// LoopHenry is the inductance of both conductors together; 0: not stated.
	LoopHenry float64
	// Earthed says that the channel's minus terminal is joined to protective earth.
	Earthed bool
	Site    string    // whose node it is; empty: of a bench without sites, or common to all of them
	Through Contact   // that has to be closed for it
	Apart   []Contact // that have to be open then: they join the same channel to other nodes
	Place   diag.Place
}

// Find gives the instrument with this name, nil where there is none.
func (b *Bench) Find(name string) *Instrument {
	for i := range b.Instruments {
		if b.Instruments[i].Name == name {
			return &b.Instruments[i]
		}
	}
	return nil
}

// At lists what is wired to a node.
func (b *Bench) At(node string) []Wire {
	var out []Wire
	for _, w := range b.Wiring {
		if w.Node == node {
			out = append(out, w)
		}
	}
	return out
}
