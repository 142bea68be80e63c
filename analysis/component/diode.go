package component

import (
	"fmt"
	"math"
)

// Diode is the law of Shockley with a series resistance, I = Is (exp((V - I Rs) / (n Vt)) - 1). An LED follows it too.
type Diode struct {
	Saturation float64 // Is, A
	Ideality   float64 // n
	Series     float64 // Rs, ohm
	Kelvin     float64 // temperature of the junction
}

func (d Diode) step() float64 { return d.Ideality * ThermalVolts(d.Kelvin) }

// Amps is the current at a voltage across the terminals. With series resistance it is n Vt w / Rs - Is, where w solves
// w + ln w = x, the logarithmic form of Lambert's W, which does not overflow at any voltage; in reverse, where that form loses
// its digits, the exponential itself.
func (d Diode) Amps(volts float64) float64 {
	nvt := d.step()
	if volts < 0 || d.Series <= 0 {
		return d.Saturation * math.Expm1(volts/nvt)
	}
	x := (volts+d.Saturation*d.Series)/nvt + math.Log(d.Saturation*d.Series/nvt)
	if x < -1 { // w is small beside its own logarithm: a few steps of Newton on the law itself keep all digits
		amps := d.Saturation * math.Expm1(volts/nvt)
		for range 4 {
			e := math.Expm1((volts - amps*d.Series) / nvt)
			amps -= (amps - d.Saturation*e) / (1 + d.Saturation*d.Series/nvt*(e+1))
		}
		return amps
	}
	return nvt*omega(x)/d.Series - d.Saturation
}

// omega solves w + ln w = x by Newton's method.
func omega(x float64) float64 {
	w := math.Exp(min(x, 1))
	if x > 1 {
		w = x
	}
	for range 20 {
		step := (w + math.Log(w) - x) / (1 + 1/w)
		if next := w - step; next > 0 {
			w = next
		} else {
			w /= 2
		}
		if math.Abs(step) < 1e-15*w {
			break
		}
	}
	return w
}

// Volts is the voltage across the terminals at a current above -Is; NaN below.
func (d Diode) Volts(amps float64) float64 {
	return d.step()*math.Log1p(amps/d.Saturation) + amps*d.Series
}

// DiodeFit is what points say about a diode.
type DiodeFit struct {
	Diode
	// The parameters with their uncertainty; RsFit is zero where no series resistance shows.
	IsFit, NFit, RsFit Parameter
	// SeriesSeen is false where the points do not show a series resistance above zero: Series is 0 then.
	SeriesSeen bool
	Fit        Fit // in ln Is, n and, where it is seen, Rs
	Counts     Counts
	// RMSVolts is the root mean square of the residuals in volts, at the measured current.
	RMSVolts float64
	Hint     string // what makes the result doubtful; empty where nothing does
}

