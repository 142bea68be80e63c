package run

import (
	"context"
	"fmt"
	"math"
	"strings"
	"time"

	"fourwire/internal/ledger"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/record"
	"fourwire/sequence"
	"fourwire/sequence/plan"
)

// block is one pass through a list of steps: one point, where it measures.
func (r *runner) block(ctx context.Context, steps []sequence.Step, f frame) error {
	if sequence.MakesRow(steps) {
		f.row = &row{}
	}
	r.hold()
	f.mark = r.ordinal + 1
	r.frames = append(r.frames, f)
	if err := r.steps(ctx, steps); err != nil {
		return err // the frames stay, so that the message and the broken-off points know where it was
	}
	if err := r.checkErrors(ctx); err != nil {
		return err
	}
	r.emit()
	r.popped = r.frames[len(r.frames)-1].values
	r.frames = r.frames[:len(r.frames)-1]
	if len(r.frames) > 0 {
		r.frames[len(r.frames)-1].mark = r.ordinal + 1
	}
	return nil
}

// broken is the failure to write the record, if there was one.
func (r *runner) broken() error {
	if r.sinkErr == nil {
		return nil
	}
	return r.stop(Bench, "the record cannot be written: %w", r.sinkErr)
}

func (r *runner) steps(ctx context.Context, steps []sequence.Step) error {
	defer r.cfg.Spans.Step(r.cfg.Spans.Place())
	for k, s := range steps {
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := r.broken(); err != nil {
			return err
		}
		if err := r.pump(ctx); err != nil {
			return err
		}
		if err := r.lookAtRails(ctx); err != nil {
			return err
		}
		r.place = s.At()
		r.ordinal++
		if r.ff != nil {
			if done, err := r.forward(ctx, s, steps[k:]); err != nil {
				return err
			} else if done {
				continue
			}
		}
		r.at(r.place)
		if err := r.step(ctx, s); err != nil {
			return err
		}
	}
	return nil
}

func (r *runner) step(ctx context.Context, s sequence.Step) error {
	if r.listed != nil {
		if done, err := r.fromList(s); done {
			return err
		}
	}
	switch s := s.(type) {
	case *sequence.Source:
		return r.source(ctx, s)
	case *sequence.Load:
		return r.load(ctx, s)
	case *sequence.Measure:
		return r.measure(ctx, s)
	case *sequence.Zero:
		return r.zero(ctx, s)
	case *sequence.Derive:
		return r.derive(ctx, s)
	case *sequence.Judge:
		return r.judge(ctx, s)
	case *sequence.Sweep:
		return r.sweep(ctx, s)
	case *sequence.Repeat:
		for n := range s.Times {
			f := frame{name: plan.RepeatColumn, coord: measured.Exact(quantity.Of(float64(n+1), quantity.Ratio)), label: s.Label}
			if err := r.block(ctx, s.Steps, f); err != nil {
				return err
			}
		}
	case *sequence.Settle:
		return r.settle(ctx, s)
	case *sequence.Check:
		return r.returns(ctx, s)
	case *sequence.Wait:
		return r.wait(ctx, s)
	case *sequence.When:
		return r.when(ctx, s)
	case *sequence.Note:
		r.note("note", "info", s.Text)
	case *sequence.Record:
		return r.record(ctx, s)
	case *sequence.Capture:
		return r.capture(ctx, s)
	case *sequence.Switching:
		return r.switching(ctx, s)
	case *sequence.Short:
		return r.short(ctx, s)
	case *sequence.Rails:
		return r.rails(ctx, s)
	case *sequence.Profile:
		return r.profile(ctx, s)
	case *sequence.List:
		return r.list(ctx, s)
	case *sequence.Figures:
		return r.figures(ctx, s)
	case *sequence.Drain:
		return r.drain(ctx, s)
	case *sequence.Life:
		return r.life(ctx, s)
	case *sequence.Emulate:
		return r.emulate(ctx, s)
	case *sequence.Reverse:
		return r.reverse(ctx, s)
	case *sequence.Fit:
		return r.fit(ctx, s)
	default:
		return r.stop(Fault, "a step of the kind %T is not known here", s)
	}
	return nil
}

