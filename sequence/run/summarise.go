package run

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"fourwire/quantity/measured"
	"fourwire/record"
	"fourwire/sequence"
	"fourwire/sequence/expr"
)

// store keeps the numbers of a finished point for the summary.
func (r *runner) store(f *frame, p record.Point) {
	s := store{part: p.Part, good: p.Valid && p.Settled, limited: strings.Contains(p.Why, inCompliance), since: nan}
	if f.since > 0 {
		s.since = f.since
	}
	for i := range r.frames {
		if g := &r.frames[i]; g.name != "" {
			s.values = append(s.values, named{g.name, g.coord})
		}
	}
	s.values = append(s.values, f.values...)
	r.columns = append(r.columns, s)
}

// columnsOf is the environment of a summary: whole columns of the points with a label (all, where it is empty), without
// those that are invalid or have not settled, and the results worked out so far.
type columnsOf struct {
	run     *runner
	part    string
	results map[string]measured.Value
}

func (c columnsOf) Value(name string) (measured.Value, bool) {
	if v, ok := c.results[name]; ok {
		return v, true
	}
	v, ok := c.run.params[name]
	return v, ok
}

func (c columnsOf) Node(string, string) (measured.Value, error) {
	return measured.Value{}, errors.New("nothing is measured in a summary")
}

func (c columnsOf) Column(name string) ([]measured.Value, bool) {
	known := false
	gap := measured.Value{X: nan}
	for _, col := range c.run.plan.Columns {
		if col.Name == name {
			known, gap.Dim = true, col.Dim
		}
	}
	if !known {
		return nil, false
	}
	var out []measured.Value
	for _, s := range c.run.columns {
		if !s.good || c.part != "" && s.part != c.part {
			continue
		}
		v := gap
		for i := len(s.values) - 1; i >= 0; i-- {
			if s.values[i].name == name {
				v = s.values[i].value
				break
			}
		}
		out = append(out, v)
	}
	return out, true
}

// Ledger is where figures of a summary enter the scatter of the curves that they fit.
func (c columnsOf) Ledger() *measured.Ledger { return c.run.cfg.Ledger }

// summarise works out and judges what needs all points.
func (r *runner) summarise(ctx context.Context) error {
	results := map[string]measured.Value{}
	for _, s := range r.plan.Sequence.Summary {
		if err := ctx.Err(); err != nil {
			return err
		}
		r.place = s.At()
		switch s := s.(type) {
		case *sequence.Derive:
			for _, item := range s.Items {
				r.result(item.Name, item.Value, columnsOf{r, s.Part, results})
			}
		case *sequence.Judge:
			env := columnsOf{r, s.Part, results}
			if s.When != nil {
				holds, err := s.When.Eval(env)
				if err == nil && !holds.Truth {
					continue
				}
			}
			v := r.compare(s.Limit, s.Rule, env, true)
			v.Clause = s.Clause
			if s.Part != "" {
				v.Where = "part " + s.Part
			}
			r.verdict(v)
		case *sequence.Fit:
			if err := r.fitResults(s, results); err != nil {
				return err
			}
		case *sequence.Note:
			r.note("note", "info", s.Text)
		default:
			return r.stop(Fault, "a step of the kind %T is not known in a summary", s)
		}
	}
	return r.broken()
}

func (r *runner) result(name string, e *expr.Expr, env columnsOf) {
	out := record.Result{Name: name, Expr: e.Text, Part: env.part, SI: nan, U: nan, Unit: "1"}
	got, err := e.Eval(env)
	if err != nil {
		out.Why = err.Error()
		delete(env.results, name)
	} else {
		out.SI, out.Unit = got.Value.X, record.UnitOf(got.Value.Dim)
		var how string
		if got.Value, how = r.spread(e, env, got.Value); how != "" {
			r.note("spread", "info", name+": "+how)
		}
		if len(got.Value.Terms) > 0 {
			out.U = r.expanded(got.Value)
		}
		env.results[name] = got.Value
		r.budgetOfResult(name, env.part, got.Value)
	}
	r.results = append(r.results, out)
	r.write(func() error { return r.cfg.Sink.Result(out) })
	text := fmt.Sprintf("%s = %s", name, got.Value.Quantity())
	if err != nil {
		text = name + " has no value: " + out.Why
	}
	r.tell(Event{Kind: "result", Result: &out, Text: text})
}
