package drain

import (
	"fmt"
	"math"
	"slices"

	"fourwire/quantity"
	"fourwire/quantity/measured"
)

// Verdict is what a comparison comes to.
type Verdict string

// The verdicts of a comparison; less charge is better.
const (
	Better       Verdict = "better"
	Worse        Verdict = "worse"
	NoDifference Verdict = "no difference"
	OnlyInA      Verdict = "only in A"
	OnlyInB      Verdict = "only in B"
)

// The measures of a change.
const (
	MeanCurrent = "mean current" // A, averaged over all the time: what the state or kind costs for each hour is 3600 s times it
	EachEvent   = "each event"   // C for one event
	InState     = "in the state" // A while in it
)

// Change is one line of a comparison: a state, a kind of event, or all of it.
type Change struct {
	Name        string
	Measure     string         // one of the measures above
	A, B        measured.Value // a value with X NaN where the one has none
	Difference  measured.Value // B - A with what the instrument does not know; errors that both share cancel
	Statistical float64        // standard uncertainty of the difference from the length of the recordings; NaN where it cannot be told
	U           float64        // expanded, k = 2, of both
	Verdict     Verdict
}

// Comparison tells where the charge of B goes otherwise than that of A.
type Comparison struct {
	Total  Change
	States []Change // by level
	Kinds  []Change
	Notes  []string
}

const (
	alikeStates = 0.7 // ln 2: levels farther apart than a factor of 2 are not the same state
	alikeKinds  = 0.7
)

// Compare compares two recordings of one device, a the older one and b the newer: each state by the current it adds to the mean and
// the current that flows in it, each kind of event by the current it adds and by its charge. States with names that were given are
// matched by name, others by level, the nearest first and none farther apart than a factor of 2; kinds by charge, duration and peak.
//
// Where both results were made with one ledger, or their ranges have the same names, what the instrument does not know cancels as far
// as both share it. A difference is one where it is larger than its expanded uncertainty, of which the length of the recordings is a part.
func Compare(a, b *Result) Comparison {
	c := Comparison{}
	move := mover(a.Ledger, b.Ledger)
	c.Total = change("all", MeanCurrent, a.Mean, move(b.Mean), math.Hypot(a.Statistics.Mean, b.Statistics.Mean))
	if math.IsNaN(c.Total.Statistical) {
		c.Notes = append(c.Notes, "at least one recording has too few events to tell what its length does to the uncertainty: U is from the instrument only")
	}
	over := func(v measured.Value, by float64) measured.Value {
		return measured.Map(v.X/by, quantity.Current, v, 1/by)
	}

	pairs, onlyA, onlyB := match(len(a.States), len(b.States), alikeStates, func(i, j int) float64 {
		s, t := &a.States[i], &b.States[j]
		switch {
		case s.Name == t.Name && (!isDefault(s.Name) || s.Name == "sleep" || s.Name == "off"):
			return 0
		case !isDefault(s.Name) || !isDefault(t.Name) || isFloor(s.Name) != isFloor(t.Name):
			return math.Inf(1)
		}
		return math.Abs(logOf(s.Amps) - logOf(t.Amps))
	})
	for i := range a.States {
		s := &a.States[i]
		j, ok := pairs[i]
		if !ok {
			c.States = append(c.States, single(s.Name, MeanCurrent, over(s.Charge, a.Seconds), OnlyInA))
			continue
		}
		t := &b.States[j]
		name := s.Name
		if t.Name != name {
			name += " / " + t.Name
		}
		c.States = append(c.States,
			change(name, MeanCurrent, over(s.Charge, a.Seconds), move(over(t.Charge, b.Seconds)), math.Hypot(a.stateErrors[i], b.stateErrors[j])),
			change(name, InState, over(s.Charge, s.Seconds), move(over(t.Charge, t.Seconds)), math.Hypot(a.levelErrors[i], b.levelErrors[j])))
	}
	for _, j := range onlyB {
		c.States = append(c.States, single(b.States[j].Name, MeanCurrent, move(over(b.States[j].Charge, b.Seconds)), OnlyInB))
	}

	kinds, onlyKindA, onlyKindB := match(len(a.Kinds), len(b.Kinds), alikeKinds, func(i, j int) float64 {
		k, l := &a.Kinds[i], &b.Kinds[j]
		return max(math.Abs(logOf(k.MeanCharge.X)-logOf(l.MeanCharge.X)), math.Abs(math.Log(k.MeanSeconds/l.MeanSeconds)), math.Abs(logOf(k.PeakAmps)-logOf(l.PeakAmps)))
	})
	for i := range a.Kinds {
		k := &a.Kinds[i]
		j, ok := kinds[i]
		if !ok {
			c.Kinds = append(c.Kinds, single(k.Name, MeanCurrent, over(k.Charge, a.Seconds), OnlyInA))
			continue
		}
		l := &b.Kinds[j]
		name := k.Name
		if l.Name != name {
			name += " / " + l.Name
		}
		scatter := math.Hypot(k.SpreadCoulombs/math.Sqrt(float64(k.Count)), l.SpreadCoulombs/math.Sqrt(float64(l.Count)))
		if k.Count < 2 || l.Count < 2 {
			scatter = math.NaN()
		}
		c.Kinds = append(c.Kinds,
			change(name, MeanCurrent, over(k.Charge, a.Seconds), move(over(l.Charge, b.Seconds)), math.Hypot(a.kindErrors[i], b.kindErrors[j])),
			change(name, EachEvent, k.MeanCharge, move(l.MeanCharge), scatter))
	}
	for _, j := range onlyKindB {
		c.Kinds = append(c.Kinds, single(b.Kinds[j].Name, MeanCurrent, move(over(b.Kinds[j].Charge, b.Seconds)), OnlyInB))
	}
	if n := len(onlyA) + len(onlyB); n > 0 {
		c.Notes = append(c.Notes, fmt.Sprintf("%d states have no like in the other recording", n))
	}
	if n := len(onlyKindA) + len(onlyKindB); n > 0 {
		c.Notes = append(c.Notes, fmt.Sprintf("%d kinds of event have no like in the other recording", n))
	}
	return c
}

