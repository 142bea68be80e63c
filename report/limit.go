package report

import (
	"fmt"
	"math"
	"sort"
	"strings"

	"fourwire/record"
)

// Limit is all verdicts on one limit together.
type Limit struct {
	Text     string // as written: "efficiency >= 88 %"
	Clause   string
	Rule     string
	Outcome  record.Outcome // fail before undecided before pass; not judged where nothing was
	Counts   record.Counts
	Closest  *record.Verdict // the judged value with the smallest margin; nil where nothing was judged
	Margin   float64         // of Closest, SI, positive on the good side; NaN where the side is not known
	Verdicts []record.Verdict
	Biggest  string // contributor to the uncertainty of Closest, where known
}

// Open lists the verdicts that are not a pass, the worst first.
func (l Limit) Open() []record.Verdict {
	var out []record.Verdict
	for _, v := range l.Verdicts {
		if v.Outcome != record.Pass {
			out = append(out, v)
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return rank(out[i].Outcome) > rank(out[j].Outcome) })
	return out
}

// ClosestText is the value nearest to the limit with its uncertainty and unit; empty where nothing was judged.
func (l Limit) ClosestText() string {
	if l.Closest == nil {
		return ""
	}
	return ValueText(*l.Closest)
}

// MarginText is how far the closest value is on the good side, or beyond the limit.
func (l Limit) MarginText() string {
	if l.Closest == nil || math.IsNaN(l.Margin) {
		return ""
	}
	return difference(l.Margin, l.Closest.U, limitScale(l.Text, l.Margin, l.Closest.Unit))
}

// difference is a difference of two values in a scale, rounded for the uncertainty u.
func difference(x, u float64, s Scale) string {
	s.Offset = 0
	switch s.Symbol {
	case "degC":
		s.Symbol = "K"
	case "%":
		s.Symbol = "% points"
	}
	value, _ := s.Numbers(x, u)
	return Pretty(strings.TrimSpace(value + " " + s.Symbol))
}

// ValueText is the value of a verdict with its uncertainty and unit.
func ValueText(v record.Verdict) string {
	si := v.Value
	if si == 0 && v.U > 0 {
		si = v.U
	}
	return limitScale(v.Limit, si, v.Unit).withU(v.Value, v.U)
}

// limits groups verdicts by limit, clause and rule, in the order of their first appearance.
func limits(rec *record.Record) []Limit {
	type key struct{ limit, clause, rule string }
	index := map[key]int{}
	var out []Limit
	for _, v := range rec.Verdicts {
		k := key{v.Limit, v.Clause, v.Rule}
		at, ok := index[k]
		if !ok {
			at = len(out)
			index[k] = at
			out = append(out, Limit{Text: v.Limit, Clause: v.Clause, Rule: v.Rule, Margin: math.NaN()})
		}
		out[at].Verdicts = append(out[at].Verdicts, v)
	}
	rows := map[int]record.Point{}
	for _, p := range rec.Rows {
		rows[p.Number] = p
	}
	for i := range out {
		l := &out[i]
		l.Counts = record.Count(l.Verdicts)
		l.Outcome = record.Overall(l.Verdicts)
		l.findClosest()
		if l.Closest != nil {
			l.Biggest = rows[l.Closest.Point].Cells[l.name()].Biggest
		}
	}
	return out
}

func (l *Limit) findClosest() {
	lower, known := l.side()
	for i := range l.Verdicts {
		v := &l.Verdicts[i]
		if v.Outcome == record.NotJudged || v.Outcome == "" || math.IsNaN(v.Value) {
			continue
		}
		if !known {
			if l.Closest == nil || rank(v.Outcome) > rank(l.Closest.Outcome) {
				l.Closest = v
			}
			continue
		}
		margin := v.Value - v.Bound
		if !lower {
			margin = -margin
		}
		if l.Closest == nil || margin < l.Margin {
			l.Closest, l.Margin = v, margin
		}
	}
}

