package plan

import (
	"fmt"
	"math"

	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/sequence"
)

// wantedRatio is the test-uncertainty ratio below which a limit is tight; common practice.
const wantedRatio = 4

// Judged says how well one limit can be decided, from what is predicted at the planned points.
type Judged struct {
	Limit  string `json:"limit"`
	Clause string `json:"clause,omitempty"`
	Rule   string `json:"rule"`
	Points int    `json:"points"` // at which it is planned to be judged
	// Ratio is tolerance/U where it is smallest: half of the distance between a lower and an upper limit, or, of one limit
	// alone, the distance of the value that is expected from it; 0: nothing says what to expect.
	Ratio   float64 `json:"ratio,omitempty"`
	At      string  `json:"at"` // where U is largest, or the value nearest
	Bound   float64 `json:"bound"`
	U       float64 `json:"uncertainty"` // expanded, k = 2, SI, there
	Unit    string  `json:"unit"`
	Biggest string  `json:"biggest,omitempty"`
	// Doubtful is at how many points the expected value lies within the guard band of its rule, so that it stays undecided.
	Doubtful int     `json:"doubtful"`
	Verdict  Verdict `json:"verdict"`
	Text     string  `json:"text"` // the arithmetic, and what it means
}

// bounds are the limits of one judged expression, where they are constants.
type bounds struct{ low, high float64 }

type judgement struct {
	step *sequence.Judge
	Judged
	text      string // of the judged expression
	dim       quantity.Dimension
	worst     float64 // largest U
	worstAt   string
	worstTerm string
	least     float64 // smallest distance/U
	distance  float64
	leastAt   string
	leastU    float64
	leastTerm string
	changing  bool // the limit is not the same at every point
}

// judge looks at one judge step at one planned point.
func (f *forecast) judge(w *walker, s *sequence.Judge, times int) {
	if s.When != nil {
		if r, err := s.When.Eval(f); err == nil && !r.Truth {
			return
		}
	}
	left, right, op, ok := s.Limit.Sides()
	if !ok {
		return
	}
	lv, lerr := left.Eval(f)
	rv, rerr := right.Eval(f)
	if lerr != nil || rerr != nil {
		return
	}
	value, bound, text, atLeast := lv.Value, rv.Value, left.Text, op == ">" || op == ">="
	if len(value.Terms) == 0 && len(bound.Terms) > 0 {
		value, bound, text, atLeast = bound, value, right.Text, !atLeast
	}
	difference := measured.Sub(value, bound)
	u := difference.Expanded()
	if none(u) || math.IsInf(u, 0) || op == "==" || op == "!=" {
		return
	}
	j := f.judgementOf(s, text, value.Dim)
	j.Points += times
	if j.Points > times && bound.X != j.Bound {
		j.changing = true
	}
	j.Bound = bound.X
	if u > j.worst {
		j.worst, j.worstAt, j.worstTerm = u, w.where(), f.biggest(difference)
	}
	inside := difference.X
	if !atLeast {
		inside = -inside
	}
	if d := math.Abs(inside); u > 0 && d/u < j.least {
		j.least, j.distance, j.leastAt, j.leastU, j.leastTerm = d/u, d, w.where(), u, f.biggest(difference)
	}
	if f.expects() && math.Abs(inside) < s.Rule.Band(u/2) {
		j.Doubtful += times
	}
	b := f.bounds[text]
	if b == nil {
		b = &bounds{math.NaN(), math.NaN()}
		f.bounds[text] = b
	}
	if atLeast {
		b.low = bound.X
	} else {
		b.high = bound.X
	}
}

func (f *forecast) judgementOf(s *sequence.Judge, text string, dim quantity.Dimension) *judgement {
	for _, j := range f.judged {
		if j.step == s {
			return j
		}
	}
	j := &judgement{step: s, text: text, dim: dim, least: math.Inf(1), Judged: Judged{Limit: s.Limit.Text, Clause: s.Clause, Rule: s.Rule.String(), Unit: dim.Unit()}}
	f.judged = append(f.judged, j)
	return j
}

// expects tells whether the sequence says what its device will give: otherwise no distance from a limit is known.
func (f *forecast) expects() bool {
	d := f.plan.Sequence.Device
	return d != nil && (d.Kind == sequence.Linear || d.Efficiency.Set)
}

// ratios finishes the judgements.
func (f *forecast) ratios() []Judged {
	var out []Judged
	said := map[diag.Place]bool{} // a lower and an upper limit of one step are one fault
	for _, j := range f.judged {
		f.ratio(j)
		if j.Verdict == Misfits && !said[j.step.At()] {
			said[j.step.At()] = true
			f.misfit(j.step.At(), "take a better instrument for it, a longer aperture, or a wider limit", "%s cannot be decided on this bench: %s", j.Limit, j.Text)
		}
		out = append(out, j.Judged)
	}
	return out
}

func (f *forecast) ratio(j *judgement) {
	show := func(x float64) string { return quantity.Of(x, j.dim).Text(3) }
	b := f.bounds[j.text]
	j.Verdict, j.U, j.At, j.Biggest = Fits, j.worst, j.worstAt, j.worstTerm
	switch {
	case j.worst == 0:
		j.Text = "nothing measured is in it"
		return
	case !none(b.low) && !none(b.high) && b.high > b.low && !j.changing:
		half := (b.high - b.low) / 2
		j.Ratio = half / j.worst
		j.Text = fmt.Sprintf("(%s - %s) / 2 / %s = %.3g", quantity.Of(b.high, j.dim), quantity.Of(b.low, j.dim), show(j.worst), j.Ratio)
		switch {
		case j.Ratio < 1:
			j.Verdict = Misfits
			j.Text += fmt.Sprintf(": the uncertainty is larger than the tolerance; %d is wanted", wantedRatio)
			return
		case j.Ratio < wantedRatio:
			j.Verdict = Tight
			j.Text += fmt.Sprintf("; %d is wanted", wantedRatio)
		}
	case f.expects():
		j.Ratio, j.U, j.At, j.Biggest = j.least, j.leastU, j.leastAt, j.leastTerm
		j.Text = fmt.Sprintf("%s from the limit / %s = %.3g", show(j.distance), show(j.leastU), j.least)
		if j.least < wantedRatio {
			j.Verdict = Tight
			j.Text += fmt.Sprintf("; %d is wanted", wantedRatio)
		}
	default:
		band := j.step.Rule.Band(j.worst / 2)
		j.Text = "one limit, and nothing says what to expect: no ratio"
		if band > 0 {
			j.Text = fmt.Sprintf("undecided within %s of the limit", show(band))
		}
	}
	if j.Doubtful > 0 {
		j.Text += fmt.Sprintf("; %d of %d points are expected within the guard band", j.Doubtful, j.Points)
		if j.step.Rule.Band(1) > 0 && j.Verdict == Fits {
			j.Verdict = Tight
		}
	}
}
