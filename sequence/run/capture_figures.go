package run

import (
	"context"
	"fmt"
	"math"

	"fourwire/analysis/pulse"
	"fourwire/driver/model"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/record"
	"fourwire/sequence"
)

// figure is one that an analysis gave, with how the instrument adds to what it leaves uncertain.
type figure struct {
	what string
	fig  pulse.Figure
	dim  quantity.Dimension
	// kind says what of the instrument is in it.
	kind   figureKind
	signal int     // whose gain and offset count
	second int     // of a product: the other signal; -1: none
	times  float64 // of an integral: how long an offset counts, s
	// rounded is how much of a peak the bandwidth of the instrument takes off, about.
	rounded float64
	absent  bool // that it is missing is a finding about the device, and no fault of the measurement
}

// figureKind says what an instrument adds to a figure.
type figureKind uint8

const (
	ofLevel      figureKind = iota // a level: gain and offset
	ofDifference                   // of two levels: gain
	ofShare                        // of the amplitude: nothing
	ofTime                         // between two instants of one signal: the time base
	ofDelay                        // between the cause and an instant: the time base, and the skew to the cause
	ofTransition                   // the duration of a passage: the time base and the bandwidth
	ofSlew                         // gain over time base
	ofIntegral                     // over the time: gain, and offset times time
	ofSquare                       // twice the gain
	ofProduct                      // gain of both, and offset times time times the other
)

// analysis is one look at a captured signal.
type analysis struct {
	run    *runner
	of     *captured
	step   *sequence.Figures
	signal int
	edge   int // signal of the cause; -1: the trigger
	list   []figure
	kept   record.Figures
}

// figures looks at a captured signal, keeps what it finds, and gives values. What does not exist makes the point not valid, with the reason.
func (r *runner) figures(_ context.Context, s *sequence.Figures) error {
	w := r.open()
	r.begin(w)
	c := r.captures[s.Trace]
	if c == nil {
		return r.stop(Input, "%s was not captured in this run", s.Trace)
	}
	a := &analysis{run: r, of: c, step: s, signal: -1, edge: -1, kept: record.Figures{Kind: string(s.Kind), Of: s.Of, Cause: "trigger", List: []record.Figure{}, Marks: []record.Mark{}}}
	names := map[string]string{}
	for _, g := range s.Gives {
		names[g.What] = g.Name
	}
	if c.missed != "" { // the capture has said so
		for _, g := range s.Gives {
			v := measured.Value{X: nan}
			r.keep(g.Name, v)
			w.cells[g.Name] = r.cell(v)
		}
		return nil
	}
	for i := range c.signals {
		if c.signals[i].Name == s.Of {
			a.signal = i
		}
		if c.signals[i].Name == s.Edge {
			a.edge = i
		}
	}
	if a.signal < 0 {
		return r.stop(Fault, "%s has no signal %s", s.Trace, s.Of)
	}
	if err := a.look(); err != nil {
		return r.stop(Bench, "%s: %w", s.Title(), err)
	}
	values := map[string]measured.Value{}
	for _, f := range a.list {
		values[f.what] = a.keep(f, names[f.what])
	}
	for _, g := range s.Gives {
		v, ok := values[g.What]
		if !ok {
			return r.stop(Fault, "a %s step gives no %s", s.Kind, g.What)
		}
		r.keep(g.Name, v)
		w.cells[g.Name] = r.cell(v)
		if f := a.figure(g.What); !f.fig.OK() && !f.absent {
			w.invalid("%s, %s of %s in %s: %s", g.Name, g.What, s.Of, c.name, f.fig.Missing)
		}
	}
	for _, text := range a.kept.Notes {
		w.notes = append(w.notes, s.Of+": "+text)
	}
	a.tell()
	c.kept.Figures = append(c.kept.Figures, a.kept)
	return r.saveCapture(c)
}

// look chooses the analysis.
func (a *analysis) look() error {
	switch a.step.Kind {
	case sequence.PulseFigures:
		return a.pulse()
	case sequence.TransientFigures:
		return a.transient()
	case sequence.RippleFigures:
		return a.ripple()
	case sequence.InrushFigures:
		return a.inrush()
	case sequence.StartUpFigures:
		return a.startUp()
	case sequence.OverloadFigures:
		return a.overload()
	}
	return a.holdUp()
}

// trace is a signal as the analyses take it.
func (a *analysis) trace(signal int) pulse.Trace[float32] {
	s := &a.of.signals[signal]
	return pulse.Trace[float32]{Samples: s.samples, IntervalSeconds: a.of.every, StartSeconds: a.of.at(0), Step: s.step}
}

func (a *analysis) add(what string, f pulse.Figure, dim quantity.Dimension, kind figureKind) {
	a.list = append(a.list, figure{what: what, fig: f, dim: dim, kind: kind, signal: a.signal, second: -1})
}

func (a *analysis) figure(what string) *figure {
	for i := range a.list {
		if a.list[i].what == what {
			return &a.list[i]
		}
	}
	return &figure{fig: pulse.Figure{Missing: "it was not looked for"}}
}

