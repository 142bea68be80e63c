// Package sequence reads sequence files: what to set, what to measure, what to work out and what to judge, checked in one
// go before anything is connected.
package sequence

import (
	"fourwire/analysis/verdict"
	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/sequence/expr"
)

// Sequence is a checked sequence file with its parameters set.
type Sequence struct {
	File    string
	Title   string
	About   string
	Bench   string // bench file named by the sequence, relative to it; empty if none
	Params  []Param
	Needs   []Need
	Guards  []Guard
	Device  *Device      // what is known of it beforehand; nil: nothing
	Rule    verdict.Rule // how limits are decided where a judge step does not say
	Steps   []Step
	Summary []Step // derive and judge over all points: expressions see whole columns
	Curves  []Curve
	Source  []byte // the file as read
	Files   []File // what the steps name besides: batteries and saved states, each once

	columns []Column
}

// Param is a named value, or list of values, that --set can change.
type Param struct {
	Name, About string
	Values      Values
	Place       diag.Place
}

// Role is what an instrument channel does for a sequence.
type Role string

// The roles.
const (
	RoleSource   Role = "source"
	RoleLoad     Role = "load"
	RoleMeter    Role = "meter"
	RoleSwitch   Role = "switch"   // of a fixture, between its node and another
	RoleRecorder Role = "recorder" // records a node without a gap; may be a channel that serves a source role of the same node, too
)

// Need is one instrument channel that the sequence asks for.
type Need struct {
	Name    string
	Role    Role
	Node    string
	Volts   quantity.Span
	Amps    quantity.Span
	Watts   quantity.Span
	AtVolts quantity.Span // for a load: the voltage at which Amps must be reached
	// Slew is how fast it must move: a source in V/s, a load in A/s; SI 0: not stated.
	Slew quantity.Quantity
	// Accuracy is how well a source or load must be set, or a meter must read, as a part of the value; 0: not stated.
	Accuracy float64
	Every    quantity.Quantity // of a recorder: the shortest time from one sample to the next; SI 0: what its record steps say
	Place    diag.Place
}

// Guard is the absolute limits of the device at a node.
type Guard struct {
	Node               string
	Volts, Amps, Watts quantity.Span // Set tells which are given
	Place              diag.Place
}

// Step is one thing to do: *Source, *Load, *Measure, *Derive, *Judge, *Sweep, *Settle, *Check, *Wait, *Repeat, *When,
// *Zero, *Note, *Record, *Drain, *Life, *Emulate, *Reverse, *Fit, *Capture, *List, *Figures, *Profile, *Rails, *Switching or *Short.
type Step interface{ At() diag.Place }

// Pos is the place of a step; every step embeds it.
type Pos struct{ Place diag.Place }

// At is where the step stands in the file.
func (p Pos) At() diag.Place { return p.Place }

