// Package verdict decides whether a measured value meets a limit, by a rule that was chosen before the measurement, and says
// what risk the decision carries.
//
// The rules and their words follow JCGM 106:2012 and ILAC-G8:09/2019. The acceptance interval is closed: a value that lies
// exactly on the acceptance limit passes (JCGM 106 takes it so; ILAC-G8 prints "below").
package verdict

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Rule is how a value, its uncertainty and a limit become a decision.
type Rule uint8

// The rules. The zero value is simple acceptance.
const (
	Simple      Rule = iota // w = 0: the bare value decides
	GuardBand               // w = U (k = 2): false accept below 2.5 %
	OneSided                // w = 1.64 u: false accept about 5 %
	FourOutcome             // w = U: pass, conditional pass, conditional fail, fail
)

// rules names each rule as a sequence file writes it, and as a report prints it.
var rules = [...]struct {
	word, text string
	band       float64 // guard band in standard uncertainties
}{
	Simple:      {"simple", "simple acceptance", 0},
	GuardBand:   {"guard band", "guard band w = U (k = 2)", 2},
	OneSided:    {"one sided", "guard band w = 1.64 u", 1.64},
	FourOutcome: {"four outcomes", "four outcomes, w = U (k = 2)", 2},
}

// Words lists the rules as a sequence file writes them.
func Words() []string {
	words := make([]string, len(rules))
	for i, r := range rules {
		words[i] = r.word
	}
	return words
}

// Parse reads a rule's word.
func Parse(word string) (Rule, error) {
	for i, r := range rules {
		if r.word == word {
			return Rule(i), nil
		}
	}
	return 0, fmt.Errorf("%q is no decision rule", word)
}

// String is the rule for a report.
func (r Rule) String() string {
	if int(r) < len(rules) {
		return rules[r].text
	}
	return "unknown rule"
}

// Band is the guard band w, in the unit of std, for a standard uncertainty std.
func (r Rule) Band(std float64) float64 {
	if int(r) < len(rules) {
		return rules[r].band * std
	}
	return math.NaN()
}

// Outcome is a decision.
type Outcome uint8

// The outcomes.
const (
	Undecided Outcome = iota // the guard band holds the value: more accuracy would decide
	Pass
	ConditionalPass // inside the limit, inside the guard band (four outcomes only)
	ConditionalFail // outside the limit, inside the guard band (four outcomes only)
	Fail
)

// String is the outcome in words.
func (o Outcome) String() string {
	return [...]string{"undecided", "pass", "conditional pass", "conditional fail", "fail"}[o]
}

// Side says on which side of a limit the good values lie.
type Side uint8

// The sides.
const (
	AtMost  Side = iota // an upper limit
	AtLeast             // a lower limit
)

// Decision is an outcome with what it rests on, all in the unit of the value.
type Decision struct {
	Outcome Outcome
	Rule    Rule
	Value   float64
	Std     float64 // standard uncertainty
	Limit   float64
	Side    Side
	Band    float64 // guard band w
	// Risk is the probability that a value like this one does not deserve its outcome: for a pass, that the true value is
	// outside the limit; for a fail, that it is inside; normal distribution. For undecided it is the probability of nonconformity.
	Risk float64
}

// Decide applies a rule to a value with standard uncertainty std (not negative). A value or an uncertainty that is no number
// is undecided, with risk 1.
func Decide(rule Rule, value, std, limit float64, side Side) Decision {
	d := Decision{Rule: rule, Value: value, Std: std, Limit: limit, Side: side, Band: rule.Band(std), Risk: 1}
	if math.IsNaN(value) || math.IsNaN(std) || math.IsNaN(limit) || std < 0 {
		return d
	}
	inside := limit - value // how far inside the limit the value lies
	if side == AtLeast {
		inside = value - limit
	}
	// a value that was computed to lie on a limit may miss it by the rounding of one subtraction
	slack := 4 * 0x1p-52 * max(math.Abs(value), math.Abs(limit))
	outsideRisk := Nonconformity(inside, std)
	d.Risk = outsideRisk
	switch {
	case inside >= d.Band-slack:
		d.Outcome = Pass
	case rule == Simple:
		d.Outcome, d.Risk = Fail, 1-outsideRisk
	case rule == FourOutcome && inside >= 0:
		d.Outcome = ConditionalPass
	case rule == FourOutcome && inside >= -d.Band-slack:
		d.Outcome, d.Risk = ConditionalFail, 1-outsideRisk
	case inside < -d.Band-slack:
		d.Outcome, d.Risk = Fail, 1-outsideRisk
	}
	return d
}

// Nonconformity is the probability that the true value lies beyond a limit when the measured one lies inside by the given
// distance (negative: beyond), for a normal distribution with standard uncertainty std. JCGM 106:2012, clause 7.2.
func Nonconformity(inside, std float64) float64 {
	if std == 0 {
		if inside >= 0 {
			return 0
		}
		return 1
	}
	return distuv.UnitNormal.CDF(-inside / std)
}

// Conformity is the probability that the true value lies within lower..upper, either of which may be infinite, for a normal
// distribution about value. JCGM 106:2012, clause 7.3 and 7.4.
func Conformity(value, std, lower, upper float64) float64 {
	return 1 - Nonconformity(upper-value, std) - Nonconformity(value-lower, std)
}

// NeededStd is the largest standard uncertainty at which the rule would decide this value, on the side it now lies: what a
// better range, a longer aperture or another instrument would have to reach. Zero means that no accuracy decides it.
func NeededStd(rule Rule, value, limit float64) float64 {
	if rules[rule].band == 0 {
		return math.Inf(1)
	}
	return math.Abs(value-limit) / rules[rule].band
}
