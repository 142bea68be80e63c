package plan

import (
	"math"
	"slices"
	"time"

	"fourwire/driver/model"
	"fourwire/internal/diag"
	"fourwire/internal/ledger"
	"fourwire/quantity"
	"fourwire/sequence"
)

// Wait is the time that a run spends on one kind of span. The kinds are those by which a run keeps account of its time.
type Wait struct {
	Kind    ledger.Kind `json:"kind"`
	Seconds float64     `json:"seconds"`
}

// stopwatch adds up how long a run takes, from the timing of the models.
type stopwatch struct {
	*binder
	took   map[ledger.Kind]time.Duration
	ranges map[Channel]float64 // where each meter stands

	contacts map[Channel]Channel // the relay that joins each meter to a node
	last     map[string]float64  // V, what the source at a node was set to last
	moves    time.Duration       // how long an output still moves, of which nobody has waited for anything yet
}

func newStopwatch(c *binder) *stopwatch {
	return &stopwatch{binder: c, took: map[ledger.Kind]time.Duration{}, ranges: map[Channel]float64{}, contacts: map[Channel]Channel{}, last: map[string]float64{}}
}

func (s *stopwatch) add(kind ledger.Kind, times int, d time.Duration) {
	if d > 0 && times > 0 {
		s.took[kind] += time.Duration(times) * d
	}
}

func (s *stopwatch) total() time.Duration {
	var sum time.Duration
	for _, d := range s.took {
		sum += d
	}
	return sum
}

// waits lists the kinds, longest first.
func (s *stopwatch) waits() []Wait {
	var out []Wait
	for kind, d := range s.took {
		out = append(out, Wait{kind, d.Seconds()})
	}
	slices.SortFunc(out, func(a, b Wait) int {
		switch {
		case a.Seconds > b.Seconds, a.Seconds == b.Seconds && a.Kind < b.Kind:
			return -1
		}
		return 1
	})
	return out
}

func (s *stopwatch) timing(ch Channel) model.Timing {
	if m := s.models[ch.Instrument]; m != nil {
		return m.Timing
	}
	return model.Timing{}
}

// How many messages things cost.
const (
	setMessages    = 4  // a setting, the question for errors, and another one with that for a restart at the end of the step
	switchMessages = 3  // an output: the switch, the question for errors, and whether it is on
	readMessages   = 2  // a reading: its start and its question
	statusMessages = 5  // a source or load that is asked what it is doing, and what is set
	checkMessages  = 2  // the question for errors and a restart, at the end of a point
	openMessages   = 8  // an instrument that is opened and prepared
	firstMessages  = 10 // a source or load besides: protection, limits, outputs off
	lastMessages   = 8  // and that is switched off in the end
)

func (s *stopwatch) set(w *walker, role int, was Setting, _ diag.Place, times int) {
	t := s.timing(s.plan.Roles[role].Channel)
	st := w.state[role]
	if st == was || w.listed != nil {
		return
	}
	if need := s.plan.Roles[role].Need; need.Role == sequence.RoleSource && st.On && !math.IsNaN(st.Volts) {
		s.last[need.Node] = st.Volts
	}
	same := was
	if same.On = st.On; same != st {
		s.add(ledger.Processing, times, setMessages*t.Processing)
	}
	step := st.Volts - was.Volts
	spec := model.SourceSpec{}
	if ch := s.channel(s.plan.Roles[role].Channel); ch != nil && ch.Source != nil {
		spec = *ch.Source
	}
	switch {
	case st.On && !was.On:
		s.add(ledger.OutputUp, times, switchMessages*t.Processing)
		s.moves = max(s.moves, t.OutputUp)
	case !st.On && was.On:
		s.add(ledger.OutputDown, times, switchMessages*t.Processing)
		s.moves = max(s.moves, t.OutputDown)
	case st.On && step > 0:
		s.moves = max(s.moves, moving(t.OutputUp, step, spec.SlewUp))
	case st.On && step < 0:
		s.moves = max(s.moves, moving(t.OutputDown, -step, spec.SlewDown))
	}
	if st.Hold.Dim != was.Hold.Dim {
		s.add(ledger.Processing, times, t.ModeChange)
	}
}

// moving is how long an output takes for a step: what is stated for its whole way, less where its slew makes a small step short.
func moving(whole time.Duration, step, slew float64) time.Duration {
	if slew <= 0 {
		return whole
	}
	return min(whole, seconds(step/slew))
}

// passing lets time go by in which outputs move that nobody waits for.
func (s *stopwatch) passing(d time.Duration) { s.moves = max(0, s.moves-d) }

// settle needs readings that fill the window, after the outputs have arrived: readings are a fifth of the window long. What the device itself
// needs is not known before.
func (s *stopwatch) settle(w *walker, st *sequence.Settle, times int) {
	if w.listed != nil {
		return
	}
	window := seconds(st.For.SI)
	aperture := min(max(window/5, time.Millisecond), 100*time.Millisecond)
	reading := aperture
	for _, n := range st.Value.Nodes() {
		if k := s.plan.GaugeIndex(sequence.Function(n.Function), n.Node); k >= 0 {
			t := s.timing(s.plan.Gauges[k].Channel)
			reading = max(reading, aperture+t.Reading+readMessages*t.Processing)
		}
	}
	count := max(2, math.Ceil(float64(window)/float64(reading)))
	s.add(ledger.Settle, times, s.moves+time.Duration(count*float64(reading)))
	s.moves = 0
}

