package plan

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"fourwire/driver/bench"
	"fourwire/driver/model"
	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/sequence"
)

// Set is some instruments that do a whole test, each as often as it is named.
type Set struct {
	Models  []string  `json:"models"`  // in alphabetical order, each as often as it is needed
	Serves  []Service `json:"serves"`  // what each role and each reading is served by
	Worst   float64   `json:"worst"`   // largest predicted U of a value, as a part of it
	Of      string    `json:"of"`      // that value
	At      string    `json:"at"`      // and its point
	Cost    float64   `json:"cost"`    // Worst as a multiple of that of the best set
	Seconds float64   `json:"seconds"` // predicted duration
	Verdict Verdict   `json:"verdict"` // fits or tight
	Binding string    `json:"binding,omitempty"`
}

// Service is one role or reading with the instrument that serves it.
type Service struct {
	What string `json:"what"` // "feed", "v(dut.in)"
	By   string `json:"by"`   // "dc-source", "meter 2"
	Own  bool   `json:"own,omitempty"`
}

// Sets is what a search has found.
type Sets struct {
	Sets    []Set    `json:"sets"`    // by count, then by worst uncertainty, then by time
	Models  int      `json:"models"`  // that were looked at
	Tried   int      `json:"tried"`   // sets that were bound and predicted
	Cut     bool     `json:"cut"`     // there were more: the best-ranked ones were tried
	Refused []string `json:"refused"` // why a model does not serve a role
	Lacking string   `json:"lacking,omitempty"`
}

// Bounds of a search.
const (
	MaxSearchModels = 40
	DefaultTries    = 4000
	setsPerCount    = 3
)

// searcher looks for sets of instruments.
type searcher struct {
	seq    *sequence.Sequence
	like   *bench.Bench // whose leads and ambient are taken
	models []*model.Model
	tries  int
	out    Sets
	bind   *binder
	roles  []int         // indices of needs that are sources or loads
	serve  [][]placement // by role: what can serve it
	wants  []wanted
	meters [][]placement // by reading: meters that can take it, best first
	own    []bool        // by reading: whether a role is at its node, whose read-back might do
	seen   map[string]bool
	best   []Set
}

// placement is one channel of one model in one place.
type placement struct {
	model   *model.Model
	channel int     // index
	score   float64 // of a meter
	verdict Verdict // of a source or load
}

// Search looks for the smallest sets of instruments that do a whole test, among models of which there may be as many pieces
// as are needed. The leads and the ambient temperature are those of a bench like the one given; a channel that can sense at
// the node does. At most tries sets are bound (0: DefaultTries). What another model beats everywhere, in every part of its
// uncertainty and in time, is left out beforehand, which changes no best result.
func Search(seq *sequence.Sequence, like *bench.Bench, models []*model.Model, tries int) Sets {
	if tries <= 0 {
		tries = DefaultTries
	}
	s := &searcher{seq: seq, like: like, models: models, tries: tries, seen: map[string]bool{}}
	if len(s.models) > MaxSearchModels {
		s.models, s.out.Cut = s.models[:MaxSearchModels], true
	}
	s.out.Models, s.out.Refused, s.out.Sets = len(s.models), []string{}, []Set{}
	if s.prepare() {
		s.all()
		s.rank()
	}
	return s.out
}

