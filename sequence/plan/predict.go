package plan

import (
	"fmt"
	"math"
	"time"

	"fourwire/driver/model"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/sequence"
)

// DefaultAperture is the aperture of a measure step that states none: one cycle of a 50 Hz mains.
const DefaultAperture = 20 * time.Millisecond

// MaxForecast is how many predictions a fit holds one by one; the worst ones are found among all.
const MaxForecast = 20_000

// Forecast is the predicted uncertainty of one measured or derived value at one planned point.
type Forecast struct {
	At      string  `json:"at"`
	Name    string  `json:"name"`
	Unit    string  `json:"unit"`
	Value   float64 `json:"value"`             // SI, as it may come
	U       float64 `json:"uncertainty"`       // expanded, k = 2, SI
	Biggest string  `json:"biggest,omitempty"` // contributor
}

// predict works out, before anything is connected, how long the run takes and how uncertain its values will be.
func (c *binder) predict() {
	f := &forecast{binder: c, values: map[string]measured.Value{}, learned: map[int]float64{}, near: map[int]int{}, clock: newStopwatch(c), bounds: map[string]*bounds{}}
	w := newWalker(c.plan, hooks{set: f.clock.set, measure: f.measure, settle: f.clock.settle, wait: f.clock.wait, listed: f.clock.listed, derive: f.derive, judge: f.judge, gives: f.gives, record: f.clock.record, capture: f.clock.capture, profile: f.clock.profile, short: f.clock.short, rails: f.clock.rails, switching: f.clock.switching, emulate: f.clock.emulate})
	f.walker = w
	w.run()
	f.clock.around()
	fit := &c.plan.Fit
	c.plan.Predicted = f.clock.total()
	fit.Points, fit.Seconds, fit.Derived, fit.Time = c.plan.Points, c.plan.Predicted.Seconds(), f.spreads, f.clock.waits()
	fit.Forecast, fit.Cut = f.list, f.cut
	fit.Judged = f.ratios()
	for k := range c.plan.Gauges {
		if n := f.near[k]; n > 0 {
			g := &c.plan.Gauges[k]
			fit.Notes = append(fit.Notes, fmt.Sprintf("%d readings of %s are expected so near to the end of a range of %s that the run may take another one; their U is then that of the other", n, g.Name(), g.Channel))
		}
	}
}

type forecast struct {
	*binder
	*walker
	clock   *stopwatch
	ledger  measured.Ledger
	values  map[string]measured.Value
	learned map[int]float64 // by gauge: the part of its guess that the last reading found, as the runner learns it
	near    map[int]int     // by gauge: planned readings that another range might take
	spreads []Spread
	list    []Forecast
	cut     bool
	judged  []*judgement
	bounds  map[string]*bounds
}

func apertureOf(m *sequence.Measure) time.Duration {
	if d := time.Duration(m.Aperture.SI * float64(time.Second)); d > 0 {
		return d
	}
	return DefaultAperture
}

func (f *forecast) measure(w *walker, m *sequence.Measure, times int) {
	passes := f.plan.Passes(m)
	specs := make([]model.Range, len(m.Readings))
	for i, r := range m.Readings {
		k := f.plan.GaugeIndex(r.Function, r.Node)
		if k < 0 {
			continue
		}
		g := &f.plan.Gauges[k]
		x := f.plan.Likely(w.state, r.Function, r.Node)
		specs[i] = f.pick(k, m, r, x)
		if f.nearEnd(k, m, r) {
			f.near[k] += times
		}
		f.values[r.Name] = f.reading(*g, specs[i], x, r.Name, apertureOf(m), passes)
		f.learn(k, x)
		f.keep(r.Name, w.where(), f.values[r.Name])
	}
	if w.listed != nil {
		w.listed.sees(specs)
		return
	}
	f.clock.measure(m, specs, passes, times)
}

// guessed tells whether what a gauge is expected to read is a guess that the runner makes better as it goes: the current of
// a source's node.
func (f *forecast) guessed(k int) bool {
	g := &f.plan.Gauges[k]
	if g.Function != sequence.Amps {
		return false
	}
	for _, r := range f.plan.Roles {
		if r.Need.Node == g.Node && r.Need.Role == sequence.RoleSource {
			return true
		}
	}
	return false
}

// pick gives the range that the runner will read on: the one for what it expects, or one that holds the value.
func (f *forecast) pick(k int, m *sequence.Measure, r sequence.Reading, likely float64) model.Range {
	g := &f.plan.Gauges[k]
	expect := f.plan.Expect(f.state, r.Function, r.Node)
	if part := f.learned[k]; part > 0 {
		expect *= math.Min(1, 1.2*part)
	}
	if q, ok := m.Ranges[r.Name]; ok {
		expect = q.SI
	}
	spec := pick(*g, expect)
	if !none(likely) && !spec.Holds(likely) {
		spec = pick(*g, likely)
	}
	return spec
}

