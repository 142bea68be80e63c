package pulse

import (
	"fmt"
	"math"
)

// Report is all that a trace shows of its states, transitions and pulses.
type Report struct {
	Low, High, Amplitude Figure
	Noise                float64 // standard deviation of one sample where the signal rests
	Transitions          []Transition
	Pulses               []Pulse
	// Period and Frequency are means over all periods of the trace.
	Period, Frequency Figure
	Missing           Reason // why there are no transitions; Low then is the mean of all samples
}

// Transition is one passage from state to state. Instants are seconds of the trace's own time; shares are of the amplitude.
type Transition struct {
	Rising              bool
	First, Middle, Last Figure // instants at which the reference levels are passed, in the order of time
	Duration            Figure // from First to Last
	Slew                Figure // amplitude between the outer references over Duration, per second, with its sign
	// Overshoot is the farthest excursion beyond the new state after the transition, Undershoot the farthest back to the near side
	// of it after that; both are shares and zero where nothing stands out of the noise, with the U that this leaves open.
	Overshoot, Undershoot Figure
	OvershootAt           Figure // its instant; missing where there is none
	// Preshoot is the farthest excursion away from the new state during the three durations before the transition.
	Preshoot Figure
	// Settled is the instant of the last entry into the band about the new state, Settling the time from Middle to it. Control
	// practice counts from the cause of the step instead: take its instant off Settled.
	Settled, Settling Figure
}

// Pulse is a passage to one state and back.
type Pulse struct {
	Positive bool   // from low to high and back
	Start    Figure // the 50 % instant of its first transition
	Duration Figure // to the 50 % instant of its second
	Period   Figure // to the next 50 % instant like the first
	Duty     Figure // Duration over Period
	// Droop is by how much the straight line through the settled top comes back towards the base over Duration, as a share of
	// the amplitude; negative where it goes on.
	Droop Figure
	// Recovery is the settling time of the second transition: how long the signal needs to be back at the base.
	Recovery Figure
}

// places are the exact places behind the figures of a transition.
type places struct {
	first, middle, last crossing
}

// Analyse finds the states of a trace, its transitions and its pulses. What cannot be said is missing with its reason; an
// error means that the input is wrong.
func Analyse[T Sample](tr Trace[T], o Options) (Report, error) {
	if err := o.check(); err != nil {
		return Report{}, err
	}
	w, reason, err := surveyOf(tr, o)
	if err != nil {
		return Report{}, err
	}
	r := Report{Noise: w.sd, Low: figure(w.low.x, w.low.u)}
	if reason != "" {
		r.Missing, r.High, r.Amplitude = reason, missing(reason), missing(reason)
		r.Period, r.Frequency = missing(reason), missing(reason)
		return r, nil
	}
	r.High, r.Amplitude = figure(w.high.x, w.high.u), figure(w.amplitude(), math.Hypot(w.low.u, w.high.u))
	if len(w.edges) == 0 {
		r.Missing, r.Period, r.Frequency = NoTransition, missing(NoTransition), missing(NoTransition)
		return r, nil
	}
	shares := o.references()
	all := make([]places, len(w.edges))
	for k, e := range w.edges {
		p := &all[k]
		first, last := shares[0], shares[2]
		if !e.rising {
			first, last = last, first
		}
		p.first, p.middle, p.last = w.reference(k, first), w.reference(k, shares[1]), w.reference(k, last)
	}
	r.Transitions = make([]Transition, len(w.edges))
	for k := range w.edges {
		r.Transitions[k] = w.transition(k, all, o)
	}
	w.train(&r, all)
	return r, nil
}

func (o Options) check() error {
	r := o.references()
	if !(0 < r[0] && r[0] < r[1] && r[1] < r[2] && r[2] < 1) {
		return fmt.Errorf("the reference levels are %g, %g and %g of the way; they must rise between 0 and 1", r[0], r[1], r[2])
	}
	if b := o.band(); !(b > 0 && b < 0.5) {
		return fmt.Errorf("the settling band is %g of the amplitude; it must lie between 0 and 0.5", b)
	}
	if o.Levels && !(o.Low < o.High && !math.IsInf(o.High-o.Low, 0) && o.LevelsU >= 0) {
		return fmt.Errorf("the state levels are %g and %g with U %g; the low one must lie below the high one", o.Low, o.High, o.LevelsU)
	}
	if o.Bins < 0 || o.Bins == 1 || o.Bins > 1<<20 {
		return fmt.Errorf("a histogram of %d bins; take 2 to 1048576, or 0 to leave it open", o.Bins)
	}
	return nil
}

// instant is a crossing as a figure: the level errors move it along the slope.
func (w *wave[T]) instant(c crossing) Figure {
	if c.reason != "" {
		return missing(c.reason)
	}
	return figure(w.seconds(c.at), w.interval*w.placeError([]crossing{c}, []float64{1}))
}

// time is the time from one crossing to another.
func (w *wave[T]) time(from, to crossing) Figure {
	if from.reason != "" {
		return missing(from.reason)
	}
	if to.reason != "" {
		return missing(to.reason)
	}
	return figure(w.interval*(to.at-from.at), w.interval*w.placeError([]crossing{from, to}, []float64{-1, 1}))
}

