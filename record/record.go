// Package record keeps what a run leaves behind: one folder, append-only, complete, from which every derived number can be
// worked out again without instruments.
//
// [Create] starts a folder and gives a [Writer]; points, verdicts and events reach the disk's files before the call that hands them over
// returns. [Open] reads a folder back, a torn or unfinished one included. The files are described in FORMAT.md.
package record

import (
	"encoding/json"
	"math"
	"time"

	"fourwire/quantity"
	"fourwire/quantity/measured"
)

// ColumnKind says where the numbers of a column come from.
type ColumnKind string

// The kinds of column.
const (
	Coordinate ColumnKind = "coordinate" // what was asked for: a sweep's value
	Measured   ColumnKind = "measured"
	Derived    ColumnKind = "derived"
)

// Column is one named quantity of a point.
type Column struct {
	Name string             `json:"name"`
	Kind ColumnKind         `json:"kind"`
	Unit string             `json:"unit"` // unit of the file: the coherent SI unit; ratios as plain numbers with unit "1"; empty: taken from Dim
	Dim  quantity.Dimension `json:"-"`
	Expr string             `json:"expr,omitempty"` // of a derived column, as written
	Node string             `json:"node,omitempty"` // of a measured column: "v(dut.in)"
	From string             `json:"from,omitempty"` // of a measured column: instrument and channel
}

// Cell is one value of a point.
type Cell struct {
	SI       float64 // NaN where there is no value
	U        float64 // expanded uncertainty, k = 2; NaN where it has none
	Biggest  string  // name of the biggest contributor to U
	Overload bool
}

// Point is one row of results.
type Point struct {
	Number int               // from 1
	At     time.Duration     // since the start of the run
	Part   string            // label of the sweep it belongs to
	Cells  map[string]Cell   // by column name
	Modes  map[string]string // role → CV, CC, CR, CP, off
	Ranges map[string]string // measured name → range in use
	// Notes say what was done to the readings: a zero or a meter's own current subtracted, a lead's drop added.
	Notes []string
	Valid bool
	Why   string // why it is not valid, or not settled
	// Settled is false where a settle step ran into its time-out.
	Settled bool
	// Terms are the error terms of values that have some, by column name; they are kept in terms.jsonl. Open does not read them back.
	Terms map[string][]measured.Term
}

// The words of the column "status", worst first.
const (
	StatusOverload   = "overload"
	StatusInvalid    = "invalid"
	StatusNotSettled = "not settled"
	StatusOK         = "ok"
)

// Status is the worst that can be said of the point, in the word of the column "status".
func (p Point) Status() string {
	for _, c := range p.Cells {
		if c.Overload {
			return StatusOverload
		}
	}
	switch {
	case !p.Valid:
		return StatusInvalid
	case !p.Settled:
		return StatusNotSettled
	}
	return StatusOK
}

// Outcome of a verdict or of a whole run.
type Outcome string

// The outcomes.
const (
	Pass      Outcome = "pass"
	Fail      Outcome = "fail"
	Undecided Outcome = "undecided"
	NotJudged Outcome = "not judged"
)

// The sides of a bound.
const (
	AtLeast = "at least"
	AtMost  = "at most"
)

// Verdict is one comparison with a limit.
type Verdict struct {
	Point   int     `json:"point,omitempty"` // 0: over all points
	Limit   string  `json:"limit"`           // as written: "efficiency >= 88 %"
	Clause  string  `json:"clause,omitempty"`
	Outcome Outcome `json:"outcome"`
	Value   float64 `json:"value"` // SI
	U       float64 `json:"u"`     // expanded, SI; 0 where unknown
	Bound   float64 `json:"bound"` // SI
	Unit    string  `json:"unit"`
	Rule    string  `json:"rule"` // "simple acceptance"
	// Side is which side of Bound is good, where there was one comparison: AtLeast or AtMost.
	Side  string `json:"side,omitempty"`
	Where string `json:"where,omitempty"`
	Why   string `json:"why,omitempty"` // why it could not be judged or decided
	// Band is the guard band w of the rule, SI; Risk the probability that the outcome is not deserved (for undecided: that the
	// value does not conform). NaN where nothing was judged.
	Band float64 `json:"band"`
	Risk float64 `json:"risk"`
	// Detail is the outcome in the words of a rule with more than three, as in "conditional pass".
	Detail string `json:"detail,omitempty"`
	// Advice names the cheapest change that would decide what is undecided.
	Advice string `json:"advice,omitempty"`
}

// MarshalJSON writes null for a number that is not there (NaN).
func (v Verdict) MarshalJSON() ([]byte, error) { return finiteJSON(v) }

// UnmarshalJSON reads null, and a number that is missing, as NaN.
func (v *Verdict) UnmarshalJSON(data []byte) error {
	type plain Verdict
	nan := math.NaN()
	v.Value, v.U, v.Bound, v.Band, v.Risk = nan, nan, nan, nan, nan
	return json.Unmarshal(data, (*plain)(v))
}

// Result is a value worked out over all points.
type Result struct {
	Name string  `json:"name"`
	Expr string  `json:"expr"`
	Unit string  `json:"unit"`
	SI   float64 `json:"value"`
	U    float64 `json:"u"`
	Part string  `json:"part,omitempty"`
	Why  string  `json:"why,omitempty"` // why there is no value
}

// MarshalJSON writes null for a number that is not there (NaN).
func (r Result) MarshalJSON() ([]byte, error) { return finiteJSON(r) }

// UnmarshalJSON reads null, and a number that is missing, as NaN.
func (r *Result) UnmarshalJSON(data []byte) error {
	type plain Result
	r.SI, r.U = math.NaN(), math.NaN()
	return json.Unmarshal(data, (*plain)(r))
}
