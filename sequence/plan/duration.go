package plan

import (
	"math"
	"slices"
	"time"

	"fourwire/driver/model"
	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/sequence"
)

// Wait is the time that a run spends on one kind of wait.
type Wait struct {
	Kind    string  `json:"kind"`
	Seconds float64 `json:"seconds"`
}

// The kinds of wait of a prediction.
const (
	waitProcessing = "processing" // instruments at work on commands and answers
	waitOutput     = "output"     // outputs that move
	waitSettle     = "settle"     // stability windows; what the device itself needs is not known before
	waitFixed      = "fixed wait"
	waitAperture   = "aperture"
	waitReading    = "reading" // of an instrument, on top of the aperture
	waitRange      = "range"   // measuring ranges that change
	waitMode       = "mode"    // load modes that change
	waitRecording  = "recording"
	waitEmulation  = "emulation" // the longest that it may take
)

// stopwatch adds up how long a run takes, from the timing of the models.
type stopwatch struct {
	*binder
	took   map[string]time.Duration
	ranges map[Channel]float64 // where each meter stands
}

func newStopwatch(c *binder) *stopwatch {
	return &stopwatch{binder: c, took: map[string]time.Duration{}, ranges: map[Channel]float64{}}
}

func (s *stopwatch) add(kind string, times int, d time.Duration) {
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

// setMessages is how many messages one setting costs: the setting, its verification, and the question for errors.
const setMessages = 3

func (s *stopwatch) set(w *walker, role int, was Setting, _ diag.Place, times int) {
	t := s.timing(s.plan.Roles[role].Channel)
	st := w.state[role]
	if st == was {
		return
	}
	s.add(waitProcessing, times, setMessages*t.Processing)
	step := st.Volts - was.Volts
	spec := model.SourceSpec{}
	if ch := s.channel(s.plan.Roles[role].Channel); ch != nil && ch.Source != nil {
		spec = *ch.Source
	}
	switch {
	case st.On && !was.On:
		s.add(waitOutput, times, t.OutputUp)
	case !st.On && was.On:
		s.add(waitOutput, times, t.OutputDown)
	case st.On && step > 0:
		s.add(waitOutput, times, moving(t.OutputUp, step, spec.SlewUp))
	case st.On && step < 0:
		s.add(waitOutput, times, moving(t.OutputDown, -step, spec.SlewDown))
	}
	if st.Hold.Dim != was.Hold.Dim {
		s.add(waitMode, times, t.ModeChange)
	}
}

// moving is how long an output takes for a step: what is stated for its whole way, less where its slew makes a small step short.
func moving(whole time.Duration, step, slew float64) time.Duration {
	if slew <= 0 {
		return whole
	}
	return min(whole, seconds(step/slew))
}

// statusMessages is how many messages it costs to ask a source or load for its mode at a point.
const statusMessages = 2

// settle needs the window and one more reading to see it: readings are a fifth of the window long.
func (s *stopwatch) settle(_ *walker, st *sequence.Settle, times int) {
	window := seconds(st.For.SI)
	aperture := min(max(window/5, time.Millisecond), 100*time.Millisecond)
	reading := aperture
	for _, n := range st.Value.Nodes() {
		if k := s.plan.GaugeIndex(sequence.Function(n.Function), n.Node); k >= 0 {
			t := s.timing(s.plan.Gauges[k].Channel)
			reading = max(reading, aperture+t.Reading+2*t.Processing)
		}
	}
	count := math.Ceil(float64(window) / float64(reading))
	s.add(waitSettle, times, time.Duration((count+1)*float64(reading)))
}

// record counts the time of a recording without steps; with steps these take the time.
func (s *stopwatch) record(w *walker, r *sequence.Record, times int) {
	if r.For != nil {
		s.add(waitRecording, times, seconds(w.number(r.For)))
	}
}

func (s *stopwatch) emulate(w *walker, e *sequence.Emulate, times int) {
	if e.Until.Time != nil {
		s.add(waitEmulation, times, seconds(w.number(e.Until.Time)))
	}
}

func (s *stopwatch) wait(_ *walker, duration float64, times int) {
	s.add(waitFixed, times, seconds(duration))
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
	for i := range s.plan.Roles {
		if s.plan.Roles[i].Need.Role != sequence.RoleMeter {
			s.add(waitProcessing, times, statusMessages*s.timing(s.plan.Roles[i].Channel).Processing)
		}
	}
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
			t := s.timing(ch)
			processing += 2 * t.Processing
			reading = max(reading, t.Reading)
			if full := specs[i].Full; s.ranges[ch] != full && !s.plan.Gauges[k].Together {
				s.ranges[ch] = full
				s.add(waitRange, times, t.RangeChange)
			}
		}
		if used {
			s.add(waitProcessing, times*passes, processing)
			s.add(waitReading, times*passes, reading)
			s.add(waitAperture, times*passes, aperture)
		}
	}
}

func roughly(seconds float64) string {
	d := time.Duration(seconds * float64(time.Second))
	if d < time.Minute {
		return quantity.Of(seconds, quantity.Time).Text(2)
	}
	return d.Round(time.Second).String()
}
