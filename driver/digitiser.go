package driver

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"fourwire/driver/model"
	"fourwire/driver/scpi"
	"fourwire/internal/ledger"
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
	ApertureSeconds float64       // of readings; 0 where samples are taken
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

// capture is what is known of a channel's latest capture.
type capture struct {
	armed     bool // it may not have ended yet
	functions []Function
	before    int
	samples   int           // of each function, of all triggers
	takes     time.Duration // from the last trigger to the end
}

var errCaptures = fmt.Errorf("%w: a capture is armed, and has not ended", ErrBusy)

// captures tells whether a capture of the channel may be under way.
func (c *channel) captures() bool { return c.capture != nil && c.capture.armed }

// Arm sets what is wanted, looks whether it was taken, and has the instrument wait for the trigger. With samples from before the trigger, one that
// comes before these are there may be passed over: see [Digitiser.Await].
func (d *Digitiser) Arm(ctx context.Context, want Capture) (Armed, error) {
	a, err := d.arm(ctx, want)
	return a, d.wrap(err)
}

func (d *Digitiser) arm(ctx context.Context, want Capture) (Armed, error) {
	switch {
	case d.records():
		return Armed{}, errRecords
	case d.running != nil && d.running.open():
		return Armed{}, ErrBusy
	}
	if d.captures() {
		if state, err := d.state(ctx); err != nil || state != CaptureEnded {
			return Armed{}, errors.Join(errCaptures, err)
		}
	}
	a, words, err := d.planCapture(want)
	if err != nil {
		return Armed{}, err
	}
	if d.running != nil && !d.running.begun() { // given up, and perhaps still running
		if err := d.stop(ctx); err != nil {
			return Armed{}, err
		}
	}
	was := d.stands
	say := differing(words, was.capture)
	if len(say) > 0 {
		err = d.act(ctx, say...)
		d.measuring = measuring{inputs: d.inputs} // whether these words changed what readings use is not known
	}
	switch {
	case err != nil:
	case was.capture == nil || timed(say):
		err = d.verifyCapture(ctx, &a)
	default:
		a.IntervalSeconds, a.Points, a.Before, a.BandwidthHertz = was.armed.IntervalSeconds, was.armed.Points, was.armed.Before, was.armed.BandwidthHertz
	}
	if err != nil {
		return Armed{}, err
	}
	d.stands.capture, d.stands.armed = words, a
	behind := float64(a.Points-a.Before) * a.IntervalSeconds
	if a.ApertureSeconds > 0 {
		behind = a.ApertureSeconds
	}
	c := &capture{armed: true, functions: slices.Clone(want.Functions), before: a.Before, samples: a.Points * a.Count, takes: secondsOf(behind + want.DelaySeconds)}
	d.capture = c
	if err := d.act(ctx, word{verb: "arm"}); err != nil {
		c.armed = false
		return Armed{}, err
	}
	return a, nil
}

func secondsOf(x float64) time.Duration { return time.Duration(x * float64(time.Second)) }

// Trigger triggers a capture that waits for Software.
func (d *Digitiser) Trigger(ctx context.Context) error {
	if !d.captures() {
		return d.wrap(fmt.Errorf("%w: no capture is armed", ErrOrder))
	}
	return d.wrap(d.act(ctx, word{verb: "trigger"}))
}

// Waiting asks how far the capture is.
func (d *Digitiser) Waiting(ctx context.Context) (CaptureState, error) {
	state, err := d.state(ctx)
	return state, d.wrap(err)
}

func (c *channel) state(ctx context.Context) (CaptureState, error) {
	switch {
	case c.capture == nil:
		return CaptureEnded, fmt.Errorf("%w: no capture was armed", ErrNoReading)
	case !c.capture.armed:
		return CaptureEnded, nil
	}
	a, err := c.ask(ctx, "capture state")
	if err != nil {
		return CaptureEnded, err
	}
	states := a.states()
	switch {
	case slices.Contains(states, "waiting"):
		return CaptureWaits, nil
	case slices.Contains(states, "taking"):
		return CaptureTakes, nil
	}
	c.capture.armed = false
	return CaptureEnded, nil
}

// Await asks from time to time how far the capture is, until it waits for its trigger (CaptureWaits: it is ready for it) or has ended (CaptureEnded), for longest
// at most. The connection is free between. Without a trigger in that time it is ErrNotTriggered; the capture stays armed.
func (d *Digitiser) Await(ctx context.Context, until CaptureState, longest time.Duration) error {
	return d.wrap(d.await(ctx, until, longest))
}