// prepare finds what can serve each role and each reading; false where something cannot be served at all.
func (s *searcher) prepare() bool {
	var found diag.Findings
	p := &Plan{Sequence: s.seq, Bench: &bench.Bench{AmbientKelvin: s.like.AmbientKelvin}, guards: map[string]Window{}}
	for _, g := range s.seq.Guards {
		p.guards[g.Node] = Window{g.Node, g.Volts, g.Amps, g.Watts, g.Place}
	}
	for _, n := range s.seq.Needs {
		p.Roles = append(p.Roles, Role{Need: n, Guard: p.guards[n.Node]})
	}
	byName := map[string]*model.Model{}
	for _, m := range s.models {
		byName[m.Name] = m
	}
	s.bind = &binder{plan: p, models: byName, found: &found, taken: map[Channel]string{}}
	asked := s.bind.demands()
	for i, r := range p.Roles {
		if r.Need.Role == sequence.RoleMeter || r.Need.Role == sequence.RoleSwitch {
			continue
		}
		s.roles = append(s.roles, i)
		s.serve = append(s.serve, s.candidates(r, asked[i]))
		if len(s.serve[len(s.serve)-1]) == 0 {
			s.out.Lacking = fmt.Sprintf("none of the models can serve %s (%s at %s)", r.Need.Name, r.Need.Role, r.Need.Node)
			return false
		}
	}
	s.wants = s.bind.wanted()
	for _, w := range s.wants {
		atRole := slices.ContainsFunc(s.roles, func(i int) bool { return p.Roles[i].Need.Node == w.node })
		s.own = append(s.own, atRole)
		s.meters = append(s.meters, s.readers(w))
		if len(s.meters[len(s.meters)-1]) == 0 && !atRole {
			s.out.Lacking = fmt.Sprintf("none of the models can read %s(%s)", w.function, w.node)
			return false
		}
	}
	return true
}

// wire is a role's wire as on the bench that is alike.
func (s *searcher) wire(node string, use bench.Use, instrument string, number int, remote bool) bench.Wire {
	w := bench.Wire{Instrument: instrument, Channel: number, Node: node, As: use, Sense: bench.Local}
	for _, l := range s.like.Wiring {
		if l.Node == node && l.As == use {
			w.LeadOhm, w.LeadTolerance, w.LoopHenry = l.LeadOhm, l.LeadTolerance, l.LoopHenry
		}
	}
	if remote {
		w.Sense = bench.Remote
	}
	return w
}

func useOf(role sequence.Role) bench.Use {
	if role == sequence.RoleLoad {
		return bench.Load
	}
	return bench.Source
}

func senses(ch *model.Channel) bool {
	return ch.Source != nil && ch.Source.SenseVolts > 0 || ch.Load != nil && ch.Load.SenseVolts > 0
}

// candidates are the models that can serve a role by themselves; of the others it notes why not.
func (s *searcher) candidates(r Role, asked []planned) []placement {
	var out []placement
	for _, m := range s.models {
		why := ""
		for i := range m.Channels {
			ch := &m.Channels[i]
			if ch.Source == nil && r.Need.Role == sequence.RoleSource || ch.Load == nil && r.Need.Role == sequence.RoleLoad {
				continue
			}
			w := s.wire(r.Need.Node, useOf(r.Need.Role), m.Name, ch.Number, senses(ch))
			cand := s.bind.measure(Candidate{}, s.bind.asRole(r, w), asked)
			if cand.Verdict != Misfits {
				out, why = append(out, placement{model: m, channel: i, verdict: cand.Verdict}), ""
				break
			}
			if b, ok := cand.Binding(); ok {
				why = fmt.Sprintf("%s as %s: %s %s%s", m.Name, r.Need.Name, b.Kind, b.Text, andAt(b.At))
			}
		}
		if why != "" {
			s.out.Refused = append(s.out.Refused, why)
		}
	}
	return unbeaten(out, func(a, b placement) bool { return s.serves(r.Need, a, b) })
}

// readers are the meters for a reading, best first, without those that another one beats in everything.
func (s *searcher) readers(w wanted) []placement {
	var out []placement
	for _, m := range s.models {
		for i := range m.Channels {
			g, ok := s.gauge(w, placement{model: m, channel: i})
			if !ok || m.Channels[i].Source != nil || m.Channels[i].Load != nil {
				continue
			}
			out = append(out, placement{model: m, channel: i, score: s.bind.score(w, g)})
			break
		}
	}
	slices.SortStableFunc(out, func(a, b placement) int { return cmp.Compare(a.score, b.score) })
	return unbeaten(out, func(a, b placement) bool { return s.beats(w, a, b) })
}

