package report

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"fourwire/internal/ledger"
	"fourwire/record"
)

// Spent is where the time of a run went.
type Spent struct {
	*record.TimeLedger
	Kinds       []SpentKind // those that took time, in their usual order
	Steps       []SpentStep // the longest first, at most 12
	MoreSteps   int         // further ones, left out
	Savings     []Saving    // the five that took longest
	Instruments []Pace
	Notes       []string
}

// SpentKind is the time of one kind of span.
type SpentKind struct {
	Kind      ledger.Kind
	Seconds   float64
	Share     float64 // of the whole
	Predicted float64 // s; NaN: nothing was
	Count     int
}

// SpentStep is the time at one step.
type SpentStep struct {
	Place   string // "line 23"
	Text    string // what the step does
	Seconds float64
	Share   float64
	Kinds   []SpentKind // share is of the step
}

// Saving says what the run would take without one kind of span at one step.
type Saving struct {
	Kind    ledger.Kind
	Step    string // place in the record
	Place   string // "line 23"
	What    string // what the step does
	Count   int
	Seconds float64
	Without float64 // s, what the run would take
	Text    string
}

// Pace is how fast an instrument answered, as texts; empty: not known.
type Pace struct{ Name, Wire, Processing, Up, Down string }

// How much of an account is shown.
const (
	topSavings = 5
	mostSteps  = 12
)

// kindTexts says what goes into each kind of span.
var kindTexts = [...]struct {
	kind  ledger.Kind
	about string
}{
	{ledger.Transfer, "messages and answers on their way"},
	{ledger.Processing, "instruments at work on commands and answers"},
	{ledger.OutputUp, "outputs switched on, and seen to be"},
	{ledger.OutputDown, "outputs switched off, and nodes watched until they are discharged"},
	{ledger.Settle, "waiting until values stay within their band"},
	{ledger.FixedWait, "times that the sequence states"},
	{ledger.Aperture, "readings being taken"},
	{ledger.Range, "measuring ranges being changed"},
	{ledger.ReadBack, "kept data being fetched"},
	{ledger.InUse, "instruments that another site was using"},
	{ledger.Host, "the program itself, and its files"},
	{ledger.Operator, "a person being waited for"},
}

// About says what goes into this kind of span.
func (k SpentKind) About() string {
	for _, t := range kindTexts {
		if t.kind == k.Kind {
			return t.about
		}
	}
	return ""
}

// spent works out where the time went; nil where the record has no account of it.
func spent(rec *record.Record) (*Spent, error) {
	t, err := record.ReadLedger(rec.Dir)
	if t == nil || err != nil {
		return nil, err
	}
	s := &Spent{TimeLedger: t}
	s.kinds()
	s.steps()
	s.savings()
	s.paces()
	s.notes()
	return s, nil
}

func (s *Spent) share(seconds float64) float64 {
	if !(s.WallSeconds > 0) {
		return 0
	}
	return seconds / s.WallSeconds
}

func (s *Spent) kinds() {
	predicted := map[ledger.Kind]float64{}
	for _, p := range s.Predicted {
		predicted[p.Kind] += p.Seconds
	}
	s.Kinds = kindsOf(s.TimeLedger.Spans, s.WallSeconds)
	for i := range s.Kinds {
		k := &s.Kinds[i]
		if p, ok := predicted[k.Kind]; ok {
			k.Predicted = p
		}
		delete(predicted, k.Kind)
	}
	for _, kind := range slices.Sorted(mapKeys(predicted)) {
		if predicted[kind] > 0 {
			s.Kinds = append(s.Kinds, SpentKind{Kind: kind, Predicted: predicted[kind]})
		}
	}
	s.Kinds = slices.DeleteFunc(s.Kinds, func(k SpentKind) bool {
		return k.Share < leastShown && math.IsNaN(k.Predicted) && k.Kind != ledger.Host
	})
	sortKinds(s.Kinds)
}

// leastShown is the share below which a kind of span is left out.
const leastShown = 1e-5

func mapKeys(m map[ledger.Kind]float64) func(func(ledger.Kind) bool) {
	return func(yield func(ledger.Kind) bool) {
		for k := range m {
			if !yield(k) {
				return
			}
		}
	}
}

// kindsOf adds spans up by kind.
func kindsOf(spans []ledger.Span, whole float64) []SpentKind {
	sums := map[ledger.Kind]*SpentKind{}
	for _, x := range spans {
		k := sums[x.Kind]
		if k == nil {
			k = &SpentKind{Kind: x.Kind, Predicted: math.NaN()}
			sums[x.Kind] = k
		}
		k.Seconds += x.Seconds
		k.Count += x.Count
	}
	var out []SpentKind
	for _, k := range sums {
		if whole > 0 {
			k.Share = k.Seconds / whole
		}
		out = append(out, *k)
	}
	sortKinds(out)
	return out
}

