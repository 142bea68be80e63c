// Package hookup looks whether a bench is wired as its file says, at a level that harms nothing: each source in turn puts a few percent of the
// device's voltage on its node, with a small current limit and its protection set first, and every meter is looked at.
//
// What it finds is a fault with its evidence and its remedy; what cannot be told at that level it says as well. A converter does not start at a few
// percent of its input voltage: its output side stays dead, and so stays unchecked.
package hookup

import (
	"context"
	"errors"
	"fmt"
	"time"

	"fourwire/driver"
	"fourwire/driver/bench"
	"fourwire/internal/clock"
)

// Config says what is checked.
type Config struct {
	Bench       *bench.Bench
	Instruments map[string]*driver.Instrument // by the bench's names, open; those of wires that are missing here are left out of the check
	Clock       clock.Clock                   // nil is the machine's
	// Nominal is the voltage that each source's node is meant for, by node. Where it is missing the bench file's counts; where that says nothing
	// either, the node gets 0.25 V.
	Nominal map[string]float64
	// Planned is the largest current that is planned at a node; it bounds the test current. A node may be missing.
	Planned  map[string]float64
	Progress func(text string) // sees each stage; nil: nobody
	// Ready is called when the instruments are prepared, before any output goes on: from now on somebody else may guard them. nil: nobody does.
	Ready func(ctx context.Context) error
}

// Kind names a fault, for scripts.
type Kind string

// The faults.
const (
	OpenLead      Kind = "open-lead"       // between a source and its node
	NotConnected  Kind = "not-connected"   // a meter that sees nothing
	Unclear       Kind = "open-or-unread"  // one of these two
	Polarity      Kind = "reversed"        // a source, load or meter with its leads exchanged
	Swapped       Kind = "swapped"         // two channels with each other's leads
	WrongNode     Kind = "wrong-node"      // a channel at another node than stated
	Short         Kind = "short"           // at the node, or before it
	HighLead      Kind = "lead-resistance" // more than stated
	OpenSense     Kind = "open-sense"
	ReversedSense Kind = "reversed-sense"
	Oscillates    Kind = "oscillation"
	NotInLine     Kind = "not-in-line" // an ammeter that the current goes past
	Live          Kind = "live"        // voltage at a node with every output off
	NoOutput      Kind = "no-output"   // a source that does not deliver what is set
	Open          Kind = "looks-open"  // nothing draws current
	TwoEarths     Kind = "two-earths"
)

// Fault is one thing that is wrong with the wiring, or may be.
type Fault struct {
	Kind     Kind   `json:"fault"`
	Doubt    bool   `json:"doubt,omitempty"` // a warning: it may be right
	Channel  string `json:"channel,omitempty"`
	Other    string `json:"other,omitempty"`     // of swapped channels
	Node     string `json:"node,omitempty"`      // of the bench file
	Conduct  string `json:"conductor,omitempty"` // "plus", "minus", "both" or "one of both"
	At       string `json:"at,omitempty"`        // the node that the channel is really at
	Text     string `json:"text"`
	Evidence string `json:"evidence"`
	Remedy   string `json:"remedy"`
}

// Lead is what was measured of the two conductors of a channel.
type Lead struct {
	Channel   string  `json:"channel"`
	Node      string  `json:"node"`
	Ohm       float64 `json:"ohm,omitempty"`        // mean of the two conductors, ammeters taken off
	U         float64 `json:"u,omitempty"`          // expanded, k = 2
	StatedOhm float64 `json:"stated_ohm,omitempty"` // of the bench file, per conductor
	Amps      float64 `json:"test_current_A,omitempty"`
	Why       string  `json:"not_measured,omitempty"` // why it was not
}

// Seen is one reading of the check.
type Seen struct {
	Energised string   `json:"energised"` // the source that was on; empty: none
	Channel   string   `json:"channel"`
	Node      string   `json:"node"`
	As        string   `json:"as"`
	Volts     *float64 `json:"V,omitempty"`
	Amps      *float64 `json:"A,omitempty"`
}

