package run

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"fourwire/driver"
	"fourwire/driver/model"
	"fourwire/internal/ledger"
	"fourwire/quantity"
	"fourwire/record"
	"fourwire/record/trace"
	"fourwire/sequence"
	"fourwire/sequence/plan"
)

// Recorder records what a channel sees, without a gap. A *driver.Recorder is one.
type Recorder interface {
	Start(context.Context, driver.Recording) (driver.Started, error)
	Fetch(ctx context.Context, most, least int, into *driver.Samples) error
	Totals(context.Context) (driver.Totals, error)
	Stop(context.Context) error
}

// Keeper is the ability of a Sink to keep traces, and files that belong to the run; a *record.Writer has it. Without it nothing can be recorded.
type Keeper interface {
	Dir() string // of the record
	Trace(trace.Head) (*trace.Writer, error)
	FinishTrace(*trace.Writer, trace.Statement) error
	Put(name string, data []byte) error // one that is there is replaced
	PutFrom(name string, write func(io.Writer) error) error
}

// RecorderOf is the ability of an Instrument to record.
type RecorderOf interface {
	Recorder(channel int) (Recorder, error)
}

const (
	mostFetched = 1 << 16          // samples asked for at a time where more than a block waits
	lookEvery   = 10 * time.Second // from one look at what the outputs do to the next, while something is recorded
	clockPart   = 100e-6           // of the time: what the clocks of instrument and computer may differ by; twice the 50 ppm of a usual crystal
)

// recording is a recording under way.
type recording struct {
	step     *sequence.Record
	asked    *plan.Recording
	name     string // of the trace
	ordinal  int    // of the step
	role     *roleState
	rec      Recorder
	writer   *trace.Writer
	started  driver.Started
	every    float64       // s from one sample to the next
	block    int           // samples that are fetched at a time
	span     time.Duration // of a block
	expected int64         // samples; 0: the steps decide
	guards   []quantity.Span
	watts    quantity.Span

	in        driver.Samples
	out       trace.Samples
	next      int64     // index behind the last one that was seen
	perStep   float64   // C: what rounding to counts and to 32 bits may add to the charge so far
	noise     float64   // A^2: variance of the sum of all samples
	variances []float64 // A^2: of one sample, by range of the current
	fetched   time.Time // when something was fetched last
	told      time.Time
	windows   []*window
	ended     bool
	stopped   time.Time // just before the stop was sent; zero: it was not
}

// record keeps every sample of a node until its time, or its steps, are over.
func (r *runner) record(ctx context.Context, s *sequence.Record) error {
	name := r.traceName(s)
	w := r.open()
	r.begin(w)
	if had, ok := r.had[r.ordinal]; ok && had.complete && len(s.Steps) == 0 {
		r.note("resume", "info", name+" was recorded before the run was cut off; it is not recorded again")
		return nil
	}
	rec, err := r.startRecording(ctx, s, name)
	if err != nil {
		return err
	}
	if s.For != nil {
		err = r.fill(ctx, rec)
	} else if err = r.steps(ctx, s.Steps); err == nil {
		r.place = s.At()
	}
	if err != nil {
		return err // makeSafe ends the recording, once the outputs are off
	}
	if err := r.modes(ctx, w); err != nil {
		return err
	}
	return r.endRecording(ctx, rec, w, "")
}

// traceName numbers the traces of a step that runs more than once.
func (r *runner) traceName(s *sequence.Record) string {
	r.made[s.Trace]++
	name := s.Trace
	if n := r.made[s.Trace]; n > 1 {
		name += "-" + strconv.Itoa(n)
	}
	r.traces[s.Trace] = name
	return name
}