// nearEnd tells whether the range of a reading depends on where within its span the efficiency of the device lies.
func (f *forecast) nearEnd(k int, m *sequence.Measure, r sequence.Reading) bool {
	dev := f.plan.Sequence.Device
	part := f.learned[k]
	if _, fixed := m.Ranges[r.Name]; fixed || dev == nil || !dev.Efficiency.Set || part <= 0 || !f.guessed(k) {
		return false
	}
	expect := 1.2 * part * f.plan.Expect(f.state, r.Function, r.Node)
	g, mid := f.plan.Gauges[k], likelyEfficiency(dev)
	return pick(g, expect*mid/dev.Efficiency.Low).Full != pick(g, expect*mid/dev.Efficiency.High).Full
}

// pick is the range for a value; the largest where it is not known.
func pick(g Gauge, x float64) model.Range {
	if none(x) {
		return g.Specs[len(g.Specs)-1]
	}
	return model.Pick(g.Specs, x)
}

func (f *forecast) learn(k int, x float64) {
	g := &f.plan.Gauges[k]
	guess := f.plan.Expect(f.state, g.Function, g.Node)
	if part := math.Abs(x / guess); f.guessed(k) && part > 0 && !math.IsInf(part, 0) {
		f.learned[k] = part
	}
}

// reading is a measured value as it may come, with the error inputs that it will have.
func (f *forecast) reading(g Gauge, spec model.Range, x float64, name string, aperture time.Duration, times int) measured.Value {
	a := spec.Contributions(x, aperture.Seconds(), f.plan.Bench.AmbientKelvin)
	what := map[sequence.Function]string{sequence.Volts: "volts", sequence.Amps: "amps"}[g.Function]
	shared := fmt.Sprintf("%s %s %s", g.Channel, what, quantity.Of(spec.Full, dimension(g.Function)))
	input := func(name string, kind measured.Kind, part float64) measured.Term {
		return measured.Term{Input: f.ledger.Shared(measured.Input{Name: name, Kind: kind}), Part: part}
	}
	root := math.Sqrt(float64(times))
	terms := []measured.Term{
		input(shared+" gain", measured.Gain, a.Gain), input(shared+" offset", measured.Offset, a.Offset),
		input(name+" noise", measured.Noise, a.Noise/root), input(name+" resolution", measured.Quantisation, a.Quantisation/root),
		input(shared+" temperature gain", measured.Temperature, a.TemperatureGain), input(shared+" temperature offset", measured.Temperature, a.TemperatureOffset),
	}
	if g.LeadOhm > 0 && g.Role >= 0 {
		if amps := math.Abs(f.plan.Likely(f.state, sequence.Amps, g.Node)); amps > 0 {
			terms = append(terms, input(g.Channel.String()+" lead drop", measured.Lead, g.LeadTolerance*g.LeadOhm*amps/math.Sqrt(3)))
		}
	}
	return measured.New(quantity.Of(x, dimension(g.Function)), terms...)
}

// Value gives predicted readings besides coordinates and parameters.
func (f *forecast) Value(name string) (measured.Value, bool) {
	if v, ok := f.values[name]; ok {
		return v, true
	}
	return f.walker.Value(name)
}

// gives forgets what a step will give: it is not known before the run.
func (f *forecast) gives(_ *walker, names []sequence.Given) {
	for _, g := range names {
		delete(f.values, g.Name)
	}
}

func (f *forecast) derive(w *walker, d *sequence.Derive) {
	for _, item := range d.Items {
		r, err := item.Value.Eval(f)
		if err != nil {
			delete(f.values, item.Name)
			continue
		}
		f.values[item.Name] = r.Value
		f.spread(item.Name, w.where(), r.Value)
	}
}

// keep lists a prediction; ok is false where there is none.
func (f *forecast) keep(name, at string, v measured.Value) (u float64, ok bool) {
	u = v.Expanded()
	if none(u) || math.IsInf(u, 0) || none(v.X) || math.IsInf(v.X, 0) {
		return u, false
	}
	if len(f.list) < MaxForecast {
		f.list = append(f.list, Forecast{at, name, v.Dim.Unit(), v.X, u, f.biggest(v)})
	} else {
		f.cut = true
	}
	return u, true
}

func (f *forecast) spread(name, at string, v measured.Value) {
	u, ok := f.keep(name, at, v)
	if !ok {
		return
	}
	for i := range f.spreads {
		s := &f.spreads[i]
		if s.Name != name {
			continue
		}
		if u < s.Best {
			s.Best, s.BestAt = u, at
		}
		if u > s.Worst {
			s.Worst, s.WorstAt, s.Biggest = u, at, f.biggest(v)
		}
		return
	}
	f.spreads = append(f.spreads, Spread{name, v.Dim.Unit(), u, at, u, at, f.biggest(v)})
}

func (f *forecast) biggest(v measured.Value) string {
	if t, ok := v.Biggest(); ok {
		return f.ledger.Input(t.Input).Name
	}
	return ""
}