// Level is what one source was set to.
type Level struct {
	Channel  string  `json:"channel"`
	Node     string  `json:"node"`
	Volts    float64 `json:"V"`
	Amps     float64 `json:"limit_A"`
	OverV    float64 `json:"over_voltage_V"`      // protection; 0: none could be set
	NominalV float64 `json:"nominal_V,omitempty"` // 0: not known
}

// Report is the outcome of a check.
type Report struct {
	Right   bool          `json:"right"`
	Levels  []Level       `json:"levels"`
	Faults  []Fault       `json:"faults"`
	Leads   []Lead        `json:"leads"`
	NotTold []string      `json:"not_told"` // what cannot be told at this level
	Seen    []Seen        `json:"readings"`
	After   []After       `json:"after"`
	Took    time.Duration `json:"-"`
	Seconds float64       `json:"seconds"`
}

// After is what stands at a node when everything is off again.
type After struct {
	Node  string `json:"node"`
	State string `json:"state"`
}

// NotSafe says that an output could not be switched off for certain.
type NotSafe struct {
	Channel string
	Err     error
}

// Error says it, and what to do.
func (n *NotSafe) Error() string {
	return fmt.Sprintf("%s may still be on: %v; switch it off at its front panel", n.Channel, n.Err)
}

// Unwrap gives the cause.
func (n *NotSafe) Unwrap() error { return n.Err }

// offWithin is how long switching one channel off may take.
const offWithin = 5 * time.Second

// Check checks the wiring. It gives a report as far as it came with any error; a *NotSafe among the errors means that something may still be on.
// Outputs are off when it returns, loads first, whatever happened, and the nodes have been looked at.
func Check(ctx context.Context, c Config) (rep *Report, err error) {
	k := &checker{Config: c, clock: clock.Or(c.Clock), report: &Report{Faults: []Fault{}, Leads: []Lead{}, NotTold: []string{}, Seen: []Seen{}, Levels: []Level{}, After: []After{}}}
	begun := k.clock.Now()
	rep = k.report
	defer func() {
		if fault := recover(); fault != nil {
			err = errors.Join(err, fmt.Errorf("a fault of the program itself: %v", fault))
		}
		// not the context that may have ended the check
		err = errors.Join(err, k.makeSafe(context.WithoutCancel(ctx)))
		rep.Took = k.clock.Since(begun)
		rep.Seconds = rep.Took.Seconds()
		rep.Right = err == nil && !rep.wrong()
	}()
	if err := k.connect(ctx); err != nil {
		return rep, err
	}
	return rep, k.walk(ctx)
}

func (r *Report) wrong() bool {
	for _, f := range r.Faults {
		if !f.Doubt {
			return true
		}
	}
	return false
}

// Worst is the first fault in words; empty where there is none.
func (r *Report) Worst() string {
	for _, f := range r.Faults {
		if !f.Doubt {
			return f.Text
		}
	}
	return ""
}

// walk looks at the bench at rest, then at each source in turn, then at all of it together.
func (k *checker) walk(ctx context.Context) error {
	if k.Ready != nil {
		if err := k.Ready(ctx); err != nil {
			return err
		}
	}
	k.say("looking at the bench with everything off")
	rest, err := k.look(ctx, look{})
	if err != nil {
		return err
	}
	k.rest = rest
	k.note("", rest)
	if k.live(rest) {
		return nil
	}
	if k.zero, err = k.look(ctx, look{volts: unknownTop, amps: leakRange, repeat: 2}); err != nil {
		return err
	}
	for i, s := range k.sources() {
		k.say(fmt.Sprintf("%s at a harmless level", s))
		if err := k.try(ctx, s, i); err != nil {
			return fmt.Errorf("%s: %w", s, err)
		}
	}
	k.judge()
	k.earths()
	return nil
}

func (k *checker) say(text string) {
	if k.Progress != nil {
		k.Progress(text)
	}
}

func (k *checker) fault(f Fault) { k.report.Faults = append(k.report.Faults, f) }

func (k *checker) notTold(format string, args ...any) {
	k.report.NotTold = append(k.report.NotTold, fmt.Sprintf(format, args...))
}
