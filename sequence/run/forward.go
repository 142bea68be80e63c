package run

import (
	"context"
	"fmt"
	"maps"
	"math"

	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/record"
	"fourwire/sequence"
	"fourwire/sequence/expr"
)

// forward goes by a step that was done already. done is false where the step is to be run as it is: the steps below a sweep, repeat or when
// are gone by one by one, and from the target on everything is run.
func (r *runner) forward(ctx context.Context, s sequence.Step, rest []sequence.Step) (done bool, err error) {
	if !r.ff.finding && r.ordinal == r.ff.target {
		return false, r.goLive(ctx, rest)
	}
	f := &r.frames[len(r.frames)-1]
	switch s := s.(type) {
	case *sequence.Source:
		return true, r.followSource(s, f)
	case *sequence.Load:
		return true, r.followLoad(s, f)
	case *sequence.Settle:
		f.late = r.ff.late[r.ordinal]
		f.trail = append(f.trail, passed{step: s, ordinal: r.ordinal, role: -1})
	case *sequence.Wait:
		f.trail = append(f.trail, passed{step: s, ordinal: r.ordinal, role: -1})
	case *sequence.Measure:
		names := make([]string, len(s.Readings))
		for i, reading := range s.Readings {
			names[i] = reading.Name
		}
		if err := r.recall(f, names); err != nil {
			return true, err
		}
		for i, v := range f.values[len(f.values)-len(names):] {
			if k := r.plan.GaugeIndex(s.Readings[i].Function, s.Readings[i].Node); k >= 0 {
				r.learn(&r.gauges[k], v.value.X)
			}
		}
	case *sequence.Derive:
		if f.row == nil {
			return true, r.derive(ctx, s)
		}
		names := make([]string, len(s.Items))
		for i, item := range s.Items {
			names[i] = item.Name
		}
		return true, r.recall(f, names)
	case *sequence.Judge:
		return true, r.recallVerdict(ctx, s, f)
	case *sequence.Record:
		return true, r.followRecord(ctx, s, f)
	case *sequence.Capture:
		return true, r.followCapture(ctx, s, f)
	case *sequence.Switching:
		i, err := r.role(s.Role)
		if err != nil {
			return true, err
		}
		r.state[i].On = s.To == sequence.On
	case *sequence.Rails:
		return true, r.followRails(ctx, s)
	case *sequence.Profile:
		return true, r.followProfile(s)
	case *sequence.List:
		return true, r.followList(s, f)
	case *sequence.Figures:
		return true, r.recall(f, namesOf(s.Gives))
	case *sequence.Drain:
		return true, r.followDrain(s, f)
	case *sequence.Life:
		return true, r.recall(f, namesOf(s.Gives))
	case *sequence.Fit:
		return true, r.recall(f, namesOf(s.Gives))
	case *sequence.Reverse:
		return true, r.recall(f, namesOf(s.Gives))
	case *sequence.Emulate:
		return true, r.followEmulate(ctx, s, f)
	case *sequence.Zero:
		if r.ff.finding {
			break
		}
		// nothing is on yet: this is the place for it, and its values are in no point
		r.ff.loud = true
		defer func() { r.ff.loud = false }()
		return true, r.zero(ctx, s)
	case *sequence.When:
		if len(s.If.Nodes()) == 0 {
			return false, nil
		}
		d, err := r.decidedBefore(s.If)
		if err != nil {
			return true, err
		}
		if d.truth {
			return true, r.steps(ctx, s.Then)
		}
		return true, r.steps(ctx, s.Else)
	case *sequence.Note, *sequence.Check, *sequence.Short: // a short leaves what it found; the device has been without power since: what it draws is read anew
	default:
		return false, nil
	}
	return true, nil
}

// decidedBefore is what an expression that reads nodes came to.
func (r *runner) decidedBefore(e *expr.Expr) (decision, error) {
	d, ok := r.ff.decided[r.ordinal][e.Text]
	if !ok {
		return d, r.here(&r.frames[len(r.frames)-1])
	}
	return d, nil
}

// amount is what a setting was worked out to be.
func (r *runner) amount(e *expr.Expr) (quantity.Quantity, error) {
	if len(e.Nodes()) > 0 {
		d, err := r.decidedBefore(e)
		return d.value.Quantity(), err
	}
	result, err := e.Eval(r)
	if err != nil {
		return quantity.Quantity{}, r.stop(Input, "this cannot be worked out: %w", err)
	}
	return result.Value.Quantity(), nil
}

func (r *runner) followSource(s *sequence.Source, f *frame) error {
	i, err := r.role(s.Role)
	if err != nil {
		return err
	}
	next := r.from(i, s)
	for _, one := range []struct {
		e    *expr.Expr
		into *float64
	}{{s.Amps, &next.Amps}, {s.Volts, &next.Volts}} {
		if one.e == nil {
			continue
		}
		q, err := r.amount(one.e)
		if err != nil {
			return err
		}
		*one.into = q.SI
	}
	next.On, next.ForceAmps = s.Output != sequence.Off, s.Force == sequence.Amps
	r.pulse(i, s, &next)
	if !next.On { // loads go off before a source does
		for k := range r.roles {
			if r.roles[k].sink != nil {
				r.state[k].On = false
			}
		}
	}
	r.state[i] = next
	f.trail = append(f.trail, passed{s, r.ordinal, i, next})
	return nil
}

