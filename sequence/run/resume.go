package run

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
	"strconv"
	"time"

	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/record"
	"fourwire/sequence"
	"fourwire/sequence/expr"
	"fourwire/sequence/plan"
)

// Resume says from where a run goes on, in terms of what its record holds.
type Resume struct {
	Started  time.Time // of the run, by the same clock
	Rows     []record.Point
	Held     []record.Point // what had been measured of points that are not whole
	Verdicts []record.Verdict
	Log      []record.Event
	Terms    map[int]map[string][]record.StoredTerm // of points, by number
}

// Holder is the ability of a Sink to keep what has been measured of a point before the steps below it begin.
type Holder interface {
	Hold(record.Point) error
}

// forward is a walk along what has been done already. Nothing is sent and nothing is measured: settings are followed in the state of the
// roles, measured names come from the stored points, and what was decided by readings that are in no point comes from the log.
//
// The plan is walked twice so. The first walk finds the step from where the run goes on: the one behind the last stored measurement of the
// pass in which the first missing one stands. The second ends there and brings the bench to where it was.
type forward struct {
	finding  bool // the first walk
	target   int  // ordinal of the step from where the run goes on
	loud     bool // what is noted now is new
	rows     map[int]*record.Point
	held     map[int]*record.Point
	verdicts map[int][]record.Verdict
	decided  map[int]map[string]decision
	late     map[int]string
	chosen   map[int]map[int]float64 // of refined sweeps: what they added, by the ordinal of the sweep, then by number
	terms    map[int]map[string][]record.StoredTerm
	inputs   map[*record.StoredInput]measured.ID
	dims     map[string]quantity.Dimension
	before   []plan.Setting // what the roles are really set to
	recorded map[int]recordedBefore
	emulated map[int]emulatedBefore
}

// decision is what a reading that is in no point came to.
type decision struct {
	value measured.Value
	truth bool
}

// passed is a step that a walk along the record went by.
type passed struct {
	step    sequence.Step
	ordinal int
	role    int // of a setting; -1: none
	after   plan.Setting
}

// errHere ends the first walk.
var errHere = errors.New("the run goes on here")

// walk runs the steps of the sequence, those that were not done yet.
func (r *runner) walk(ctx context.Context) error {
	if r.cfg.Resume == nil {
		return r.block(ctx, r.plan.Sequence.Steps, frame{})
	}
	r.ff = r.newForward(r.cfg.Resume)
	r.had = r.ff.recorded
	err := r.block(ctx, r.plan.Sequence.Steps, frame{})
	switch {
	case err == nil && r.points != len(r.ff.rows):
		return r.stop(Input, "the record has %d points, of which %d fit the sequence; the run cannot go on, start it anew", len(r.ff.rows), r.points)
	case err == nil:
		r.ff.target = math.MaxInt
	case !errors.Is(err, errHere):
		return err
	}
	r.frames, r.columns, r.verdicts, r.popped = nil, nil, nil, nil
	clear(r.made)
	r.begun, r.points, r.invalid, r.unsettled, r.ordinal = 0, 0, 0, 0, 0
	for i := range r.gauges {
		r.gauges[i].learned = 0
	}
	copy(r.state, r.ff.before)
	r.ff.finding = false
	r.ff.verdicts = byPoint(r.cfg.Resume.Verdicts)
	if err := r.block(ctx, r.plan.Sequence.Steps, frame{}); err != nil {
		return err
	}
	if r.ff != nil { // all points were there
		copy(r.state, r.ff.before)
		r.ff = nil
		r.note("resume", "info", fmt.Sprintf("all %d points are there: nothing is measured again", r.points))
	}
	return nil
}

func byPoint(verdicts []record.Verdict) map[int][]record.Verdict {
	out := map[int][]record.Verdict{}
	for _, v := range verdicts {
		out[v.Point] = append(out[v.Point], v)
	}
	return out
}

