package pulse

import "math"

// train adds what several transitions make together.
func (w *wave[T]) train(r *Report, all []places) {
	for k := 0; k+1 < len(w.edges); k++ {
		first, second := all[k].middle, all[k+1].middle
		p := Pulse{
			Positive: w.edges[k].rising, Start: r.Transitions[k].Middle,
			Duration: w.time(first, second), Recovery: r.Transitions[k+1].Settling,
		}
		p.Droop = w.droop(k, all)
		p.Period, p.Duty = missing(NoSecond), missing(NoSecond)
		if k+2 < len(w.edges) {
			third := all[k+2].middle
			p.Period = w.time(first, third)
			p.Duty = w.duty(first, second, third)
		}
		r.Pulses = append(r.Pulses, p)
	}
	r.Period, r.Frequency = missing(NoSecond), missing(NoSecond)
	// whole periods from the first usable transition to the last like it
	for k := range w.edges {
		if all[k].middle.reason != "" {
			continue
		}
		for j := len(w.edges) - 1; j > k; j-- {
			if (j-k)%2 != 0 || all[j].middle.reason != "" {
				continue
			}
			count := float64(j-k) / 2
			whole := w.time(all[k].middle, all[j].middle)
			if whole.OK() && whole.X > 0 {
				r.Period = Figure{X: whole.X / count, U: whole.U / count}
				r.Frequency = Figure{X: count / whole.X, U: count / whole.X * whole.U / whole.X}
			}
			return
		}
	}
}

// duty is a ratio whose parts share their crossings.
func (w *wave[T]) duty(a, b, c crossing) Figure {
	for _, p := range []crossing{a, b, c} {
		if p.reason != "" {
			return missing(p.reason)
		}
	}
	period := c.at - a.at
	d := (b.at - a.at) / period
	return figure(d, w.placeError([]crossing{a, b, c}, []float64{(d - 1) / period, 1 / period, -d / period}))
}

// droop fits a straight line to the top of the pulse that edge k begins: from its settling on, or one duration after its last
// reference level where it does not settle, to the foot of the edge after.
func (w *wave[T]) droop(k int, all []places) Figure {
	first, second := all[k].middle, all[k+1].middle
	if first.reason != "" {
		return missing(first.reason)
	}
	if second.reason != "" {
		return missing(second.reason)
	}
	if all[k].last.reason != "" {
		return missing(all[k].last.reason)
	}
	from := int(all[k].last.at + w.duration(k, all[k]) + 1)
	to := w.foot(k+1, w.edges[k].after) - 1
	p, ok := fitPolynomial(w.y, from, to, 1)
	if !ok || to-from < 3 || to <= from {
		return missing(TooShort)
	}
	_, _, sign := w.ends(k)
	length := (second.at - first.at) / w.amplitude()
	slope := p.slope(0)
	// the line's slope is k[1] / half, with a variance of inverse[1][1] / half^2 for a noise of 1
	u := w.corr() * math.Sqrt(p.inverse[1][1]) / p.half
	relative := math.Hypot(w.low.u, w.high.u) / w.amplitude()
	return figure(-sign*slope*length, math.Hypot(u*length, slope*length*relative))
}

// Delay is the time from the 50 % instant of a transition of one waveform to that of the next transition of another at or
// after it, both on the same axis of time. The first transition of a that has one counts; rising and risingOther pick their
// directions. Where both come from one digitiser its time base cancels; what remains between its channels is the caller's to
// add.
func Delay[A, B Sample](a Trace[A], rising bool, b Trace[B], risingOther bool, optionsA, optionsB Options) (Figure, error) {
	middles, reason, err := middlesOf(a, rising, optionsA)
	if err != nil || reason != "" {
		return missing(reason), err
	}
	others, reason, err := middlesOf(b, risingOther, optionsB)
	if err != nil || reason != "" {
		return missing(reason), err
	}
	for _, from := range middles {
		for _, to := range others {
			if u := math.Hypot(from.U, to.U); to.X-from.X >= -u {
				return Figure{X: to.X - from.X, U: u}, nil
			}
		}
	}
	return missing(NoSecond), nil
}

// middlesOf gives the 50 % instants of one direction.
func middlesOf[T Sample](tr Trace[T], rising bool, o Options) ([]Figure, Reason, error) {
	if err := o.check(); err != nil {
		return nil, "", err
	}
	w, reason, err := surveyOf(tr, o)
	if err != nil || reason != "" {
		return nil, reason, err
	}
	var out []Figure
	reason = NoTransition
	for k, e := range w.edges {
		if e.rising != rising {
			continue
		}
		c := w.reference(k, o.references()[1])
		if c.reason != "" {
			reason = c.reason
			continue
		}
		out = append(out, w.instant(c))
	}
	if len(out) > 0 {
		reason = ""
	}
	return out, reason, nil
}