type (
	// Source sets a source. Nil leaves a setting alone; the output goes on unless Output says off.
	Source struct {
		Pos
		Role   string // the need's name
		Volts  *expr.Expr
		Amps   *expr.Expr // current limit; the level where amps are forced, and Volts the compliance
		Output Switch
		Force  Function // Volts, or Amps
		Pulse  Pulse
	}
	// Load sets a load; the unit of Hold picks the mode: A, V, ohm or W. The input goes on unless Input says off.
	Load struct {
		Pos
		Role  string
		Hold  *expr.Expr
		Input Switch
	}
	// Measure reads nodes at one time.
	Measure struct {
		Pos
		Readings []Reading
		Aperture quantity.Quantity // time; SI 0: the default
		Average  int               // readings per value; 0 means 1
		Order    Order
		Ranges   map[string]quantity.Quantity // by the name of a reading: what its range must hold; others choose for themselves
		Burst    Burst
	}
	// Zero reads what meters show while everything is off, to be subtracted from then on.
	Zero struct {
		Pos
		Readings []Reading // without names
	}
	// Derive works values out.
	Derive struct {
		Pos
		Items []Derived
		Part  string // in a summary: only points with this label
	}
	// Judge compares with a limit.
	Judge struct {
		Pos
		Limit  *expr.Expr // one comparison; "4.9 V <= vo <= 5.1 V" is read as two judge steps
		When   *expr.Expr // nil: always
		Rule   verdict.Rule
		Clause string
		Part   string // in a summary: only points with this label
	}
	// Sweep runs its steps for each value.
	Sweep struct {
		Pos
		Name   string
		Values Values
		Label  string // text shown in the column "part" of its points; empty: none
		Steps  []Step
		// RepeatFirst runs the steps once more for the first value when all are done, to show what has drifted. That point has
		// the label RepeatLabel and takes no part in a summary.
		RepeatFirst bool
		// BothWays goes through the values forwards, with the label OutLabel, then backwards, with BackLabel.
		BothWays bool
		// Fast has the instruments step and measure by themselves, by lists and trigger lines, where all of them can.
		Fast   bool
		Refine *Refine // nil: no points besides its values
	}
	// Settle waits until a value stays within a band.
	Settle struct {
		Pos
		Value  *expr.Expr        // usually v(node) or i(node)
		Within quantity.Quantity // a ratio of the value, or an absolute band in the value's dimension: full width
		For    quantity.Quantity // how long it must stay inside
		AtMost quantity.Quantity // time-out: the point is then marked not settled
	}
	// Check looks whether a value has come back to what it was when the step ran first: a device that has latched up does not.
	Check struct {
		Pos
		Value  *expr.Expr        // usually i(node)
		Within quantity.Quantity // a ratio of what it was, or an absolute difference
		AtMost quantity.Quantity // how long it may take
	}
	// Wait waits a fixed time.
	Wait struct {
		Pos
		For *expr.Expr
	}
	// Repeat runs its steps some times; the column "n" counts from 1 where the steps measure.
	Repeat struct {
		Pos
		Times int
		Label string
		Steps []Step
	}
	// When runs Then where If holds, else Else.
	When struct {
		Pos
		If   *expr.Expr
		Then []Step
		Else []Step
	}
	// Note writes a line into the record.
	Note struct {
		Pos
		Text string
	}
)

// RepeatLabel is the label of a first point that was measured once more at the end of its sweep.
const RepeatLabel = "repeat"

// Order is the order of readings that cannot be taken at one time.
type Order uint8

// The orders.
const (
	AsNeeded Order = iota // mirrored where the readings do not fit into one time
	Mirrored              // forwards, then backwards, averaged: an even drift cancels
	Straight              // forwards only
)

// Taper is how readings that follow each other are weighted.
type Taper uint8

// The tapers. How the error of a swing of frequency f falls with the time T: none 1/(fT), triangle 1/(fT)^2, Hann 1/(fT)^3.
const (
	Hann Taper = iota
	Triangle
	NoTaper
)

// Burst says how an input that is drawn in bursts is measured: by short readings that follow each other.
type Burst struct {
	For    quantity.Quantity // for this time; SI 0: not so, unless Auto
	Taper  Taper
	Auto   bool              // aperture and time are chosen from what is seen
	Within quantity.Quantity // of Auto: target for the standard error, a ratio of the value
	AtMost quantity.Quantity // of Auto: the longest time for one point
}

// The figures of Burst where a sequence does not say; own choice.
const (
	DefaultWithin = 0.05e-2
	DefaultAtMost = 5.0 // s
)

// ColumnKind says where the numbers of a column come from.
type ColumnKind string

// The kinds of column.
const (
	Coordinate ColumnKind = "coordinate"
	Measured   ColumnKind = "measured"
	Worked     ColumnKind = "derived"
)

// Column is one named quantity of the points that a sequence produces.
type Column struct {
	Name string
	Kind ColumnKind
	Dim  quantity.Dimension
	Expr string // of a derived column, as written
	Node string // of a measured column: "v(dut.in)"
}

// Setting changes a parameter for one run, as --set name=value does. The value is written as in the file: "12 V",
// "[14 V, 22 V]" or "{from: 50 mA, to: 3 A, points: 20, spacing: log}".
type Setting struct{ Name, Value string }

// Switch is on, off, or not said.
type Switch uint8

// The switch positions.
const (
	Unsaid Switch = iota
	On
	Off
)

// Function is what is measured at a node.
type Function string

// The functions.
const (
	Volts Function = "v"
	Amps  Function = "i"
)

// Reading is one measured name.
type Reading struct {
	Name     string
	Function Function
	Node     string
	Place    diag.Place
}

// Derived is one worked-out name.
type Derived struct {
	Name  string
	Value *expr.Expr
	Place diag.Place
}

// Curve is one picture of the report.
type Curve struct {
	X, Y  string
	Per   string // one line per value of this coordinate; empty: one line
	LogX  bool
	LogY  bool
	Title string
	Place diag.Place
}