// rank orders outcomes, the worst highest.
func rank(o record.Outcome) int {
	switch o {
	case record.Fail:
		return 3
	case record.Undecided:
		return 2
	case record.Pass:
		return 1
	}
	return 0
}

// side tells whether a limit is a lower one, by its verdicts or, in records that do not say it, by its text.
func (l Limit) side() (lower, known bool) {
	for _, v := range l.Verdicts {
		if v.Side != "" {
			return v.Side == record.AtLeast, true
		}
	}
	return side(l.Text)
}

// name is the name that is judged, where the limit is one of a name: it stands before the comparison, or behind it as in "1.6 <= n".
func (l Limit) name() string {
	lower, known := l.side()
	if written, ok := side(l.Text); known && ok && written != lower {
		_, behind, _ := strings.Cut(l.Text, l.Text[strings.IndexAny(l.Text, "<>"):][:1])
		return firstName(strings.TrimLeft(behind, "= "))
	}
	return firstName(l.Text)
}

// side tells whether a limit is a lower one. known is false where its text has no single comparison.
func side(limit string) (lower, known bool) {
	if strings.ContainsAny(limit, "&|?") {
		return false, false
	}
	greater, less := strings.Count(limit, ">"), strings.Count(limit, "<")
	return greater == 1, greater+less == 1
}

// firstName is the name that a limit's text starts with, which is the judged value's in most.
func firstName(limit string) string {
	end := strings.IndexFunc(limit, func(r rune) bool {
		return r != '_' && (r < '0' || r > '9') && (r < 'a' || r > 'z') && (r < 'A' || r > 'Z')
	})
	if end < 0 {
		return limit
	}
	return limit[:end]
}

// Blind is the first verdict of an undecided limit that had no valid value to decide by; its Why says the reason. It is nil where each
// undecided value was too close to the limit for its uncertainty.
func (l *Limit) Blind() *record.Verdict {
	if l.Outcome != record.Undecided {
		return nil
	}
	for i := range l.Verdicts {
		if v := &l.Verdicts[i]; v.Outcome == record.Undecided && v.Why != "" {
			return v
		}
	}
	return nil
}

func headline(rec *record.Record, list []Limit) string {
	if len(list) == 0 && rec.Manifest.Reason != "" {
		return "Nothing was judged before the run ended."
	}
	if len(list) == 0 {
		return "Nothing was judged: the sequence sets no limit."
	}
	var c record.Counts
	blind := 0
	for i, l := range list {
		switch l.Outcome {
		case record.Fail:
			c.Fail++
		case record.Undecided:
			c.Undecided++
			if list[i].Blind() != nil {
				blind++
			}
		case record.Pass:
			c.Pass++
		default:
			c.NotJudged++
		}
	}
	var text string
	switch {
	case c.Fail > 0:
		text = fmt.Sprintf("%d of %s failed", c.Fail, count(len(list), "limit"))
		if c.Undecided > 0 {
			text += fmt.Sprintf(", %d undecided", c.Undecided)
		}
		if c.Pass > 0 {
			text += fmt.Sprintf(", %d met", c.Pass)
		}
	case c.Undecided > 0:
		text = fmt.Sprintf("%d of %s undecided: ", c.Undecided, count(len(list), "limit"))
		switch {
		case blind == 0:
			text += "too close to the limit for the uncertainty"
		case blind == c.Undecided:
			text += "no valid value to decide by"
		default:
			text += "too close to the limit for the uncertainty, or no valid value to decide by"
		}
		if c.Pass > 0 {
			text += fmt.Sprintf("; %d met", c.Pass)
		}
	case c.Pass > 0:
		text = fmt.Sprintf("%d of %s met", c.Pass, count(len(list), "limit"))
		if c.Pass == len(list) {
			text = "All " + count(len(list), "limit") + " met"
			if len(list) == 1 {
				text = "The one limit is met"
			}
		}
	default:
		text = "No limit could be judged"
	}
	if n := rec.Counts.NotJudged; n > 0 && n < len(rec.Verdicts) {
		text += fmt.Sprintf("; %s could not be judged", count(n, "comparison"))
	}
	return text + "."
}

func count(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}