// placeError is the standard uncertainty, in samples, of a sum of weighted crossings. Their noise is their own; an error of a
// state level moves all of them, each by its slope, and may cancel.
func (w *wave[T]) placeError(crossings []crossing, weights []float64) float64 {
	var own, byLow, byHigh float64
	for i, c := range crossings {
		k := weights[i]
		own += k * k * (c.noise*c.noise + c.form*c.form)
		byLow += k * (1 - c.share) / c.slope
		byHigh += k * c.share / c.slope
	}
	return math.Sqrt(own + byLow*byLow*w.low.u*w.low.u + byHigh*byHigh*w.high.u*w.high.u)
}

// ends are the levels before and after an edge.
func (w *wave[T]) ends(k int) (base, top level, sign float64) {
	if w.edges[k].rising {
		return w.low, w.high, 1
	}
	return w.high, w.low, -1
}

func (w *wave[T]) transition(k int, all []places, o Options) Transition {
	p := all[k]
	t := Transition{
		Rising: w.edges[k].rising,
		First:  w.instant(p.first), Middle: w.instant(p.middle), Last: w.instant(p.last),
		Duration: w.time(p.first, p.last),
	}
	t.Slew = t.Duration
	if t.Duration.OK() {
		rise := w.amplitude() * math.Abs(p.last.share-p.first.share)
		if !t.Rising {
			rise = -rise
		}
		if t.Duration.X > 0 {
			relative := math.Hypot(t.Duration.U/2/t.Duration.X, math.Hypot(w.low.u, w.high.u)/w.amplitude())
			t.Slew = figure(rise/t.Duration.X, math.Abs(rise/t.Duration.X)*relative)
		} else {
			t.Slew = missing(TooShort)
		}
	}
	w.aberrations(&t, k, all)
	w.settling(&t, k, all, o.band())
	return t
}

// duration is about how many samples the way takes between the outer references.
func (w *wave[T]) duration(k int, p places) float64 {
	if p.first.reason == "" && p.last.reason == "" {
		return math.Max(1, p.last.at-p.first.at)
	}
	return math.Max(1, 0.8*w.edges[k].width)
}

// state is the stretch of samples after edge k that belongs to its new state: to the foot of the next edge, less what the
// preshoot of that one needs.
func (w *wave[T]) state(k int, all []places) (from, to int) {
	p := all[k]
	from = w.edges[k].after
	if p.last.reason == "" {
		from = int(math.Ceil(p.last.at))
	}
	to = len(w.y) - 1
	if k+1 < len(w.edges) {
		to = w.before(k+1, all, from)
	}
	return from, max(from, to)
}

// before is the last sample of the state before edge k that shows nothing of it: three durations ahead of it, or the middle of
// the state that began at from.
func (w *wave[T]) before(k int, all []places, from int) int {
	p := all[k]
	start := float64(w.edges[k].before)
	if p.first.reason == "" {
		start = p.first.at
	}
	return max(int(start-3*w.duration(k, p)), from+(int(start)-from)/2)
}

func (w *wave[T]) aberrations(t *Transition, k int, all []places) {
	base, top, sign := w.ends(k)
	p := all[k]
	long := int(math.Ceil(2 * w.duration(k, p)))
	share := func(e excursion, at level, far level) Figure {
		a := w.amplitude()
		x := e.size / a
		// an error of the state itself counts in the excursion and in the amplitude
		return figure(x, math.Sqrt(e.u*e.u+(1+x)*(1+x)*at.u*at.u+x*x*far.u*far.u)/a)
	}
	if p.last.reason != "" {
		t.Overshoot, t.Undershoot, t.OvershootAt = missing(p.last.reason), missing(p.last.reason), missing(p.last.reason)
	} else {
		from, to := w.state(k, all)
		over := w.excursion(from, to, top.x, sign, long)
		t.Overshoot = share(over, top, base)
		t.OvershootAt = missing(NotReached)
		start := w.arrival(from, to, top.x, sign, long)
		if over.seen {
			start = int(over.at)
			// where the slope vanishes, half the noise of the top is reached within this distance; the curve is that of the window
			t.OvershootAt = Figure{X: w.seconds(over.at), U: w.interval * max(1, float64(long)*math.Sqrt(min(1, 2*over.u/over.size))/2)}
		}
		under := excursion{}
		if start < to {
			under = w.excursion(start, to, top.x, -sign, long)
		}
		t.Undershoot = share(under, top, base)
	}
	if p.first.reason != "" {
		t.Preshoot = missing(p.first.reason)
		return
	}
	from := 0
	if k > 0 {
		from = w.edges[k-1].after
		if all[k-1].last.reason == "" {
			from = int(math.Ceil(all[k-1].last.at))
		}
	}
	t.Preshoot = share(w.excursion(w.beforeStart(k, all, from), int(p.first.at), base.x, -sign, long), base, top)
}

// beforeStart is where the stretch for the preshoot begins.
func (w *wave[T]) beforeStart(k int, all []places, from int) int {
	if k == 0 {
		return max(0, int(all[k].first.at-3*w.duration(k, all[k])))
	}
	return w.before(k, all, from)
}

// arrival is where a signal without overshoot is first within its noise of the new state: earlier than that it is only on its
// way.
func (w *wave[T]) arrival(from, to int, level, sign float64, long int) int {
	if w.blocks.sums == nil {
		w.blocks = blockSumsOf(w.y)
	}
	size := max(1, long/8/block)
	near := w.corr()/math.Sqrt(float64(size*block)) + w.floor
	i := (from + block - 1) / block
	for ; (i+size)*block <= to+1 && i+size < len(w.blocks.sums); i++ {
		if sign*(w.blocks.mean(i, i+size)-level) >= -near {
			// what it lacks there is within the noise; a little later it is well below
			return (i+size)*block + long/2
		}
	}
	return to
}