func (d *Digitiser) await(ctx context.Context, until CaptureState, longest time.Duration) error {
	defer d.in.whole(ctx, ledger.Aperture).Leave()
	begun := d.in.clock.Now()
	for pause := time.Millisecond; ; pause = min(2*pause, longestPause) {
		state, err := d.state(ctx)
		if err != nil || state == until || state == CaptureEnded {
			return err
		}
		left := longest - d.in.clock.Since(begun)
		switch {
		case left > 0:
		case state == CaptureWaits:
			return fmt.Errorf("%w in %v", ErrNotTriggered, longest)
		default:
			return fmt.Errorf("%w: the capture has not ended in %v", ErrBusy, longest)
		}
		if err := d.in.sleep(ctx, min(pause, left), ledger.Aperture); err != nil {
			return err
		}
	}
}

// longestPause is the time between two looks at what runs in an instrument.
const longestPause = 20 * time.Millisecond

// Fetch takes what was captured, once it has ended: Samples.Start is the index of the first one, counted from the trigger, Count all of them; those
// of several triggers follow one another. There are no Runs: each function is of one range. Samples that are still being taken are waited for; a
// capture that still waits for its trigger is ErrNotTriggered. It can be fetched again until the next one is armed.
func (d *Digitiser) Fetch(ctx context.Context, into *Samples) error {
	return d.wrap(d.fetch(ctx, into))
}

func (d *Digitiser) fetch(ctx context.Context, into *Samples) error {
	state, err := d.state(ctx)
	switch {
	case err != nil:
		return err
	case state == CaptureWaits:
		return fmt.Errorf("%w yet", ErrNotTriggered)
	case state == CaptureTakes:
		if err := d.await(ctx, CaptureEnded, d.capture.takes+d.in.within(0)); err != nil {
			return err
		}
	}
	c := d.capture
	n := len(c.functions)
	into.Start, into.Count, into.Lost, into.Overloads = int64(-c.before), 0, 0, 0
	into.Values, into.Runs = fit(into.Values, n), fit(into.Runs, n)
	for len(into.memory) < n {
		into.memory = append(into.memory, scpi.Singles{})
	}
	defer d.in.whole(ctx, ledger.ReadBack).Leave()
	for i, f := range c.functions {
		into.Runs[i] = into.Runs[i][:0]
		row, err := d.fetchRow(ctx, f, c.samples, &into.memory[i])
		if err != nil {
			return err
		}
		into.Values[i] = row
		into.Overloads += scpi.MarkSpecials(row)
	}
	into.Count = c.samples
	return nil
}

// fetchRow reads the samples of one function straight into memory.
func (d *Digitiser) fetchRow(ctx context.Context, f Function, want int, memory *scpi.Singles) ([]float32, error) {
	verb := "fetch " + f.String()
	if err := d.in.hearPosed(ctx); err != nil {
		return nil, err
	}
	questions, err := d.questions(verb)
	if err != nil {
		return nil, err
	}
	question := questions[0]
	within := d.in.within(0) + time.Duration(float64(4*want)/slowestBytes*float64(time.Second))
	raw, err := d.in.device.AskInto(ctx, question, within, memory.Room())
	if err != nil {
		return nil, err
	}
	order := scpi.Order(d.spec.Dialect.Ask[verb].Fields[0].Form == "singles swapped")
	row, err := memory.Take(raw, order)
	if err == nil && len(row) != want {
		err = fmt.Errorf("%w: %d samples came, and the capture has %d", ErrSamples, len(row), want)
	}
	if err != nil {
		return nil, d.in.device.Fault(question, err)
	}
	return row, nil
}

// Abort ends a capture that has not ended; one that has is left alone. Readings and lists of the instrument are stopped with it.
func (d *Digitiser) Abort(ctx context.Context) error {
	if !d.captures() {
		return nil
	}
	for i := range d.in.channels {
		if other := &d.in.channels[i]; other.records() {
			return d.wrap(fmt.Errorf("%w: to stop a capture would stop the recording of channel %d", ErrBusy, other.number))
		}
	}
	return d.wrap(d.in.halt(ctx, d.channel))
}

// halt stops whatever runs in the instrument. Lists go to their fixed values.
func (in *Instrument) halt(ctx context.Context, c *channel) error {
	if err := in.hearPosed(ctx); err != nil {
		return err
	}
	if err := c.utter(ctx, word{verb: "abort"}); err != nil {
		return err
	}
	in.halted()
	return in.device.Check(ctx)
}

// halted takes note that everything was stopped.
func (in *Instrument) halted() {
	for i := range in.channels {
		c := &in.channels[i]
		if c.running != nil && c.running.open() {
			c.running.err = fmt.Errorf("the reading was stopped: %w", ErrNoReading)
		}
		c.running = nil
		if c.capture != nil {
			if c.capture.armed {
				c.capture = nil // there is nothing to fetch
			}
		}
		if c.list != nil {
			c.list.running = false
		}
		if c.recording != nil {
			c.recording.running = false
		}
	}
}