// startRecording begins a recording. What is wrong with the disk is said before anything is recorded.
func (r *runner) startRecording(ctx context.Context, s *sequence.Record, name string) (*recording, error) {
	if r.keeper == nil {
		return nil, r.stop(Fault, "the run was given no record to keep a trace in")
	}
	i, err := r.role(s.Role)
	if err != nil {
		return nil, err
	}
	asked := r.plan.Recording(s)
	role := &r.roles[i]
	if asked == nil || role.recorder == nil {
		return nil, r.stop(Bench, "%s (%s) cannot record", role.Need.Name, role.Channel)
	}
	rec := &recording{step: s, asked: asked, name: name, role: role, rec: role.recorder, ordinal: r.ordinal}
	want := driver.Recording{IntervalSeconds: s.Every.SI, MostAmps: asked.MostAmps, VoltsFull: asked.VoltsFull}
	window, _ := r.plan.Guard(role.Need.Node)
	rec.watts = window.Watts
	for _, one := range s.Signals {
		if one.Function == sequence.Amps {
			want.Functions, rec.guards = append(want.Functions, driver.Amps), append(rec.guards, window.Amps)
		} else {
			want.Functions, rec.guards = append(want.Functions, driver.Volts), append(rec.guards, window.Volts)
		}
	}
	if other := r.recordingOf(role.Channel); other != nil {
		return nil, r.stop(Input, "%s is recording %s already", role.Channel, other.name)
	}
	seconds := 0.0
	if s.For != nil {
		d, err := r.eval(ctx, s.For)
		if err != nil {
			return nil, err
		}
		if !(d.X > 0 && d.X < 1e9) {
			return nil, r.stop(Input, "%s cannot be recorded for %s", name, d.Quantity())
		}
		seconds = d.X
		rec.expected = int64(math.Round(seconds / s.Every.SI))
	}
	if err := r.roomFor(s, name, rec.expected); err != nil {
		return nil, err
	}
	r.touched[role.Channel.Instrument] = true
	if rec.started, err = rec.rec.Start(ctx, want); err != nil {
		return nil, r.of(role, err)
	}
	r.recs = append(r.recs, rec) // from now on the way out ends it
	rec.every = rec.started.IntervalSeconds
	if rec.every != s.Every.SI && rec.expected > 0 {
		rec.expected = int64(math.Round(seconds / rec.every))
	}
	r.lengths[name] = rec.expected
	rec.block = plan.Block(time.Duration(rec.every * float64(time.Second)))
	rec.span = time.Duration(float64(rec.block) * rec.every * float64(time.Second))
	for _, spec := range rec.started.Ranges[0] {
		a := spec.Contributions(0, rec.every, r.plan.Bench.AmbientKelvin)
		rec.variances = append(rec.variances, a.Noise*a.Noise+a.Quantisation*a.Quantisation)
	}
	rec.fetched, rec.told, r.looked = rec.started.At, rec.started.At, rec.started.At
	if rec.writer, err = r.keeper.Trace(r.traceHead(rec)); err != nil {
		return nil, r.stop(Bench, "%s: %w", name, err)
	}
	rec.out.Values, rec.out.Runs = make([][]float32, len(s.Signals)), make([][]trace.Run, len(s.Signals))
	what := "until its steps are done"
	if rec.expected > 0 {
		what = fmt.Sprintf("for %s, %d samples", spanText(seconds), rec.expected)
	}
	r.note("stage", "info", fmt.Sprintf("%s is being recorded by %s (%s), one sample every %s, %s", name, role.Need.Name, role.Channel, quantity.Second(rec.every), what))
	return rec, nil
}

// traceHead is what the trace says of itself.
func (r *runner) traceHead(rec *recording) trace.Head {
	h := trace.Head{Name: rec.name, Start: rec.started.At, IntervalSeconds: rec.every}
	for k, one := range rec.step.Signals {
		dim := quantity.Voltage
		if one.Function == sequence.Amps {
			dim = quantity.Current
		}
		signal := trace.Signal{Name: one.Name, Unit: dim.Unit(), Node: fmt.Sprintf("%s(%s)", one.Function, one.Node), From: rec.role.Channel.String()}
		for n, spec := range rec.started.Ranges[k] {
			gain, offset := r.longMean(spec)
			inputs := ""
			if k < len(rec.started.Inputs) && n < len(rec.started.Inputs[k]) {
				inputs = rec.started.Inputs[k][n]
			}
			signal.Ranges = append(signal.Ranges, trace.Range{Full: spec.Full, Inputs: inputs, Gain: gain, Offset: offset})
		}
		steps(signal.Ranges)
		h.Signals = append(h.Signals, signal)
	}
	return h
}

// mostSteps is how many times the finest step the step of another range may be, so that all of them can be summed as whole numbers.
const mostSteps = 1e6

