package plan

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"fourwire/driver/model"
	"fourwire/internal/ledger"
	"fourwire/quantity"
	"fourwire/sequence"
	"fourwire/sequence/expr"
)

// Fast is a sweep with "fast: yes" as the instruments can do it by themselves: one runs through a list of levels and pulses a trigger
// line at each step; the others, and itself, take one integrated reading for each pulse.
type Fast struct {
	Step *sequence.Sweep
	// Why says why it is stepped from the host instead; empty: it is a list. The other fields count only then.
	Why     string
	Role    int           // that runs the list
	Set     sequence.Step // *sequence.Source or *sequence.Load
	Measure *sequence.Measure
	Settles []*sequence.Settle
	Waits   []*sequence.Wait
	Takers  []Taker
	Line    int           // trigger line
	Lists   *model.Lists  // what the role's channel can run
	Safe    float64       // A, where the list of a load ends; that of a source ends where it began
	Output  time.Duration // that its output takes to a new level
	Slack   time.Duration // from a step to the next, beyond settling and aperture: delay of the line, and what a reading takes besides
	// Parts is how many steps of the list make one level. Where nothing is settled on evidence it is 1. Else 3: one to settle, and two halves of the
	// aperture, which must agree as the settle steps ask.
	Parts    int
	Aperture time.Duration // of one reading: half of what the measure step states where Parts is 3
}

// Taker is a channel that takes the readings.
type Taker struct {
	Channel  Channel
	Readings []int // of the measure step, in its order
}

// partsOfHalves are the steps of a list for a level that is looked at twice.
const partsOfHalves = 3

// Levels is how many levels one list holds, besides the safe step at its end.
func (f *Fast) Levels() int { return (f.Lists.Steps - 1) / f.Parts }

// Fast looks whether a sweep can be done by lists; nil where nobody asks for it.
func (p *Plan) Fast(s *sequence.Sweep) *Fast {
	if !s.Fast {
		return nil
	}
	f := &Fast{Step: s, Role: -1, Parts: 1}
	for _, look := range []func(*Fast) string{p.fastSteps, p.fastList, p.fastTakers, p.fastLine} {
		if f.Why = look(f); f.Why != "" {
			return f
		}
	}
	return f
}

// fastSteps sorts the steps of a pass: one setting, what is waited for, one measure step, and what follows from its readings.
func (p *Plan) fastSteps(f *Fast) (why string) {
	for _, s := range f.Step.Steps {
		if f.Measure != nil {
			if what := besides(s); what != "" {
				return what + " behind the measure step is done by the host"
			}
			continue
		}
		switch s := s.(type) {
		case *sequence.Source, *sequence.Load:
			if f.Set != nil {
				return "two settings in one pass"
			}
			if len(f.Settles)+len(f.Waits) > 0 {
				return "something is waited for before the setting"
			}
			f.Set = s
		case *sequence.Settle:
			f.Settles = append(f.Settles, s)
		case *sequence.Wait:
			if len(s.For.Nodes()) > 0 || slices.Contains(s.For.Names(), f.Step.Name) {
				return "the wait is not the same at each value"
			}
			f.Waits = append(f.Waits, s)
		case *sequence.Measure:
			f.Measure = s
		case *sequence.Note:
		default:
			return besides(s) + " before the measure step is done by the host"
		}
	}
	switch {
	case f.Set == nil:
		return "no setting in its steps"
	case f.Measure == nil:
		return "no measure step in it"
	}
	if len(f.Settles) > 0 {
		f.Parts = partsOfHalves
	}
	return ""
}

// besides names a step that needs the host between two levels; empty where it works on readings alone.
func besides(s sequence.Step) string {
	switch s := s.(type) {
	case *sequence.Derive, *sequence.Judge, *sequence.Note:
		return ""
	case *sequence.When:
		if len(s.If.Nodes()) > 0 {
			return "a condition that reads a node"
		}
		for _, list := range [][]sequence.Step{s.Then, s.Else} {
			for _, inner := range list {
				if what := besides(inner); what != "" {
					return what
				}
			}
		}
		return ""
	case *sequence.Source, *sequence.Load:
		return "a setting"
	case *sequence.Measure:
		return "another measure step"
	case *sequence.Sweep, *sequence.Repeat:
		return "a sweep or repeat"
	}
	return fmt.Sprintf("a %s step", strings.ToLower(strings.TrimPrefix(fmt.Sprintf("%T", s), "*sequence.")))
}

