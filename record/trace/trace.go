// Package trace keeps long and fast signals: millions to billions of evenly spaced samples, as counts of their range's step, with the gaps
// that the instrument left. Gaps are kept as gaps and never filled.
//
// [Create] starts a trace in the folder traces of a record; while it is being recorded it is one file that only grows, NAME.raw, and a torn
// end costs the last chunk. [Writer.Finish] makes of it NAME.parquet, which common data tools open, NAME.pyramid, from which any span is
// summed exactly without reading its samples, and NAME.json. [Open] reads such a trace back. The files are described in FORMAT.md.
package trace

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
)

// The endings of the files of a trace.
const (
	RawSuffix     = ".raw" // while it is being recorded
	ParquetSuffix = ".parquet"
	PyramidSuffix = ".pyramid"
	HeadSuffix    = ".json" // the last one written: with it the trace is finished
)

// Head is what is known of a trace before its first sample.
type Head struct {
	Name            string    `json:"name"`       // also of its files
	Start           time.Time `json:"start"`      // of sample 0, by the clock of the bench
	IntervalSeconds float64   `json:"interval_s"` // from one sample to the next
	// Trigger is the index of the sample that is time zero: where what was waited for happened. 0 in a trace that nothing began.
	Trigger int64    `json:"trigger,omitempty"`
	Signals []Signal `json:"signals"`
}

// Signal is one quantity that is sampled all along.
type Signal struct {
	Name   string  `json:"name"`           // also of its column: "i"
	Unit   string  `json:"unit"`           // coherent SI: "A", "V"
	Node   string  `json:"node,omitempty"` // "i(node.supply)"
	From   string  `json:"from,omitempty"` // instrument and channel
	Ranges []Range `json:"ranges"`         // ascending
}

// Range is one measuring range of a signal.
type Range struct {
	Full   float64 `json:"full"`             // SI
	Step   float64 `json:"step"`             // SI per count; 0 in Create: chosen, see [Steps]
	Inputs string  `json:"inputs,omitempty"` // how the names of its uncertainty inputs begin
	Gain   float64 `json:"gain"`             // standard uncertainty, relative
	Offset float64 `json:"offset"`           // standard uncertainty, SI
}

// Run says which range was in use from a sample of a block on.
type Run struct {
	At    int   // offset in the block
	Range uint8 // index into Signal.Ranges
}

// Samples is a block of samples without a gap in it.
type Samples struct {
	Start  int64       // index of the first sample
	Count  int         //
	Values [][]float32 // per signal, SI
	Runs   [][]Run     // per signal; the first at 0
}

// Gap is a stretch of samples that are not there.
type Gap struct {
	Start int64  `json:"start"` // index of the first one that is missing
	Count int64  `json:"count"`
	Why   string `json:"why,omitempty"` // empty: lost on the way; NoValue; Damaged
}

// Why samples are not there, other than lost on the way.
const (
	NoValue = "no value" // the instrument gave no number, as for an overload
	Damaged = "damaged"  // the raw file was damaged
)

// Segment is a stretch of samples that are all there.
type Segment struct {
	Start int64 // index of the first one
	Count int64
	row   int64 // samples of the segments before
}

// Statement says how far a trace can be relied on.
type Statement struct {
	Expected   int64 `json:"expected"`            // samples that interval and time ask for; 0: not known
	Received   int64 `json:"received"`            // set by Finish
	Lost       int64 `json:"lost"`                // in gaps, set by Finish
	GapCount   int64 `json:"gap_count"`           // set by Finish
	Gaps       []Gap `json:"gaps"`                // the first 1000, set by Finish
	LostStated int64 `json:"lost_stated"`         // what the instrument says it lost
	Handovers  int64 `json:"handovers,omitempty"` // changes of range, as the instrument counts them
	// CoulombsReceived is the charge of all samples that are there, set by Finish where a signal is a current, CoulombsCounted what the
	// instrument itself has integrated; NaN: not known.
	CoulombsReceived float64  `json:"coulombs_received"`
	CoulombsCounted  float64  `json:"coulombs_counted"`
	CountedBy        string   `json:"counted_by,omitempty"`
	Complete         bool     `json:"complete"` // nothing is missing, and all counts agree
	Why              []string `json:"why,omitempty"`
}

// Bin is what is known of a span of one signal.
type Bin struct {
	From, To       int64   // the span, in indices; To is behind it
	Count          int64   // samples present
	Min, Max, Mean float64 // SI; NaN where no sample is present
	Sum            Sum     // of all samples, in base steps, exact
	Integral       float64 // SI times seconds: coulombs of a current. Sum times base step times interval
	Seconds        float64 // Count times interval
	Cross          float64 // of Span: sum of current times voltage of each sample, SI; NaN where the trace has not one of each
}

