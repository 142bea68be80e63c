package sequence

import (
	"fmt"

	"fourwire/internal/diag"
	"fourwire/quantity"
)

// Refine says that a sweep adds points of its own behind its values: where a straight line between neighbours would miss the
// curve of a value by more than is allowed, and around its greatest value.
type Refine struct {
	By     string            // measured or derived in the steps of the sweep
	Within quantity.Quantity // how far a straight line may miss the curve: in the unit of the value, or a ratio of its largest magnitude
	Points int               // at most, the values of the sweep included
	Over   string            // measured there: what At, Low and High are given in; empty: the values of the sweep
	Gives  []Given
	Place  diag.Place
}

// The words of [RefineResults].
const (
	GivesPeak = "peak"
	GivesAt   = "at"
	GivesLow  = "low"
	GivesHigh = "high"
)

// RefineResults are what a refined sweep can give: its greatest value, and where that lies. Only the words count: the dimensions are those of
// the value and of the sweep.
func RefineResults() []Result {
	return []Result{
		{What: GivesPeak, About: "the greatest value"},
		{What: GivesAt, About: "where it was measured"},
		{What: GivesLow, About: "the low end of where the peak can lie, by the scatter of the points"},
		{What: GivesHigh, About: "the high end"},
	}
}

// leastRefined is how many values a sweep must have for a bend to show.
const leastRefined = 3

func refineShape() *diag.Shape {
	return &diag.Shape{Title: "a refinement", Fields: []diag.Field{
		{Name: "by", Type: diag.Text(), Required: true, About: "the value whose curve is followed: measured or derived in the steps of the sweep"},
		{Name: "within", Type: diag.Amount(), Required: true, About: "how far a straight line between points may miss the curve: in the unit of the value, or as a ratio of the largest"},
		{Name: "points", Type: diag.Whole(leastRefined, MaxValues), Required: true, About: "points at most, the values of the sweep included"},
		{Name: "over", Type: diag.Text(), About: "a measured name in which the place of the peak is given; the name of the sweep if not said"},
		{Name: "gives", Type: givenShape(RefineResults()), About: "result: the name that it gets behind the sweep"},
	}}
}

// quickFields belong to a sweep step.
func quickFields() []diag.Field {
	return []diag.Field{
		{Name: "fast", Type: diag.YesNo(), About: "whether the instruments step and measure by themselves, from lists and trigger lines, where all of them can"},
		{Name: "refine", Type: diag.Struct(refineShape()), About: "points of its own, behind the values: where a curve bends, and around its peak"},
	}
}

// Log tells whether the values have logarithmic spacing.
func (v Values) Log() bool { return v.log }

// quick reads how a sweep is done: by lists, and with points of its own. inner is the scope of its steps, s that around it.
func (r *reader) quick(n *diag.Node, out *Sweep, inner, s *scope) {
	if out.Fast = yes(n.Get("fast")); out.Fast {
		for _, step := range out.Steps {
			switch step.(type) {
			case *Sweep, *Repeat:
				r.found.AddHint(n.Get("fast").Place, "give it to the innermost sweep", "a sweep with another one in it is not stepped by a list")
			}
		}
	}
	v := n.Get("refine")
	if v == nil || v.Form != diag.Mapping {
		return
	}
	f := &Refine{By: text(v.Get("by")), Within: amount(v.Get("within")), Points: whole(v.Get("points"), 0), Over: text(v.Get("over")), Place: v.Place}
	out.Refine = f
	if out.BothWays {
		r.found.AddHint(v.Place, "leave one out", "a sweep that goes both ways shows what differs between the ways: points of its own on one of them do not")
	}
	by := r.ofPass(v.Get("by"), out, inner)
	if by == nil {
		return
	}
	if f.Within.SI <= 0 {
		r.found.Add(v.Get("within").Place, "how far the curve may be missed is above zero")
	} else if !by.typ.Any && f.Within.Dim != quantity.Ratio && f.Within.Dim != by.typ.Dim {
		r.found.Add(v.Get("within").Place, "%s is %s: the curve is followed within a ratio, or within %s", f.By, by.typ.Dim.Name(), by.typ.Dim.Name())
	}
	switch have := out.Values.Most(); {
	case out.Values.broken:
	case have < leastRefined:
		r.found.AddHint(v.Place, fmt.Sprintf("begin with %d values or more", leastRefined), "%d values show no bend", have)
	case f.Points <= have && f.Points > 0:
		r.found.AddHint(v.Get("points").Place, "state more", "the sweep has %d values of its own: none of %d points is left", have, f.Points)
	}
	at := out.Values.Dim
	if over := v.Get("over"); over != nil {
		sym := r.ofPass(over, out, inner)
		if sym == nil {
			return
		}
		at = sym.typ.Dim
	}
	results := RefineResults()
	for i := range results {
		if results[i].Dim = at; results[i].What == GivesPeak {
			results[i].Dim = by.typ.Dim
		}
	}
	f.Gives = r.gives(v.Get("gives"), results, "of "+f.By, s)
}

// ofPass finds a name that one pass through the steps of a sweep measures or derives.
func (r *reader) ofPass(n *diag.Node, sweep *Sweep, inner *scope) *symbol {
	if n == nil || text(n) == "" {
		return nil
	}
	var names []string
	for _, sym := range inner.symbols {
		if sym.kind != measuredName && sym.kind != derivedName {
			continue
		}
		if names = append(names, sym.name); sym.name == text(n) {
			sym.used = true
			return sym
		}
	}
	if !r.lenient {
		r.found.AddHint(r.place(n), diag.Suggest(text(n), names), "the steps of the sweep over %s measure and derive no %q", sweep.Name, text(n))
	}
	return nil
}

// gives tells whether a sweep has results, which make a point of the list that it stands in.
func (s *Sweep) gives() bool { return s.Refine != nil && len(s.Refine.Gives) > 0 }
