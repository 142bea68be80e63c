package daemon

import (
	"context"

	"fourwire/daemon/api"
	"fourwire/driver/guardian"
)

// Desk is the bench as the program knows it that the daemon is part of. Its methods may be called by several goroutines.
type Desk interface {
	// Description is what the bench file says.
	Description() Description
	// Check reads a sequence and binds it to the bench; nothing is connected. file gives the files that its steps name.
	Check(o Order, text []byte, file func(name string) ([]byte, error)) Checked
	// Probe asks an idle instrument who it is and what its error queue holds.
	Probe(ctx context.Context, instrument string) Probed
	// Arguments are those of a run: sequence is its file, record the folder, resume tells that it goes on there.
	Arguments(o Order, sequence, record string, resume bool) []string
	// Guard is what it takes to switch the bench off by connections of its own. A simulated bench, which lives in the process of
	// its run, has nothing to switch off.
	Guard() (guardian.Orders, guardian.Config)
}

// Description is what is known of a bench beforehand.
type Description struct {
	Name, Title string
	Simulated   bool // in the process of each run
	Instruments []api.Instrument
}

// Order is what a job is run from, besides its files.
type Order struct {
	Title       string   `json:"title"`
	Sequence    string   `json:"sequence"` // file name
	Settings    []string `json:"settings,omitempty"`
	Bench       string   `json:"bench,omitempty"`
	Device      string   `json:"device,omitempty"` // serial number
	Seed        *uint64  `json:"seed,omitempty"`
	Acknowledge string   `json:"acknowledge,omitempty"`
	NoHookup    bool     `json:"no_hookup,omitempty"`
	AcceptFit   string   `json:"accept_fit,omitempty"`
	Planned     int      `json:"planned"`
	Predicted   float64  `json:"predicted_s"`
	Roles       []Role   `json:"roles,omitempty"`

	Operator string `json:"-"` // who submitted it; known when it is run
	Job      string `json:"-"` // likewise
}

// Role is a role of a sequence and the channel that serves it.
type Role struct {
	Name    string `json:"name"`
	Channel string `json:"channel"`
}

// Checked is what was found out about a sequence.
type Checked struct {
	Failed      bool // it cannot run: Findings say why
	Wrong       bool // because of the file itself, not of the bench
	Findings    []api.Finding
	Title       string
	About       string
	Params      []api.Param
	Needs       []api.Need
	Fit         string
	Planned     int
	Predicted   float64
	Instruments []string
	Roles       []Role
	Files       map[string][]byte // that its steps name
}

// Probed is what an instrument said.
type Probed struct {
	Identity string
	Queue    string // what its error queue held; empty: nothing
	Wrong    bool   // it is not the instrument that the bench file says
	Err      error
}
