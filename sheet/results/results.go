// Package results writes what came of the rows of a sheet into a copy of it: result columns right of everything that is there,
// the points of all runs with live formulas, and native charts. The user's cells, formats, formulas and tabs stay as they are.
package results

import (
	"cmp"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"

	"fourwire/record"
	"fourwire/report"
	"fourwire/report/workbook"
	"fourwire/sheet"
)

// The states of a row besides the outcomes of a run.
const (
	Skipped = "skipped"
	NotRun  = "not run"
	Stopped = "stopped"
)

// Row is what came of one row.
type Row struct {
	sheet.Row
	Label   string // what tells it from the others, for charts: "vin = 12 V"
	State   string // an outcome, or one of the states above
	Why     string // why it ended early, or was not run
	Folder  string // of its record, relative to the folder of the results; empty: none
	Columns []record.Column
	Points  []record.Point
	Results []record.Result
	Limits  []record.Verdict // that were not passed
	Curves  []record.Curve
	Refined bool // a sweep of the run chose points of its own
}

// Take fills a row from its record.
func (r *Row) Take(rec *record.Record) {
	r.State, r.Why = string(rec.Outcome), rec.Reason
	if r.State == "" {
		r.State = string(record.NotJudged)
	}
	if r.Why != "" || !rec.Finished {
		r.State = Stopped
		if r.Why == "" {
			r.Why = "the run was cut off"
		}
	}
	r.Columns, r.Points, r.Results, r.Curves = rec.Columns, rec.Rows, rec.Results, rec.Curves
	r.Limits = notPassed(rec.Verdicts)
	r.Refined = slices.ContainsFunc(rec.Log, func(e record.Event) bool { return e.Kind == "refined" })
}

// TakePart fills a row from those points of a record at which a coordinate has the row's value.
func (r *Row) TakePart(rec *record.Record, coordinate string, si float64) {
	r.Take(rec)
	r.Results = nil
	mine := map[int]bool{}
	r.Points = nil
	for _, p := range rec.Rows {
		if c, ok := p.Cells[coordinate]; ok && math.Abs(c.SI-si) <= 1e-9*math.Abs(si) {
			r.Points, mine[p.Number] = append(r.Points, p), true
		}
	}
	var verdicts []record.Verdict
	for _, v := range rec.Verdicts {
		if mine[v.Point] {
			verdicts = append(verdicts, v)
		}
	}
	r.Limits = notPassed(verdicts)
	switch {
	case len(r.Points) == 0:
		r.State = NotRun
	default:
		r.State, r.Why = string(record.Overall(verdicts)), ""
	}
	if why := slices.IndexFunc(r.Points, func(p record.Point) bool { return p.Status() != record.StatusOK }); why >= 0 {
		r.Why = cmp.Or(r.Points[why].Why, r.Points[why].Status())
	}
}

func notPassed(all []record.Verdict) []record.Verdict {
	var out []record.Verdict
	for _, v := range all {
		if v.Outcome != record.Pass && v.Outcome != record.NotJudged {
			out = append(out, v)
		}
	}
	return out
}

// Book is a sheet with what came of its rows.
type Book struct {
	Table *sheet.Table
	Data  []byte // the file as read
	Title string // of the sequence
	Rows  []Row
}

// cell is one result of a row.
type cell struct {
	x      float64 // a number, unless text is set; NaN: nothing
	text   string
	format string
	style  string
	link   string
	point  string // the column of the points that x is a value of; empty: none
	result string // the name of the result over all points
}

// column is one column of results.
type column struct {
	head   string
	number bool
	width  float64
	cells  []cell // one for each row
}

// columns lays the results out.
func (b *Book) columns() []column {
	blank := func() []cell {
		out := make([]cell, len(b.Rows))
		for i := range out {
			out[i].x = math.NaN()
		}
		return out
	}
	state := column{head: "result", width: 12, cells: blank()}
	why := column{head: "why", width: 36, cells: blank()}
	points := column{head: "points", number: true, width: 8, cells: blank()}
	folder := column{head: "record", width: 16, cells: blank()}
	some := false
	for i, r := range b.Rows {
		state.cells[i] = cell{text: r.State, style: r.State}
		if words := r.why(); words != "" {
			why.cells[i], some = cell{text: words, style: "text"}, true
		}
		if len(r.Points) > 0 {
			points.cells[i] = cell{x: float64(len(r.Points)), format: "0"}
		}
		if r.Folder != "" {
			folder.cells[i] = cell{text: r.Folder, link: r.Folder + "/" + report.PageFile, style: "link"}
		}
	}
	out := []column{state}
	if some {
		out = append(out, why)
	}
	if b.single() {
		out = append(out, b.pointColumns(blank)...)
	}
	out = append(out, b.resultColumns(blank)...)
	if !b.single() {
		out = append(out, points)
	}
	return append(out, folder)
}

// why is what is to be said of a row: how it ended, then the limits that it did not meet.
func (r Row) why() string {
	var out []string
	if r.Why != "" {
		out = append(out, r.Why)
	}
	seen := map[string]bool{}
	for _, v := range r.Limits {
		words := fmt.Sprintf("%s: %s", v.Limit, v.Outcome)
		if !seen[words] {
			out = append(out, words)
		}
		seen[words] = true
	}
	return strings.Join(out, "; ")
}

// single tells whether every row that was run has one point: its values then stand in the row.
func (b *Book) single() bool {
	any := false
	for _, r := range b.Rows {
		if len(r.Points) > 1 {
			return false
		}
		any = any || len(r.Points) == 1
	}
	return any
}

// all are the columns of the points.
func (b *Book) all() []record.Column {
	for _, r := range b.Rows {
		if len(r.Columns) > 0 {
			return r.Columns
		}
	}
	return nil
}