func isFloor(name string) bool { return name == "sleep" || name == "steady" || name == "off" }

func isDefault(name string) bool {
	var n int
	_, err := fmt.Sscanf(name, "activity %d", &n)
	return err == nil || isFloor(name)
}

func change(name, measure string, a, b measured.Value, statistical float64) Change {
	c := Change{Name: name, Measure: measure, A: a, B: b, Difference: measured.Sub(b, a), Statistical: statistical, Verdict: NoDifference}
	c.U = c.Difference.Expanded()
	if !math.IsNaN(statistical) {
		c.U = math.Hypot(c.U, 2*statistical)
	}
	// rounding of sums is no difference either
	switch d := c.Difference.X; {
	case math.Abs(d) <= max(c.U, 1e-12*math.Abs(a.X)):
	case d > 0:
		c.Verdict = Worse
	case d < 0:
		c.Verdict = Better
	}
	return c
}

func single(name, measure string, v measured.Value, verdict Verdict) Change {
	none := measured.Value{X: math.NaN(), Dim: v.Dim}
	c := Change{Name: name, Measure: measure, A: v, B: none, Difference: none, Statistical: math.NaN(), U: math.NaN(), Verdict: verdict}
	if verdict == OnlyInB {
		c.A, c.B = none, v
	}
	return c
}

// match pairs what is nearest first; apart gives the distance, +Inf for never.
func match(n, m int, most float64, apart func(i, j int) float64) (pairs map[int]int, onlyA, onlyB []int) {
	type pair struct {
		i, j int
		d    float64
	}
	var all []pair
	for i := range n {
		for j := range m {
			if d := apart(i, j); d <= most {
				all = append(all, pair{i, j, d})
			}
		}
	}
	slices.SortStableFunc(all, func(p, q pair) int {
		switch {
		case p.d < q.d:
			return -1
		case p.d > q.d:
			return 1
		}
		return 0
	})
	pairs = map[int]int{}
	taken := map[int]bool{}
	for _, p := range all {
		if _, ok := pairs[p.i]; !ok && !taken[p.j] {
			pairs[p.i], taken[p.j] = p.j, true
		}
	}
	for i := range n {
		if _, ok := pairs[i]; !ok {
			onlyA = append(onlyA, i)
		}
	}
	for j := range m {
		if !taken[j] {
			onlyB = append(onlyB, j)
		}
	}
	return pairs, onlyA, onlyB
}

// mover gives a value of ledger from the inputs of ledger to: the same one where it is shared under the same name, else one of its own.
func mover(to, from *measured.Ledger) func(measured.Value) measured.Value {
	if to == from {
		return func(v measured.Value) measured.Value { return v }
	}
	moved := map[measured.ID]measured.ID{}
	return func(v measured.Value) measured.Value {
		terms := make([]measured.Term, len(v.Terms))
		for i, t := range v.Terms {
			id, ok := moved[t.Input]
			if !ok {
				if in := from.Input(t.Input); from.IsShared(t.Input) {
					id = to.Shared(in)
				} else {
					id = to.Own(in)
				}
				moved[t.Input] = id
			}
			terms[i] = measured.Term{Input: id, Part: t.Part}
		}
		return measured.New(v.Quantity(), terms...)
	}
}
