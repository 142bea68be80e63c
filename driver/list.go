package driver

import (
	"context"

	"fourwire/driver/model"
)

// List is the side of a source or load that runs through a list of levels by itself. Several of one channel are the same.
type List struct{ *channel }

// ListPlan says what a list does. A list goes on when this side is gone: its last level is where it stays, and has to be a safe one.
type ListPlan struct {
	Of     Function  // Volts of a source, Amps of a load, or of a source's limit
	Levels []float64 // SI
	Dwell  []float64 // seconds of each step; one: of every step; none where StepOnTrigger is set
	// Safe is the level that the plan ends with, as whoever plans it says: 0 A for a load, 0 V or its start value for a source. A plan whose last
	// level is another is refused.
	Safe          float64
	StepOnTrigger bool  // each trigger makes one step; else one trigger starts the whole
	On            Event // AtOnce, Software or OnLine; empty: OnLine with a Line, else Software with StepOnTrigger, else AtOnce
	Line          int   // trigger line, from 1
}

// List gives the list side of a channel.
func (in *Instrument) List(ch int) (*List, error) {
	c, err := in.at(ch)
	if err != nil {
		return nil, err
	}
	if c.spec.Lists == nil {
		return nil, c.cannot("running lists")
	}
	return &List{c}, nil
}

// Spec is what the model says of it.
func (l *List) Spec() *model.Lists { return l.spec.Lists }

// Load checks a plan and puts it into the instrument. The fixed value, where Abort goes, must have been set before.
func (l *List) Load(ctx context.Context, p ListPlan) error { return l.cannot("running lists") }

// Start starts the list, or has it wait for its trigger.
func (l *List) Start(ctx context.Context) error { return l.cannot("running lists") }

// Trigger triggers a list that waits for Software: it starts, or makes a step.
func (l *List) Trigger(ctx context.Context) error { return l.cannot("running lists") }

// Running tells whether the list is under way, waiting for a trigger included.
func (l *List) Running(ctx context.Context) (bool, error) { return false, l.cannot("running lists") }

// Abort stops the list: the channel goes to its fixed value.
func (l *List) Abort(ctx context.Context) error { return l.cannot("running lists") }

// TriggerOut has a trigger line pulse: on "steps" of a list, on "capture" (a capture is triggered), on "output" (the output goes on), or not at all with "".
func (in *Instrument) TriggerOut(ctx context.Context, line int, on string) error {
	return in.channels[0].cannot("pulsing trigger lines")
}