// record counts the time of a recording without steps; with steps these take the time.
func (s *stopwatch) record(w *walker, r *sequence.Record, times int) {
	if r.For != nil {
		s.add(ledger.Aperture, times, seconds(w.number(r.For)))
	}
}

func (s *stopwatch) emulate(w *walker, e *sequence.Emulate, times int) {
	if e.Until.Time != nil {
		s.add(ledger.FixedWait, times, seconds(w.number(e.Until.Time)))
	}
}

func (s *stopwatch) wait(w *walker, duration float64, times int) {
	if w.listed != nil {
		return
	}
	s.add(ledger.FixedWait, times, seconds(duration))
	s.passing(seconds(duration))
}

func seconds(x float64) time.Duration {
	if !(x > 0) || x > 1e9 {
		return 0
	}
	return time.Duration(x * float64(time.Second))
}

// measure takes the longest reading of each round: all of a round run at one time.
func (s *stopwatch) measure(m *sequence.Measure, specs []model.Range, passes, times int) {
	aperture := apertureOf(m)
	if span := seconds(m.Burst.For.SI); span > 0 {
		aperture = span
	}
	// instruments are spoken to together: the slowest counts
	var status, check time.Duration
	for i := range s.plan.Roles {
		if r := &s.plan.Roles[i]; r.Need.Role == sequence.RoleSource || r.Need.Role == sequence.RoleLoad {
			status = max(status, statusMessages*s.timing(r.Channel).Processing)
			check = max(check, checkMessages*s.timing(r.Channel).Processing)
		}
	}
	for _, r := range m.Readings {
		if k := s.plan.GaugeIndex(r.Function, r.Node); k >= 0 {
			check = max(check, checkMessages*s.timing(s.plan.Gauges[k].Channel).Processing)
		}
	}
	s.add(ledger.Processing, times, status+check)
	for _, readings := range s.plan.Rounds(m) {
		var processing, reading time.Duration
		used := false
		for _, i := range readings {
			k := s.plan.GaugeIndex(m.Readings[i].Function, m.Readings[i].Node)
			if k < 0 {
				continue
			}
			used = true
			ch := s.plan.Gauges[k].Channel
			s.contact(&s.plan.Gauges[k], times*passes)
			t := s.timing(ch)
			processing = max(processing, readMessages*t.Processing)
			reading = max(reading, t.Reading)
			if full := specs[i].Full; s.ranges[ch] != full && !s.plan.Gauges[k].Together {
				s.ranges[ch] = full
				s.add(ledger.Range, times, t.RangeChange)
			}
		}
		if used {
			s.add(ledger.Processing, times*passes, processing)
			s.add(ledger.Processing, times*passes, reading)
			s.add(ledger.Aperture, times*passes, aperture)
			s.passing(aperture)
		}
	}
}

// around adds what comes before the first step and after the last: preparing, switching off, and watching until nodes are discharged.
func (s *stopwatch) around() {
	var opens, first time.Duration
	open := func(ch Channel) { opens = max(opens, openMessages*s.timing(ch).Processing) }
	for i := range s.plan.Gauges {
		open(s.plan.Gauges[i].Channel)
	}
	for i := range s.plan.Roles {
		r := &s.plan.Roles[i]
		open(r.Channel)
		if r.Need.Role != sequence.RoleSource && r.Need.Role != sequence.RoleLoad {
			continue
		}
		t := s.timing(r.Channel)
		first = max(first, firstMessages*t.Processing)
		s.add(ledger.OutputDown, 1, lastMessages*t.Processing)
		if r.Need.Role == sequence.RoleSource {
			s.add(ledger.OutputDown, 1, s.discharge(r.Need.Node, s.last[r.Need.Node]))
		}
	}
	s.add(ledger.Processing, 1, opens+first)
}

// dischargedVolts is where a node counts as discharged, and dischargeWithin is how long a run looks.
const (
	dischargedVolts = 1.0
	dischargeWithin = 3 * time.Second
)

// discharge is how long a node takes to be discharged through its bleeder: RC ln(V/Vsafe), as far as the bench states both.
func (s *stopwatch) discharge(node string, volts float64) time.Duration {
	for _, n := range s.plan.Bench.Nodes {
		if n.Name == node && volts > dischargedVolts {
			return min(dischargeWithin, seconds(n.Farads*n.BleederOhm*math.Log(volts/dischargedVolts)))
		}
	}
	return 0
}

func roughly(seconds float64) string {
	d := time.Duration(seconds * float64(time.Second))
	if d < time.Minute {
		return quantity.Of(seconds, quantity.Time).Text(2)
	}
	return d.Round(time.Second).String()
}
