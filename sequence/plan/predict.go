package plan

import (
	"fmt"
	"math"
	"time"

	"fourwire/driver/model"
	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/sequence"
)

// DefaultAperture is the aperture of a measure step that states none: one cycle of a 50 Hz mains.
const DefaultAperture = 20 * time.Millisecond

// predict works out, before anything is connected, how long the run takes and how uncertain its derived values will be.
func (c *binder) predict() {
	f := &forecast{binder: c, values: map[string]measured.Value{}}
	w := newWalker(c.plan.Sequence, hooks{set: f.set, measure: f.measure, settle: f.settle, wait: f.wait, derive: f.derive})
	f.walker = w
	w.run()
	c.plan.Predicted = f.took
	c.plan.Fit.Points, c.plan.Fit.Seconds, c.plan.Fit.Derived = c.plan.Points, f.took.Seconds(), f.spreads
}

type forecast struct {
	*binder
	*walker
	took    time.Duration
	ledger  measured.Ledger
	values  map[string]measured.Value
	spreads []Spread
}

func (f *forecast) timing(ch Channel) model.Timing {
	if m := f.models[ch.Instrument]; m != nil {
		return m.Timing
	}
	return model.Timing{}
}

func (f *forecast) set(w *walker, role int, was Setting, _ diag.Place, times int) {
	t := f.timing(f.plan.Roles[role].Channel)
	took := t.Processing
	st := w.state[role]
	switch {
	case st.On && !was.On, st.Volts > was.Volts:
		took += t.OutputUp
	case !st.On && was.On, st.Volts < was.Volts:
		took += t.OutputDown
	}
	f.took += time.Duration(times) * took
}

func (f *forecast) settle(_ *walker, s *sequence.Settle, times int) {
	// a settled device needs the window, and about one more to see it
	f.took += time.Duration(float64(times) * 2 * s.For.SI * float64(time.Second))
}

func (f *forecast) wait(_ *walker, seconds float64, times int) {
	f.took += time.Duration(float64(times) * seconds * float64(time.Second))
}

func (f *forecast) measure(w *walker, m *sequence.Measure, times int) {
	aperture := time.Duration(m.Aperture.SI * float64(time.Second))
	if aperture <= 0 {
		aperture = DefaultAperture
	}
	var round time.Duration
	for _, readings := range f.plan.Rounds(m) {
		longest := time.Duration(0)
		for _, i := range readings {
			k := f.plan.GaugeIndex(m.Readings[i].Function, m.Readings[i].Node)
			if k < 0 {
				continue
			}
			t := f.timing(f.plan.Gauges[k].Channel)
			round += 2 * t.Processing
			longest = max(longest, aperture+t.Reading)
		}
		round += longest
	}
	f.took += time.Duration(times*max(1, m.Average)) * round
	for _, r := range m.Readings {
		if k := f.plan.GaugeIndex(r.Function, r.Node); k >= 0 {
			f.values[r.Name] = f.reading(f.plan.Gauges[k], f.plan.Expect(w.state, r.Function, r.Node), r.Name, aperture, max(1, m.Average))
		}
	}
}

// reading is a measured value as it may come, with the error inputs that it will have.
func (f *forecast) reading(g Gauge, x float64, name string, aperture time.Duration, times int) measured.Value {
	spec := model.Pick(g.Specs, x)
	a := spec.Contributions(x, aperture.Seconds(), f.plan.Bench.AmbientKelvin)
	what := map[sequence.Function]string{sequence.Volts: "volts", sequence.Amps: "amps"}[g.Function]
	shared := fmt.Sprintf("%s %s %s", g.Channel, what, quantity.Of(spec.Full, dimension(g.Function)))
	input := func(name string, kind measured.Kind, part float64) measured.Term {
		return measured.Term{Input: f.ledger.Shared(measured.Input{Name: name, Kind: kind}), Part: part}
	}
	return measured.New(quantity.Of(x, dimension(g.Function)),
		input(shared+" gain", measured.Gain, a.Gain), input(shared+" offset", measured.Offset, a.Offset),
		input(name+" noise", measured.Noise, a.Noise/math.Sqrt(float64(times))), input(name+" resolution", measured.Quantisation, a.Quantisation/math.Sqrt(float64(times))),
		input(shared+" temperature", measured.Temperature, a.TemperatureGain+math.Copysign(a.TemperatureOffset, a.TemperatureGain)))
}

// Value gives predicted readings besides coordinates and parameters.
func (f *forecast) Value(name string) (measured.Value, bool) {
	if v, ok := f.values[name]; ok {
		return v, true
	}
	return f.walker.Value(name)
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

func (f *forecast) spread(name, at string, v measured.Value) {
	u := v.Expanded()
	if math.IsNaN(u) || math.IsInf(u, 0) {
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

// Rounds groups the readings of a measure step, as indices of them, so that no instrument is asked for two readings at one
// time: all of a round begin together. A channel that takes volts and amps in one reading gives both in one round.
func (p *Plan) Rounds(m *sequence.Measure) [][]int {
	var rounds [][]int
	for i, r := range m.Readings {
		k, n := p.GaugeIndex(r.Function, r.Node), 0
		for k >= 0 && n < len(rounds) && p.clash(m, rounds[n], k) {
			n++
		}
		if n == len(rounds) {
			rounds = append(rounds, nil)
		}
		rounds[n] = append(rounds[n], i)
	}
	return rounds
}

// clash tells whether a gauge cannot take part in a round, because its instrument is busy with another reading.
func (p *Plan) clash(m *sequence.Measure, round []int, k int) bool {
	g := &p.Gauges[k]
	for _, i := range round {
		other := p.GaugeIndex(m.Readings[i].Function, m.Readings[i].Node)
		if other < 0 || p.Gauges[other].Channel.Instrument != g.Channel.Instrument {
			continue
		}
		if o := &p.Gauges[other]; o.Channel != g.Channel || o.Function == g.Function || !g.Together {
			return true
		}
	}
	return false
}