func (r *runner) wait(ctx context.Context, s *sequence.Wait) error {
	d, err := r.eval(ctx, s.For)
	if err != nil {
		return err
	}
	if d.X < 0 || d.X > 1e9 {
		return r.stop(Input, "%s cannot be waited", d.Quantity())
	}
	if r.cfg.Busy != nil {
		r.cfg.Busy(seconds(d.X))
	}
	defer r.cfg.Spans.EnterWhole(ledger.FixedWait, "").Leave()
	return r.sleep(ctx, seconds(d.X))
}

func seconds(s float64) time.Duration { return time.Duration(math.Round(s * float64(time.Second))) }

func (r *runner) when(ctx context.Context, s *sequence.When) error {
	if err := r.readNodes(ctx, s.If, s.If.Nodes()); err != nil {
		return err
	}
	result, err := s.If.Eval(r)
	if err != nil {
		return r.stop(Input, "the condition cannot be worked out: %w", err)
	}
	r.decide(s.If, result)
	if result.Truth {
		return r.steps(ctx, s.Then)
	}
	return r.steps(ctx, s.Else)
}

// open gives the point that the step under way belongs to; nil where its list makes none.
func (r *runner) open() *row {
	return r.frames[len(r.frames)-1].row
}

// begin makes the row ready for its first reading.
func (r *runner) begin(w *row) {
	if w.measured {
		return
	}
	r.begun++
	w.measured, w.number, w.at = true, r.begun, r.clock.Since(r.started)
	w.cells = make(map[string]record.Cell, 12)
	w.modes = make(map[string]string, len(r.roles))
	w.ranges = make(map[string]string, 4)
}

func (w *row) invalid(format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	for _, had := range w.why {
		if had == text {
			return
		}
	}
	w.why = append(w.why, text)
}

// late says what has not settled, of this pass and those around it; empty where everything has.
func (r *runner) late() string {
	for i := len(r.frames) - 1; i >= 0; i-- {
		if r.frames[i].late != "" {
			return r.frames[i].late
		}
	}
	return ""
}

// emit ends the point of the innermost frame, if it has one.
func (r *runner) emit() {
	f := &r.frames[len(r.frames)-1]
	w := f.row
	if w == nil || !w.measured {
		return
	}
	if r.ff != nil && (r.ff.finding || w.whole) {
		r.recalled(f, w)
		return
	}
	f.row, f.since = nil, w.since
	r.good = len(w.why) == 0 && r.late() == ""
	r.points++
	p := r.pointOf(f, w)
	if !p.Settled {
		r.unsettled++
	}
	if !p.Valid {
		r.invalid++
	}
	if r.looksBack() && p.Part != sequence.RepeatLabel {
		r.store(f, p)
	}
	r.write(func() error { return r.cfg.Sink.Point(p) })
	r.budgets(f, p)
	r.spent()
	text := r.where()
	if p.Why != "" {
		text = strings.TrimPrefix(text+": "+p.Why, ": ")
	}
	r.tell(Event{Kind: "point", Point: &p, Level: level(p.Valid && p.Settled), Text: text})
}

// pointOf is a point as it is in the record.
func (r *runner) pointOf(f *frame, w *row) record.Point {
	for i := range r.frames {
		if g := &r.frames[i]; g.name != "" {
			w.cells[g.name] = record.Cell{SI: g.coord.X, U: nan}
		}
	}
	late := r.late()
	p := record.Point{
		Number: w.number, At: w.at, Part: r.part(), Cells: w.cells, Modes: w.modes, Ranges: w.ranges, Notes: w.notes,
		Valid: len(w.why) == 0, Settled: late == "", Why: strings.Join(w.why, "; "), Terms: r.termsOf(f),
	}
	if late != "" {
		p.Why = strings.Join(append(w.why[:len(w.why):len(w.why)], late), "; ")
	}
	return p
}

func level(fine bool) string {
	if fine {
		return "info"
	}
	return "warn"
}

// keepRows keeps the points that were broken off, innermost first, marked with the reason.
func (r *runner) keepRows(why error) {
	for len(r.frames) > 0 {
		if w := r.open(); w != nil && w.measured && r.ff == nil {
			w.invalid("%s", record.BrokenOff(why))
			r.emit()
		}
		r.frames = r.frames[:len(r.frames)-1]
	}
}
