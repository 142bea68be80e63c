package run

import (
	"math"
	"slices"

	"fourwire/quantity/measured"
	"fourwire/record"
	"fourwire/sequence/expr"
)

// A budget names the biggest contributors; the others are one sum.
const (
	biggestParts  = 8
	smallestShare = 0.001 // of the variance, for a contributor to be named
)

// budgetOf is what the uncertainty of one value consists of, for the record.
type budgetOf struct {
	Name  string       `json:"name"`
	Std   float64      `json:"std"` // standard uncertainty, SI
	Parts []budgetPart `json:"parts"`
	Rest  *budgetRest  `json:"rest,omitempty"`
}

// budgetPart is one contributor.
type budgetPart struct {
	Input  string  `json:"input"`
	Kind   string  `json:"kind"`
	Share  float64 `json:"share"`            // of the variance, 0 to 1
	Inputs int     `json:"inputs,omitempty"` // how many inputs of this name are taken together; 0: one
}

// budgetRest is what the contributors beyond the biggest come to.
type budgetRest struct {
	Inputs int     `json:"inputs"`
	Share  float64 `json:"share"`
}

// budgets puts beside a finished point what the uncertainty of each of its values consists of, all in one event.
func (r *runner) budgets(f *frame, p record.Point) {
	list := make([]budgetOf, 0, len(f.values))
	for i, v := range f.values {
		_, kept := p.Cells[v.name]
		if !kept || slices.ContainsFunc(f.values[i+1:], func(later named) bool { return later.name == v.name }) {
			continue
		}
		if b, ok := r.budget(v.name, v.value, false); ok {
			list = append(list, b)
		}
	}
	r.keepBudgets(p.Number, p.Part, list...)
}

// budgetOfLimit keeps the budget of what was compared with a limit, unless that is one value with a budget of its own: a name beside
// a bound without uncertainty.
func (r *runner) budgetOfLimit(limit *expr.Expr, difference measured.Value, whole bool) {
	left, right, _, ok := limit.Sides()
	if !ok {
		return
	}
	if names := limit.Names(); len(names) == 1 && (left.Text == names[0] || right.Text == names[0]) {
		return
	}
	point := 0
	if !whole {
		point = r.number()
	}
	if b, ok := r.budget(limit.Text, difference, whole); ok {
		r.keepBudgets(point, r.part(), b)
	}
}

// budgetOfResult keeps the budget of a value over all points of a part.
func (r *runner) budgetOfResult(name, part string, v measured.Value) {
	if b, ok := r.budget(name, v, true); ok {
		r.keepBudgets(0, part, b)
	}
}

// keepBudgets writes budgets as one event. point is 0 for values over all points.
func (r *runner) keepBudgets(point int, part string, list ...budgetOf) {
	if len(list) == 0 {
		return
	}
	fields := map[string]any{"point": point, "values": list}
	if part != "" {
		fields["part"] = part
	}
	r.write(func() error {
		return r.cfg.Sink.Event(record.Event{Level: "debug", Kind: "budget", Text: "what uncertainties consist of", Fields: fields})
	})
}

// budget works one budget out; ok is false for a value without uncertainty. Of a value over all points, inputs of one name, such as the
// noise of each reading of a range, are taken together.
func (r *runner) budget(name string, v measured.Value, whole bool) (b budgetOf, ok bool) {
	if r.cfg.Ledger == nil || len(v.Terms) == 0 || math.IsNaN(v.X) {
		return b, false
	}
	b = budgetOf{Name: name, Std: v.Std()}
	if !(b.Std > 0) || math.IsInf(b.Std, 0) {
		return b, false
	}
	var rest budgetRest
	if whole {
		b.Parts, rest = r.rankByName(v.Terms, b.Std)
	} else {
		b.Parts, rest = r.rank(v.Terms, b.Std)
	}
	if rest.Inputs > 0 {
		b.Rest = &rest
	}
	return b, true
}

// rank gives the biggest terms, those of equal size in the order of their inputs, and what the others come to.
func (r *runner) rank(terms []measured.Term, std float64) ([]budgetPart, budgetRest) {
	var top [biggestParts]measured.Term
	n := 0
	var named float64
	var rest budgetRest
	for _, t := range terms {
		if t.Part == 0 {
			continue
		}
		rest.Inputs++
		at := n
		for at > 0 && math.Abs(t.Part) > math.Abs(top[at-1].Part) {
			at--
		}
		if at == biggestParts {
			continue
		}
		n = min(n+1, biggestParts)
		copy(top[at+1:n], top[at:n-1])
		top[at] = t
	}
	parts := make([]budgetPart, 0, n)
	for _, t := range top[:n] {
		share := t.Part / std * (t.Part / std)
		if share < smallestShare {
			break
		}
		in := r.cfg.Ledger.Input(t.Input)
		named += share
		parts = append(parts, budgetPart{Input: in.Name, Kind: in.Kind.String(), Share: shortShare(share)})
	}
	rest.Inputs -= len(parts)
	rest.Share = shortShare(max(0, 1-named))
	return parts, rest
}

// rankByName is rank with the variances of inputs of one name added; they are independent.
func (r *runner) rankByName(terms []measured.Term, std float64) ([]budgetPart, budgetRest) {
	var all []budgetPart
	index := map[string]int{}
	for _, t := range terms {
		if t.Part == 0 {
			continue
		}
		in := r.cfg.Ledger.Input(t.Input)
		at, ok := index[in.Name]
		if !ok {
			at = len(all)
			index[in.Name] = at
			all = append(all, budgetPart{Input: in.Name, Kind: in.Kind.String()})
		}
		all[at].Share += t.Part / std * (t.Part / std)
		all[at].Inputs++
	}
	slices.SortStableFunc(all, func(a, b budgetPart) int {
		switch {
		case a.Share > b.Share:
			return -1
		case a.Share < b.Share:
			return 1
		}
		return 0
	})
	n := 0
	var rest budgetRest
	for i := range all {
		if i < biggestParts && all[i].Share >= smallestShare {
			n++
		} else {
			rest.Inputs += all[i].Inputs
			rest.Share += all[i].Share
		}
		all[i].Share = shortShare(all[i].Share)
		if all[i].Inputs == 1 {
			all[i].Inputs = 0
		}
	}
	rest.Share = shortShare(rest.Share)
	return all[:n], rest
}

// shortShare drops digits that say nothing: a hundredth of a thousandth is enough.
func shortShare(x float64) float64 { return math.Round(x*1e5) / 1e5 }