func unitHead(name, unit string) string {
	if unit == "" {
		return name
	}
	return name + " [" + unit + "]"
}

func (b *Book) pointColumns(blank func() []cell) []column {
	var out []column
	for _, c := range b.all() {
		if c.Kind == record.Coordinate {
			continue
		}
		value := column{head: unitHead(c.Name, c.Unit), number: true, width: 11, cells: blank()}
		u := column{head: unitHead("U("+c.Name+")", c.Unit), number: true, width: 11, cells: blank()}
		for i, r := range b.Rows {
			if len(r.Points) == 0 {
				continue
			}
			if x, ok := r.Points[0].Cells[c.Name]; ok {
				value.cells[i] = cell{x: x.SI, format: workbook.NumberFormat(x.SI, x.U), point: c.Name}
				u.cells[i] = cell{x: x.U, format: workbook.NumberFormat(x.U, x.U)}
			}
		}
		out = append(out, value, u)
	}
	return out
}

func (b *Book) resultColumns(blank func() []cell) []column {
	var out []column
	at := map[string]int{}
	for i, r := range b.Rows {
		for _, x := range r.Results {
			name := x.Name
			if x.Part != "" {
				name += " of " + x.Part
			}
			k, known := at[name]
			if !known {
				k = len(out)
				at[name] = k
				out = append(out, column{head: unitHead(name, x.Unit), number: true, width: 11, cells: blank()},
					column{head: unitHead("U("+name+")", x.Unit), number: true, width: 11, cells: blank()})
			}
			out[k].cells[i] = cell{x: x.SI, format: workbook.NumberFormat(x.SI, x.U), result: x.Name}
			out[k+1].cells[i] = cell{x: x.U, format: workbook.NumberFormat(x.U, x.U)}
		}
	}
	return slices.DeleteFunc(out, func(c column) bool { // a result that has no uncertainty has no column for it
		return strings.HasPrefix(c.head, "U(") && !slices.ContainsFunc(c.cells, func(x cell) bool { return !math.IsNaN(x.x) && x.x != 0 })
	})
}

// merged is a record put together from the points of all rows, numbered from 1, with one of the sequence's curves; each row has
// lines of its own in it. Where each row is but one point, those rows make a line that differ in one parameter alone.
func (b *Book) merged(curve record.Curve) *record.Record {
	rec := &record.Record{}
	rec.Columns, rec.Curves = b.all(), []record.Curve{curve}
	labels := make([]string, len(b.Rows))
	if b.single() {
		labels = b.groups(curve.X)
		rec.Log = []record.Event{{Kind: "refined"}} // in the order of x
	}
	for i, r := range b.Rows {
		if r.Refined {
			rec.Log = []record.Event{{Kind: "refined"}}
		}
		for _, p := range r.Points {
			p.Number = len(rec.Rows) + 1
			if labels[i] == "" && !b.single() {
				labels[i] = r.Label
			}
			p.Part = strings.Trim(labels[i]+", "+p.Part, ", ")
			rec.Rows = append(rec.Rows, p)
		}
	}
	return rec
}

// groups names for each row the line that its one point belongs to: of the parameters the one is left out along which x moves most.
func (b *Book) groups(x string) []string {
	best, most := make([]string, len(b.Rows)), -1.0
	for _, along := range b.Table.Given {
		labels := make([]string, len(b.Rows))
		low, high := map[string]float64{}, map[string]float64{}
		for i, r := range b.Rows {
			var parts []string
			if r.Device != "" && b.devices() > 1 {
				parts = append(parts, r.Device)
			}
			for _, v := range r.Values {
				if v.Name != along.Name && b.varies(v.Name) {
					parts = append(parts, v.Name+" = "+v.Setting)
				}
			}
			labels[i] = strings.Join(parts, ", ")
			if len(r.Points) == 0 {
				continue
			}
			at := r.Points[0].Cells[x].SI
			if _, ok := low[labels[i]]; !ok {
				low[labels[i]], high[labels[i]] = at, at
			}
			low[labels[i]], high[labels[i]] = min(low[labels[i]], at), max(high[labels[i]], at)
		}
		moved := 0.0
		for name := range low {
			moved += high[name] - low[name]
		}
		if moved > most {
			best, most = labels, moved
		}
	}
	return best
}

// devices is how many devices the rows name.
func (b *Book) devices() int {
	names := map[string]bool{}
	for _, r := range b.Rows {
		names[r.Device] = true
	}
	return len(names)
}

// varies tells whether rows give different values to a parameter.
func (b *Book) varies(name string) bool {
	texts := map[string]bool{}
	for _, r := range b.Rows {
		for _, v := range r.Values {
			if v.Name == name {
				texts[v.Setting] = true
			}
		}
	}
	return len(texts) > 1
}

// overAll are the results that a spreadsheet can work out from a column of points.
var overAll = regexp.MustCompile(`^(max|min|mean)\(\s*([A-Za-z_][A-Za-z0-9_]*)\s*\)$`)

var sheetFunction = map[string]string{"max": "MAX", "min": "MIN", "mean": "AVERAGE"}

// ofPoints works out what such a function gives over all points that have a value.
func ofPoints(function, column string, points []record.Point) float64 {
	best, sum, n := math.NaN(), 0.0, 0
	for _, p := range points {
		c, ok := p.Cells[column]
		if !ok || math.IsNaN(c.SI) {
			continue
		}
		n++
		sum += c.SI
		if math.IsNaN(best) || function == "max" && c.SI > best || function == "min" && c.SI < best {
			best = c.SI
		}
	}
	if function == "mean" {
		return sum / float64(n)
	}
	return best
}
