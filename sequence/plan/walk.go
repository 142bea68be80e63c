package plan

import (
	"math"
	"strings"

	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/sequence"
	"fourwire/sequence/expr"
	"fourwire/sequence/profile"
)

// walker goes through a sequence with every value of every sweep, without instruments. Its hooks see what would be set and
// read, and when.
type walker struct {
	of     *Plan
	seq    *sequence.Sequence
	under  sequence.Step // the step of the hook under way, where it is no source or load step
	roles  map[string]int
	state  []Setting
	pulses map[string]float64 // by role: rest behind each reading, s
	coords []coordinate
	params map[string]quantity.Quantity

	points   int
	listed   *listedSweep // the sweep under way, where instruments do it by lists; nil: none
	hooks    hooks
	inactive int // inside a branch that is not known to be taken: do not complain about order there
}

// hooks are called while walking; nil ones are skipped. times is how often the enclosing repeats run the step.
type hooks struct {
	set     func(w *walker, role int, was Setting, at diag.Place, times int)
	measure func(w *walker, m *sequence.Measure, times int)
	settle  func(w *walker, s *sequence.Settle, times int)
	check   func(w *walker, s *sequence.Check, times int)
	wait    func(w *walker, seconds float64, times int)
	derive  func(w *walker, d *sequence.Derive)
	judge   func(w *walker, j *sequence.Judge, times int)
	zero    func(w *walker, z *sequence.Zero)
	record  func(w *walker, r *sequence.Record, times int)
	emulate func(w *walker, e *sequence.Emulate, times int)
	gives   func(w *walker, names []sequence.Given)
	listed  func(w *walker, l *listedSweep, times int)
	capture func(w *walker, c *sequence.Capture, times int)
	list    func(w *walker, l *sequence.List, times int)
	rails   func(w *walker, s *sequence.Rails, times int)
	short   func(w *walker, s *sequence.Short, times int)
	// switching sees a switch that moves
	switching func(w *walker, s *sequence.Switching, times int)
	profile   func(w *walker, s *sequence.Profile, wave profile.Wave, times int) // wave is nil where it is not known before the run
	// condition sees each "when" that is met
	condition func(s *sequence.When)
}

type coordinate struct {
	name  string
	value quantity.Quantity
}

func newWalker(p *Plan, h hooks) *walker {
	seq := p.Sequence
	w := &walker{of: p, seq: seq, roles: map[string]int{}, params: map[string]quantity.Quantity{}, hooks: h}
	for i, n := range seq.Needs {
		w.roles[n.Name] = i
		w.state = append(w.state, NotSet())
	}
	for _, p := range seq.Params {
		if len(p.Values.List) == 1 {
			w.params[p.Name] = p.Values.List[0]
		}
	}
	return w
}

func (w *walker) run() { w.block(w.seq.Steps, 1) }

// where says at which coordinates the walk is: "vin 9 V, iout 3 A".
func (w *walker) where() string {
	parts := make([]string, len(w.coords))
	for i, c := range w.coords {
		parts[i] = c.name + " " + c.value.String()
	}
	return strings.Join(parts, ", ")
}

// Value makes the walker the environment of setpoint expressions: coordinates and parameters only.
func (w *walker) Value(name string) (measured.Value, bool) {
	for i := len(w.coords) - 1; i >= 0; i-- {
		if w.coords[i].name == name {
			return measured.Exact(w.coords[i].value), true
		}
	}
	q, ok := w.params[name]
	return measured.Exact(q), ok
}

// Node refuses: nothing is measured yet.
func (w *walker) Node(string, string) (measured.Value, error) {
	return measured.Value{}, errNotMeasured
}

// Column refuses likewise.
func (w *walker) Column(string) ([]measured.Value, bool) { return nil, false }

// number evaluates a setpoint; NaN where it depends on a measurement.
func (w *walker) number(e *expr.Expr) float64 {
	q, ok := w.quantity(e)
	if !ok {
		return math.NaN()
	}
	return q.SI
}

func (w *walker) quantity(e *expr.Expr) (quantity.Quantity, bool) {
	q, err := sequence.Amount(e, w)
	return q, err == nil
}

// block is one pass through a list of steps: one point where it measures.
func (w *walker) block(steps []sequence.Step, times int) {
	if sequence.MakesRow(steps) {
		w.points += times
	}
	w.steps(steps, times)
}

func (w *walker) steps(steps []sequence.Step, times int) {
	for _, s := range steps {
		w.step(s, times)
	}
}

