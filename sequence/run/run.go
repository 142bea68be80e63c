// Package run walks a plan with instruments: it sets, settles, measures, works out and judges, keeps every point with its
// mode and status, and leaves the bench safe however it ends.
//
// One goroutine does everything, in an order that does not depend on timing: with a virtual clock the same plan gives the
// same calls every time. Protection is set before any output goes on; a source goes on before a load, a load off before a
// source; every reading is held against the guard of its node; and normal end, error, interruption, lost instrument and
// panic all leave through [runner.makeSafe].
package run

import (
	"context"
	"errors"
	"fmt"
	"runtime/debug"
	"time"

	"fourwire/driver"
	"fourwire/driver/turns"
	"fourwire/internal/clock"
	"fourwire/internal/ledger"
	"fourwire/quantity/measured"
	"fourwire/record"
	"fourwire/sequence/plan"
)

// Config says what to run with which instruments. Plan and Instruments are needed.
type Config struct {
	Plan        *plan.Plan
	Instruments map[string]Instrument // by name on the bench; opened, so that their identities are checked
	Clock       clock.Clock           // nil is the machine's
	Ledger      *measured.Ledger      // the one that the instruments make their readings with; nil: contributors have no names
	Sink        Sink                  // keeps what happens; nil: nobody does
	Observe     func(Event)           // sees what happens; nil: nobody does

	// Share gives this run its turn at instruments that runs of other sites use at the same time; nil: it has all of them to itself.
	Share *turns.Party

	Spans  *ledger.Ledger // account of the time, the one that the instruments book on; nil: none is kept
	Resume *Resume        // goes on with a run that ended early; nil: begins one

	// Ready is called when the instruments are prepared and protected and no output is on yet, once for all sites; an error of it ends the run. nil: nothing.
	Ready func(context.Context) error
	// Busy is told, before a pause, how long nothing will be heard of the run; nil: nobody asks.
	Busy func(time.Duration)
	// Relieved gives an error once somebody else has taken the bench over and makes it safe: the run then ends without sending anything more, not
	// even to switch off. nil: nobody can.
	Relieved func() error

	OffWithin       time.Duration // time for each instrument to be switched off; 0 is 5 s
	DischargeWithin time.Duration // how long to wait for the nodes to discharge; 0 is 3 s
}

// Sink keeps what a run produces; a *record.Writer is one, once its columns are fixed (those of the plan). An error of it
// ends the run: a run that leaves no record is worth nothing.
type Sink interface {
	Point(record.Point) error
	Verdict(record.Verdict) error
	Result(record.Result) error
	Event(record.Event) error
}

// Event is something that happened, for whoever watches.
type Event struct {
	At      time.Duration // since the start of the run
	Kind    string        // stage, output, point, recalled (a point that the record had), verdict, result, note, settle, mode, range, lost, safe, end, recording (how far one is), recorded, drain, life, emulation, emulated
	Level   string        // info, warn or error
	Text    string
	Point   *record.Point   // of kind point
	Verdict *record.Verdict // of kind verdict
	Result  *record.Result  // of kind result
	Part    float64         // of kind recording: how much of it is done, 0..1; 0: not known
	Done    int             // points so far
	Planned int             // points that the sweeps ask for
}

// Summary is what a run came to.
type Summary struct {
	Outcome   record.Outcome // of all verdicts together
	Points    int
	Invalid   int
	Unsettled int
	Verdicts  record.Counts
	Results   []record.Result
	Elapsed   time.Duration
	Nodes     []NodeAfter // how the device was left
	Cause     Cause       // why it ended early; zero where it did not
	Responses []Response  // of sources, as far as the readings of the run show them
}

// NodeAfter is a node of the device after everything was switched off.
type NodeAfter struct {
	Node string
	driver.Remains
}

// Run walks the plan. Whatever ends it, the outputs have been switched off, or the error says which may still be on. The
// summary holds what there is, also beside an error. [ExitStatus] turns both into the status of a command.
func Run(ctx context.Context, c Config) (s Summary, err error) {
	r, err := newRunner(c)
	if err != nil {
		return Summary{}, &Stop{Kind: Bench, Err: err}
	}
	defer func() {
		err = errors.Join(err, r.makeSafe(context.WithoutCancel(ctx), err))
		s = r.summary()
	}()
	return Summary{}, r.guarded(ctx)
}

// guarded runs the whole sequence; a panic in a step becomes an error, so that the way out is the same.
func (r *runner) guarded(ctx context.Context) (err error) {
	defer func() {
		if fault := recover(); fault != nil {
			r.note("fault", "error", fmt.Sprint(fault), "stack", string(debug.Stack()))
			err = &Stop{Kind: Fault, Place: r.place, Where: r.where(), Err: fmt.Errorf("a fault of the program itself: %v", fault)}
			r.keepRows(err)
		}
	}()
	if err := r.prepare(ctx); err != nil {
		return r.stopped(ctx, err)
	}
	if err := r.meet(ctx); err != nil {
		return r.stopped(ctx, err)
	}
	if err := r.walk(ctx); err != nil {
		return r.stopped(ctx, err)
	}
	if err := r.summarise(ctx); err != nil {
		return r.stopped(ctx, err)
	}
	return nil
}

func (r *runner) summary() Summary {
	s := Summary{
		Outcome: record.Overall(r.verdicts), Points: r.points, Invalid: r.invalid, Unsettled: r.unsettled,
		Verdicts: record.Count(r.verdicts), Results: r.results, Elapsed: r.clock.Since(r.started), Nodes: r.after, Cause: r.why, Responses: r.responses(),
	}
	return s
}
