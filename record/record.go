// Package record keeps what a run leaves behind: one folder, append-only, complete, from which every derived number can be
// worked out again without instruments.
package record

import (
	"time"

	"fourwire/quantity"
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
	Unit string             `json:"unit"` // unit of the file: the coherent SI unit; ratios as plain numbers with unit "1"
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
	Valid  bool
	Why    string // why it is not valid, or not settled
	// Settled is false where a settle step ran into its time-out.
	Settled bool
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
	Where   string  `json:"where,omitempty"`
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