func (a *analysis) mark(text string, at, to, low, high float64) {
	a.kept.Marks = append(a.kept.Marks, record.Mark{Text: text, At: at, To: to, Low: low, High: high})
}

// instant marks an instant, where it exists.
func (a *analysis) instant(text string, f pulse.Figure) {
	if f.OK() {
		a.mark(text, f.X, nan, nan, nan)
	}
}

// levelMark marks a level, where it exists.
func (a *analysis) levelMark(text string, f pulse.Figure) {
	if f.OK() {
		a.mark(text, nan, nan, f.X, nan)
	}
}

func (a *analysis) dim() quantity.Dimension { return a.of.signals[a.signal].Function.Dim() }

func (a *analysis) note(format string, args ...any) {
	a.kept.Notes = append(a.kept.Notes, fmt.Sprintf(format, args...))
}

// bandwidth of a signal, Hz; 0: not known.
func (a *analysis) bandwidth(signal int) float64 {
	if b := a.of.kept.Signals[signal].Bandwidth; b > 0 {
		return b
	}
	return 0
}

// riseOf is the 10-90 % duration of a filter of one pole: ln 9 / (2 pi f), 0.35 / f.
func riseOf(bandwidthHertz float64) float64 { return math.Log(9) / (2 * math.Pi * bandwidthHertz) }

// keep makes a measured value of a figure, and puts it into the record.
func (a *analysis) keep(f figure, name string) measured.Value {
	one := record.Figure{What: f.what, Name: name, Unit: f.dim.Unit(), Value: nan, U: nan}
	v := measured.Value{X: nan, Dim: f.dim}
	if f.kind == ofTransition {
		f.fig = a.own(f)
		if had := a.figure(f.what); had != nil {
			had.fig = f.fig
		}
	}
	if !f.fig.OK() {
		one.Missing = string(f.fig.Missing)
		a.kept.List = append(a.kept.List, one)
		return v
	}
	v = a.value(f)
	one.Value = v.X
	if len(v.Terms) > 0 {
		one.U, one.Biggest = v.Expanded(), a.run.biggest(v)
	}
	a.kept.List = append(a.kept.List, one)
	return v
}

// own takes the instrument's own duration off that of a passage: half of what the rule of squares says. That rule holds for two stages that are alike and
// Gaussian; where one of two single poles is far slower, the other lengthens it by next to nothing. The whole is left open to either side.
func (a *analysis) own(f figure) pulse.Figure {
	b := a.bandwidth(f.signal)
	if !f.fig.OK() {
		return f.fig
	}
	if b == 0 {
		a.note("the bandwidth of %s is not stated: %s is what it shows", a.of.kept.Signals[f.signal].From, f.what)
		return f.fig
	}
	own := pulse.OwnDuration(f.fig, riseOf(b))
	if !own.OK() {
		return pulse.Figure{Missing: pulse.Reason(fmt.Sprintf("it is no longer than that of the instrument, %s at a bandwidth of %s: only that it is shorter is known",
			quantity.Second(riseOf(b)), quantity.Of(b, quantity.Frequency)))}
	}
	return pulse.Figure{X: (f.fig.X + own.X) / 2, U: own.U}
}

// value gives a figure its terms: what the trace itself leaves open, and what the instrument adds.
func (a *analysis) value(f figure) measured.Value {
	r := a.run
	l := r.cfg.Ledger
	if l == nil {
		return measured.Exact(quantity.Of(f.fig.X, f.dim))
	}
	v, err := f.fig.Value(l, fmt.Sprintf("%s of %s, its samples", f.what, a.step.Of), f.dim)
	if err != nil {
		return measured.Value{X: nan, Dim: f.dim}
	}
	x := f.fig.X
	if f.rounded > 0 {
		v = r.plus(v, l.Shared(a.bandwidthInput(f.signal)), -math.Copysign(f.rounded, x)/math.Sqrt(3))
	}
	s := &a.of.signals[f.signal]
	switch f.kind {
	case ofLevel:
		v = r.gainOf(v, s, x)
		v = r.offsetOf(v, s, 1)
		v = a.leads(v, s, a.most(s.through))
	case ofDifference:
		v = r.gainOf(v, s, x)
		v = a.leads(v, s, a.swing(s.through))
	case ofTime:
		v = a.timeBase(v, x)
	case ofDelay:
		v = a.skew(a.timeBase(v, x))
	case ofTransition:
		v = a.timeBase(v, x)
		if b := a.bandwidth(f.signal); b > 0 { // see own
			off := x - math.Sqrt(max(0, x*x-riseOf(b)*riseOf(b)))
			v = r.plus(v, l.Shared(a.bandwidthInput(f.signal)), off/math.Sqrt(3))
		}
	case ofSlew:
		v = a.timeBase(r.gainOf(v, s, x), x)
	case ofIntegral:
		v = r.offsetOf(r.gainOf(v, s, x), s, f.times)
	case ofSquare:
		v = r.gainOf(v, s, 2*x)
	case ofProduct:
		v = r.gainOf(v, s, x)
		if f.second >= 0 {
			v = r.gainOf(v, &a.of.signals[f.second], x)
			v = r.offsetOf(v, s, f.times*a.most(f.second))
		}
	}
	return v
}

