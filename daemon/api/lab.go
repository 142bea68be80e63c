package api

import (
	"context"
	"time"

	"fourwire/daemon/access"
)

// LabService is what the door opens to where benches share their work. On a daemon alone its answers say so.
type LabService interface {
	Lab() Lab
	SwitchOffAt(ctx context.Context, who access.Who, bench string) (OffReport, error)
}

// Lab is the benches and hubs that share their work.
type Lab struct {
	Joined  bool     `json:"joined" doc:"false: this daemon is alone"`
	Name    string   `json:"name,omitempty" doc:"of this daemon in the lab"`
	Hub     bool     `json:"hub,omitempty" doc:"this daemon has no bench"`
	Cut     string   `json:"cut,omitempty" doc:"why nothing can be asked of the lab, as in cluster not reachable since 09:12:44 UTC; empty: it can"`
	Members []Member `json:"members"`
	Queue   Queue    `json:"queue" doc:"jobs of the whole lab"`
}

// Member is a bench or a hub of a lab.
type Member struct {
	Name        string       `json:"name" doc:"give it as bench in a submission"`
	Title       string       `json:"title,omitempty"`
	Hub         bool         `json:"hub,omitempty"`
	Host        string       `json:"host,omitempty" doc:"computer"`
	Version     string       `json:"version"`
	State       string       `json:"state" enum:"here,left,vanished" doc:"left: in order; vanished: not heard of for as long as its lease lasts"`
	Heard       time.Time    `json:"heard,omitzero" doc:"last, by the clock of this computer"`
	Simulated   bool         `json:"simulated,omitempty"`
	Armed       bool         `json:"armed"`
	Held        string       `json:"held,omitempty" doc:"why nothing starts there; empty: it does"`
	Outputs     string       `json:"outputs,omitempty" enum:"off,on,not verified" doc:"as last heard"`
	Running     int          `json:"running" doc:"jobs under way, as last heard"`
	Instruments []Instrument `json:"instruments" doc:"name, model, wiring and channels only"`
}

// Channel is what a channel of an instrument can do, in short.
type Channel struct {
	Name  string `json:"name"`
	Kind  string `json:"kind" doc:"as what it is wired, as in source, load, voltmeter"`
	Node  string `json:"node,omitempty"`
	Volts string `json:"volts,omitempty" doc:"as in 0..20 V"`
	Amps  string `json:"amps,omitempty"`
}
