package report

import (
	"math"
	"strings"

	"fourwire/quantity"
	"fourwire/record"
)

// OutcomeText is the outcome of a verdict, with the finer word of a rule that has one: "undecided (conditional pass)".
func OutcomeText(v record.Verdict) string {
	if v.Detail != "" {
		return string(v.Outcome) + " (" + v.Detail + ")"
	}
	return string(v.Outcome)
}

// BandText is the guard band w with its unit; empty where the rule has none, or nothing was judged.
func BandText(v record.Verdict) string {
	if !(v.Band > 0) || math.IsInf(v.Band, 0) {
		return ""
	}
	return difference(v.Band, v.Band, limitScale(v.Limit, v.Band, v.Unit))
}

// RiskText is the probability that the outcome is not deserved, in words; of an undecided value, that it does not conform. It is empty
// where it is not known.
func RiskText(v record.Verdict) string {
	if math.IsNaN(v.Risk) || v.Outcome == record.NotJudged || v.Outcome == "" || !(v.U > 0) {
		return ""
	}
	p := RiskNumber(v.Risk)
	switch {
	case v.Outcome == record.Fail || strings.HasSuffix(v.Detail, "fail"):
		return "risk of a wrong fail " + p
	case v.Outcome == record.Pass || strings.HasSuffix(v.Detail, "pass"):
		return "risk of a wrong pass " + p
	}
	return "does not conform with probability " + p
}

// RiskNumber is a probability in percent with two digits.
func RiskNumber(p float64) string {
	switch {
	case p < 0.0001:
		return "below 0.01 %"
	case p > 0.9999:
		return "above 99.99 %"
	case p > 0.99:
		return quantity.Of(p, quantity.Ratio).Text(4)
	}
	return quantity.Of(p, quantity.Ratio).Text(2)
}

// RuleText is the rule of a verdict with its guard band in numbers: "guard band w = U (k = 2), here 0.12 % points".
func RuleText(v record.Verdict) string {
	if w := BandText(v); w != "" {
		return v.Rule + ", here " + w
	}
	return v.Rule
}

// RuleWords says what a rule means for whoever reads the outcome; empty for a rule that is not known here. The rules and the
// figures are those of ILAC-G8:09/2019.
func RuleWords(rule string) string {
	switch {
	case strings.HasPrefix(rule, "simple"):
		return "the bare value is compared with the limit, whatever its uncertainty; close to the limit an outcome may be wrong as often as right."
	case strings.HasPrefix(rule, "four outcomes"):
		return "a value inside the limit by w or more passes, one beyond it by w or more fails; in between it passes or fails on condition, and counts as undecided."
	case strings.Contains(rule, "1.64"):
		return "a value passes only inside the limit by w or more, and fails only beyond it by w or more; in between it is undecided. A pass is wrong in at most about 5 % of cases."
	case strings.HasPrefix(rule, "guard"):
		return "a value passes only inside the limit by w or more, and fails only beyond it by w or more; in between it is undecided. A pass is wrong in at most about 2.5 % of cases."
	}
	return ""
}

// Rules lists the rules of the limits, each once, with what they mean.
func (r *Report) Rules() []Fact {
	var out []Fact
	seen := map[string]bool{}
	for _, l := range r.Limits {
		if text := RuleWords(l.Rule); !seen[l.Rule] && text != "" {
			out = append(out, Fact{l.Rule, text})
		}
		seen[l.Rule] = true
	}
	return out
}

// Gauge is where a value stands against its limit, as places between 0 and 1 along a line of values that grow to the right.
type Gauge struct {
	Limit    float64
	Accept   float64 // end of the guard band inside the limit; equal to Limit without one
	Reject   float64 // end of the guard band beyond the limit
	Value    float64
	From, To float64 // of the value with its U
	Lower    bool    // the limit is a lower one: good values lie to the right
}

// Gauge of the closest value; ok is false where the side of the limit is not known, or nothing was judged.
func (l Limit) Gauge() (g Gauge, ok bool) {
	lower, known := l.side()
	v := l.Closest
	if !known || v == nil || math.IsNaN(v.Bound) || math.IsInf(v.Bound, 0) || math.IsInf(v.Value, 0) {
		return g, false
	}
	u, w := v.U, v.Band
	if !(u > 0) {
		u = 0
	}
	if !(w > 0) {
		w = 0
	}
	g = Gauge{Limit: v.Bound, Accept: v.Bound - w, Reject: v.Bound + w, Value: v.Value, From: v.Value - u, To: v.Value + u, Lower: lower}
	if lower {
		g.Accept, g.Reject = g.Reject, g.Accept
	}
	low, high := math.Inf(1), math.Inf(-1)
	for _, x := range []float64{g.Limit, g.Accept, g.From, g.To} {
		low, high = math.Min(low, x), math.Max(high, x)
	}
	if w > 0 && (g.Value < g.Limit) == lower { // beyond the limit: the other end of the band counts, too
		low, high = math.Min(low, g.Reject), math.Max(high, g.Reject)
	}
	room := 0.15 * (high - low)
	if room == 0 {
		room = 0.15 * math.Max(math.Abs(low), 1e-12)
	}
	low, high = low-room, high+room
	for _, x := range []*float64{&g.Limit, &g.Accept, &g.Reject, &g.Value, &g.From, &g.To} {
		*x = math.Max(0, math.Min(1, (*x-low)/(high-low)))
	}
	return g, true
}

// GaugeText says in words what the picture of a limit shows.
func (l Limit) GaugeText() string {
	text := l.ClosestText() + " against " + l.Text
	if w := BandText(*l.Closest); w != "" {
		text += ", guard band " + w
	}
	return text
}
