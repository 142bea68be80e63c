package run

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"time"

	"fourwire/driver"
	"fourwire/driver/model"
	"fourwire/internal/ledger"
	"fourwire/record"
	"fourwire/sequence"
	"fourwire/sequence/plan"
)

// Digitiser takes samples around an event. A *driver.Digitiser is one.
type Digitiser interface {
	Arm(context.Context, driver.Capture) (driver.Armed, error)
	Trigger(context.Context) error
	Waiting(context.Context) (driver.CaptureState, error)
	Await(ctx context.Context, until driver.CaptureState, longest time.Duration) error
	Fetch(context.Context, *driver.Samples) error
	Abort(context.Context) error
}

// CapturerOf is the ability of an Instrument to capture, and to pass events on.
type CapturerOf interface {
	Digitiser(channel int) (Digitiser, error)
	TriggerOut(ctx context.Context, line int, on string) error
}

func (o opened) Digitiser(channel int) (Digitiser, error) { return o.Instrument.Digitiser(channel) }

// captured is what a capture step has kept, for the steps that look at it.
type captured struct {
	step    *sequence.Capture
	asked   *plan.Capture
	kept    *record.Capture
	name    string // of the trace
	every   float64
	before  int
	signals []capturedSignal
	missed  string // why there is nothing; empty: there is
	lasts   known  // how long a short step in it lasted; has is false: there was none
	event   moment // when the instruments say that the event was
	own     moment // when the computer did what was waited for, where it did
}

// capturedSignal is one signal with what is known of how it was sampled.
type capturedSignal struct {
	sequence.Signal
	samples []float32
	part    int
	spec    model.Range
	inputs  string  // what the names of its error inputs begin with
	step    float64 // of the converter; 0: not seen
	ohm     float64 // of what lies between the node and where its volts are read; 0: nothing, or not corrected
	ohmU    float64 // by which that may be off
	sign    float64 // of the drop
	through int     // signal of the current that the drop was worked out with
}

// capturing is a capture under way.
type capturing struct {
	*captured
	parts  []capturingPart
	skew   float64
	waited bool // everything was seen to wait for the event
}

type capturingPart struct {
	*plan.CapturePart
	digitiser Digitiser
	functions []driver.Function // in the order of the signals
	armed     driver.Armed
	samples   driver.Samples
	waits     bool // it may still be armed
}

// capture arms everything, runs its steps, and keeps what was sampled. An event that does not come leaves a point that is not valid.
func (r *runner) capture(ctx context.Context, s *sequence.Capture) error {
	w := r.open()
	r.begin(w)
	c, err := r.newCapture(s)
	if err != nil {
		return err
	}
	r.under = c // from now on the way out ends it
	err = r.captureNow(ctx, c, w)
	if err == nil {
		err = r.endLists(ctx)
	}
	if err != nil {
		return err // makeSafe ends what is armed, once the outputs are off
	}
	if err := r.disarm(ctx, c); err != nil {
		return err
	}
	r.under = nil
	r.captures[s.Trace] = c.captured
	if c.missed != "" {
		w.invalid("%s", c.missed)
		r.note("captured", "warn", c.missed, "step", strconv.Itoa(r.ordinal), "trace", c.name, "complete", "false")
		return errors.Join(r.captureModes(ctx, w), r.saveCapture(c.captured))
	}
	breach := r.insideGuard(c)
	if err := r.keepCapture(c); err != nil {
		return errors.Join(breach, err)
	}
	if breach != nil {
		return breach
	}
	return r.captureModes(ctx, w)
}

// newCapture finds the channels of a capture.
func (r *runner) newCapture(s *sequence.Capture) (*capturing, error) {
	if r.keeper == nil {
		return nil, r.stop(Fault, "the run was given no record to keep a trace in")
	}
	asked := r.plan.Capture(s)
	if asked == nil {
		return nil, r.stop(Bench, "nothing on this bench captures %s", s.Trace)
	}
	c := &capturing{captured: &captured{step: s, asked: asked, name: r.numbered(s.Trace)}, skew: asked.SkewSeconds}
	for i := range asked.Parts {
		p := capturingPart{CapturePart: &asked.Parts[i], digitiser: r.digitisers[asked.Parts[i].Channel]}
		if p.digitiser == nil {
			return nil, r.stop(Bench, "%s cannot capture", p.Channel)
		}
		for _, k := range p.Signals {
			p.functions = append(p.functions, functionOf(s.Signals[k].Function))
		}
		c.parts = append(c.parts, p)
	}
	return c, nil
}

