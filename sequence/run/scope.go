package run

import (
	"context"
	"fmt"
	"math"

	"fourwire/quantity/measured"
	"fourwire/record"
	"fourwire/sequence"
	"fourwire/sequence/expr"
)

var nan = math.NaN()

// Value gives a name's value now: of this pass first, then of those around it, then a parameter of one value. It makes the
// runner the environment of expressions.
func (r *runner) Value(name string) (measured.Value, bool) {
	for i := len(r.frames) - 1; i >= 0; i-- {
		f := &r.frames[i]
		for k := len(f.values) - 1; k >= 0; k-- {
			if f.values[k].name == name {
				// a reading that overflowed has no value, whatever was measured further out
				return f.values[k].value, !math.IsNaN(f.values[k].value.X)
			}
		}
		if f.name == name {
			return f.coord, true
		}
	}
	v, ok := r.params[name]
	return v, ok
}

// Node gives what readNodes has read.
func (r *runner) Node(function, node string) (measured.Value, error) {
	v, ok := r.nodes[nodeKey{function, node}]
	if !ok {
		return v, fmt.Errorf("%s(%s) has not been read", function, node)
	}
	if math.IsNaN(v.X) {
		return v, fmt.Errorf("%s(%s) overflows its range", function, node)
	}
	return v, nil
}

// Column has nothing to give before the end of the run.
func (r *runner) Column(string) ([]measured.Value, bool) { return nil, false }

// eval works a number out, reading the nodes that it names.
func (r *runner) eval(ctx context.Context, e *expr.Expr) (measured.Value, error) {
	if err := r.readNodes(ctx, e, e.Nodes()); err != nil {
		return measured.Value{}, err
	}
	result, err := e.Eval(r)
	if err != nil {
		return measured.Value{}, r.stop(Input, "this cannot be worked out: %w", err)
	}
	r.decide(e, result)
	return result.Value, nil
}

// readNodes reads what an expression names, all at one time.
func (r *runner) readNodes(ctx context.Context, e *expr.Expr, refs []expr.NodeRef) error {
	if len(refs) == 0 {
		return nil
	}
	g, err := r.groupFor(e, refs)
	if err != nil {
		return err
	}
	t, err := r.take(ctx, g, 1)
	if err != nil {
		return err
	}
	for i, ref := range refs {
		r.nodes[nodeKey{ref.Function, ref.Node}] = t.values[i]
	}
	return nil
}

// groupFor gives the readings that an expression names.
func (r *runner) groupFor(e *expr.Expr, refs []expr.NodeRef) (*group, error) {
	if g, ok := r.groups[e]; ok {
		return g, nil
	}
	m := &sequence.Measure{}
	for _, n := range refs {
		m.Readings = append(m.Readings, sequence.Reading{Function: sequence.Function(n.Function), Node: n.Node})
	}
	g, err := r.newGroup(m)
	if err != nil {
		return nil, err
	}
	r.groups[e] = g
	return g, nil
}

// keep makes a value known to the steps that follow in this pass, and to the point under way.
func (r *runner) keep(name string, v measured.Value) {
	f := &r.frames[len(r.frames)-1]
	f.values = append(f.values, named{name, v})
}

// cell is a value for the record, with its uncertainty and the biggest contributor to it.
func (r *runner) cell(v measured.Value) record.Cell {
	c := record.Cell{SI: v.X, U: nan}
	if len(v.Terms) > 0 {
		c.U = r.expanded(v)
	}
	c.Biggest = r.biggest(v)
	return c
}

func (r *runner) biggest(v measured.Value) string {
	t, ok := v.Biggest()
	if !ok || r.cfg.Ledger == nil {
		return ""
	}
	return r.cfg.Ledger.Input(t.Input).Name
}

func (r *runner) derive(ctx context.Context, s *sequence.Derive) error {
	for _, item := range s.Items {
		if err := r.readNodes(ctx, item.Value, item.Value.Nodes()); err != nil {
			return err
		}
		result, err := item.Value.Eval(r)
		v := result.Value
		if err != nil {
			// kept as a gap: the readings it comes from are in the record
			v = measured.Value{X: nan}
		}
		how := ""
		if err == nil {
			v, how = r.spread(item.Value, r, v)
		}
		r.keep(item.Name, v)
		w := r.open()
		if w == nil {
			continue
		}
		r.begin(w)
		w.cells[item.Name] = r.cell(v)
		if how != "" {
			w.notes = append(w.notes, item.Name+": "+how)
			r.note("spread", "info", item.Name+": "+how)
		}
		if err != nil && len(w.why) == 0 {
			r.note("note", "warn", fmt.Sprintf("%s has no value: %v", item.Name, err))
		}
	}
	return nil
}
