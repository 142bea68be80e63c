package sequence

import (
	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/sequence/expr"
)

// File is a file that a step names, by its path from the sequence file.
type File struct {
	Name  string
	Kind  FileKind
	Place diag.Place // where it is named first
}

// FileKind says what a file that a step names is.
type FileKind string

// The kinds of file.
const (
	BatteryFile FileKind = "battery"
	SavedState  FileKind = "saved state" // of an emulation
)

type (
	// Record keeps every sample of a node, without a gap, as a trace. Where it has steps they are what happens meanwhile, and part of the
	// list around it; the recording ends behind the last.
	Record struct {
		Pos
		Trace   string
		Role    string   // the need's name, of a recorder
		Signals []Signal // the current first, then the voltage where it is recorded
		Every   quantity.Quantity
		For     *expr.Expr // nil where there are steps
		Steps   []Step
		// MostSeconds is how long it takes at most, as far as that is known before the run; 0: not known.
		MostSeconds float64
	}
	// Drain looks through a trace for states and events, and for where the charge went.
	Drain struct {
		Pos
		Trace    string
		Signal   string            // the current
		Volts    string            // a signal of the trace; empty: Fixed
		Fixed    quantity.Quantity // SI 0 beside an empty Volts: no voltage is known, and no energy
		From, To quantity.Quantity // since the start of the trace; SI 0: its ends
		States   []NamedState
		Against  string // another trace of this run; empty: none
		Gives    []Given
	}
	// Life works out how long a battery lasts.
	Life struct {
		Pos
		Title   string
		Battery string     // file
		Current *expr.Expr // the mean
		Peak    *expr.Expr // nil: the mean
		Gives   []Given
	}
	// Emulate makes a source behave as a battery, and keeps a point from time to time.
	Emulate struct {
		Pos
		Role    string
		Battery string     // file
		Amps    *expr.Expr // current limit; nil: as it is
		From    *expr.Expr // state of charge; nil: Saved, or where the last emulation of this battery in this run ended, else full
		Saved   string     // file
		Every   quantity.Quantity
		Keep    quantity.Quantity // from one point to the next
		Until   End
		Then    Switch // of the output at its end; Off if not said
		Reads   []Reading
		Gives   []Given
		Steps   []Step // at each point
	}
)

// Signal is one column of a trace.
type Signal struct {
	Name     string
	Function Function
	Node     string
	Place    diag.Place
}

// NamedState is a state of the device that has a name of its own: the currents in it.
type NamedState struct {
	Name  string
	Amps  quantity.Span
	Place diag.Place
}

// Given is a result of a step under a name of the sequence's own.
type Given struct {
	What  string // a word of [DrainResults], [LifeResults] or [EmulateResults]
	Name  string
	Place diag.Place
}

// End says when an emulation ends: at the first of these. The protection of the battery ends it too, at its cut-off voltage.
type End struct {
	Volts       *expr.Expr // at the terminals, or below; nil: not by voltage
	Charge      *expr.Expr // a ratio of full, or below; nil: not by charge
	Time        *expr.Expr
	MostSeconds float64 // of Time, as far as it is known before the run
}

// Result is something that a step can give, with its dimension.
type Result struct {
	What  string
	Dim   quantity.Dimension
	About string
}

// DrainResults are what a drain step can give.
func DrainResults() []Result {
	return []Result{
		{"mean", quantity.Current, "mean current"},
		{"charge", quantity.Charge, "charge drawn"},
		{"energy", quantity.Energy, "energy taken"},
		{"rms", quantity.Current, "root mean square of the current"},
		{"peak", quantity.Current, "largest sample"},
		{"lowest", quantity.Voltage, "lowest sample of the voltage"},
		{"time", quantity.Time, "length of what was looked at"},
		{"events", quantity.Ratio, "number of events"},
		{"event_charge", quantity.Charge, "mean charge of an event of the kind that takes most of the charge"},
		{"event_time", quantity.Time, "mean duration of that kind"},
		{"period", quantity.Time, "mean time from one event of that kind to the next"},
		{"sleep", quantity.Current, "mean current of the lowest state"},
		{"sleep_charge", quantity.Ratio, "share of the charge in the lowest state"},
		{"sleep_time", quantity.Ratio, "share of the time in the lowest state"},
		{"inrush", quantity.Current, "peak of the inrush"},
		{"inrush_charge", quantity.Charge, "charge of the inrush"},
		{"change", quantity.Current, "mean current less that of the trace of against"},
	}
}

// LifeResults are what a life step can give.
func LifeResults() []Result {
	return []Result{
		{"life", quantity.Time, "how long it lasts"},
		{"low", quantity.Time, "lower end of the interval"},
		{"high", quantity.Time, "upper end of the interval"},
		{"usable", quantity.Charge, "charge that it gives until then"},
	}
}

// EmulateResults are what each point of an emulate step can give.
func EmulateResults() []Result {
	return []Result{
		{"time", quantity.Time, "since the beginning of the emulation"},
		{"charge", quantity.Ratio, "state of charge"},
		{"drawn", quantity.Charge, "charge drawn since the battery was full"},
		{"open_circuit", quantity.Voltage, "open-circuit voltage"},
		{"terminal", quantity.Voltage, "voltage at the terminals as the model has it"},
		{"resistance", quantity.Resistance, "internal resistance"},
	}
}

// The figures of an emulation where a sequence does not say; own choice: at 10 Hz the voltage of a cell at its steepest moves by a
// third of a millivolt from one update to the next (a slope of 10 V per unit of charge at a rate of one charge an hour).
const (
	DefaultEvery = 0.1 // s
	DefaultKeep  = 60  // s
)
