package report

import (
	"math"
	"strings"

	"fourwire/quantity"
	"fourwire/record"
)

// Worst is a value whose uncertainty matters most, with its budget: the one nearest to a limit, or the least certain of a column.
type Worst struct {
	Name   string // of the value
	Point  int    // 0: over all points
	Where  string // the coordinates of the point
	Text   string // the value with its uncertainty and unit
	Why    string // "closest to efficiency >= 88 %"
	Limit  string // as written; empty where no limit is the reason
	U      float64
	SI     float64
	Unit   string
	Budget Budget
}

// worst finds, in this order, the closest value of each limit, the least certain value of each derived column that no limit showed
// already (of the measured ones, where nothing is derived), and the results; those without a budget are left out.
func (r *Report) worst() []Worst {
	rec := r.Record
	rows := map[int]record.Point{}
	for _, p := range rec.Rows {
		rows[p.Number] = p
	}
	var out []Worst
	shown := map[string]bool{}
	same := map[budgetKey]int{}
	add := func(w Worst, part string) {
		b, ok := r.Budget(w.Point, w.Name, part)
		if !ok {
			return
		}
		key := budgetKey{w.Point, w.Name, part}
		if at, again := same[key]; again {
			out[at].Why += "; " + w.Why
			return
		}
		same[key] = len(out)
		w.Budget = b
		w.Text = WithU(w.SI, w.U, record.DimensionOf(w.Unit))
		if w.Point > 0 {
			w.Where = Where(rec, rows[w.Point])
		}
		out = append(out, w)
	}
	for _, l := range r.Limits {
		v := l.Closest
		if v == nil {
			continue
		}
		name, part := l.name(), strings.TrimPrefix(v.Where, "part ")
		if _, ok := r.Budget(v.Point, l.Text, part); ok {
			name = l.Text
		}
		shown[name] = true
		add(Worst{Name: name, Point: v.Point, Limit: l.Text, Why: "closest to the limit " + l.Text, SI: v.Value, U: v.U, Unit: v.Unit}, part)
	}
	kind := record.Measured
	for _, c := range rec.Columns {
		if c.Kind == record.Derived {
			kind = record.Derived
		}
	}
	for _, c := range rec.Columns {
		if c.Kind != kind || shown[c.Name] {
			continue
		}
		at, most := record.Point{}, 0.0
		for _, p := range rec.Rows {
			cell := value(p, c.Name)
			if rel := cell.U / math.Abs(cell.SI); p.Status() == record.StatusOK && rel > most && !math.IsInf(rel, 1) {
				at, most = p, rel
			}
		}
		if at.Number > 0 {
			cell := value(at, c.Name)
			add(Worst{Name: c.Name, Point: at.Number, Why: "largest U in proportion to the value: " + quantity.Of(most, quantity.Ratio).Text(2), SI: cell.SI, U: cell.U, Unit: c.Unit}, "")
		}
	}
	for _, x := range rec.Results {
		if x.Why == "" {
			add(Worst{Name: x.Name, Why: "result over all points", SI: x.SI, U: x.U, Unit: x.Unit}, x.Part)
		}
	}
	return out
}

// Where is the coordinates of a point: "vin = 12 V, iout = 500 mA".
func Where(rec *record.Record, p record.Point) string {
	var parts []string
	if p.Part != "" {
		parts = append(parts, p.Part)
	}
	for _, c := range rec.Columns {
		if c.Kind != record.Coordinate {
			continue
		}
		if x := value(p, c.Name); !math.IsNaN(x.SI) {
			parts = append(parts, c.Name+" = "+Pretty(quantity.Of(x.SI, c.Dim).Text(4)))
		}
	}
	return strings.Join(parts, ", ")
}
