package run

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strconv"

	"fourwire/analysis/sweep"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/record"
	"fourwire/sequence"
)

const (
	peakGap      = 0.02 // part of the axis to which the place of the greatest value is bracketed, as far as scatter allows; own choice
	chosenDigits = 5    // significant digits of a value that a sweep chooses
	// clearly is by how many standard deviations of the difference a point is below the greatest one: there are many to choose that from
	clearly = 2.5
)

// refined is a sweep that adds points of its own.
type refined struct {
	step    *sequence.Sweep
	ordinal int // of the step
	values  []quantity.Quantity
	taken   []refinedPoint
	failed  []float64 // where there is no valid, settled point
}

type refinedPoint struct {
	at      quantity.Quantity
	y, over measured.Value
}

// newRefined is nil for a sweep that has its values and no more.
func (r *runner) newRefined(s *sequence.Sweep, ordinal int, values []quantity.Quantity) *refined {
	if s.Refine == nil {
		return nil
	}
	return &refined{step: s, ordinal: ordinal, values: values}
}

// add takes what one pass has measured.
func (f *refined) add(at quantity.Quantity, values []named, good bool) {
	if f == nil {
		return
	}
	p := refinedPoint{at: at, y: measured.Value{X: nan}, over: measured.Exact(at)}
	for _, v := range values {
		if v.name == f.step.Refine.By {
			p.y = v.value
		}
		if v.name == f.step.Refine.Over {
			p.over = v.value
		}
	}
	if !good || math.IsNaN(p.y.X) || math.IsInf(p.y.X, 0) || math.IsNaN(p.over.X) {
		f.failed = append(f.failed, at.SI)
		return
	}
	f.taken = append(f.taken, p)
}

// refine adds points until straight lines follow the curve, or the points are spent, and gives the results of the sweep. It rests on the
// scatter of the points: what their instruments share does not bend a curve.
func (r *runner) refine(ctx context.Context, f *refined, done func(quantity.Quantity)) error {
	if f == nil {
		return nil
	}
	how, added := "", 0
	for {
		x, why, ok := r.choose(f, added)
		if how = why; !ok {
			break
		}
		at := quantity.Of(x, f.step.Values.Dim)
		r.good = false
		if err := r.block(ctx, f.step.Steps, frame{name: f.step.Name, coord: measured.Exact(at), label: f.step.Label}); err != nil {
			return err
		}
		done(at)
		added++
	}
	if r.ff == nil {
		text := fmt.Sprintf("%s over %s: %d points added to %d: %s", f.step.Refine.By, f.step.Name, added, len(f.values), how)
		if top := f.top(); top >= 0 {
			low, high := r.bracket(f, top)
			text += fmt.Sprintf("; the greatest is %s, between %s and %s", f.taken[top].y.Quantity().Text(5), f.taken[low].at.Text(5), f.taken[high].at.Text(5))
		}
		r.note("refine", level(len(f.failed) == 0), text)
	}
	return r.giveRefined(f)
}

// choose gives the next value; ok is false at the end, with the reason. What an earlier run chose is taken from its log.
func (r *runner) choose(f *refined, n int) (x float64, why string, ok bool) {
	if r.ff != nil {
		if x, ok := r.ff.chosen[f.ordinal][n]; ok {
			return x, "", true
		}
	}
	x, why, ok = r.next(f)
	if ok && (r.ff == nil || !r.ff.finding) {
		fields := map[string]any{"step": f.ordinal, "number": n, "value": x, "unit": record.UnitOf(f.step.Values.Dim)}
		text := fmt.Sprintf("%s %s: %s", f.step.Name, quantity.Of(x, f.step.Values.Dim), why)
		r.write(func() error {
			return r.cfg.Sink.Event(record.Event{Level: "debug", Kind: "refined", Text: text, Fields: fields})
		})
	}
	return x, why, ok
}

// next works out the next value from the points so far.
func (r *runner) next(f *refined) (x float64, why string, ok bool) {
	if len(f.taken) < 3 {
		return 0, fmt.Sprintf("%d valid points show no bend", len(f.taken)), false
	}
	o := sweep.Refining{Low: math.Inf(1), High: math.Inf(-1), Log: f.step.Values.Log(), Within: f.step.Refine.Within.SI, Budget: f.step.Refine.Points - len(f.failed)}
	largest := 0.0
	taken := make([]sweep.Taken, len(f.taken))
	for i, p := range f.taken {
		taken[i] = sweep.Taken{X: p.at.SI, Y: p.y.X, U: r.apart(p.y)}
		o.Low, o.High = math.Min(o.Low, p.at.SI), math.Max(o.High, p.at.SI)
		largest = math.Max(largest, math.Abs(p.y.X))
	}
	if f.step.Refine.Within.Dim == quantity.Ratio && f.taken[0].y.Dim != quantity.Ratio {
		o.Within *= largest
	}
	if len(f.step.Refine.Gives) > 0 {
		o.Peak = peakGap
	}
	if o.Seed = len(f.values); len(f.failed) > 0 || !even(f.values, o.Log) {
		o.Seed = 3
	}
	c, err := sweep.Refine(taken, o)
	switch {
	case err != nil:
		return 0, err.Error(), false
	case c.Done:
		for _, j := range c.Jumps {
			dim := f.step.Values.Dim
			c.Reason += fmt.Sprintf("; between %s and %s it steps or bends by %s: nothing is interpolated there", quantity.Of(j.Low, dim).Text(4), quantity.Of(j.High, dim).Text(4),
				quantity.Of(j.Step, f.taken[0].y.Dim).Text(2))
		}
		return 0, c.Reason, false
	}
	x, _ = strconv.ParseFloat(strconv.FormatFloat(c.X, 'g', chosenDigits, 64), 64)
	x = math.Min(math.Max(x, o.Low), o.High)
	for _, bad := range f.failed {
		if math.Abs(x-bad) <= 1e-3*(o.High-o.Low) {
			return 0, fmt.Sprintf("at %s there is no valid point to go on from", quantity.Of(x, f.step.Values.Dim)), false
		}
	}
	for _, p := range f.taken {
		if p.at.SI == x {
			return 0, fmt.Sprintf("%s has been measured: the curve cannot be followed closer", p.at), false
		}
	}
	return x, c.Reason, true
}

