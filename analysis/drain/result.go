package drain

import (
	"iter"

	"fourwire/quantity/measured"
)

// Run says which measuring range was in use from a sample of a block on.
type Run struct {
	At    int   // offset in the block
	Range uint8 // index into Options.Ranges
}

// Block is a stretch of evenly spaced samples without a gap in it. What it points to is only lent until the next block is asked for.
type Block struct {
	Start int64     // index of the first sample; ahead of the end of the block before: a gap
	Amps  []float32 // A, each the mean over one interval
	Volts []float32 // V, as many; nil where none were recorded
	Runs  []Run     // ranges of the current, the first at 0; nil: all in range 0
}

// Blocks are the blocks of a recording in order of time. Analyse goes through them more than once.
type Blocks = iter.Seq2[*Block, error]

// RangeError is what is known of the error of one measuring range.
type RangeError struct {
	Name   string  // what the names of its two error inputs begin with, as in "unit ch1 amps 10 mA"
	Full   float64 // A or V
	Step   float64 // resolution, A or V; 0 where it is not known
	Gain   float64 // standard uncertainty, relative
	Offset float64 // standard uncertainty, A or V
}

// Named is a name for a state. With From and To both 0 the names of a list are given in the order of the levels found, lowest first;
// else to each state whose mean current lies in From..To.
type Named struct {
	Name     string
	From, To float64 // A
}

// Options say what a recording is made of. Only IntervalSeconds is needed.
type Options struct {
	IntervalSeconds float64          // from one sample to the next
	NominalVolts    float64          // for the energy where a block has no volts; 0: no energy is told
	Ranges          []RangeError     // of the current; none: the result has no uncertainty from the instrument
	Volts           *RangeError      // of the voltage
	States          []Named          // names for the states that are found
	Ledger          *measured.Ledger // of the error inputs; nil: one of its own. Recordings to be compared share it
}

// Result is what a recording tells. Indices are those of the samples, times are in seconds since sample 0.
type Result struct {
	IntervalSeconds float64
	From, To        int64 // first sample, and behind the last one
	Samples         int64 // present
	Missing         int64 // in gaps
	Gaps            []Gap // the first 1000
	GapCount        int
	Seconds         float64 // Samples times the interval
	Ledger          *measured.Ledger

	Mean, Charge, Energy, RMS, Peak measured.Value // of the samples present; Energy is NaN where no voltage is known
	Min                             float64        // A

	Thresholds Thresholds
	States     []State // by level, lowest first; together they are all of the recording
	Events     []Event // in order of time, at most about 250000
	More       int     // events beyond those
	Kinds      []Kind  // most frequent first
	Spans      []Span  // run lengths of the states
	Merged     int     // short spans that were merged into others to keep Spans within MaxSpans
	CCDF       []Above
	Inrush     *Inrush // of the first power-up, where there is one
	Ranges     []RangeShare
	Statistics Statistics
	Notes      []string

	Histogram               *Histogram
	in                      *inputs
	levelErrors             []float64 // standard, of the current in each state, from how visits differ
	stateErrors, kindErrors []float64 // standard, of their mean currents, from the length of the recording
}

// Gap is a stretch of samples that are not there.
type Gap struct{ Start, Count int64 }

// Thresholds are the currents between sleep and activity, as found. The floor is followed as it drifts; these are the figures it began
// with, and Highest and Lowest how far it went.
type Thresholds struct {
	FloorAmps, NoiseAmps    float64 // NoiseAmps is a standard deviation
	EnterAmps, LeaveAmps    float64 // an event begins above the one and ends below the other
	LowestAmps, HighestAmps float64 // of the floor as it was followed
	LeaveSamples            int     // how many samples in a row below LeaveAmps end an event
	Method                  string  // in words
}

// State is a level of activity.
type State struct {
	Name      string
	Amps      float64        // mean over the time spent in it
	Seconds   float64        //
	Samples   int64          //
	Charge    measured.Value // C
	Energy    float64        // J; NaN where no voltage is known
	PeakAmps  float64
	Visits    int
	Share     float64 // of the charge
	TimeShare float64
}

// Event is a stretch of activity above the floor.
type Event struct {
	Start    int64 // index of its first sample
	Samples  int64
	Seconds  float64
	Coulombs float64 // with what the floor would have drawn meanwhile
	Joules   float64 // NaN where no voltage is known
	PeakAmps float64
	MeanAmps float64
	Kind     int    // index into Kinds; -1: of none, since it is cut
	Cut      bool   // by a gap or an end of the recording: not all of it is here
	Parts    []Part // by state, in the order first visited
	piece    int    // number of gaps before
	charges  []rangeSum
}

// Part is what a state has of an event.
type Part struct {
	State    int // index into States
	Samples  int64
	Seconds  float64
	Coulombs float64
}

// Kind is a group of events that are alike in charge, duration and peak.
type Kind struct {
	Name           string
	Count          int     // whole events
	PeriodSeconds  float64 // median from one start to the next; NaN with fewer than two
	PeriodSpread   float64 // robust standard deviation of it, s; NaN with fewer than three
	Regular        bool    // the spread is small against the period
	MeanSeconds    float64
	MeanCharge     measured.Value // C for each event
	SpreadCoulombs float64        // standard deviation from event to event
	Charge         measured.Value // C of all its whole events
	PeakAmps       float64        // of the highest one
	States         []int          // visited in most of its events, in order
}

// Span is a stretch of one state.
type Span struct {
	From  int64 // index of its first sample; it reaches to the next one's
	State int   // index into Result.States; -1 is a gap
}

// MaxSpans bounds Result.Spans.
const MaxSpans = 20000

// Inrush is what the first power-up drew until it came down to the level that followed.
type Inrush struct {
	Start                     int64
	Seconds                   float64
	PeakAmps, Coulombs        float64
	Joules                    float64 // NaN where no voltage is known
	MeanAmps, FollowingAmps   float64 // mean of the inrush, and the level behind it
	OffAmps                   float64 // mean before; NaN where the recording begins with it
	OffSeconds                float64
	BeginsWithin, OnlyHighest bool // the recording begins within it; it is only known as the highest event
}

// RangeShare is what was measured in one range.
type RangeShare struct {
	Range             int
	FullAmps          float64
	Seconds, Coulombs float64
}

// Statistics say how well a recording of this length stands for the device: the part of the uncertainty that more time would improve.
type Statistics struct {
	Mean       float64 // standard uncertainty of the mean current, A; NaN where there are too few events to tell
	Cycles     int     // from the start of one event to the start of the next
	Method     string  // in words
	OnePerCent float64 // seconds to record for an expanded uncertainty (k = 2) of 1 % of the mean; NaN where it cannot be told
	Regular    bool    // events come periodically: it falls with time, else with the root of time

}

// Analyse finds the floor, the events and the states of a recording.
//
// It fails where the blocks do, where they overlap or have samples that are no numbers, and where the options make no sense.
// An empty recording gives ErrEmpty.
func Analyse(blocks Blocks, o Options) (*Result, error) {
	a, err := newAnalysis(blocks, o)
	if err != nil {
		return nil, err
	}
	return a.run()
}