func (r *runner) followLoad(s *sequence.Load, f *frame) error {
	i, err := r.role(s.Role)
	if err != nil {
		return err
	}
	next := r.state[i]
	if s.Hold != nil {
		if next.Hold, err = r.amount(s.Hold); err != nil {
			return err
		}
	}
	next.On = s.Input != sequence.Off
	r.state[i] = next
	f.trail = append(f.trail, passed{s, r.ordinal, i, next})
	return nil
}

// recall gives names the values that the point under way has in the record. Where one is missing, the run goes on from behind what was
// measured last in this pass.
func (r *runner) recall(f *frame, names []string) error {
	w := f.row
	if w == nil {
		return r.stop(Fault, "a step without a point cannot be recalled")
	}
	if !w.measured && !r.beginRecalled(w) {
		return r.here(f)
	}
	for _, name := range names {
		if _, ok := w.stored.Cells[name]; !ok && !w.whole {
			return r.here(f)
		}
	}
	for _, name := range names {
		r.keep(name, r.storedValue(w.stored, name))
	}
	f.mark = r.ordinal + 1
	return nil
}

// here ends the first walk: what comes now is not in the record. Nothing behind it may be in there either.
func (r *runner) here(f *frame) error {
	if !r.ff.finding {
		return r.stop(Fault, "the walk along the record does not end where it did before")
	}
	if r.points != len(r.ff.rows) {
		return r.stop(Input, "the record has %d points, of which %d fit the sequence up to here; the run cannot go on, start it anew", len(r.ff.rows), r.points)
	}
	r.ff.target = f.mark
	return errHere
}

// beginRecalled makes the row of the next number from the record; false where the record has nothing of it.
func (r *runner) beginRecalled(w *row) bool {
	p, whole := r.ff.rows[r.begun+1]
	if !whole {
		var held bool
		if p, held = r.ff.held[r.begun+1]; !held {
			return false
		}
	}
	r.begun++
	w.measured, w.number, w.at, w.stored, w.whole = true, p.Number, p.At, p, whole
	w.cells, w.modes, w.ranges = maps.Clone(p.Cells), maps.Clone(p.Modes), maps.Clone(p.Ranges)
	if w.modes == nil {
		w.modes = map[string]string{}
	}
	if w.ranges == nil {
		w.ranges = map[string]string{}
	}
	w.notes = append(w.notes, p.Notes...)
	if !p.Valid {
		w.why = append(w.why, p.Why)
	}
	return true
}

// storedValue is a value of a stored point with its error terms. Where the record has lost them, its uncertainty is an input of its own.
func (r *runner) storedValue(p *record.Point, name string) measured.Value {
	q := quantity.Of(nan, r.ff.dims[name])
	c, ok := p.Cells[name]
	if !ok || c.Overload {
		return measured.Exact(q)
	}
	q.SI = c.SI
	if r.cfg.Ledger == nil {
		return measured.Exact(q)
	}
	var terms []measured.Term
	for _, t := range r.ff.terms[p.Number][name] {
		terms = append(terms, measured.Term{Input: r.inputOf(t.Input), Part: t.Part})
	}
	if len(terms) == 0 && c.U > 0 && !math.IsNaN(c.SI) {
		in := measured.Input{Name: fmt.Sprintf("%s of point %d as recorded", name, p.Number), Kind: measured.Noise}
		terms = append(terms, measured.Term{Input: r.cfg.Ledger.Own(in), Part: c.U / 2})
	}
	return measured.New(q, terms...)
}

// inputOf is the input of this run that a stored one is: one that is shared stands for all readings of its name.
func (r *runner) inputOf(in *record.StoredInput) measured.ID {
	id, known := r.ff.inputs[in]
	if !known {
		if in.Shared {
			id = r.cfg.Ledger.Shared(in.Input)
		} else {
			id = r.cfg.Ledger.Own(in.Input)
		}
		r.ff.inputs[in] = id
	}
	return id
}

// recallVerdict takes the verdict of a stored point from the record. What is not there is judged from the stored values: a verdict without a
// point, or one that a cut in power took.
func (r *runner) recallVerdict(ctx context.Context, s *sequence.Judge, f *frame) error {
	if r.ff.finding {
		return nil
	}
	n := r.number()
	had := r.ff.verdicts[n]
	for i, v := range had {
		if n > 0 && v.Limit == s.Limit.Text && v.Clause == s.Clause {
			r.ff.verdicts[n] = append(had[:i:i], had[i+1:]...)
			r.verdicts = append(r.verdicts, v)
			return nil
		}
	}
	if s.When != nil && len(s.When.Nodes()) > 0 {
		return nil // what it read is gone; it judged nothing, or that is lost
	}
	if w := f.row; w != nil && w.whole && !w.stored.Settled {
		late := f.late
		f.late = w.stored.Why
		defer func() { r.frames[len(r.frames)-1].late = late }()
	}
	return r.judge(ctx, s)
}

// recalled ends a point that is in the record.
func (r *runner) recalled(f *frame, w *row) {
	f.row = nil
	if w.whole {
		r.points++
	}
	p := *w.stored
	r.good = p.Valid && p.Settled
	if !p.Settled {
		r.unsettled++
	}
	if !p.Valid {
		r.invalid++
	}
	if r.looksBack() && p.Part != sequence.RepeatLabel {
		r.store(f, p)
	}
	if !r.ff.finding {
		r.tell(Event{Kind: "recalled", Point: &p, Level: level(p.Valid && p.Settled), Text: r.where()})
	}
}