func (s *searcher) gauge(w wanted, p placement) (Gauge, bool) {
	ch := &p.model.Channels[p.channel]
	specs := ch.Volts
	if w.function == sequence.Amps {
		specs = ch.Amps
	}
	if len(specs) == 0 || !none(w.high) && top(specs) < w.high {
		return Gauge{}, false
	}
	g := Gauge{Function: w.function, Node: w.node, Specs: specs, Role: -1}
	for _, r := range specs {
		g.Ranges = append(g.Ranges, r.Full)
	}
	return g, true
}

// all tries combinations, those of the best-ranked meters first.
func (s *searcher) all() {
	ranks := 0
	for _, m := range s.meters {
		ranks += max(0, len(m)-1)
	}
	choice := make([]int, len(s.wants)) // -1: the read-back of a role
	for sum := 0; sum <= ranks; sum++ {
		s.readings(0, sum, choice)
	}
}

// readings chooses a meter for each reading, or none, with ranks that add up to sum.
func (s *searcher) readings(k, sum int, choice []int) {
	if s.out.Tried >= s.tries {
		s.out.Cut = true
		return
	}
	if k == len(choice) {
		if sum == 0 {
			s.placeRoles(0, make([]int, len(s.roles)), choice)
		}
		return
	}
	if s.own[k] {
		choice[k] = -1
		s.readings(k+1, sum, choice)
	}
	for rank := 0; rank < len(s.meters[k]) && rank <= sum; rank++ {
		choice[k] = rank
		s.readings(k+1, sum-rank, choice)
	}
}

func (s *searcher) placeRoles(k int, roles, choice []int) {
	if k == len(roles) {
		s.try(roles, choice)
		return
	}
	for i := range s.serve[k] {
		roles[k] = i
		s.placeRoles(k+1, roles, choice)
	}
}

// try puts a set together, binds it and keeps it where it does the whole test with every piece in use.
func (s *searcher) try(roles, choice []int) {
	if s.out.Tried >= s.tries {
		s.out.Cut = true
		return
	}
	k := newKit(s)
	for i, at := range s.roles {
		n := s.bind.plan.Roles[at].Need
		k.role(n.Node, useOf(n.Role), s.serve[i][roles[i]])
	}
	for i, w := range s.wants {
		if choice[i] >= 0 {
			k.meter(w, s.meters[i][choice[i]])
		}
	}
	key := k.key()
	if s.seen[key] {
		return
	}
	s.seen[key] = true
	s.out.Tried++
	var found diag.Findings
	p := Bind(s.seq, k.bench, k.models, &found)
	if found.Failed() || p.Fit.Verdict == Misfits {
		return
	}
	for _, in := range k.bench.Instruments {
		if !p.Uses(in.Name) {
			return // the set without it is tried by itself
		}
	}
	set := Set{Seconds: p.Predicted.Seconds(), Verdict: p.Fit.Verdict}
	for _, in := range k.bench.Instruments {
		set.Models = append(set.Models, in.Model)
	}
	slices.Sort(set.Models)
	for _, at := range s.roles {
		n := s.bind.plan.Roles[at].Need
		set.Serves = append(set.Serves, Service{What: n.Name, By: p.Roles[at].Channel.String()})
	}
	for _, g := range p.Gauges {
		set.Serves = append(set.Serves, Service{What: g.Name(), By: g.Channel.String(), Own: g.Own})
	}
	set.Worst, set.Of, set.At = worstOf(p)
	if p.Fit.Verdict == Tight {
		set.Binding = tightest(p.Fit)
	}
	s.best = append(s.best, set)
}

// worstOf is the largest relative uncertainty of what is judged at points; of what is derived where nothing is, else of what is
// measured.
func worstOf(p *Plan) (worst float64, of, at string) {
	names := map[string]bool{}
	for _, j := range p.Fit.Judged {
		for _, f := range p.Fit.Forecast {
			if strings.Contains(j.Limit, f.Name) && slices.Contains(strings.FieldsFunc(j.Limit, notOfName), f.Name) {
				names[f.Name] = true
			}
		}
	}
	if len(names) == 0 {
		for _, d := range p.Fit.Derived {
			names[d.Name] = true
		}
	}
	for _, f := range p.Fit.Forecast {
		if (len(names) == 0 || names[f.Name]) && f.Value != 0 && f.U/math.Abs(f.Value) > worst {
			worst, of, at = f.U/math.Abs(f.Value), f.Name, f.At
		}
	}
	return worst, of, at
}

