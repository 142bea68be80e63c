package run

import (
	"context"
	"fmt"
	"strings"

	"fourwire/quantity/measured"
	"fourwire/record"
	"fourwire/sequence"
	"fourwire/sequence/expr"
)

// rule is how a comparison is decided: the bare value counts, its uncertainty stands beside it.
const rule = "simple acceptance"

// judge compares with a limit. A point that is not valid or has not settled decides nothing.
func (r *runner) judge(ctx context.Context, s *sequence.Judge) error {
	if s.When != nil {
		if err := r.readNodes(ctx, s.When, s.When.Nodes()); err != nil {
			return err
		}
		holds, err := s.When.Eval(r)
		if err == nil && !holds.Truth {
			return nil
		}
		if err != nil {
			r.verdict(record.Verdict{Point: r.number(), Limit: s.Limit.Text, Clause: s.Clause, Outcome: record.Undecided, Rule: rule, Where: r.where(),
				Value: nan, U: nan, Bound: nan, Unit: "1", Why: fmt.Sprintf("whether it applies cannot be worked out: %v", err)})
			return nil
		}
	}
	if err := r.readNodes(ctx, s.Limit, s.Limit.Nodes()); err != nil {
		return err
	}
	v := compare(s.Limit, r)
	v.Clause, v.Where, v.Point = s.Clause, r.where(), r.number()
	if w := r.open(); w != nil && len(w.why) > 0 {
		v.Outcome, v.Why = record.Undecided, "the point is not valid: "+strings.Join(w.why, "; ")
	}
	if late := r.late(); late != "" && v.Why == "" {
		v.Outcome, v.Why = record.Undecided, late
	}
	r.verdict(v)
	return nil
}

// number is that of the point under way; 0 where there is none.
func (r *runner) number() int {
	if w := r.open(); w != nil {
		return w.number
	}
	return 0
}

// compare decides one comparison by simple acceptance: pass or fail; undecided where a side has no value.
func compare(limit *expr.Expr, env expr.Env) record.Verdict {
	v := record.Verdict{Limit: limit.Text, Outcome: record.Undecided, Rule: rule, Value: nan, U: nan, Bound: nan, Unit: "1"}
	left, right, _, ok := limit.Sides()
	if !ok {
		v.Why = "this is no comparison"
		return v
	}
	value, err := left.Eval(env)
	if err != nil {
		v.Why = err.Error()
		return v
	}
	bound, err := right.Eval(env)
	if err != nil {
		v.Why = err.Error()
		return v
	}
	a, b := value.Value, bound.Value
	if len(a.Terms) == 0 && len(b.Terms) > 0 { // "88 % <= efficiency": the value is what was measured
		a, b = b, a
	}
	v.Value, v.Bound, v.Unit = a.X, b.X, unitOf(a.Dim)
	v.U = measured.Sub(a, b).Expanded()
	result, err := limit.Eval(env)
	if err != nil {
		v.Why = err.Error()
		return v
	}
	v.Outcome = record.Fail
	if result.Truth {
		v.Outcome = record.Pass
	}
	return v
}

func (r *runner) verdict(v record.Verdict) {
	r.verdicts = append(r.verdicts, v)
	r.write(func() error { return r.cfg.Sink.Verdict(v) })
	text := v.Limit + ": " + string(v.Outcome)
	if v.Why != "" {
		text += ": " + v.Why
	}
	r.tell(Event{Kind: "verdict", Verdict: &v, Text: text, Level: level(v.Outcome == record.Pass)})
}
