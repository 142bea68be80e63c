package guardian

import (
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"fourwire/driver"
	"fourwire/driver/model"
	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/transport"
)

// Version is the version of the orders that this package writes and takes.
const Version = "guardian/1"

// The times of a guard. Of a run that stands still, outputs are on their way off BeatWithin after its last beat, and off a few instrument times later.
// Outputs have to be off 500 ms after a run stood still, and an overloaded computer can make a healthy process late by 300 ms: the limit is as
// long as the first allows, so that the second is not taken for it.
const (
	BeatEvery     = 25 * time.Millisecond
	BeatWithin    = 400 * time.Millisecond // without a beat for so long, the guardian takes over
	PulseWithin   = time.Second            // without an answer to a beat for so long, the guardian is gone
	Slack         = 2 * time.Second        // how long a run may do something without a message to an instrument
	WatchdogAfter = 3 * time.Second        // what instruments with a watchdog are told
)

// Turn says when an instrument is switched off.
type Turn int

// The turns.
const (
	Never  Turn = iota // it has nothing to switch off
	First              // loads
	Second             // sources
)

// Orders is what a guardian has to know, as one JSON document.
type Orders struct {
	Format      string       `json:"format"`
	Record      string       `json:"record"`         // folder of the record, absolute
	Also        []string     `json:"also,omitempty"` // folders of the records of other sites
	BaseDir     string       `json:"base_dir"`       // where relative paths of serial ports start, absolute
	Runner      int          `json:"runner"`         // process that beats
	Instruments []Instrument `json:"instruments"`
	Nodes       []Node       `json:"nodes"`
}

// Instrument is one instrument to look after.
type Instrument struct {
	Name    string          `json:"name"`
	Address string          `json:"address"` // with every option
	Model   string          `json:"model"`   // the file's name
	Text    string          `json:"text"`    // the model file itself
	Expect  driver.Identity `json:"expect"`  // what it answered to the runner
	Turn    Turn            `json:"turn"`
}

// Node is a node whose discharge is watched.
type Node struct {
	Node       string        `json:"node"`
	Instrument string        `json:"instrument"` // that reads its voltage; empty: none
	Channel    int           `json:"channel"`
	MostVolts  float64       `json:"most_volts"` // what may stand there, for the range; 0: the largest
	Safe       quantity.Volt `json:"safe_volts"` // below it the node is discharged
}

// place is an instrument of orders that have been read.
type place struct {
	Instrument
	model   *model.Model
	address transport.Address
	held    bool // its wire takes one connection: the runner has it
}

// readOrders reads orders and everything in them; a guardian that cannot read all of them is none.
func readOrders(line []byte) (Orders, []place, error) {
	var o Orders
	if err := json.Unmarshal(line, &o); err != nil {
		return o, nil, fmt.Errorf("the orders cannot be read: %w", err)
	}
	if o.Format != Version {
		return o, nil, fmt.Errorf("the orders are %q, %q is wanted: both processes must be of one version", o.Format, Version)
	}
	var places []place
	for _, in := range o.Instruments {
		var found diag.Findings
		p := place{Instrument: in, model: model.Read(in.Model, []byte(in.Text), &found)}
		if p.model == nil {
			return o, nil, fmt.Errorf("%s: the model cannot be read: %v", in.Name, found.List())
		}
		var err error
		if p.address, err = transport.ParseAddress(in.Address); err != nil {
			return o, nil, fmt.Errorf("%s: %w", in.Name, err)
		}
		p.held = p.address.Options.Single == transport.Yes || p.address.Scheme == "serial"
		places = append(places, p)
	}
	if len(places) == 0 {
		return o, nil, errors.New("the orders name no instrument")
	}
	return o, places, nil
}

// Hand is how a guardian reaches one instrument.
type Hand struct {
	Instrument string `json:"instrument"`
	Turn       Turn   `json:"turn"`
	Connected  bool   `json:"connected"` // has a connection of its own
	Held       bool   `json:"held"`      // the wire takes one connection, which the runner has
	Watchdog   bool   `json:"watchdog"`  // can be armed by the guardian
	Problem    string `json:"problem,omitempty"`
}

// Report is what a guardian has done.
type Report struct {
	Why      string        `json:"why"`
	Switched []SwitchedOff `json:"switched"`
	Nodes    []NodeLeft    `json:"nodes"`
}

// SwitchedOff is one instrument that was switched off, or not.
type SwitchedOff struct {
	Instrument string  `json:"instrument"`
	Off        bool    `json:"off"`
	Seconds    float64 `json:"seconds"` // since the guardian took over, until it was verified
	Problem    string  `json:"problem,omitempty"`
}

// NodeLeft is what stood at a node in the end.
type NodeLeft struct {
	Node       string   `json:"node"`
	Volts      *float64 `json:"volts"` // null: could not be measured
	Discharged bool     `json:"discharged"`
	Text       string   `json:"text"`
}

// Safe tells whether everything is verified to be off.
func (r Report) Safe() bool {
	for _, s := range r.Switched {
		if !s.Off {
			return false
		}
	}
	return true
}

// Text is the report in words.
func (r Report) Text() string {
	text := r.Why
	for _, s := range r.Switched {
		if s.Off {
			text += fmt.Sprintf("; %s off after %s", s.Instrument, quantity.Of(s.Seconds, quantity.Time).Text(2))
		} else {
			text += fmt.Sprintf("; %s MAY STILL BE ON (%s): switch it off at its front panel", s.Instrument, s.Problem)
		}
	}
	for _, n := range r.Nodes {
		text += "; " + n.Node + ": " + n.Text
	}
	return text
}