// sortKinds puts kinds into their usual order; those that this version does not know come last.
func sortKinds(kinds []SpentKind) {
	usual := ledger.Kinds()
	at := func(k ledger.Kind) int {
		if i := slices.Index(usual, k); i >= 0 {
			return i
		}
		return len(usual)
	}
	slices.SortFunc(kinds, func(a, b SpentKind) int {
		return cmp.Or(cmp.Compare(at(a.Kind), at(b.Kind)), cmp.Compare(a.Kind, b.Kind))
	})
}

// place names a step for people: its line, and its file where there are several.
func (s *Spent) place(step string) string {
	if step == "" {
		return ""
	}
	file, line, _ := lineOf(step)
	if line == "" {
		return step
	}
	for _, x := range s.TimeLedger.Spans {
		if other, _, ok := lineOf(x.Step); ok && other != file {
			return file + ", line " + line
		}
	}
	return "line " + line
}

// lineOf takes a place apart: "drain.yaml:12:5".
func lineOf(step string) (file, line string, ok bool) {
	rest, _, ok := cutLast(step)
	if !ok {
		return "", "", false
	}
	file, line, ok = cutLast(rest)
	return file, line, ok
}

func cutLast(text string) (before, after string, ok bool) {
	i := strings.LastIndexByte(text, ':')
	if i < 0 {
		return text, "", false
	}
	return text[:i], text[i+1:], true
}

func (s *Spent) steps() {
	spans := map[string][]ledger.Span{}
	for _, x := range s.TimeLedger.Spans {
		spans[x.Step] = append(spans[x.Step], x)
	}
	for step, list := range spans {
		one := SpentStep{Place: s.place(step), Text: s.TimeLedger.Steps[step]}
		if step == "" {
			one.Text = "before the first step and after the last"
		}
		for _, x := range list {
			one.Seconds += x.Seconds
		}
		one.Share, one.Kinds = s.share(one.Seconds), kindsOf(list, one.Seconds)
		s.Steps = append(s.Steps, one)
	}
	slices.SortFunc(s.Steps, func(a, b SpentStep) int {
		return cmp.Or(cmp.Compare(b.Seconds, a.Seconds), cmp.Compare(a.Place, b.Place))
	})
	if len(s.Steps) > mostSteps {
		s.Steps, s.MoreSteps = s.Steps[:mostSteps], len(s.Steps)-mostSteps
	}
}

// savings finds what took longest, and what the run would take without each.
func (s *Spent) savings() {
	type key struct {
		kind ledger.Kind
		step string
	}
	sums := map[key]*Saving{}
	for _, x := range s.TimeLedger.Spans {
		k := key{x.Kind, x.Step}
		if sums[k] == nil {
			sums[k] = &Saving{Kind: x.Kind, Step: x.Step, Place: s.place(x.Step), What: s.TimeLedger.Steps[x.Step]}
		}
		sums[k].Seconds += x.Seconds
		sums[k].Count += x.Count
	}
	for _, x := range sums {
		x.Without = max(0, s.WallSeconds-x.Seconds)
		x.Text = x.sentence(s.WallSeconds)
		s.Savings = append(s.Savings, *x)
	}
	slices.SortFunc(s.Savings, func(a, b Saving) int {
		return cmp.Or(cmp.Compare(b.Seconds, a.Seconds), cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Step, b.Step))
	})
	s.Savings = s.Savings[:min(len(s.Savings), topSavings)]
}

// sentence is a saving in words: "without the 500 ms wait at line 23 the run takes 12.3 s instead of 62.3 s".
func (x *Saving) sentence(wall float64) string {
	what := "the " + string(x.Kind)
	at := " before the first step and after the last"
	if x.Step != "" {
		at = " at " + x.Place
		if x.What != "" {
			at += " (" + x.What + ")"
		}
	}
	switch duration, isWait := strings.CutPrefix(x.What, "wait "); {
	case x.Kind == ledger.FixedWait && isWait:
		what, at = "the "+duration+" wait", " at "+x.Place
	case x.Kind == ledger.Settle:
		what = "the settling"
	case x.Kind == ledger.Aperture:
		what = "the apertures"
	case x.Kind == ledger.Range:
		what = "the changes of range"
	case x.Kind == ledger.InUse:
		what = "the waits for other sites"
	case x.Kind == ledger.Host:
		what = "the program's own time"
	case x.Kind == ledger.Operator:
		what = "the wait for the operator"
	case x.Kind == ledger.OutputDown && x.Step == "":
		what, at = "switching off and watching the discharge", ""
	}
	return fmt.Sprintf("without %s%s the run takes %s instead of %s", what, at, SpentText(x.Without), SpentText(wall))
}

