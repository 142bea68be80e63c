package driver

import (
	"context"

	"fourwire/driver/model"
)

// Digitiser takes samples, or readings, around triggers into the instrument's buffer, from where they are fetched as a whole. Several of one
// channel are the same.
type Digitiser struct{ *channel }

// Event is what a capture or a list waits for; the words are those of the model files.
type Event string

// The events. Digitisers know all of them, lists wait for AtOnce, Software or OnLine.
const (
	AtOnce   Event = model.AtOnce   // nothing
	Software Event = model.Software // Trigger of the digitiser or the list
	OnVolts  Event = model.OnVolts  // the channel's volts cross a level
	OnAmps   Event = model.OnAmps   // the channel's amps do
	OnOutput Event = model.OnOutput // the channel's output, or input, goes on
	OnLine   Event = model.OnLine   // a pulse on a trigger line
)

// Trigger is the event that a capture waits for.
type Trigger struct {
	On         Event   // empty: AtOnce
	Line       int     // from 1, for OnLine
	Level      float64 // SI, for OnVolts and OnAmps
	Hysteresis float64 // SI: how far behind the level the signal must have been before it counts; 0: the instrument's own
	Slope      int     // 1 rising, -1 falling, 0 either
}

// Capture says what is captured.
type Capture struct {
	Functions       []Function // Amps, Volts, or both
	IntervalSeconds float64    // rounded to the model's grid; 0 where ApertureSeconds says that readings are taken
	Points          int        // samples of each function around one trigger
	Before          int        // of these, samples before the trigger
	// ApertureSeconds makes it readings: one for each trigger, integrated for so long. Points is 1 (or 0) then, and Before 0.
	ApertureSeconds float64
	Trigger         Trigger
	VoltsFull       float64 // largest voltage that is expected, for the range; 0 or NaN: the largest there is
	AmpsFull        float64 // largest current that is expected, for the range; 0 or NaN: the largest there is
	Count           int     // triggers; 0 is 1
	DelaySeconds    float64 // from the trigger to the first sample behind it
}

// Armed is a capture that waits for its trigger, as the instrument has taken it.
type Armed struct {
	IntervalSeconds float64       // that the instrument uses; 0 where readings are taken
	Points, Before  int           // of each trigger, as the instrument uses them
	Count           int           // triggers
	BandwidthHertz  float64       // of the filter before the converter; 0: not known
	SkewSeconds     float64       // between functions of one sample, at most; 0: not known
	Ranges          []model.Range // by function
	Inputs          []string      // by function: what the names of its error inputs begin with, as in Reading.Inputs; empty without a ledger
}

// CaptureState is how far a capture is.
type CaptureState uint8

// The states.
const (
	CaptureEnded CaptureState = iota
	CaptureWaits              // for a trigger
	CaptureTakes              // samples or a reading
)

// Digitiser gives the digitising side of a channel.
func (in *Instrument) Digitiser(ch int) (*Digitiser, error) {
	c, err := in.at(ch)
	if err != nil {
		return nil, err
	}
	if c.spec.Digitises == nil {
		return nil, c.cannot("digitising")
	}
	return &Digitiser{c}, nil
}

// Spec is what the model says of it.
func (d *Digitiser) Spec() *model.Digitises { return d.spec.Digitises }

// Arm sets what is wanted, looks whether it was taken, and has the instrument wait for the trigger.
func (d *Digitiser) Arm(ctx context.Context, want Capture) (Armed, error) {
	return Armed{}, d.cannot("digitising")
}

// Trigger triggers a capture that waits for Software.
func (d *Digitiser) Trigger(ctx context.Context) error { return d.cannot("digitising") }

// Waiting tells how far the capture is.
func (d *Digitiser) Waiting(ctx context.Context) (CaptureState, error) {
	return CaptureEnded, d.cannot("digitising")
}

// Fetch takes what was captured, once it has ended: Samples.Start is the index of the first one, counted from the trigger, Count all of them; those
// of several triggers follow one another. There are no Runs.
func (d *Digitiser) Fetch(ctx context.Context, into *Samples) error { return d.cannot("digitising") }

// Abort ends a capture that has not ended.
func (d *Digitiser) Abort(ctx context.Context) error { return d.cannot("digitising") }