// steps gives ranges the power of ten that leaves each at least 10^6 counts, about what 32 bits of a sample resolve.
func steps(ranges []trace.Range) {
	finest := math.Inf(1)
	for i := range ranges {
		ranges[i].Step = math.Pow(10, math.Floor(math.Log10(ranges[i].Full)+1e-9)-6)
		finest = math.Min(finest, ranges[i].Step)
	}
	for i := range ranges {
		ranges[i].Step = math.Min(ranges[i].Step, mostSteps*finest)
	}
}

// longMean is what stays uncertain of a mean over many samples: gain, relative, and offset, as standard uncertainties.
func (r *runner) longMean(spec model.Range) (gain, offset float64) {
	a := spec.Contributions(spec.Full, 1, r.plan.Bench.AmbientKelvin)
	return math.Hypot(a.Gain, a.TemperatureGain) / spec.Full, math.Hypot(a.Offset, a.TemperatureOffset)
}

// roomFor refuses a recording that the disk has no room for.
func (r *runner) roomFor(s *sequence.Record, name string, samples int64) error {
	free, ok := record.FreeBytes(r.keeper.Dir())
	want := trace.BytesWanted(trace.Head{Signals: make([]trace.Signal, len(s.Signals))}, samples) + leastRoom
	if ok && free < want {
		return r.stop(Bench, "%s takes up to %d MB while it is recorded, and the disk of %s has %d MB left: make room, or record for a shorter time", name, want>>20, r.keeper.Dir(), free>>20)
	}
	return nil
}

// roomAhead refuses, before anything is switched on, what the disk has no room for even alone.
func (r *runner) roomAhead() error {
	if r.keeper == nil || r.cfg.Resume != nil { // a run that goes on may have it already
		return nil
	}
	for i := range r.plan.Recordings {
		s := r.plan.Recordings[i].Step
		r.place = s.At()
		if err := r.roomFor(s, s.Trace, r.plan.Recordings[i].Samples); err != nil {
			return err
		}
	}
	return nil
}

// leastRoom is what is left on a disk beside a recording: the rest of the record, and a margin.
const leastRoom = 32 << 20

// fill fetches blocks until the time of a recording is over.
func (r *runner) fill(ctx context.Context, rec *recording) error {
	defer r.cfg.Spans.EnterWhole(ledger.Aperture, rec.role.Channel.Instrument).Leave() // it is what the time is for
	for rec.next < rec.expected {
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := r.broken(); err != nil {
			return err
		}
		if r.cfg.Busy != nil {
			r.cfg.Busy(rec.span)
		}
		least := int(min(rec.expected-rec.next, int64(rec.block)))
		due := rec.started.At.Add(rec.started.Within + seconds(float64(rec.next+int64(least))*rec.every))
		// an interruption ends the wait, and no answer that is under way
		if wait := due.Sub(r.clock.Now()) - heldAtMost; wait > 0 && !r.runsAhead(rec) {
			if err := r.sleep(ctx, wait); err != nil {
				return err
			}
		}
		if _, err := r.fetch(ctx, rec, max(least, mostFetched), least); err != nil {
			return err
		}
		if err := r.lookAfter(ctx); err != nil {
			return err
		}
		if err := r.pump(ctx); err != nil { // what others have recorded meanwhile
			return err
		}
	}
	return nil
}

// runsAhead tells whether a unit has more samples than the time by the clock of the computer allows: a simulated one, served faster than real
// time. To wait for it here would only keep it waiting.
func (r *runner) runsAhead(rec *recording) bool {
	ahead := seconds(float64(rec.next)*rec.every) - r.clock.Since(rec.started.At)
	return ahead > heldAtMost/2
}

// endRecording stops a recording, takes the rest, holds what came against what the unit counted, and finishes the trace. why is why it ends
// early; empty: it does not. w is its point; nil: it has none any more. An error of the instrument leaves a trace that is not complete.
func (r *runner) endRecording(ctx context.Context, rec *recording, w *row, why string) error {
	if rec.ended {
		return nil
	}
	rec.ended = true
	defer r.forget(rec)
	if rec.writer == nil { // it never began
		return rec.rec.Stop(ctx)
	}
	err := r.stopAndDrain(ctx, rec)
	totals, counted := driver.Totals{Lost: -1, Coulombs: nan, Handovers: -1}, false
	if err == nil {
		totals, err = rec.rec.Totals(ctx)
		counted = err == nil
		if errors.Is(err, driver.ErrNoAbility) {
			err = nil
		}
	}
	if r.cfg.Busy != nil {
		r.cfg.Busy(time.Minute)
	}
	s, faults := r.statement(rec, totals, counted)
	if err != nil {
		faults = append(faults, fmt.Sprintf("the recording could not be ended as it should: %v", err))
	}
	if why != "" {
		faults = append([]string{"it ended early: " + why}, faults...)
	}
	s.Why, s.Complete = faults, len(faults) == 0
	if ferr := r.keeper.FinishTrace(rec.writer, s); ferr != nil {
		return errors.Join(err, r.stop(Bench, "%s: %w", rec.name, ferr))
	}
	r.tellRecorded(rec, totals, counted, faults)
	for _, fault := range faults {
		if w != nil {
			w.invalid("%s: %s", rec.name, fault)
		}
	}
	if err != nil {
		return r.of(rec.role, err)
	}
	return nil
}

