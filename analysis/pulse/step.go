package pulse

import (
	"fmt"
	"math"
)

// StepOptions say what a load or line step was, and what counts as recovered.
type StepOptions struct {
	AtSeconds float64 // instant of the step: the 50 % instant of the current or voltage that stepped
	AtU       float64 // its expanded uncertainty, seconds
	// UntilSeconds ends the answer, short of the next step; 0 is the end of the trace.
	UntilSeconds float64
	// Band is the half-width of the band about the final value in which the signal has recovered, in the unit of the samples.
	Band float64
}

// StepAnswer is how a regulated output answers a step of its load or of its input.
//
// The baseline is the median of what lies before the step, the final value the median of the last fifth of what comes after
// it, and deviations count from the final value, beginning where the signal first passes it: the usual practice for load
// transients, no standard.
type StepAnswer struct {
	Baseline, Final Figure
	Offset          Figure // Final less Baseline: the part that does not recover
	// Droop and Overshoot are the farthest deviations below and above Final, both as positive numbers in the unit of the samples;
	// zero, with the U that this leaves open, where nothing stands out of the noise.
	Droop, Overshoot     Figure
	DroopAt, OvershootAt Figure // instants, in seconds after the step; missing where there is none
	Peak                 Figure // the larger of the two, with its sign
	// Recovery is the time from the step to the last entry into the band; zero where the band was never left.
	Recovery Figure
	// Swings counts how often the deviation changes from one side of Final to the other by more than noise and a fiftieth of the
	// peak, after its first peak: above three or so, the loop has little phase margin.
	Swings int
	Noise  float64 // standard deviation of one sample about its state, ripple included
}

// AnswerToStep finds the figures of one step.
func AnswerToStep[T Sample](tr Trace[T], o StepOptions) (StepAnswer, error) {
	s, err := tr.check(leastSamples)
	if err != nil {
		return StepAnswer{}, err
	}
	if !(o.Band > 0) || math.IsInf(o.Band, 0) {
		return StepAnswer{}, fmt.Errorf("the band is %g; state how near to the final value counts as recovered", o.Band)
	}
	w := waveOf(tr, s)
	at, to := (o.AtSeconds-w.start)/w.interval, len(w.y)-1
	if o.UntilSeconds != 0 {
		to = min(to, int(math.Floor((o.UntilSeconds-w.start)/w.interval)))
	}
	if !(at >= 2) || !(at <= float64(to-leastSamples)) {
		return StepAnswer{}, fmt.Errorf("the step at %g s needs samples on both sides: the trace runs from %g to %g s", o.AtSeconds, w.start, w.seconds(float64(to)))
	}
	atError := o.AtU / 2 / w.interval
	before := restOf(w.y, 0, int(math.Floor(at-2*atError)))
	if before.to < 2 {
		return StepAnswer{}, fmt.Errorf("the instant of the step, %g s, is too uncertain: nothing of the trace lies surely before it", o.AtSeconds)
	}
	after := restOf(w.y, to-(to-int(at))/5, to+1)
	w.noise = noiseOf(w.y, []rest{before, after})
	baseline, final := w.middleOf(before), w.middleOf(after)
	a := StepAnswer{Noise: w.sd, Baseline: figure(baseline.x, baseline.u), Final: figure(final.x, final.u)}
	a.Offset = figure(final.x-baseline.x, math.Hypot(baseline.u, final.u))
	w.deviations(&a, w.passesFinal(int(math.Ceil(at)), to, baseline, final), to, at, atError, final)
	w.recovery(&a, o, to, at, atError, final)
	return a, nil
}

// medianSpread is by how much the median of normal noise scatters more than the mean: sqrt(pi / 2).
const medianSpread = 1.2533141373155

// middleOf is the median of a stretch. A trend within it beyond chance is added to its uncertainty.
func (w *wave[T]) middleOf(r rest) level {
	n := r.to - r.from
	step := 1 + n/(1<<16) // that many settle the median far below its noise
	values := make([]float64, 0, n/step+1)
	for i := r.from; i < r.to; i += step {
		values = append(values, float64(w.y[i]))
	}
	l := level{x: median(values), u: medianSpread * w.corr() / math.Sqrt(float64(len(values)))}
	if t := math.Abs(r.trend); t > 3*2*w.corr()/math.Sqrt(float64(n)) {
		l.u = math.Hypot(l.u, t)
	}
	// the median of noiseless codes is a code: without dither it is off by up to half a step
	l.u = math.Hypot(l.u, w.step/math.Sqrt(12))
	return l
}

