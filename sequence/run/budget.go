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

// budgetPart is one contributor in the record.
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

// budgets puts beside a finished point what the uncertainty of each of its values consists of.
func (r *runner) budgets(f *frame, p record.Point) {
	for i, v := range f.values {
		_, kept := p.Cells[v.name]
		again := slices.ContainsFunc(f.values[i+1:], func(later named) bool { return later.name == v.name })
		if kept && !again {
			r.budget(p.Number, v.name, p.Part, v.value)
		}
	}
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
	r.budget(point, limit.Text, r.part(), difference)
}

// budget keeps one budget as an event. point is 0 for a value over all points; there, inputs of one name, such as the noise of each
// reading of a range, are taken together.
func (r *runner) budget(point int, name, part string, v measured.Value) {
	if r.cfg.Ledger == nil || len(v.Terms) == 0 || math.IsNaN(v.X) {
		return
	}
	std := v.Std()
	if !(std > 0) || math.IsInf(std, 0) {
		return
	}
	var parts []budgetPart
	var rest budgetRest
	if point == 0 {
		parts, rest = r.rankByName(v.Terms, std)
	} else {
		parts, rest = r.rank(v.Terms, std)
	}
	fields := map[string]any{"point": point, "name": name, "std": std, "parts": parts}
	if part != "" {
		fields["part"] = part
	}
	if rest.Inputs > 0 {
		fields["rest"] = rest
	}
	r.write(func() error {
		return r.cfg.Sink.Event(record.Event{Level: "debug", Kind: "budget", Text: "budget of " + name, Fields: fields})
	})
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