func (r *runner) tellRecorded(rec *recording, totals driver.Totals, counted bool, faults []string) {
	text := fmt.Sprintf("%s: %d samples, %s, %s", rec.name, rec.writer.Received(), spanText(float64(rec.next)*rec.every), quantity.Of(rec.writer.Integral(0), quantity.Charge).Text(6))
	if counted && !math.IsNaN(totals.Coulombs) {
		text += fmt.Sprintf(" (the unit's own count: %d samples, %s)", totals.Taken, quantity.Of(totals.Coulombs, quantity.Charge).Text(6))
	}
	if len(faults) == 0 {
		text += ", no gap"
	} else {
		text += "; " + strings.Join(faults, "; ")
	}
	r.note("recorded", level(len(faults) == 0), text, "step", strconv.Itoa(rec.ordinal), "trace", rec.name, "complete", strconv.FormatBool(len(faults) == 0), "why", strings.Join(faults, "; "))
}

// stopAndDrain stops a recording and takes what is left of it.
func (r *runner) stopAndDrain(ctx context.Context, rec *recording) error {
	rec.stopped = r.clock.Now()
	if err := rec.rec.Stop(ctx); err != nil {
		return err
	}
	for {
		n, err := r.fetch(ctx, rec, mostFetched, 0)
		var stop *Stop
		if errors.As(err, &stop) && stop.Kind == Safety {
			return err
		}
		if err != nil || n == 0 {
			return err
		}
	}
}

// forget takes a recording off the list of those under way.
func (r *runner) forget(rec *recording) {
	r.recs = slices.DeleteFunc(r.recs, func(other *recording) bool { return other == rec })
}

// abandon ends every recording on the way out of a run, when the outputs are off.
func (r *runner) abandon(ctx context.Context, cause error) {
	why := "the run ended"
	var stop *Stop
	switch {
	case errors.As(cause, &stop) && stop.Kind == Interrupted: // which message it came before is no news
		why = record.BrokenOff(errors.New("interrupted"))
	case cause != nil:
		why = record.BrokenOff(cause)
	}
	for _, rec := range slices.Clone(r.recs) {
		r.abandonOne(ctx, rec, why)
	}
}

func (r *runner) abandonOne(ctx context.Context, rec *recording, why string) {
	defer func() {
		if fault := recover(); fault != nil {
			r.note("fault", "error", fmt.Sprintf("%s could not be finished: a fault of the program itself: %v", rec.name, fault))
		}
	}()
	ctx, cancel := r.clock.WithTimeout(ctx, abandonWithin)
	defer cancel()
	if err := r.endRecording(ctx, rec, nil, why); err != nil {
		r.note("safe", "warn", fmt.Sprintf("%s: %v", rec.name, err))
	}
}

// keepTorn finishes the traces of recordings whose instruments are not called any more, with what has come.
func (r *runner) keepTorn(why error) {
	for _, rec := range slices.Clone(r.recs) {
		r.forget(rec)
		if rec.writer == nil || rec.ended {
			continue
		}
		rec.ended = true
		s, faults := r.statement(rec, driver.Totals{Lost: -1, Coulombs: nan, Handovers: -1}, false)
		s.Why = append([]string{"it ended early: " + record.BrokenOff(why)}, faults...)
		if err := r.keeper.FinishTrace(rec.writer, s); err != nil {
			r.note("safe", "warn", fmt.Sprintf("%s: %v", rec.name, err))
		}
	}
}

// abandonWithin is how long the rest of a recording may take to be fetched when a run ends early.
const abandonWithin = 30 * time.Second