// fastList looks whether the channel that is stepped has lists.
func (p *Plan) fastList(f *Fast) (why string) {
	name := ""
	switch s := f.Set.(type) {
	case *sequence.Source:
		name = s.Role
		switch {
		case s.Output == sequence.Off || s.Volts == nil:
			return "the setting is no voltage"
		case s.Force == sequence.Amps || s.Pulse.On.SI > 0:
			return "forced and pulsed currents are set by the host"
		case len(s.Volts.Nodes()) > 0:
			return "the voltage follows from a reading"
		case s.Amps != nil && (len(s.Amps.Nodes()) > 0 || slices.Contains(s.Amps.Names(), f.Step.Name)):
			return "the current limit changes with the value"
		}
	case *sequence.Load:
		name = s.Role
		switch {
		case s.Input == sequence.Off || s.Hold == nil:
			return "the setting is no level"
		case len(s.Hold.Nodes()) > 0:
			return "the level follows from a reading"
		}
	}
	if f.Role = p.RoleIndex(name); f.Role < 0 || p.Roles[f.Role].Channel == (Channel{}) {
		return name + " is not served"
	}
	ch := p.Roles[f.Role].Channel
	spec, m := p.specOf(ch), p.models[ch.Instrument]
	if spec == nil || spec.Lists == nil || spec.Triggers == nil {
		return fmt.Sprintf("%s (%s) has no lists with trigger lines", ch, name)
	}
	f.Lists, f.Output = spec.Lists, m.Timing.OutputUp
	switch _, load := f.Set.(*sequence.Load); {
	case load && !spec.Lists.Amps:
		return fmt.Sprintf("%s (%s) has no list of amps", ch, name)
	case !load && !spec.Lists.Volts:
		return fmt.Sprintf("%s (%s) has no list of volts", ch, name)
	case load:
		f.Safe = spec.Load.Amps.Low
		f.Output = moving(f.Output, spec.Load.Amps.High-spec.Load.Amps.Low, spec.Load.Slew)
	default:
		step := spec.Source.Volts.High - spec.Source.Volts.Low
		f.Output = max(moving(f.Output, step, spec.Source.SlewUp), moving(m.Timing.OutputDown, step, spec.Source.SlewDown))
	}
	if f.Levels() < 1 {
		return fmt.Sprintf("a list of %s (%s) has %d steps only", ch, name, spec.Lists.Steps)
	}
	return ""
}

// fastTakers looks whether every reading can be taken at a pulse.
func (p *Plan) fastTakers(f *Fast) (why string) {
	m := f.Measure
	switch {
	case m.Burst.Auto || m.Burst.For.SI > 0:
		return "bursts are measured by the host"
	case m.Average > 1:
		return "averages are taken by the host: state a longer aperture"
	}
	f.Aperture = apertureOf(m) / time.Duration(max(1, f.Parts-1))
	of := map[string]int{}
	for i, r := range m.Readings {
		k := p.GaugeIndex(r.Function, r.Node)
		if k < 0 {
			return fmt.Sprintf("nothing reads %s(%s)", r.Function, r.Node)
		}
		ch := p.Gauges[k].Channel
		if p.Gauges[k].Routed() {
			return fmt.Sprintf("%s reads %s through a relay", ch, p.Gauges[k].Name())
		}
		spec := p.specOf(ch)
		if spec == nil || spec.Digitises == nil || spec.Triggers == nil || spec.Digitises.Readings == 0 || !spec.Digitises.CanTrigger(model.OnLine) {
			return fmt.Sprintf("%s takes no readings at pulses of a trigger line", ch)
		}
		again := spec.Digitises.Again
		if again == 0 {
			again = p.models[ch.Instrument].Timing.Reading
		}
		f.Slack = max(f.Slack, again+spec.Triggers.Delay+spec.Triggers.Jitter)
		at, had := of[ch.Instrument]
		if !had {
			of[ch.Instrument] = len(f.Takers)
			f.Takers = append(f.Takers, Taker{Channel: ch, Readings: []int{i}})
			continue
		}
		t := &f.Takers[at]
		switch {
		case t.Channel != ch:
			return fmt.Sprintf("two channels of %s do not take readings at one time", ch.Instrument)
		case slices.ContainsFunc(t.Readings, func(j int) bool { return m.Readings[j].Function == r.Function }):
			return fmt.Sprintf("%s is to take two readings of one kind", ch)
		case !p.Gauges[k].Together:
			return fmt.Sprintf("%s does not take volts and amps at one time", ch)
		}
		t.Readings = append(t.Readings, i)
	}
	return p.fastSettles(f)
}

// fastSettles looks whether what is settled on is measured too.
func (p *Plan) fastSettles(f *Fast) (why string) {
	for _, s := range f.Settles {
		for _, n := range s.Value.Nodes() {
			if !slices.ContainsFunc(f.Measure.Readings, func(r sequence.Reading) bool { return string(r.Function) == n.Function && r.Node == n.Node }) {
				return fmt.Sprintf("%s is settled on and not measured", n)
			}
		}
	}
	return ""
}

// fastLine finds the trigger line from the channel that steps to those that measure.
func (p *Plan) fastLine(f *Fast) (why string) {
	from := p.Roles[f.Role].Channel.Instrument
	var to []string
	for _, t := range f.Takers {
		if t.Channel.Instrument != from {
			to = append(to, t.Channel.Instrument)
		}
	}
	if len(to) == 0 && len(p.Bench.Triggers) == 0 {
		f.Line = 1 // its own
		return ""
	}
	line, ok := p.Bench.LineFrom(from, to...)
	if !ok {
		return fmt.Sprintf("no trigger line of the bench goes from %s to %s", from, strings.Join(to, ", "))
	}
	f.Line = line
	return ""
}

