package run

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"strings"

	"fourwire/analysis/uncertain"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/record"
	"fourwire/sequence"
)

// fitRow is a point that a fit looks at.
type fitRow struct {
	values []measured.Value // by input; of a leakage the time is the last, exact
	left   string           // why it is left out; empty: it is used
}

const (
	leftInvalid = "not valid"
	leftOutside = "outside the law"
)

// rowsOf gives the points so far that have what a fit needs.
func (r *runner) rowsOf(s *sequence.Fit) []fitRow {
	inputs := s.Kind.Inputs()
	var out []fitRow
	for i := range r.columns {
		one := &r.columns[i]
		if s.Part != "" && one.part != s.Part {
			continue
		}
		row := fitRow{}
		for _, in := range inputs {
			if v, ok := one.value(s.Of[in.What]); ok {
				row.values = append(row.values, v)
			}
		}
		if len(row.values) < len(inputs) {
			continue // a point of other steps
		}
		if s.Kind == sequence.LeakageLaw {
			row.values = append(row.values, r.elapsed(one.since))
		}
		switch {
		case one.limited:
			row.left = inCompliance
		case !one.good:
			row.left = leftInvalid
		}
		for _, v := range row.values {
			if row.left == "" && (math.IsNaN(v.X) || math.IsInf(v.X, 0)) {
				row.left = leftOutside
			}
		}
		out = append(out, row)
	}
	return out
}

// elapsed is a time by the clock of the computer.
func (r *runner) elapsed(seconds float64) measured.Value {
	q := quantity.Of(seconds, quantity.Time)
	if r.cfg.Ledger == nil || math.IsNaN(seconds) {
		return measured.Exact(q)
	}
	id := r.cfg.Ledger.Shared(measured.Input{Name: "clock of the computer", Kind: measured.Skew, Shape: measured.Rectangular})
	return measured.New(q, measured.Term{Input: id, Part: seconds * clockPart / math.Sqrt(3)})
}

// value is that of a column of a finished point.
func (s *store) value(name string) (measured.Value, bool) {
	for i := len(s.values) - 1; i >= 0; i-- {
		if s.values[i].name == name {
			return s.values[i].value, true
		}
	}
	return measured.Value{}, false
}

// fit finds the parameters of a part from the points so far.
func (r *runner) fit(_ context.Context, s *sequence.Fit) error {
	found, err := r.fitPoints(s)
	if err != nil {
		return err
	}
	return r.give(s.Gives, found.value, "of "+s.Name)
}

// fitResults is a fit in a summary: its parameters are results.
func (r *runner) fitResults(s *sequence.Fit, results map[string]measured.Value) error {
	found, err := r.fitPoints(s)
	if err != nil {
		return err
	}
	for _, g := range s.Gives {
		v := found.value(g.What)
		out := record.Result{Name: g.Name, Expr: g.What + " of " + s.Name, Part: s.Part, SI: v.X, U: nan, Unit: record.UnitOf(v.Dim)}
		delete(results, g.Name)
		text := fmt.Sprintf("%s = %s", g.Name, v.Quantity())
		if math.IsNaN(v.X) {
			if out.Why = found.kept.Why; out.Why == "" {
				out.Why = "there is no " + g.What + " of " + s.Name
			}
			text = g.Name + " has no value: " + out.Why
		} else {
			if len(v.Terms) > 0 {
				out.U = r.expanded(v)
			}
			results[g.Name] = v
			r.budgetOfResult(g.Name, s.Part, v)
		}
		r.results = append(r.results, out)
		r.write(func() error { return r.cfg.Sink.Result(out) })
		r.tell(Event{Kind: "result", Result: &out, Text: text})
	}
	return nil
}

// found is a fit with its parameters as values.
type found struct {
	values map[string]measured.Value
	dims   map[string]quantity.Dimension
	kept   *record.Fit
}

func (f *found) value(what string) measured.Value {
	if v, ok := f.values[what]; ok {
		return v
	}
	return measured.Value{X: nan, Dim: f.dims[what]}
}

