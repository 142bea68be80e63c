package drain

import "fourwire/quantity/measured"

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

// Change is one line of a comparison: a state, a kind of event, or all of it.
type Change struct {
	Name        string
	A, B        measured.Value // A (mean current that it draws, averaged over all the time), or C for one event, see Per
	Per         string         // "hour": coulombs for each hour; "event": coulombs for each event; "visit"
	Difference  measured.Value // B - A, from the instrument; errors that both share cancel
	Statistical float64        // standard uncertainty of the difference from the length of the recordings
	U           float64        // expanded, k = 2, of both parts
	Verdict     Verdict
}

// Comparison tells where the charge of B differs from that of A.
type Comparison struct {
	Total  Change
	States []Change
	Kinds  []Change
	Notes  []string
}

// Compare compares two results, by state and by kind of event. a is the old one, b the new one.
func Compare(a, b *Result) Comparison { return Comparison{} }
