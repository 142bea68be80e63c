package driver

import (
	"context"
	"fmt"
	"time"

	"fourwire/driver/model"
)

// Recorder is the recording side of a channel: samples are taken without a pause into the instrument's buffer, and fetched from there in
// blocks. Several of one channel are the same.
type Recorder struct{ *channel }

// Recording says what is recorded.
type Recording struct {
	Functions       []Function // Amps first where both are
	IntervalSeconds float64    // of the model's grid; rounded to it
	MostAmps        float64    // largest current that is expected, for the top of the ranges; NaN: the largest there is
	VoltsFull       float64    // largest voltage that is expected, for the range of volts; NaN: the largest there is
}

// Started is a recording that runs.
type Started struct {
	IntervalSeconds float64         // that the instrument uses
	Depth           int64           // samples of each function that its buffer holds; 0: not known
	Ranges          [][]model.Range // by function, ascending: those that its samples can be of
	Inputs          [][]string      // by function and range: what the names of its error inputs begin with, as in Reading.Inputs
	At              time.Time       // just before the start was sent
	Within          time.Duration   // sample 0 begins so long after At at the latest
}

// Samples is a block of samples; its memory is used again by the next Fetch into it.
type Samples struct {
	Start  int64        // index of the first one, counted from the start of the recording
	Count  int          // of each function
	Lost   int64        // in all, since the start of the recording, as the instrument counts
	Values [][]float32  // by function, SI
	Runs   [][]RangeRun // by function
}

// RangeRun says that from a sample of a block on samples are of one range.
type RangeRun struct {
	At    int // from 0
	Range int // index into Started.Ranges
}

// Totals is the instrument's own count of a recording.
type Totals struct {
	Taken     int64   // samples of each function since the start, lost ones included
	Lost      int64   // -1 where it cannot say
	Coulombs  float64 // integral of the current over the samples taken
	Handovers int64   // changes of range; -1 where it cannot say
}

// Recorder gives the recording side of a channel.
func (in *Instrument) Recorder(ch int) (*Recorder, error) {
	c, err := in.at(ch)
	if err != nil {
		return nil, err
	}
	if c.spec.Records == nil {
		return nil, c.cannot("recording")
	}
	return &Recorder{c}, nil
}

// Spec is what the model says of it.
func (r *Recorder) Spec() *model.Records { return r.spec.Records }

// Start begins a recording.
func (r *Recorder) Start(ctx context.Context, want Recording) (Started, error) {
	return Started{}, r.wrap(fmt.Errorf("recording: %w", ErrNoAbility))
}

// Fetch takes up to most samples that wait into into. With least above 0 it waits until so many are there, or the recording has stopped.
func (r *Recorder) Fetch(ctx context.Context, most, least int, into *Samples) error {
	return r.wrap(fmt.Errorf("recording: %w", ErrNoAbility))
}

// Totals asks for the instrument's own count.
func (r *Recorder) Totals(ctx context.Context) (Totals, error) {
	return Totals{}, r.wrap(fmt.Errorf("counting what it records: %w", ErrNoAbility))
}

// Stop stops the recording. What is in the buffer can still be fetched.
func (r *Recorder) Stop(ctx context.Context) error {
	return r.wrap(fmt.Errorf("recording: %w", ErrNoAbility))
}
