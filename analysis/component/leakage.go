package component

import (
	"fmt"
	"math"
)

// CurrentPoint is one reading of the current after a step of voltage.
type CurrentPoint struct {
	Seconds, Amps float64 // since the step
	UAmps         float64 // expanded uncertainty of what the readings do not share; 0: not known
	Compliance    bool    // the source still charges the capacitor with all it has
}

// Decay is the form in which the current of dielectric absorption dies away.
type Decay uint8

// The forms.
const (
	Exponential Decay = iota // one relaxation, A exp(-t / tau)
	Power                    // a broad spread of them, A t^-m (the law of Curie and von Schweidler)
)

func (d Decay) String() string { return [...]string{"exponential", "power of time"}[min(d, Power)] }

// Leakage is the current that remains when a capacitor has taken up its charge.
type Leakage struct {
	Amps  Parameter // what remains
	Decay Decay     // the form that fits better
	// Tau in seconds for an exponential, the exponent m for a power of time.
	Form      Parameter
	Amplitude Parameter // A, or A at 1 s
	// Settled says that what still decays at the last reading is below the uncertainty of Amps or a twentieth of it.
	Settled bool
	// SettlesSeconds is when the decaying part has come down to a twentieth of Amps, by the fit; 0 where it never was above, and
	// infinite where Amps is not above zero.
	SettlesSeconds float64
	OtherAmps      float64 // what the other form would leave: far from Amps, the record is too short
	Hint           string
	Fit            Fit
	Counts         Counts
}

// FitLeakage fits readings after a step of voltage with I = leakage + decay. Both forms of decay are tried; Amps is that of the
// better one, and half of what the two differ by is in its uncertainty where their residuals do not tell them apart.
//
// A charged capacitor holds its energy, and absorption brings voltage back after a short discharge: leave a bleeder across it.
func FitLeakage(points []CurrentPoint) (Leakage, error) {
	var l Leakage
	var kept []CurrentPoint
	weighted := true
	for _, p := range points {
		switch {
		case p.Compliance:
			l.Counts.Compliance++
		case !finite(p.Seconds, p.Amps, p.UAmps) || p.Seconds <= 0:
			l.Counts.Outside++
		default:
			l.Counts.Used++
			kept = append(kept, p)
			weighted = weighted && p.UAmps > 0
		}
	}
	if err := l.Counts.need("leakage", 6); err != nil {
		return l, err
	}
	first, last := kept[0], kept[0]
	for _, p := range kept {
		if p.Seconds < first.Seconds {
			first = p
		}
		if p.Seconds > last.Seconds {
			last = p
		}
	}
	if last.Seconds < 3*first.Seconds {
		return l, fmt.Errorf("the readings run from %.3g to %.3g s: a decay needs a span of three times or more", first.Seconds, last.Seconds)
	}
	exponential, errE := fitDecay(kept, weighted, Exponential, first, last)
	power, errP := fitDecay(kept, weighted, Power, first, last)
	switch {
	case errE != nil && errP != nil:
		return l, fmt.Errorf("leakage: %w", errE)
	case errP != nil || errE == nil && exponential.RSS <= power.RSS:
		l.Fit, l.Decay = exponential, Exponential
	default:
		l.Fit, l.Decay = power, Power
	}
	l.Amps, l.Amplitude = l.Fit.parameter(0), l.Fit.parameter(1)
	l.Form = l.Fit.parameter(2).exponential()
	l.OtherAmps = l.Amps.X
	if errE == nil && errP == nil {
		other := power
		if l.Decay == Power {
			other = exponential
		}
		l.OtherAmps = other.Parameters[0]
		// F of about 4: with a handful of degrees of freedom and more, a ratio that chance makes once in twenty
		if other.RSS < 4*l.Fit.RSS {
			l.Amps.U = math.Hypot(l.Amps.U, (l.OtherAmps-l.Amps.X)/2)
			l.Hint = "the record does not tell the forms of decay apart: wait longer"
		}
	}
	left := l.decaying(last.Seconds)
	l.Settled = math.Abs(left) <= max(l.Amps.U, math.Abs(l.Amps.X)/20)
	l.SettlesSeconds = l.settles(first.Seconds)
	if !l.Settled && l.Hint == "" {
		l.Hint = fmt.Sprintf("the current still falls: %.2g A of %.2g A decays at the last reading", left, left+l.Amps.X)
	}
	return l, nil
}

// decaying is the part that dies away, at a time.
func (l Leakage) decaying(seconds float64) float64 { return decay(l.Decay, l.Fit.Parameters, seconds) }

func decay(form Decay, b []float64, seconds float64) float64 {
	if form == Exponential {
		return b[1] * math.Exp(-seconds/math.Exp(b[2]))
	}
	return b[1] * math.Pow(seconds, -math.Exp(b[2]))
}

func (l Leakage) settles(from float64) float64 {
	target := l.Amps.X / 20
	if !(target > 0) {
		return math.Inf(1)
	}
	a := math.Abs(l.Amplitude.X)
	if math.Abs(l.decaying(from)) <= target {
		return 0
	}
	if l.Decay == Exponential {
		return l.Form.X * math.Log(a/target)
	}
	return math.Pow(a/target, 1/l.Form.X)
}

func fitDecay(points []CurrentPoint, weighted bool, form Decay, first, last CurrentPoint) (Fit, error) {
	fall := first.Amps - last.Amps
	if fall == 0 {
		fall = math.Abs(first.Amps)/100 + math.SmallestNonzeroFloat64
	}
	var best Fit
	found := false
	var failed error
	// several starts: a decay that is much faster or slower than the record leads astray
	for _, speed := range []float64{0.05, 0.2, 0.6} {
		start := []float64{last.Amps, fall, math.Log(speed * last.Seconds)}
		if form == Power {
			start = []float64{last.Amps / 2, fall * math.Pow(first.Seconds, 2*speed+0.3), math.Log(2*speed + 0.3)}
		}
		fit, err := Solve(Problem{
			Observations: len(points), Start: start, Scale: []float64{math.Abs(first.Amps), math.Abs(fall), 1}, Weighted: weighted,
			Residuals: func(b, r []float64) {
				for i, p := range points {
					r[i] = b[0] + decay(form, b, p.Seconds) - p.Amps
					if weighted {
						r[i] *= 2 / p.UAmps
					}
				}
			},
		})
		if err != nil {
			failed = err
			continue
		}
		if !found || fit.RSS < best.RSS {
			best, found = fit, true
		}
	}
	if !found {
		return best, failed
	}
	return best, nil
}