// fitPoints fits, and keeps what came of it in the record.
func (r *runner) fitPoints(s *sequence.Fit) (*found, error) {
	rows := r.rowsOf(s)
	f := &found{values: map[string]measured.Value{}, dims: map[string]quantity.Dimension{}, kept: &record.Fit{Name: s.Name, Kind: string(s.Kind)}}
	l := lawOf(s.Kind)
	f.kept.Law, f.kept.LogX, f.kept.LogY = l.formula, l.logX, l.logY
	for _, one := range s.Kind.Results() {
		f.dims[one.What] = one.Dim
	}
	kelvin := s.Kelvin
	if kelvin == 0 {
		kelvin = r.plan.Bench.AmbientKelvin
	}
	if s.Kind == sequence.DiodeLaw || s.Kind == sequence.LEDLaw || s.Kind == sequence.SolarLaw {
		f.kept.Notes = append(f.kept.Notes, "temperature of the part: "+quantity.Of(kelvin, quantity.Temperature).String()+within(s.Within))
	}
	p := newFitting(l, rows, kelvin)
	best, err := l.solve(p.numbers, p.spread, kelvin)
	if err == nil && best.outside > 0 { // which ones they are shows alone in a fit of each: the law is tried without them below
		f.kept.Outside = best.outside
	}
	for i := range rows {
		switch rows[i].left {
		case inCompliance:
			f.kept.Compliance++
		case leftInvalid:
			f.kept.Invalid++
		case leftOutside:
			f.kept.Outside++
		}
	}
	f.kept.Used = len(p.used) - best.outside
	if err != nil {
		f.kept.Why = err.Error()
		f.kept.Used = 0
		r.note("note", "warn", fmt.Sprintf("%s could not be fitted: %v", s.Name, err))
	} else {
		r.propagate(f, s, l, p, best, kelvin)
	}
	f.values["used"] = measured.Exact(quantity.Of(float64(f.kept.Used), quantity.Ratio))
	f.values["left_out"] = measured.Exact(quantity.Of(float64(len(rows)-f.kept.Used), quantity.Ratio))
	r.parameters(f, s)
	f.picture(s, l, rows, best)
	r.tellFit(f.kept)
	return f, r.saveFit(f.kept)
}

func within(kelvin float64) string {
	if kelvin <= 0 {
		return ", taken as exact"
	}
	return fmt.Sprintf(", within %.3g K", kelvin)
}

// fitting is the points that are used, as numbers.
type fitting struct {
	used    []int // of the rows
	rows    []fitRow
	numbers [][]float64
	spread  [][]float64 // expanded uncertainties
}

func newFitting(l law, rows []fitRow, _ float64) *fitting {
	p := &fitting{rows: rows}
	for i := range rows {
		if rows[i].left != "" {
			continue
		}
		x, u := make([]float64, len(rows[i].values)), make([]float64, len(rows[i].values))
		for k, v := range rows[i].values {
			x[k], u[k] = v.X, v.Expanded()
		}
		p.used = append(p.used, i)
		p.numbers, p.spread = append(p.numbers, x), append(p.spread, u)
	}
	return p
}

// oneByOne is how many points a fit may have for the error of each reading to be put in by itself.
const oneByOne = 120

// propagate gives the results with their error terms. Each error source of the readings is put into the points, and the fit is done again: what
// the results move by is that source's part. So what the points share (gain and offset of a range, the temperature) moves them together. What
// the points miss the law by beyond their uncertainty comes on top, by the covariance of the fit.
func (r *runner) propagate(f *found, s *sequence.Fit, l law, p *fitting, best fitted, kelvin float64) {
	base := best.of(best.b)
	names := s.Kind.Results()[:len(base)]
	values := make([]measured.Value, len(names))
	for k, one := range names {
		values[k] = measured.Exact(quantity.Of(base[k], one.Dim))
	}
	put := func(k int, terms ...measured.Term) {
		values[k] = measured.Linear(values[k].X, values[k].Dim, values[k], 1, measured.Value{Terms: terms}, 1)
	}
	if r.cfg.Ledger != nil {
		failed := 0
		own := len(p.used) <= oneByOne
		switch {
		case !own:
			best.misfit = 1
		case !best.weighed:
			best.misfit = p.beyond(l, best)
		}
		for _, source := range p.sources(r.cfg.Ledger, own) {
			moved, ok := p.again(l, source, kelvin)
			if !ok {
				failed++
				continue
			}
			for k := range names {
				if d := moved[k] - base[k]; d != 0 && !math.IsNaN(d) && !math.IsInf(d, 0) {
					source.into(d, func(terms ...measured.Term) { put(k, terms...) })
				}
			}
		}
		if failed > 0 {
			f.kept.Notes = append(f.kept.Notes, fmt.Sprintf("with %d of the error sources put in the fit found no minimum: they are not in U", failed))
		}
		r.ofTemperature(s, l, p, kelvin, base, put)
		r.ofMisfit(s, best, base, put)
	}
	for k, one := range names {
		f.values[one.What] = values[k]
	}
	f.values["residual"] = measured.Exact(quantity.Of(best.rms, f.dims["residual"]))
	f.kept.Method = "least squares of " + l.least + "; U holds gain, offset and every other error source of the readings, each by a fit with that error put in, " +
		"and what the points miss the law by beyond these"
	if best.hint != "" {
		f.kept.Notes = append(f.kept.Notes, best.hint)
		r.note("note", "warn", s.Name+": "+best.hint)
	}
}