// SpentText is a time for people, with three digits.
func SpentText(seconds float64) string {
	switch {
	case seconds >= 1000:
		return Lasted(time.Duration(seconds * float64(time.Second)))
	case seconds >= 100:
		return fmt.Sprintf("%.0f s", seconds)
	case seconds >= 10:
		return fmt.Sprintf("%.1f s", seconds)
	case seconds >= 1:
		return fmt.Sprintf("%.2f s", seconds)
	case seconds >= 0.01:
		return fmt.Sprintf("%.0f ms", seconds*1e3)
	case seconds >= 1e-3:
		return fmt.Sprintf("%.1f ms", seconds*1e3)
	case seconds > 0:
		return fmt.Sprintf("%.0f µs", seconds*1e6)
	}
	return "0 s"
}

// Of gives the seconds of a kind of span.
func (s *Spent) Of(kind ledger.Kind) float64 {
	for _, k := range s.Kinds {
		if k.Kind == kind {
			return k.Seconds
		}
	}
	return 0
}

// HostShare is the share of the program itself.
func (s *Spent) HostShare() float64 { return s.share(s.Of(ledger.Host)) }

// PredictedSeconds is what the whole run was to take; NaN: not predicted.
func (s *Spent) PredictedSeconds() float64 {
	if len(s.Predicted) == 0 {
		return math.NaN()
	}
	sum := 0.0
	for _, p := range s.Predicted {
		sum += p.Seconds
	}
	return sum
}

func (s *Spent) paces() {
	for _, name := range slices.Sorted(func(yield func(string) bool) {
		for name := range s.TimeLedger.Instruments {
			if !yield(name) {
				return
			}
		}
	}) {
		x := s.TimeLedger.Instruments[name]
		s.Instruments = append(s.Instruments, Pace{Name: name, Wire: known("", x.Wire), Processing: known("", x.Processing), Up: arrival(x.Up, x.UpAfter), Down: known("at most ", x.Down)})
	}
}

func known(before string, x *float64) string {
	if x == nil {
		return ""
	}
	return before + SpentText(*x)
}

// arrival says what readings show of an output that rises: between which times it arrived.
func arrival(up, after *float64) string {
	switch {
	case up == nil:
		return ""
	case after == nil || *after <= 0:
		return "at most " + SpentText(*up)
	case *up-*after < 0.01**up:
		return "about " + SpentText(*up)
	}
	return SpentText(*after) + " to " + SpentText(*up)
}

func (s *Spent) notes() {
	if s.Virtual {
		s.Notes = append(s.Notes, "Recorded in virtual time: the clock of a simulated bench stands still while the program computes, so the host takes nothing here.")
	}
	if len(s.Covers) > 1 {
		s.Notes = append(s.Notes, fmt.Sprintf("The run was taken up again: this is %s of it together, without the pauses between.", count(len(s.Covers), "part")))
	}
	if s.Missing > 0 {
		after := 0
		if len(s.Covers) > 0 {
			after = s.Covers[0].After
		}
		s.Notes = append(s.Notes, fmt.Sprintf("The run was taken up again after %s; of %s before that there is no account.", count(after, "point"), count(s.Missing, "part")))
	}
	if p := s.PredictedSeconds(); !math.IsNaN(p) {
		s.Notes = append(s.Notes, fmt.Sprintf("Predicted from the timing in the model files: %s; what the device needs to settle is not known beforehand.", SpentText(p)))
	}
}

// Headline is the account in one sentence.
func (s *Spent) Headline() string {
	list := slices.Clone(s.Kinds)
	slices.SortStableFunc(list, func(a, b SpentKind) int { return cmp.Compare(b.Seconds, a.Seconds) })
	var parts []string
	host := ""
	for _, k := range list {
		switch {
		case k.Kind == ledger.Host:
			host = "host " + Share(k.Share)
		case len(parts) < 4 && k.Share >= 0.005:
			parts = append(parts, string(k.Kind)+" "+Share(k.Share))
		}
	}
	if s.Virtual {
		host = "host 0 (virtual time)"
	}
	if host != "" {
		parts = append(parts, host)
	}
	return SpentText(s.WallSeconds) + ": " + strings.Join(parts, ", ")
}
