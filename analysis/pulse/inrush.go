package pulse

import (
	"fmt"
	"math"
)

// InrushOptions bound an inrush current.
type InrushOptions struct {
	// Share of the peak about the final current: the inrush begins where the current first passes it upward, and ends with the
	// last entry into the band of that half-width; 0 is 0.02.
	Share float64
}

// Inrush is what a device draws when its supply comes on.
type Inrush struct {
	Peak     Figure // A
	PeakAt   Figure // instant, s of the trace's time
	Start    Figure // instant, s
	Duration Figure // from Start to the end of the inrush, s
	Final    Figure // current afterwards, A: the median of the last fifth of the trace
	// Charge, I2t and Energy are integrals of the whole current from Start over Duration, in C, A2.s and J. Energy is missing
	// without volts. An offset of the current channel counts in full and is the caller's to add: offset times Duration.
	Charge, I2t, Energy Figure
}

// NoVolts says that no voltage was given.
const NoVolts Reason = "there is no trace of the voltage"

// InrushOf finds the figures of an inrush current. volts are samples at the same instants as those of amps, or nil.
func InrushOf[T Sample](amps Trace[T], volts []T, o InrushOptions) (Inrush, error) {
	s, err := amps.check(leastSamples)
	if err != nil {
		return Inrush{}, err
	}
	if volts != nil {
		if len(volts) != len(amps.Samples) {
			return Inrush{}, fmt.Errorf("%d samples of volts beside %d of amps; both must be taken together", len(volts), len(amps.Samples))
		}
		if _, _, probe := extremes(volts); probe != 0 {
			return Inrush{}, fmt.Errorf("the samples of volts are not all finite: cut the trace before an overload or a gap")
		}
	}
	share := o.Share
	if share == 0 {
		share = 0.02
	}
	if !(share > 0 && share < 1) {
		return Inrush{}, fmt.Errorf("the share of the peak is %g; it must lie between 0 and 1", share)
	}
	w := waveOf(amps, s)
	last := len(w.y) - 1
	tail := restOf(w.y, last-last/5, last+1)
	w.noise = noiseOf(w.y, []rest{tail})
	final := w.middleOf(tail)
	r := Inrush{Final: figure(final.x, final.u)}
	start := w.passes(share*s.greatest, true, w.start)
	// a peak right behind a jump is fitted from one side only
	peak := w.excursion(int(math.Ceil(start.at)), last, 0, 1, last/8)
	if start.reason != "" || !peak.seen || peak.size-final.x < 2*peak.u {
		none := missing(NotReached)
		r.Peak, r.PeakAt, r.Start, r.Duration, r.Charge, r.I2t, r.Energy = none, none, none, none, none, none, none
		return r, nil
	}
	if peak.at < math.Ceil(start.at)+1 {
		// right behind a jump the top lies up to a sample before the first that shows it
		peak.size -= min(0, peak.slope) / 2
		peak.u = math.Hypot(peak.u, peak.slope/2)
	}
	r.Peak = figure(peak.size, peak.u)
	r.PeakAt = w.peakInstant(peak, 0, 0, last)
	r.PeakAt.X += w.start
	r.Start = start.figure(w)
	end := w.settle(int(peak.at), last, final.x, share*peak.size, final.u, float64(last)/50)
	switch {
	case start.reason != "":
		r.Duration = missing(start.reason)
	case end.reason != "":
		r.Duration = missing(end.reason)
	default:
		startError := math.Hypot(start.noise, start.form)
		r.Duration = figure(w.interval*(end.at-start.at), w.interval*math.Hypot(end.u, startError))
		w.integrals(&r, volts, start.at, end.at, startError, end.u)
	}
	if !r.Duration.OK() {
		r.Charge, r.I2t, r.Energy = r.Duration, r.Duration, r.Duration
	}
	if volts == nil {
		r.Energy = missing(NoVolts)
	}
	return r, nil
}

// integrals are by the trapezoid rule, the ends cut between samples.
func (w *wave[T]) integrals(r *Inrush, volts []T, start, end, startError, endError float64) {
	var charge, square, energy, voltsSquare float64
	first, last := int(math.Ceil(start)), int(math.Floor(end))
	weight := func(i int) float64 {
		k := 1.0
		if i == first {
			k = 0.5 + (float64(first) - start)
		}
		if i == last {
			k += -0.5 + (end - float64(last))
		}
		return k
	}
	for i := first; i <= last; i++ {
		a, k := float64(w.y[i]), weight(i)
		charge += k * a
		square += k * a * a
		if volts != nil {
			v := float64(volts[i])
			energy += k * v * a
			voltsSquare += k * v * v
		}
	}
	n := end - start
	dt := w.interval
	// what an uncertain end adds is what flows there
	atStart, atEnd := float64(w.y[first]), float64(w.y[last])
	ends := func(f func(i int) float64) float64 { return math.Hypot(startError*f(first), endError*f(last)) }
	constant := quantisation(w.step, w.sd)
	r.Charge = figure(dt*charge, dt*math.Hypot(math.Hypot(w.corr()*math.Sqrt(n), n*constant), math.Hypot(startError*atStart, endError*atEnd)))
	// noise squared does not average out: its mean is taken off
	square -= n * w.sd * w.sd
	own := w.corr() * math.Sqrt(max(0, 4*square)+2*n*w.sd*w.sd)
	r.I2t = figure(dt*square, dt*math.Hypot(math.Hypot(own, 2*math.Abs(charge)*constant), ends(func(i int) float64 { return float64(w.y[i]) * float64(w.y[i]) })))
	if volts != nil {
		// the noise of the volts is that of their own differences
		other := quickNoise(volts) * math.Sqrt(max(0, square))
		r.Energy = figure(dt*energy, dt*math.Hypot(math.Hypot(w.corr()*math.Sqrt(voltsSquare), other),
			ends(func(i int) float64 { return float64(w.y[i]) * float64(volts[i]) })))
	}
}
