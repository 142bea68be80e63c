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

// dip is the largest fall between two samples. Means over windows of growing length are compared, as for an excursion; where a
// fall stands out most, its top and its bottom are fitted. A dip shorter than a sixty-fourth of the rise may hide in the noise.
func (w *wave[T]) dip(from, to int) Figure {
	n := to - from + 1
	own := math.Sqrt2 * math.Hypot(w.corr(), w.floor)
	needed := math.Sqrt(2*math.Log(2*float64(n))) + 1.5
	best, width, top, bottom := 0.0, 0, 0, 0
	for size := 1; size == 1 || size <= n/8; size *= 2 {
		highest, highestAt := math.Inf(-1), from
		for i := from; i+size <= to+1; i += max(1, size/4) {
			mean := restOf(w.y, i, i+size).mean
			if mean > highest {
				highest, highestAt = mean, i
			}
			if z := (highest - mean) * math.Sqrt(float64(size)) / max(own, math.SmallestNonzeroFloat64); z > best {
				best, width, top, bottom = z, size, highestAt, i
			}
		}
	}
	a := w.amplitude()
	if best < needed {
		return figure(0, needed/2*own/math.Sqrt(math.Max(1, float64(n)/64))/a)
	}
	high, low := float64(w.y[top]), float64(w.y[bottom])
	u := own
	if width > 1 {
		half := float64(width) / 2
		upper, okUpper := w.summit(float64(top)+half, half, from, bottom, 0, 1)
		lower, okLower := w.summit(float64(bottom)+half, half, top, to, 0, -1)
		if okUpper && okLower {
			high, low, u = upper.size, -lower.size, math.Hypot(upper.u, lower.u)
		} else {
			high, low = restOf(w.y, top, top+width).mean, restOf(w.y, bottom, bottom+width).mean
			u = math.Hypot(own/math.Sqrt(float64(width)), (high-low)/4)
		}
	}
	return figure(max(0, high-low)/a, 1.4*u/a) // both places are chosen by the noise too
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