func functionOf(f sequence.Function) driver.Function {
	if f == sequence.Amps {
		return driver.Amps
	}
	return driver.Volts
}

// captureNow arms, runs the steps and fetches.
func (r *runner) captureNow(ctx context.Context, c *capturing, w *row) error {
	s := c.step
	if err := r.armAll(ctx, c, w); err != nil {
		return err
	}
	if err := r.triggerNow(ctx, c); err != nil {
		return err
	}
	if err := r.steps(ctx, s.Steps); err != nil {
		return err
	}
	r.place = s.At()
	r.at(r.place)
	for i := range c.parts {
		p := &c.parts[i]
		longest := plan.CaptureWithin(s) + captureSlack
		if i > 0 { // the event is the same: the others have it by now
			longest = seconds(s.For.SI) + captureSlack
		}
		if r.cfg.Busy != nil {
			r.cfg.Busy(longest)
		}
		err := r.awaitEnd(ctx, c, p, longest)
		if errors.Is(err, driver.ErrNotTriggered) {
			c.missed = fmt.Sprintf("%s was not captured: %q did not come about within %s", c.name, s.Trigger.Text, s.AtMost)
			if i > 0 {
				c.missed = fmt.Sprintf("%s was not captured: %s saw the event, and %s heard nothing of it: look for the trigger line between them", c.name, c.parts[0].Channel, p.Channel)
			}
			return nil
		}
		if err != nil {
			return fmt.Errorf("%s: %w", p.Channel, err)
		}
	}
	defer r.cfg.Spans.EnterWhole(ledger.ReadBack, "").Leave()
	for i := range c.parts {
		p := &c.parts[i]
		if err := p.digitiser.Fetch(ctx, &p.samples); err != nil {
			return fmt.Errorf("%s: %w", p.Channel, err)
		}
		p.waits = false
	}
	return r.assemble(c, w)
}

// captureSlack is what an instrument may take beyond the time that was asked for.
const captureSlack = time.Second

// armAll has everything wait for the event: who hears of it before who sees it.
func (r *runner) armAll(ctx context.Context, c *capturing, w *row) error {
	if c.asked.Line > 0 {
		from, ok := r.cfg.Instruments[c.asked.From].(CapturerOf)
		if !ok {
			return r.stop(Bench, "%s cannot drive a trigger line", c.asked.From)
		}
		r.touched[c.asked.From] = true
		if err := from.TriggerOut(ctx, c.asked.Line, c.asked.Pulse); err != nil {
			return err
		}
	}
	var tasks []task
	for i := range c.parts {
		if i == c.asked.Sees {
			continue
		}
		tasks = append(tasks, task{c.parts[i].Channel.Instrument, func(ctx context.Context) error {
			_, err := r.armPart(ctx, c, i)
			return err
		}})
	}
	if err := r.together(ctx, tasks...); err != nil {
		return err
	}
	if c.asked.Sees < 0 {
		return nil
	}
	state, err := r.armPart(ctx, c, c.asked.Sees)
	if err == nil && c.step.Trigger.On == sequence.OnLevel && state != driver.CaptureWaits && len(c.step.Steps) > 0 {
		w.invalid("%s: %q came about before its steps", c.name, c.step.Trigger.Text)
	}
	return err
}