// ofTemperature puts the tolerance of the temperature in, as a rectangular one.
func (r *runner) ofTemperature(s *sequence.Fit, l law, p *fitting, kelvin float64, base []float64, put func(int, ...measured.Term)) {
	if s.Within <= 0 {
		return
	}
	moved, err := l.solve(p.numbers, p.spread, kelvin+s.Within/math.Sqrt(3))
	if err != nil {
		return
	}
	id := r.cfg.Ledger.Shared(measured.Input{Name: s.Name + " temperature", Kind: measured.Temperature, Shape: measured.Rectangular})
	for k, x := range moved.of(moved.b) {
		if d := x - base[k]; d != 0 && !math.IsNaN(d) && k < len(base) {
			put(k, measured.Term{Input: id, Part: d})
		}
	}
}

// ofMisfit puts in what the points miss the law by.
func (r *runner) ofMisfit(s *sequence.Fit, best fitted, base []float64, put func(int, ...measured.Term)) {
	if best.misfit <= 0 || best.dof < 1 {
		return
	}
	n := len(best.b)
	estimates := make([]quantity.Quantity, n)
	cov := make([][]float64, n)
	for i := range cov {
		cov[i] = make([]float64, n)
		for j := range cov[i] {
			cov[i][j] = best.cov[i][j] * best.misfit
		}
	}
	parameters, err := uncertain.Correlated(r.cfg.Ledger, s.Name+" scatter about the law", estimates, cov, float64(best.dof))
	if err != nil {
		return
	}
	for j := range parameters {
		h := 0.1 * math.Sqrt(cov[j][j])
		if h == 0 {
			continue
		}
		up, down := append([]float64(nil), best.b...), append([]float64(nil), best.b...)
		up[j], down[j] = up[j]+h, down[j]-h
		high, low := best.of(up), best.of(down)
		for k := range base {
			slope := (high[k] - low[k]) / (2 * h)
			if slope == 0 || math.IsNaN(slope) || math.IsInf(slope, 0) {
				continue
			}
			for _, t := range parameters[j].Terms {
				put(k, measured.Term{Input: t.Input, Part: slope * t.Part})
			}
		}
	}
}

// parameters lists what was found for the record.
func (r *runner) parameters(f *found, s *sequence.Fit) {
	names := map[string]string{}
	for _, g := range s.Gives {
		names[g.What] = g.Name
	}
	for _, one := range s.Kind.Results() {
		if one.What == "used" || one.What == "left_out" {
			continue
		}
		v := f.value(one.What)
		kept := record.FitParameter{What: one.What, About: one.About, Name: names[one.What], Unit: record.UnitOf(one.Dim), Value: v.X, U: nan, Biggest: r.biggest(v)}
		if len(v.Terms) > 0 {
			kept.U = r.expanded(v)
		}
		f.kept.Parameters = append(f.kept.Parameters, kept)
	}
}

// tellFit says what a fit came to in one line.
func (r *runner) tellFit(f *record.Fit) {
	if f.Why != "" {
		return
	}
	var left []string
	for _, one := range []struct {
		n    int
		text string
	}{{f.Compliance, inCompliance}, {f.Invalid, leftInvalid}, {f.Outside, leftOutside}} {
		if one.n > 0 {
			left = append(left, fmt.Sprintf("%d %s", one.n, one.text))
		}
	}
	text := fmt.Sprintf("%s fitted to %d points", f.Name, f.Used)
	if len(left) > 0 {
		text += ", left out " + strings.Join(left, ", ")
	}
	r.note("fit", "info", text)
}

func (r *runner) saveFit(f *record.Fit) error {
	if r.keeper == nil {
		return nil
	}
	data, err := json.MarshalIndent(f, "", " ")
	if err != nil {
		return r.stop(Fault, "%s cannot be written: %w", f.Name, err)
	}
	if err := r.keeper.Put(record.FitFile(f.Name), append(data, '\n')); err != nil {
		return r.stop(Bench, "%w", err)
	}
	return nil
}
