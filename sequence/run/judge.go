package run

import (
	"context"
	"fmt"
	"math"
	"strings"

	"fourwire/analysis/verdict"
	"fourwire/quantity/measured"
	"fourwire/record"
	"fourwire/sequence"
	"fourwire/sequence/expr"
)

// judge compares with a limit. A point that is not valid or has not settled decides nothing.
func (r *runner) judge(ctx context.Context, s *sequence.Judge) error {
	if r.part() == sequence.RepeatLabel {
		return nil // measured once more to show the drift; its limits have been judged
	}
	if s.When != nil {
		if err := r.readNodes(ctx, s.When, s.When.Nodes()); err != nil {
			return err
		}
		holds, err := s.When.Eval(r)
		if err == nil && !holds.Truth {
			return nil
		}
		if err != nil {
			r.verdict(record.Verdict{Point: r.number(), Limit: s.Limit.Text, Clause: s.Clause, Outcome: record.Undecided, Rule: s.Rule.String(), Where: r.where(),
				Value: nan, U: nan, Bound: nan, Band: nan, Risk: nan, Unit: "1", Why: fmt.Sprintf("whether it applies cannot be worked out: %v", err)})
			return nil
		}
	}
	if err := r.readNodes(ctx, s.Limit, s.Limit.Nodes()); err != nil {
		return err
	}
	v := r.compare(s.Limit, s.Rule, r, false)
	v.Clause, v.Where, v.Point = s.Clause, r.where(), r.number()
	if w := r.open(); w != nil && len(w.why) > 0 {
		v.Outcome, v.Risk, v.Advice, v.Why = record.Undecided, nan, "", "the point is not valid: "+strings.Join(w.why, "; ")
	}
	if late := r.late(); late != "" && v.Why == "" {
		v.Outcome, v.Risk, v.Advice, v.Why = record.Undecided, nan, "", late
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

// fixed tells whether an expression is the same at every point: numbers alone.
func fixed(e *expr.Expr) bool { return len(e.Names()) == 0 && len(e.Nodes()) == 0 }

// compare decides one comparison by a rule; undecided where a side has no value. whole says that the value comes from many points.
func (r *runner) compare(limit *expr.Expr, rule verdict.Rule, env expr.Env, whole bool) record.Verdict {
	v := record.Verdict{Limit: limit.Text, Outcome: record.Undecided, Rule: rule.String(), Value: nan, U: nan, Bound: nan, Band: nan, Risk: nan, Unit: "1"}
	left, right, op, ok := limit.Sides()
	if !ok {
		v.Why = "this is no comparison"
		return v
	}
	var sides [2]measured.Value
	for i, e := range [2]*expr.Expr{left, right} {
		got, err := e.Eval(env)
		if err != nil {
			v.Why = err.Error()
			return v
		}
		sides[i], _ = r.spread(e, env, got.Value)
	}
	a, b := sides[0], sides[1]
	side := verdict.AtLeast
	if strings.HasPrefix(op, "<") {
		side = verdict.AtMost
	}
	if fixed(left) && !fixed(right) || len(a.Terms) == 0 && len(b.Terms) > 0 { // "88 % <= efficiency": the value is what was measured
		a, b, side = b, a, verdict.AtLeast+verdict.AtMost-side
	}
	v.Side = record.AtLeast
	if side == verdict.AtMost {
		v.Side = record.AtMost
	}
	v.Value, v.Bound, v.Unit = a.X, b.X, record.UnitOf(a.Dim)
	difference := measured.Sub(a, b)
	v.U = r.expanded(difference)
	r.budgetOfLimit(limit, difference, whole)
	d := verdict.Decide(rule, a.X, v.U/2, b.X, side)
	v.Band, v.Risk = d.Band, d.Risk
	if rule == verdict.Simple { // the bare comparison, also of < and >
		result, err := limit.Eval(env)
		if err != nil {
			v.Why = err.Error()
			return v
		}
		inside := a.X - b.X
		if side == verdict.AtMost {
			inside = -inside
		}
		v.Outcome, v.Risk = record.Fail, 1-verdict.Nonconformity(inside, v.U/2)
		if result.Truth {
			v.Outcome, v.Risk = record.Pass, 1-v.Risk
		}
		return v
	}
	switch d.Outcome {
	case verdict.Pass:
		v.Outcome = record.Pass
	case verdict.Fail:
		v.Outcome = record.Fail
	default:
		if d.Outcome != verdict.Undecided {
			v.Detail = d.Outcome.String()
		}
		if !math.IsNaN(v.U) {
			v.Advice = r.advise(difference, verdict.NeededStd(rule, a.X, b.X), whole)
		}
	}
	return v
}

func (r *runner) verdict(v record.Verdict) {
	r.verdicts = append(r.verdicts, v)
	r.write(func() error { return r.cfg.Sink.Verdict(v) })
	outcome := string(v.Outcome)
	if v.Detail != "" {
		outcome += " (" + v.Detail + ")"
	}
	text := v.Limit + ": " + outcome + ", " + v.Rule
	if v.Why != "" {
		text += ": " + v.Why
	}
	if v.Advice != "" {
		text += "; " + v.Advice
	}
	r.tell(Event{Kind: "verdict", Verdict: &v, Text: text, Level: level(v.Outcome == record.Pass)})
}