// FitDiode fits forward points, from well below to well above the current at which the series resistance shows. The residual is
// the voltage that the law has at the measured current, less that measured: over decades of current it weighs all of them
// alike. Points with no forward current are outside of it. kelvin is the temperature of the junction, which the caller states:
// n and Is follow it (a degree is a third of a percent of n).
func FitDiode(points []Point, kelvin float64) (DiodeFit, error) {
	if !(kelvin > 0) || math.IsInf(kelvin, 0) {
		return DiodeFit{}, fmt.Errorf("the temperature of the junction is %g K; state it", kelvin)
	}
	kept, counts, weighted := sift(points, func(p Point) bool { return p.Amps > 0 && p.Volts > 0 })
	f := DiodeFit{Counts: counts, Diode: Diode{Kelvin: kelvin}}
	if err := counts.need("a diode", 4); err != nil {
		return f, err
	}
	vt := ThermalVolts(kelvin)
	start, err := startDiode(kept, vt)
	if err != nil {
		return f, err
	}
	fit, err := fitDiode(kept, vt, start, weighted)
	if err != nil {
		return f, fmt.Errorf("diode: %w", err)
	}
	f.SeriesSeen = true
	if fit.Parameters[2] <= 0 {
		f.SeriesSeen = false
		if fit, err = fitDiode(kept, vt, fit.Parameters[:2], weighted); err != nil {
			return f, fmt.Errorf("diode: %w", err)
		}
		f.Hint = "no series resistance shows: measure to higher currents"
	}
	f.Fit = fit
	f.IsFit, f.NFit = fit.parameter(0).exponential(), fit.parameter(1)
	f.Saturation, f.Ideality = f.IsFit.X, f.NFit.X
	if f.SeriesSeen {
		f.RsFit = fit.parameter(2)
		f.Series = f.RsFit.X
	}
	for _, p := range kept {
		r := f.Volts(p.Amps) - p.Volts
		f.RMSVolts += r * r
	}
	f.RMSVolts = math.Sqrt(f.RMSVolts / float64(len(kept)))
	if f.Hint == "" && f.Ideality < 0.9 {
		f.Hint = "an ideality below 1 is not physical: the junction was warmer than stated, or heated itself; use pulses"
	}
	return f, nil
}

// startDiode takes the slope of the lower half of the points in ln I, and the rest of the highest as series resistance.
func startDiode(points []Point, vt float64) ([]float64, error) {
	low, high := points[0].Amps, points[0].Amps
	for _, p := range points {
		low, high = min(low, p.Amps), max(high, p.Amps)
	}
	if high < 3*low {
		return nil, fmt.Errorf("the currents lie between %.3g and %.3g A: a diode needs a decade or more", low, high)
	}
	var n, sx, sy, sxx, sxy float64
	middle := math.Sqrt(low * high)
	for _, p := range points {
		if p.Amps > middle*1.0000001 && n >= 2 {
			continue
		}
		x := math.Log(p.Amps)
		n, sx, sy, sxx, sxy = n+1, sx+x, sy+p.Volts, sxx+x*x, sxy+x*p.Volts
	}
	slope := (n*sxy - sx*sy) / (n*sxx - sx*sx)
	if !(slope > 0) || math.IsInf(slope, 0) {
		slope = 1.5 * vt
	}
	logIs := sx/n - sy/n/slope
	series := 0.0
	for _, p := range points {
		if p.Amps == high {
			series = max(0, p.Volts-slope*(math.Log(p.Amps)-logIs)) / high
		}
	}
	return []float64{logIs, slope / vt, series}, nil
}

func fitDiode(points []Point, vt float64, start []float64, weighted bool) (Fit, error) {
	model := func(b []float64, amps float64) (volts, slope float64) {
		is := math.Exp(b[0])
		volts = b[1] * vt * math.Log1p(amps/is)
		slope = b[1] * vt / (amps + is)
		if len(b) > 2 {
			volts += amps * b[2]
			slope += b[2]
		}
		return volts, slope
	}
	// the uncertainty of a current counts by the slope of the curve, that of the start: weights must not move with the fit
	weights := make([]float64, len(points))
	reweigh := func(b []float64) {
		for i, p := range points {
			weights[i] = 1
			if weighted {
				_, slope := model(b, p.Amps)
				weights[i] = 2 / math.Hypot(p.UVolts, slope*p.UAmps)
			}
		}
	}
	var fit Fit
	for range 2 {
		reweigh(start)
		var err error
		fit, err = Solve(Problem{
			Observations: len(points), Start: start, Scale: []float64{1, 1, max(1e-3, math.Abs(start[len(start)-1]))}[:len(start)], Weighted: weighted,
			Residuals: func(b, r []float64) {
				for i, p := range points {
					v, _ := model(b, p.Amps)
					r[i] = (v - p.Volts) * weights[i]
				}
			},
		})
		if err != nil || !weighted {
			return fit, err
		}
		start = fit.Parameters
	}
	return fit, nil
}