func (r *runner) newForward(c *Resume) *forward {
	f := &forward{
		finding: true, rows: map[int]*record.Point{}, held: map[int]*record.Point{}, verdicts: map[int][]record.Verdict{},
		recorded: map[int]recordedBefore{}, emulated: map[int]emulatedBefore{}, decided: map[int]map[string]decision{}, late: map[int]string{}, chosen: map[int]map[int]float64{}, terms: c.Terms, inputs: map[*record.StoredInput]measured.ID{},
		dims: map[string]quantity.Dimension{}, before: append([]plan.Setting(nil), r.state...),
	}
	for i := range c.Rows {
		f.rows[c.Rows[i].Number] = &c.Rows[i]
	}
	for i := range c.Held {
		f.held[c.Held[i].Number] = &c.Held[i]
	}
	for _, col := range r.plan.Columns {
		f.dims[col.Name] = col.Dim
	}
	f.readLog(c.Log)
	return f
}

// readLog takes from the log what was decided by readings that are in no point. What was decided behind the step from where an earlier run went
// on was decided again.
func (f *forward) readLog(log []record.Event) {
	for _, e := range log {
		step, ok := stepOf(e)
		if !ok {
			continue
		}
		switch e.Kind {
		case "decided":
			text, _ := e.Fields["of"].(string)
			var d decision
			d.truth, _ = e.Fields["truth"].(bool)
			if x, ok := e.Fields["value"].(float64); ok {
				unit, _ := e.Fields["unit"].(string)
				d.value = measured.Value{X: x, Dim: record.DimensionOf(unit)}
			}
			if f.decided[step] == nil {
				f.decided[step] = map[string]decision{}
			}
			f.decided[step][text] = d
		case "settle":
			f.late[step] = e.Text
		case "refined":
			f.readChosen(step, e)
		case "recorded":
			f.recorded[step] = recordedOf(e)
		case "emulated":
			f.emulated[step] = emulatedOf(e)
		case "resume":
			maps.DeleteFunc(f.decided, func(n int, _ map[string]decision) bool { return n >= step })
			maps.DeleteFunc(f.late, func(n int, _ string) bool { return n >= step })
			maps.DeleteFunc(f.emulated, func(n int, _ emulatedBefore) bool { return n >= step })
		}
	}
}

func stepOf(e record.Event) (int, bool) {
	switch n := e.Fields["step"].(type) {
	case float64:
		return int(n), true
	case int:
		return n, true
	case string:
		k, err := strconv.Atoi(n)
		return k, err == nil
	}
	return 0, false
}

// decide keeps what a reading that is in no point came to, since the walk may have to come by here once more without it.
func (r *runner) decide(e *expr.Expr, result expr.Result) {
	if len(e.Nodes()) == 0 {
		return
	}
	fields := map[string]any{"step": r.ordinal, "of": e.Text}
	if e.Condition() {
		fields["truth"] = result.Truth
	} else {
		fields["value"], fields["unit"] = result.Value.X, record.UnitOf(result.Value.Dim)
	}
	r.write(func() error {
		return r.cfg.Sink.Event(record.Event{Level: "debug", Kind: "decided", Text: e.Text, Fields: fields})
	})
}

// hold keeps what has been measured of the point under way before steps below it begin.
func (r *runner) hold() {
	if r.ff != nil || len(r.frames) == 0 {
		return
	}
	f := &r.frames[len(r.frames)-1]
	sink, ok := r.cfg.Sink.(Holder)
	if w := f.row; ok && w != nil && w.measured && len(f.values) > w.heldValues {
		w.heldValues = len(f.values)
		r.write(func() error { return sink.Hold(r.pointOf(f, w)) })
	}
}

// termsOf is the error terms of what a pass measured and derived.
func (r *runner) termsOf(f *frame) map[string][]measured.Term {
	if r.cfg.Ledger == nil || len(f.values) == 0 {
		return nil
	}
	out := make(map[string][]measured.Term, len(f.values))
	for _, v := range f.values {
		if len(v.value.Terms) > 0 {
			out[v.name] = v.value.Terms
		}
	}
	return out
}