// passesFinal is where deviations begin to count: what the signal has to go from the baseline to another final value is none.
func (w *wave[T]) passesFinal(from, to int, baseline, final level) int {
	way := final.x - baseline.x
	if math.Abs(way) < 5*w.scatter() {
		return from
	}
	// a little before the step it is on its baseline, from where the passage is seen as one
	c := w.passes(final.x, way > 0, w.seconds(float64(max(0, from-16))))
	if c.reason == "" && int(c.at) < to {
		return max(from, int(math.Ceil(c.at)))
	}
	// it comes in gently: what noise first carries across is the beginning
	for i := from; i < to; i++ {
		if (float64(w.y[i])-final.x)*way >= 0 {
			return i
		}
	}
	return to
}

func (w *wave[T]) deviations(a *StepAnswer, from, to int, at, atError float64, final level) {
	longest := max(1, (to-from)/8)
	below, above := w.excursion(from, to, final.x, -1, longest), w.excursion(from, to, final.x, 1, longest)
	size := func(e excursion) Figure { return figure(e.size, math.Hypot(e.u, final.u)) }
	when := func(e excursion) Figure {
		if !e.seen {
			return missing(NotReached)
		}
		return w.peakInstant(e, at, atError, to)
	}
	a.Droop, a.Overshoot = size(below), size(above)
	a.DroopAt, a.OvershootAt = when(below), when(above)
	a.Peak = a.Overshoot
	if below.size > above.size {
		a.Peak = Figure{X: -a.Droop.X, U: a.Droop.U}
	}
	if below.seen || above.seen {
		a.Swings = w.swings(from, to, final.x, max(below.size, above.size)/50)
	}
}

// peakInstant is where a peak lies, after an instant: somewhere on the stretch on which the signal is no farther from it than
// its uncertainty and a part of the noise tell apart.
func (w *wave[T]) peakInstant(e excursion, at, atError float64, to int) Figure {
	near := max(2*e.u, e.size*1e-3)
	top := float64(w.y[int(math.Round(e.at))])
	reach := 1.0
	for _, direction := range []int{-1, 1} {
		i := int(math.Round(e.at))
		for i+direction > int(at) && i+direction < to && math.Abs(float64(w.y[i+direction])-top) < near+2*w.sd {
			i += direction
		}
		reach = max(reach, math.Abs(float64(i)-e.at))
	}
	return Figure{X: w.interval * (e.at - at), U: w.interval * math.Hypot(reach, 2*atError)}
}

// swings counts changes of side with a dead zone.
func (w *wave[T]) swings(from, to int, level, least float64) int {
	width := 1
	if least > 0 {
		width = min(int(math.Pow(4*w.corr()/least, 2)), (to-from)/64)
	}
	size := width / block
	dead := max(least, 4*w.corr())
	value := func(i int) float64 { return float64(w.y[i]) - level }
	step := 1
	if size >= 1 {
		if w.blocks.sums == nil {
			w.blocks = blockSumsOf(w.y)
		}
		dead = max(least, 4*w.corr()/math.Sqrt(float64(size*block)))
		value = func(i int) float64 { return w.blocks.mean(i/block, i/block+size) - level }
		step, from, to = block, (from+block-1)/block*block, min(to, (len(w.blocks.sums)-1)*block)-size*block
	}
	side, count := 0, 0
	for i := from; i <= to; i += step {
		switch v := value(i); {
		case v > dead && side <= 0:
			if side < 0 {
				count++
			}
			side = 1
		case v < -dead && side >= 0:
			if side > 0 {
				count++
			}
			side = -1
		}
	}
	return count
}

func (w *wave[T]) recovery(a *StepAnswer, o StepOptions, to int, at, atError float64, final level) {
	farthest, open := max(a.Droop.X, a.Overshoot.X), max(a.Droop.U, a.Overshoot.U)
	if farthest+open < o.Band {
		a.Recovery = Figure{}
		return
	}
	s := w.settle(int(at), to, final.x, o.Band, final.u, max(16, float64(to)-at)/50)
	switch {
	case s.reason != "":
		a.Recovery = missing(s.reason)
	case farthest < o.Band:
		// the peak may just have left the band, or not
		a.Recovery = Figure{U: w.interval * max(0, s.at-at+2*s.u)}
	default:
		a.Recovery = figure(w.interval*(s.at-at), w.interval*math.Hypot(s.u, atError))
	}
}