func (p *Plan) specOf(ch Channel) *model.Channel {
	m := p.models[ch.Instrument]
	if m == nil {
		return nil
	}
	for i := range m.Channels {
		if m.Channels[i].Number == ch.Number {
			return &m.Channels[i]
		}
	}
	return nil
}

// SetWithin is by how much what a role holds may differ from what it is set to, as its model says; NaN where the model does not.
func (p *Plan) SetWithin(role int, q quantity.Quantity) float64 {
	spec := p.specOf(p.Roles[role].Channel)
	if spec == nil {
		return math.NaN()
	}
	var s model.Setting
	switch {
	case spec.Source != nil && p.Roles[role].Need.Role == sequence.RoleSource && q.Dim == quantity.Voltage:
		s = spec.Source.SetVolts
	case spec.Load != nil && q.Dim == quantity.Current:
		s = spec.Load.SetAmps
	case spec.Load != nil && q.Dim == quantity.Voltage:
		s = spec.Load.SetVolts
	default:
		return math.NaN()
	}
	return s.Gain*math.Abs(q.SI) + s.Offset + s.Resolution
}

// fastNotes says of each fast sweep how it will be done.
func (c *binder) fastNotes() {
	var walk func([]sequence.Step)
	walk = func(steps []sequence.Step) {
		for _, s := range steps {
			switch s := s.(type) {
			case *sequence.Sweep:
				if f := c.plan.Fast(s); f != nil {
					c.plan.Fit.Notes = append(c.plan.Fit.Notes, f.Text(c.plan))
				}
				walk(s.Steps)
			case *sequence.Repeat:
				walk(s.Steps)
			case *sequence.When:
				walk(s.Then)
				walk(s.Else)
			case *sequence.Record:
				walk(s.Steps)
			case *sequence.Rails:
				walk(s.Steps)
			}
		}
	}
	walk(c.plan.Sequence.Steps)
}

// Text says how a fast sweep is done.
func (f *Fast) Text(p *Plan) string {
	at := fmt.Sprintf("the sweep over %s (line %d)", f.Step.Name, f.Step.Place.Line)
	if f.Why != "" {
		return at + " is stepped from the host: " + f.Why
	}
	var who []string
	for _, t := range f.Takers {
		who = append(who, t.Channel.String())
	}
	return fmt.Sprintf("%s is a list of %s, which triggers %s on line %d", at, p.Roles[f.Role].Channel, strings.Join(who, ", "), f.Line)
}

// What a list costs besides its steps: messages to the one that runs it, and to each that measures.
const (
	listMessages = 12
	takeMessages = 6
	// leastLevels is how many levels a list has at least before another range is worth another list.
	leastLevels = 8
)

// listedSweep is what a walk sees of a sweep that is done by lists.
type listedSweep struct {
	fast            *Fast
	levels, changes int
	ranges          []float64
}

// sees takes note of one level with the ranges that it is read on.
func (l *listedSweep) sees(specs []model.Range) {
	l.levels++
	full := make([]float64, len(specs))
	for i, s := range specs {
		full[i] = s.Full
	}
	if l.ranges != nil && !slices.Equal(full, l.ranges) {
		l.changes++
	}
	l.ranges = full
}

// SettleSeconds is the time from a level to its readings: what the waits say, and the longest time for which a settle step wants a value inside
// its band; where neither stands there, what the model says of its output.
func (f *Fast) SettleSeconds(number func(*expr.Expr) (float64, error)) (float64, error) {
	seconds, within := 0.0, 0.0
	for _, w := range f.Waits {
		x, err := number(w.For)
		if err != nil {
			return 0, err
		}
		seconds += x
	}
	for _, s := range f.Settles {
		within = max(within, s.For.SI)
	}
	if len(f.Waits) == 0 {
		seconds = max(within, f.Output.Seconds())
	} else {
		seconds += within
	}
	return seconds, nil
}

// listed adds the time of a sweep that is done by lists.
func (s *stopwatch) listed(w *walker, l *listedSweep, times int) {
	f, levels, changes := l.fast, l.levels, l.changes
	waits, err := f.SettleSeconds(func(e *expr.Expr) (float64, error) { return w.number(e), nil })
	if err != nil || levels == 0 {
		return
	}
	settle := seconds(waits)
	lists := max((levels+f.Levels()-1)/f.Levels(), 1+min(changes, levels/leastLevels))
	slowest := time.Duration(0)
	for _, t := range f.Takers {
		slowest = max(slowest, takeMessages*s.timing(t.Channel).Processing)
	}
	s.add(ledger.Processing, times*lists, slowest+listMessages*s.timing(s.plan.Roles[f.Role].Channel).Processing)
	s.add(ledger.Settle, times*levels, settle+time.Duration(f.Parts)*f.Slack)
	s.add(ledger.Aperture, times*levels, time.Duration(max(1, f.Parts-1))*f.Aperture)
}
