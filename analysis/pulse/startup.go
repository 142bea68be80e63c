package pulse

import (
	"fmt"
	"math"
)

// StartUpOptions say when the device was told to start.
type StartUpOptions struct {
	AtSeconds float64 // instant of the cause: the input at 90 % of its value, or the enable line
	AtU       float64 // its expanded uncertainty, seconds
	// Dip is the greatest dip during the rise that still counts as monotonic, as a share of the amplitude; 0 is 0.01.
	Dip float64
	Options
}

// StartUp is how an output comes up.
type StartUp struct {
	Delay     Figure // from the cause to the first passage of 10 % (the lowest reference level)
	Rise      Figure // from there to the first passage of 90 %
	Overshoot Figure // share of the amplitude
	Settled   Figure // from the cause to the last entry into the band about the final value
	// Dip is the largest fall of the output between the passages, as a share of the amplitude; zero, with the U that this leaves
	// open, where none stands out of the noise.
	Dip       Figure
	Monotonic bool // Dip is no larger than allowed
	// Undecided says that Dip differs from what is allowed by less than its U.
	Undecided bool
	Low, High Figure
}

// StartUpOf finds the figures of a start. What cannot be said is missing with its reason.
func StartUpOf[T Sample](tr Trace[T], o StartUpOptions) (StartUp, error) {
	if err := o.check(); err != nil {
		return StartUp{}, err
	}
	allowed := o.Dip
	if allowed == 0 {
		allowed = 0.01
	}
	if !(allowed > 0 && allowed < 1) {
		return StartUp{}, fmt.Errorf("the dip that is allowed is %g of the amplitude; it must lie between 0 and 1", allowed)
	}
	w, reason, err := surveyOf(tr, o.Options)
	if err != nil {
		return StartUp{}, err
	}
	if reason == "" && (len(w.edges) == 0 || !w.edges[len(w.edges)-1].rising) {
		reason = NoTransition
	}
	r := StartUp{Low: figure(w.low.x, w.low.u), High: figure(w.high.x, w.high.u)}
	if reason != "" {
		none := missing(reason)
		r.Delay, r.Rise, r.Overshoot, r.Settled, r.Dip = none, none, none, none, none
		return r, nil
	}
	shares := o.references()
	pass := func(share float64) crossing {
		c := w.passes(w.low.x+share*w.amplitude(), true, o.AtSeconds)
		c.share = share
		return c
	}
	first, last := pass(shares[0]), pass(shares[2])
	since := func(f Figure) Figure {
		if f.OK() {
			f.X, f.U = f.X-o.AtSeconds, math.Hypot(f.U, o.AtU)
		}
		return f
	}
	r.Delay, r.Rise = since(w.instant(first)), w.time(first, last)
	// what comes after the last rise is that of the last transition
	k := len(w.edges) - 1
	all := make([]places, len(w.edges))
	for j := range all {
		all[j] = places{first: w.reference(j, shares[0]), middle: w.reference(j, shares[1]), last: w.reference(j, shares[2])}
	}
	t := w.transition(k, all, o.Options)
	r.Overshoot, r.Settled = t.Overshoot, since(t.Settled)
	if first.reason != "" || last.reason != "" {
		r.Dip = r.Rise
		return r, nil
	}
	r.Dip = w.dip(int(first.at), int(math.Ceil(last.at)))
	r.Monotonic = r.Dip.X <= allowed
	r.Undecided = math.Abs(r.Dip.X-allowed) < r.Dip.U
	return r, nil
}

// dip is the largest fall from a running maximum between two samples, of means over so many samples that noise does not count,
// but no more than a fiftieth of the way.
func (w *wave[T]) dip(from, to int) Figure {
	width := 1
	if need := int(math.Pow(40*w.corr()/w.amplitude(), 2)); need > 1 {
		width = max(1, min(need, (to-from)/50))
	}
	var deepest, highest float64
	highest = math.Inf(-1)
	for i := from; i+width <= to+1; i += max(1, width/2) {
		mean := restOf(w.y, i, i+width).mean
		highest = max(highest, mean)
		deepest = max(deepest, highest-mean)
	}
	own := math.Hypot(w.corr()/math.Sqrt(float64(width)), w.floor)
	if windows := float64(to-from)/float64(width) + 2; deepest < 2*own*math.Sqrt(2*math.Log(windows)) {
		return figure(0, own*math.Sqrt(2*math.Log(windows))/w.amplitude())
	}
	// the maximum is that of several noisy means: half of what this adds is taken off, and stands as uncertainty
	return figure((deepest-own)/w.amplitude(), 1.5*own/w.amplitude())
}

// HoldUp is how long an output stays up once its input has failed: from the instant at which the input falls below a level, at
// or after an instant, to that at which the output does. Both traces count from one zero of time.
func HoldUp[A, B Sample](input Trace[A], inputLevel float64, output Trace[B], outputLevel, fromSeconds float64) (Figure, error) {
	fails, err := Instant(input, inputLevel, false, fromSeconds)
	if err != nil {
		return Figure{}, fmt.Errorf("input: %w", err)
	}
	if !fails.OK() {
		return fails, nil
	}
	falls, err := Instant(output, outputLevel, false, fails.X)
	if err != nil {
		return Figure{}, fmt.Errorf("output: %w", err)
	}
	if falls.OK() {
		falls.X, falls.U = falls.X-fails.X, math.Hypot(falls.U, fails.U)
	}
	return falls, nil
}