func (r *runner) armPart(ctx context.Context, c *capturing, i int) (driver.CaptureState, error) {
	p, s := &c.parts[i], c.step
	points, before := s.Points()
	want := driver.Capture{Functions: p.functions, IntervalSeconds: s.Every.SI, Points: points, Before: before, VoltsFull: p.VoltsFull, AmpsFull: p.AmpsFull}
	want.Trigger = driver.Trigger{On: driver.Event(p.On)}
	switch p.On {
	case model.OnLine:
		want.Trigger.Line = c.asked.Line
	case model.OnVolts, model.OnAmps:
		v, err := s.Trigger.Level.Eval(r)
		if err != nil {
			return 0, r.stop(Input, "the level of the trigger cannot be worked out: %w", err)
		}
		want.Trigger.Level, want.Trigger.Slope, want.Trigger.Hysteresis = v.Value.X, s.Trigger.Slope, s.Trigger.Hysteresis.SI
	}
	r.touched[p.Channel.Instrument] = true
	p.waits = true
	var err error
	begun := r.clock.Now()
	if p.armed, err = p.digitiser.Arm(ctx, want); err != nil {
		return 0, fmt.Errorf("%s: %w", p.Channel, err)
	}
	if p.On == model.AtOnce {
		c.own = moment{begun, r.clock.Now()}
		return driver.CaptureTakes, nil
	}
	if err := p.digitiser.Await(ctx, driver.CaptureWaits, seconds(s.Before.SI)+captureSlack); err != nil {
		return 0, fmt.Errorf("%s: %w", p.Channel, err)
	}
	asked := r.clock.Now()
	state, err := p.digitiser.Waiting(ctx)
	if err != nil {
		return 0, fmt.Errorf("%s: %w", p.Channel, err)
	}
	if c.waited = state == driver.CaptureWaits; c.waited {
		c.event.notBefore(asked)
	}
	return state, nil
}

// triggerNow has the computer make the event, where it is its own.
func (r *runner) triggerNow(ctx context.Context, c *capturing) error {
	var tasks []task
	for i := range c.parts {
		p := &c.parts[i]
		if p.On != model.Software {
			continue
		}
		tasks = append(tasks, task{p.Channel.Instrument, func(ctx context.Context) error {
			if err := p.digitiser.Trigger(ctx); err != nil {
				return fmt.Errorf("%s: %w", p.Channel, err)
			}
			return nil
		}})
	}
	if len(tasks) == 0 {
		return nil
	}
	begun := r.clock.Now()
	if err := r.together(ctx, tasks...); err != nil { // every command is on its way before an answer is awaited
		return err
	}
	c.own = moment{begun, r.clock.Now()}
	if c.asked.Apart { // between the first command and the answer to the last one is all that can be said
		c.skew = r.clock.Since(begun).Seconds() + c.step.Every.SI
	}
	return nil
}

// disarm ends what still waits, and leaves the trigger line as it was.
func (r *runner) disarm(ctx context.Context, c *capturing) error {
	for i := range c.parts {
		if p := &c.parts[i]; p.waits {
			if err := p.digitiser.Abort(ctx); err != nil {
				return fmt.Errorf("%s: %w", p.Channel, err)
			}
			p.waits = false
		}
	}
	if from, ok := r.cfg.Instruments[c.asked.From].(CapturerOf); ok && c.asked.Line > 0 {
		if err := from.TriggerOut(ctx, c.asked.Line, ""); err != nil {
			return err
		}
	}
	c.kept = r.keptCapture(c)
	return nil
}

// abandonCapture ends a capture on the way out of a run, when the outputs are off.
func (r *runner) abandonCapture(ctx context.Context) {
	c := r.under
	if c == nil {
		return
	}
	r.under = nil
	ctx, cancel := r.clock.WithTimeout(ctx, r.cfg.OffWithin)
	defer cancel()
	if err := r.disarm(ctx, c); err != nil {
		r.note("safe", "warn", fmt.Sprintf("%s: %v", c.name, err))
	}
}

func orNaN(x float64) float64 {
	if x == 0 {
		return nan
	}
	return x
}

// numbered numbers the traces of a step that runs more than once.
func (r *runner) numbered(trace string) string {
	r.made[trace]++
	if n := r.made[trace]; n > 1 {
		return trace + "-" + strconv.Itoa(n)
	}
	return trace
}

// captureModes asks every role that is on what it is doing. In which mode it was on the way the capture itself shows: another one than was asked for is
// noted, and leaves the point as it is.
func (r *runner) captureModes(ctx context.Context, w *row) error {
	before := len(w.why)
	err := r.modes(ctx, w)
	for _, why := range w.why[before:] {
		if err == nil && !slices.Contains(w.notes, why) {
			w.notes = append(w.notes, why)
		}
	}
	if err == nil {
		w.why = w.why[:before]
	}
	return err
}