func (w *walker) step(s sequence.Step, times int) {
	switch s := s.(type) {
	case *sequence.Source:
		w.source(s, times)
	case *sequence.Load:
		w.load(s, times)
	case *sequence.Measure:
		if w.hooks.measure != nil {
			w.hooks.measure(w, s, times)
		}
		w.rest(times)
	case *sequence.Zero:
		if w.hooks.zero != nil {
			w.hooks.zero(w, s)
		}
	case *sequence.Judge:
		if w.hooks.judge != nil {
			w.hooks.judge(w, s, times)
		}
	case *sequence.Derive:
		if w.hooks.derive != nil {
			w.hooks.derive(w, s)
		}
	case *sequence.Settle:
		if w.hooks.settle != nil {
			w.hooks.settle(w, s, times)
		}
	case *sequence.Check:
		if w.hooks.check != nil {
			w.hooks.check(w, s, times)
		}
	case *sequence.Wait:
		if w.hooks.wait != nil {
			if seconds := w.number(s.For); seconds > 0 {
				w.hooks.wait(w, seconds, times)
			}
		}
	case *sequence.Sweep:
		w.sweep(s, times)
	case *sequence.Repeat:
		w.coords = append(w.coords, coordinate{RepeatColumn, quantity.Quantity{SI: 1}})
		w.block(s.Steps, times*s.Times)
		w.coords = w.coords[:len(w.coords)-1]
	case *sequence.When:
		w.when(s, times)
	case *sequence.Record:
		if w.hooks.record != nil {
			w.hooks.record(w, s, times)
		}
		w.steps(s.Steps, times)
	case *sequence.Capture:
		w.capture(s, times)
	case *sequence.List:
		w.list(s, times)
	case *sequence.Switching:
		w.switching(s, times)
	case *sequence.Short:
		if w.hooks.short != nil {
			w.hooks.short(w, s, times)
		}
	case *sequence.Rails:
		w.rails(s, times)
	case *sequence.Profile:
		w.profile(s, times)
	case *sequence.Figures:
		w.given(s.Gives)
	case *sequence.Drain:
		w.given(s.Gives)
	case *sequence.Life:
		w.given(s.Gives)
	case *sequence.Emulate:
		w.emulate(s, times)
	case *sequence.Reverse:
		w.reverse(s, times)
	case *sequence.Fit:
		w.given(s.Gives)
	}
}

func (w *walker) given(names []sequence.Given) {
	if w.hooks.gives != nil {
		w.hooks.gives(w, names)
	}
}

// emulate walks one point of an emulation, at its highest voltage.
func (w *walker) emulate(s *sequence.Emulate, times int) {
	i, ok := w.roles[s.Role]
	if !ok {
		return
	}
	was, st := w.state[i], &w.state[i]
	st.Volts, st.On = w.fullVolts(s), true
	if s.Amps != nil {
		st.Amps = w.number(s.Amps)
	}
	w.under = s
	if w.hooks.set != nil {
		w.hooks.set(w, i, was, s.At(), times)
	}
	w.under = nil
	if w.hooks.emulate != nil {
		w.hooks.emulate(w, s, times)
	}
	points := s.Points()
	w.points += times * points
	if w.hooks.measure != nil && len(s.Reads) > 0 {
		w.hooks.measure(w, s.Reading(), times*points)
	}
	w.given(s.Gives)
	w.inactive++ // how often its points come is not known
	w.steps(s.Steps, times*points)
	w.inactive--
	st.On = s.Then == sequence.On
	if w.hooks.set != nil && !st.On {
		w.hooks.set(w, i, Setting{On: true, Volts: st.Volts, Amps: st.Amps, Hold: st.Hold}, s.At(), times)
	}
}

// RepeatColumn is the coordinate that counts the passes of a repeat, from 1.
const RepeatColumn = "n"

// sweep walks every value. Values that depend on a measurement are not known: the steps are then walked once, with the
// coordinate unknown, so that what does not depend on it is still looked at.
func (w *walker) sweep(s *sequence.Sweep, times int) {
	values, err := s.Values.Work(w)
	if err != nil {
		values = []quantity.Quantity{{SI: math.NaN(), Dim: s.Values.Dim}}
		w.inactive++
		defer func() { w.inactive-- }()
	}
	if s.RepeatFirst && len(values) > 0 {
		values = append(values[:len(values):len(values)], values[0])
	}
	if f := w.of.Fast(s); f != nil && f.Why == "" && w.hooks.listed != nil {
		w.listed = &listedSweep{fast: f}
		defer func() {
			w.hooks.listed(w, w.listed, times)
			w.listed = nil
		}()
	}
	if s.Refine != nil {
		values = refined(s, values)
		defer w.given(s.Refine.Gives)
	}
	for _, v := range ways(s, values) {
		w.coords = append(w.coords, coordinate{s.Name, v})
		w.block(s.Steps, times)
		w.coords = w.coords[:len(w.coords)-1]
	}
}

func (w *walker) when(s *sequence.When, times int) {
	if w.hooks.condition != nil {
		w.hooks.condition(s)
	}
	result, err := s.If.Eval(w)
	if err == nil {
		if result.Truth {
			w.steps(s.Then, times)
		} else {
			w.steps(s.Else, times)
		}
		return
	}
	// not known before the run: look into both branches, then go on as if neither had changed anything
	before := append([]Setting(nil), w.state...)
	w.inactive++
	w.steps(s.Then, times)
	copy(w.state, before)
	w.steps(s.Else, times)
	copy(w.state, before)
	w.inactive--
}

func (w *walker) source(s *sequence.Source, times int) {
	i, ok := w.roles[s.Role]
	if !ok {
		return
	}
	was := w.state[i]
	st := &w.state[i]
	if st.ForceAmps != (s.Force == sequence.Amps) {
		*st = NotSet()
	}
	if s.Volts != nil {
		st.Volts = w.number(s.Volts)
	}
	if s.Amps != nil {
		st.Amps = w.number(s.Amps)
	}
	st.On, st.ForceAmps = s.Output != sequence.Off, s.Force == sequence.Amps
	w.pulse(s)
	if w.hooks.set != nil {
		w.hooks.set(w, i, was, s.At(), times)
	}
}

func (w *walker) load(s *sequence.Load, times int) {
	i, ok := w.roles[s.Role]
	if !ok {
		return
	}
	was := w.state[i]
	st := &w.state[i]
	if s.Hold != nil {
		q, ok := w.quantity(s.Hold)
		if !ok {
			q = quantity.Quantity{SI: math.NaN(), Dim: was.Hold.Dim}
		}
		st.Hold = q
	}
	st.On = s.Input != sequence.Off
	if w.hooks.set != nil {
		w.hooks.set(w, i, was, s.At(), times)
	}
}