// bandwidthInput is what the bandwidth of the instrument does to a signal.
func (a *analysis) bandwidthInput(signal int) measured.Input {
	return measured.Input{Name: a.of.kept.Signals[signal].From + " bandwidth", Kind: measured.Skew, Shape: measured.Rectangular}
}

// most is the largest magnitude of a signal; 0 where there is none.
func (a *analysis) most(signal int) float64 {
	low, high := a.span(signal)
	return math.Max(math.Abs(low), math.Abs(high))
}

func (a *analysis) swing(signal int) float64 {
	low, high := a.span(signal)
	return high - low
}

func (a *analysis) span(signal int) (low, high float64) {
	if signal < 0 {
		return 0, 0
	}
	low, high = math.Inf(1), math.Inf(-1)
	for _, x := range a.of.signals[signal].samples {
		low, high = math.Min(low, float64(x)), math.Max(high, float64(x))
	}
	return low, high
}

// leads adds what the drop that was taken off may be wrong by.
func (a *analysis) leads(v measured.Value, s *capturedSignal, amps float64) measured.Value {
	if s.ohm == 0 || amps == 0 {
		return v
	}
	id := a.run.cfg.Ledger.Shared(measured.Input{Name: a.of.kept.Signals[a.signal].From + " leads", Kind: measured.Lead, Shape: measured.Rectangular})
	return a.run.plus(v, id, s.ohmU*amps/math.Sqrt(3))
}

// timeBase adds what the clock of the instrument may be off by.
func (a *analysis) timeBase(v measured.Value, x float64) measured.Value {
	from := a.of.kept.Signals[a.signal].From
	id := a.run.cfg.Ledger.Shared(measured.Input{Name: from + " time base", Kind: measured.Gain, Shape: measured.Rectangular})
	return a.run.plus(v, id, x*clockPart/2/math.Sqrt(3))
}

// skew adds what lies between the signal and its cause: between the functions of one channel, or between two instruments.
func (a *analysis) skew(v measured.Value) measured.Value {
	skew := 0.0
	switch {
	case a.edge < 0: // the trigger falls between two samples, and comes to other instruments later
		skew = a.of.every / 2
		if sees := a.of.asked.Sees; sees != a.of.signals[a.signal].part {
			skew += a.of.kept.Skew
		}
	case a.of.signals[a.edge].part != a.of.signals[a.signal].part:
		skew = a.of.kept.Skew
	case a.of.signals[a.edge].Function != a.of.signals[a.signal].Function:
		skew = a.of.kept.Signals[a.signal].Skew
	}
	if !(skew > 0) {
		return v
	}
	id := a.run.cfg.Ledger.Own(measured.Input{Name: fmt.Sprintf("skew of %s to its cause", a.step.Of), Kind: measured.Skew, Shape: measured.Rectangular})
	return a.run.plus(v, id, skew/math.Sqrt(3))
}

// gainOf adds what the gain of a range leaves open of a value x: the input that its readings have, too.
func (r *runner) gainOf(v measured.Value, s *capturedSignal, x float64) measured.Value {
	c := s.spec.Contributions(x, 1, r.plan.Bench.AmbientKelvin)
	v = r.instrumentTerm(v, s, "gain", measured.Gain, c.Gain)
	return r.instrumentTerm(v, s, "temperature gain", measured.Temperature, c.TemperatureGain)
}

// offsetOf adds what the offset of a range leaves open of a value that it goes into with a factor.
func (r *runner) offsetOf(v measured.Value, s *capturedSignal, factor float64) measured.Value {
	c := s.spec.Contributions(0, 1, r.plan.Bench.AmbientKelvin)
	v = r.instrumentTerm(v, s, "offset", measured.Offset, factor*c.Offset)
	return r.instrumentTerm(v, s, "temperature offset", measured.Temperature, factor*c.TemperatureOffset)
}

func (r *runner) instrumentTerm(v measured.Value, s *capturedSignal, what string, kind measured.Kind, part float64) measured.Value {
	if part == 0 || math.IsNaN(part) {
		return v
	}
	shape := measured.Rectangular
	if s.spec.Accuracy.Coverage == model.TwoSigma {
		shape = measured.Normal
	}
	return r.plus(v, r.cfg.Ledger.Shared(measured.Input{Name: s.inputs + " " + what, Kind: kind, Shape: shape}), part)
}

// tell says the figures that have a name.
func (a *analysis) tell() {
	text := a.step.Title()
	if a.of.name != a.step.Trace {
		text += " (" + a.of.name + ")"
	}
	sep := ": "
	for _, f := range a.kept.List {
		if f.Name == "" {
			continue
		}
		one := f.What + " is missing: " + f.Missing
		if f.Missing == "" {
			dim := record.DimensionOf(f.Unit)
			one = fmt.Sprintf("%s %s (U %s)", f.What, quantity.Of(f.Value, dim).Text(4), quantity.Of(f.U, dim).Text(2))
		}
		text, sep = text+sep+one, ", "
	}
	a.run.note("figures", "info", text, "trace", a.of.name)
}
