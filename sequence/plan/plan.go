// Package plan binds a sequence to a bench before anything is connected: which channel serves which role, which meter reads
// which node on which range, how far every planned point lies inside what the instruments can do, and how long it will take.
//
// [Bind] walks the sequence once, with every value of every sweep, and gives a [Plan] that package run walks again with
// instruments. What does not fit is a finding with its place and its arithmetic.
package plan

import (
	"fmt"
	"slices"
	"time"

	"fourwire/driver/bench"
	"fourwire/driver/model"
	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/sequence"
	"fourwire/sequence/battery"
)

// Plan is a sequence bound to a bench.
type Plan struct {
	Sequence  *sequence.Sequence
	Bench     *bench.Bench
	Roles     []Role   // one for each need, in the order of the file
	Gauges    []Gauge  // one for each node measurement that the sequence reads
	Columns   []Column // of the points, in order
	Parts     bool     // some points have a label
	Points    int      // rows that the sweeps ask for; "when" can leave some out
	Predicted time.Duration
	Fit       Fit

	Recordings []Recording              // one for each record step, in the order of the file
	Captures   []Capture                // one for each capture step that can be made, likewise
	Batteries  map[string]*battery.File // that the steps name, by the name they have there
	Files      map[string][]byte        // the same, and saved states, as read

	guards map[string]Window
	models map[string]*model.Model
}

// Channel is one channel of one instrument of the bench. The zero value is no channel.
type Channel struct {
	Instrument string
	Number     int
}

// String is "feed-psu" for channel 1, "feed-psu.2" for others, as the bench file writes them.
func (c Channel) String() string {
	if c.Number <= 1 {
		return c.Instrument
	}
	return fmt.Sprintf("%s.%d", c.Instrument, c.Number)
}

// Window is the guard at a node; spans that the guard leaves out are not Set.
type Window struct {
	Node               string
	Volts, Amps, Watts quantity.Span
	Place              diag.Place
}

// Role is a need with the channel that serves it.
type Role struct {
	Need    sequence.Need
	Channel Channel
	Remote  bool    // sensed at the node
	LeadOhm float64 // of one conductor
	Guard   Window  // of its node
	// OverVolts and OverAmps are the protection levels to be set before any output goes on; 0 leaves one alone.
	OverVolts quantity.Volt
	OverAmps  quantity.Amp
	// Limit is a source's current limit until the sequence sets one; 0 leaves it alone.
	Limit quantity.Amp
	// MinVolts and MinOhms are a load's lower end: it holds I at no less than max(MinVolts, I*MinOhms) at its terminals.
	MinVolts, MinOhms float64
	LoopHenry         float64 // of both leads; 0: not stated
}

// Gauge is a node measurement with the channel that reads it.
type Gauge struct {
	Function sequence.Function
	Node     string
	Channel  Channel
	Own      bool          // the source's or load's own read-back
	Ranges   []float64     // full scales, ascending
	Specs    []model.Range // their specifications
	Together bool          // the channel takes volts and amps in one reading
	// LeadOhm is the resistance of both conductors between the node and where the voltage is read; 0 where it is read at the node.
	LeadOhm float64
	Role    int // of an own read-back: index of the role whose leads carry the current; else -1
	// LeadTolerance is how far LeadOhm may be off, a ratio.
	LeadTolerance float64
	// InLine are the ammeters between the node and where the voltage is read: their burden drops voltage, too.
	InLine []Meter
	// Across are the voltmeters at the node of a current: what flows through them is not the device's.
	Across   []Meter
	Aperture model.Aperture
	Others   []Gauge // what else on the bench reads the same, best first
	// Through is the relay that has to be closed for it, and Apart are those that have to be open then; zero: it is wired to its node.
	Through Channel
	Apart   []Channel
	// Steady says that it stands for another gauge of the same node while something settles: that one is shared with other sites, or waited for.
	Steady bool
}

// Meter is a channel that measures, with its specifications.
type Meter struct {
	Channel Channel
	Specs   []model.Range
}

// Name is the measurement as a sequence writes it: "v(dut.in)".
func (g Gauge) Name() string { return fmt.Sprintf("%s(%s)", g.Function, g.Node) }

// Range is the smallest full scale that holds value, the largest where none does or value is NaN: the choice that
// [model.Pick] makes.
func (g Gauge) Range(value float64) float64 {
	if value < 0 {
		value = -value
	}
	for _, full := range g.Ranges {
		if value <= full {
			return full
		}
	}
	if len(g.Ranges) == 0 {
		return 0
	}
	return g.Ranges[len(g.Ranges)-1]
}

// Column is one named quantity of the points, with the channel that a measured one is read by.
type Column struct {
	sequence.Column
	From string
}

// Uses tells whether the plan asks anything of an instrument.
func (p *Plan) Uses(instrument string) bool {
	for i := range p.Roles {
		if p.Roles[i].Channel.Instrument == instrument {
			return true
		}
	}
	for i := range p.Gauges {
		if slices.Contains(p.Gauges[i].Instruments(), instrument) {
			return true
		}
	}
	for i := range p.Captures {
		for _, part := range p.Captures[i].Parts {
			if part.Channel.Instrument == instrument {
				return true
			}
		}
	}
	return false
}

// Serves lists what an instrument does for the sequence: the roles it plays, then the nodes it reads.
func (p *Plan) Serves(instrument string) []string {
	var out []string
	for _, r := range p.Roles {
		if r.Channel.Instrument == instrument {
			out = append(out, r.Need.Name)
		}
	}
	for _, g := range p.Gauges {
		switch {
		case g.Channel.Instrument != instrument:
		case g.Steady:
			out = append(out, g.Name()+" while it settles")
		default:
			out = append(out, g.Name())
		}
	}
	for i := range p.Captures {
		for _, part := range p.Captures[i].Parts {
			if name := p.Captures[i].Step.Trace; part.Channel.Instrument == instrument && !slices.Contains(out, name) {
				out = append(out, name)
			}
		}
	}
	return out
}

// RoleIndex finds a role by the name of its need; -1 where there is none.
func (p *Plan) RoleIndex(name string) int {
	for i := range p.Roles {
		if p.Roles[i].Need.Name == name {
			return i
		}
	}
	return -1
}

// GaugeIndex finds what reads a node; -1 where nothing does.
func (p *Plan) GaugeIndex(f sequence.Function, node string) int {
	for i := range p.Gauges {
		if p.Gauges[i].Function == f && p.Gauges[i].Node == node {
			return i
		}
	}
	return -1
}

// Guard is the window of a node; ok is false where the sequence gives none.
func (p *Plan) Guard(node string) (w Window, ok bool) {
	w, ok = p.guards[node]
	return w, ok
}