// MaxCounts is the largest number of counts, either sign, that a sample may have.
const MaxCounts = math.MaxInt32 - 1

// Steps gives the ranges of a signal with the steps that are 0 filled in: the power of ten that leaves the range 10^6 to 10^7 counts, about
// what a 32-bit float resolves. It fails where the steps are not whole multiples of the finest one.
func Steps(ranges []Range) ([]Range, error) {
	if len(ranges) == 0 || len(ranges) > math.MaxUint8 {
		return nil, fmt.Errorf("a signal has %d ranges; 1 to %d are possible", len(ranges), math.MaxUint8)
	}
	out := slices.Clone(ranges)
	for i := range out {
		r := &out[i]
		if !(r.Full > 0) || math.IsInf(r.Full, 0) || r.Step < 0 || math.IsNaN(r.Step) || math.IsInf(r.Step, 0) {
			return nil, fmt.Errorf("range %d has full scale %g and step %g; both must be positive numbers", i+1, r.Full, r.Step)
		}
		if r.Step == 0 {
			r.Step = math.Pow(10, math.Floor(math.Log10(r.Full)+1e-9)-6)
		}
		if n := r.Full / r.Step; n > MaxCounts/2 {
			return nil, fmt.Errorf("range %d of full scale %g has %.3g counts of its step %g; %d fit", i+1, r.Full, n, r.Step, MaxCounts/2)
		}
	}
	if _, _, err := baseStep(out); err != nil {
		return nil, err
	}
	return out, nil
}

// maxMultiple keeps the sum of a tile's samples within 63 bits: 2^10 samples of 2^31 counts of 2^22 base steps.
const maxMultiple = 1 << 22

// baseStep gives the finest step and how many of it each range's step is.
func baseStep(ranges []Range) (base float64, multiples []int64, err error) {
	base = math.Inf(1)
	for _, r := range ranges {
		base = min(base, r.Step)
	}
	for i, r := range ranges {
		ratio := r.Step / base
		whole := math.Round(ratio)
		if whole > maxMultiple || math.Abs(ratio-whole) > 1e-9*ratio {
			return 0, nil, fmt.Errorf("range %d: its step %g is no whole multiple, up to %d, of the finest step %g", i+1, r.Step, maxMultiple, base)
		}
		multiples = append(multiples, int64(whole))
	}
	return base, multiples, nil
}

// maxSignals is how many signals a trace can have.
const maxSignals = 16

// checked gives the head with all steps filled in, or says what is wrong with it.
func (h Head) checked() (Head, error) {
	if err := checkName(h.Name); err != nil {
		return h, err
	}
	if !(h.IntervalSeconds > 0) || math.IsInf(h.IntervalSeconds, 0) {
		return h, fmt.Errorf("trace %s: %g s cannot be the interval of its samples", h.Name, h.IntervalSeconds)
	}
	if h.Trigger < 0 {
		return h, fmt.Errorf("trace %s: its time zero, sample %d, is none of its samples", h.Name, h.Trigger)
	}
	if len(h.Signals) == 0 || len(h.Signals) > maxSignals {
		return h, fmt.Errorf("trace %s: it has %d signals; 1 to %d are possible", h.Name, len(h.Signals), maxSignals)
	}
	h.Signals = slices.Clone(h.Signals)
	seen := map[string]bool{}
	for i := range h.Signals {
		s := &h.Signals[i]
		if s.Name == "" || strings.ContainsFunc(s.Name, func(r rune) bool { return !nameRune(r) }) || strings.HasSuffix(s.Name, rangeColumn) || seen[s.Name] {
			return h, fmt.Errorf("trace %s: %q cannot be the name of a signal: each has its own, of letters, digits and _, not ending in %s", h.Name, s.Name, rangeColumn)
		}
		seen[s.Name] = true
		var err error
		if s.Ranges, err = Steps(s.Ranges); err != nil {
			return h, fmt.Errorf("trace %s, signal %s: %w", h.Name, s.Name, err)
		}
	}
	return h, nil
}

// rangeColumn is what the name of the column with a signal's ranges ends in.
const rangeColumn = "_range"

func nameRune(r rune) bool {
	return r == '_' || '0' <= r && r <= '9' || 'a' <= r && r <= 'z' || 'A' <= r && r <= 'Z'
}

// checkName refuses what would lead out of the folder or trouble another system.
func checkName(name string) error {
	if name == "" || len(name) > 100 || name[0] == '-' || strings.ContainsFunc(name, func(r rune) bool { return !nameRune(r) && r != '-' }) {
		return fmt.Errorf("%q cannot be the name of a trace: letters, digits, - and _ are possible, and no - in front", name)
	}
	return nil
}

// ErrUnfinished says that a trace is still being recorded, or that its recording was cut off.
var ErrUnfinished = errors.New("it is still being recorded, or its recording was cut off")