func notOfName(r rune) bool {
	return !(r == '_' || r >= '0' && r <= '9' || r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z')
}

// tightest names the margin that makes a fit tight.
func tightest(f Fit) string {
	for _, r := range f.Roles {
		if len(r.Candidates) == 0 || r.Candidates[0].Verdict != Tight {
			continue
		}
		if m, ok := r.Candidates[0].Binding(); ok {
			return fmt.Sprintf("%s: %s %s%s", r.Role, m.Kind, m.Text, andAt(m.At))
		}
	}
	for _, j := range f.Judged {
		if j.Verdict == Tight {
			return j.Limit + ": " + j.Text
		}
	}
	return ""
}

// rank sorts what was found and keeps, for each count, the best few that are worth their count.
func (s *searcher) rank() {
	slices.SortStableFunc(s.best, func(a, b Set) int {
		return cmp.Or(cmp.Compare(len(a.Models), len(b.Models)), cmp.Compare(a.Worst, b.Worst), cmp.Compare(a.Seconds, b.Seconds),
			cmp.Compare(strings.Join(a.Models, " "), strings.Join(b.Models, " ")))
	})
	least, count, here := math.Inf(1), 0, 0
	bestBefore := math.Inf(1)
	for _, set := range s.best {
		if len(set.Models) != count {
			count, here, bestBefore = len(set.Models), 0, least
		}
		if here >= setsPerCount || set.Worst >= bestBefore*(1-1e-3) { // more instruments and no better
			continue
		}
		here++
		least = math.Min(least, set.Worst)
		s.out.Sets = append(s.out.Sets, set)
	}
	for i := range s.out.Sets {
		s.out.Sets[i].Cost = 1
		if least > 0 {
			s.out.Sets[i].Cost = s.out.Sets[i].Worst / least
		}
	}
	if len(s.out.Sets) == 0 && s.out.Lacking == "" {
		s.out.Lacking = "no set of these models does the whole test"
	}
}

// Text is the result of a search for people.
func (s Sets) Text() string {
	var b strings.Builder
	cut := ""
	if s.Cut {
		cut = "; there were more, the best-ranked ones were tried"
	}
	fill(&b, "", "  ", fmt.Sprintf("sets of instruments that do the whole test: %d models, %d sets tried%s", s.Models, s.Tried, cut))
	if s.Lacking != "" {
		fill(&b, "  ", "  ", s.Lacking)
	}
	if len(s.Sets) > 0 {
		fmt.Fprintf(&b, "  %5s  %9s  %6s  %8s  %s\n", "count", "worst U", "cost", "time", "instruments")
	}
	for _, set := range s.Sets {
		first := fmt.Sprintf("  %5d  %9s  %5.3gx  %8s  ", len(set.Models), quantity.Of(set.Worst, quantity.Ratio).Text(3), set.Cost, roughly(set.Seconds))
		fill(&b, first, strings.Repeat(" ", len(first)), counted(set.Models))
		var parts []string
		for _, v := range set.Serves {
			parts = append(parts, v.What+" "+v.By)
		}
		fill(&b, "           ", "           ", strings.Join(parts, ", ")+fmt.Sprintf("; worst: %s%s", set.Of, andAt(set.At)))
		if set.Binding != "" {
			fill(&b, "           ", "           ", "tight: "+set.Binding)
		}
	}
	if len(s.Refused) > 0 {
		b.WriteString("models that do not serve\n")
	}
	for _, r := range s.Refused {
		fill(&b, "  ", "    ", r)
	}
	return b.String()
}

// counted is "dc-source, 4 x meter".
func counted(models []string) string {
	var parts []string
	for i := 0; i < len(models); {
		n := 1
		for i+n < len(models) && models[i+n] == models[i] {
			n++
		}
		if n > 1 {
			parts = append(parts, fmt.Sprintf("%d x %s", n, models[i]))
		} else {
			parts = append(parts, models[i])
		}
		i += n
	}
	return strings.Join(parts, ", ")
}