// even tells whether values are spread evenly on their axis.
func even(values []quantity.Quantity, log bool) bool {
	axis := func(i int) float64 {
		if log {
			return math.Log(values[i].SI)
		}
		return values[i].SI
	}
	last := len(values) - 1
	for i := range values {
		t := (axis(i) - axis(0)) / (axis(last) - axis(0)) * float64(last)
		if !(math.Abs(t-float64(i)) < 0.05) {
			return false
		}
	}
	return true
}

// apart is the expanded uncertainty of a value by what it does not share with the other points: noise, resolution, scatter.
func (r *runner) apart(v measured.Value) float64 {
	if r.cfg.Ledger == nil {
		return 0
	}
	sum := 0.0
	for _, t := range v.Terms {
		if !r.cfg.Ledger.IsShared(t.Input) && !r.ofZero[t.Input] {
			sum += t.Part * t.Part
		}
	}
	return 2 * math.Sqrt(sum)
}

// top is the point with the greatest value; -1 where there is none.
func (f *refined) top() int {
	top := -1
	for i := range f.taken {
		if top < 0 || f.taken[i].y.X > f.taken[top].y.X {
			top = i
		}
	}
	return top
}

// bracket gives the points between which the peak lies: on each side of the greatest the nearest one that is clearly below it, by all that makes the
// difference of the two uncertain: what they share cancels in it, as far as it acts on both alike. A point further out belongs to it where not even
// scatter puts it below.
func (r *runner) bracket(f *refined, top int) (low, high int) {
	order := make([]int, len(f.taken))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int { return cmp.Compare(f.taken[a].at.SI, f.taken[b].at.SI) })
	at := slices.Index(order, top)
	below := func(k int) measured.Value { return measured.Sub(f.taken[top].y, f.taken[order[k]].y) }
	from, to := at, at
	for from > 0 && below(from-1).X <= clearly*below(from-1).Std() {
		from--
	}
	for to+1 < len(order) && below(to+1).X <= clearly*below(to+1).Std() {
		to++
	}
	for k := range order {
		if d := below(k); d.X <= clearly*r.apart(d)/2 {
			from, to = min(from, k), max(to, k)
		}
	}
	return order[max(0, from-1)], order[min(len(order)-1, to+1)]
}

// giveRefined keeps the results of a refined sweep in the point of the list that it stands in.
func (r *runner) giveRefined(f *refined) error {
	gives := f.step.Refine.Gives
	if len(gives) == 0 {
		return nil
	}
	frame := &r.frames[len(r.frames)-1]
	w := frame.row
	if r.ff != nil {
		had := w.measured || r.beginRecalled(w)
		for _, g := range gives {
			if had {
				_, have := w.stored.Cells[g.Name]
				had = have || w.whole
			}
		}
		switch {
		case had:
			for _, g := range gives {
				r.keep(g.Name, r.storedValue(w.stored, g.Name))
			}
			frame.mark = r.ordinal + 1
			return nil
		case r.ff.finding:
			return r.here(frame)
		}
	}
	r.begin(w)
	top := f.top()
	for _, g := range gives {
		v := measured.Value{X: nan, Dim: r.dimOf(g.Name)}
		if top >= 0 {
			low, high := r.bracket(f, top)
			switch g.What {
			case sequence.GivesPeak:
				v = f.taken[top].y
			case sequence.GivesAt:
				v = f.taken[top].over
			case sequence.GivesLow:
				v = f.taken[low].over
			case sequence.GivesHigh:
				v = f.taken[high].over
			}
		}
		r.keep(g.Name, v)
		w.cells[g.Name] = r.cell(v)
	}
	if top < 0 {
		w.invalid("no valid point of the sweep over %s has a value of %s", f.step.Name, f.step.Refine.By)
	}
	return nil
}

// dimOf is the dimension of a column.
func (r *runner) dimOf(name string) quantity.Dimension {
	for _, c := range r.plan.Columns {
		if c.Name == name {
			return c.Dim
		}
	}
	return quantity.Ratio
}

// readChosen takes a value that a refined sweep chose from the log.
func (f *forward) readChosen(step int, e record.Event) {
	n, okN := number(e.Fields["number"])
	x, okX := number(e.Fields["value"])
	if !okN || !okX {
		return
	}
	if f.chosen[step] == nil {
		f.chosen[step] = map[int]float64{}
	}
	f.chosen[step][int(n)] = x
}

func number(x any) (float64, bool) {
	switch n := x.(type) {
	case float64:
		return n, true
	case int:
		return float64(n), true
	}
	return 0, false
}
