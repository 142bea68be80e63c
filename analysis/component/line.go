package component

import (
	"fmt"
	"math"
)

// ResistorFit is what a current-voltage curve says about a resistor, V = V0 + (R + k P) I with the power P = V I.
type ResistorFit struct {
	Ohms, Offset, PerWatt Parameter
	// HeatSeen says that the resistance changes with the power by more than its expanded uncertainty: Ohms then is that at no
	// power. Else PerWatt is zero and Ohms is that of all points.
	HeatSeen bool
	RMSVolts float64
	Fit      Fit // in V0, R and, where heat is seen, k
	Counts   Counts
}

// FitResistor fits points at different currents, of both directions where an offset matters. Self-heating is looked for where there are
// five points or more.
func FitResistor(points []Point) (ResistorFit, error) {
	kept, counts, weighted := sift(points, func(Point) bool { return true })
	f := ResistorFit{Counts: counts}
	if err := counts.need("a resistor", 3); err != nil {
		return f, err
	}
	var n, sx, sy, sxx, sxy, most float64
	for _, p := range kept {
		n, sx, sy, sxx, sxy, most = n+1, sx+p.Amps, sy+p.Volts, sxx+p.Amps*p.Amps, sxy+p.Amps*p.Volts, max(most, math.Abs(p.Amps))
	}
	spread := n*sxx - sx*sx
	if !(spread > 1e-12*n*most*most) {
		return f, fmt.Errorf("the currents do not differ: measure at another current")
	}
	ohms := (n*sxy - sx*sy) / spread
	start := []float64{(sy - ohms*sx) / n, ohms}
	scale := []float64{math.Abs(ohms) * most, math.Abs(ohms), math.Abs(ohms) / max(math.Abs(ohms)*most*most, math.SmallestNonzeroFloat64)}
	solve := func(parameters int) (Fit, error) {
		from := append(append([]float64(nil), start...), 0)[:parameters]
		return Solve(Problem{Observations: len(kept), Start: from, Scale: scale[:parameters], Weighted: weighted,
			Residuals: func(b, r []float64) {
				for i, p := range kept {
					r[i] = lineVolts(b, p) - p.Volts
					if weighted {
						r[i] *= 2 / math.Hypot(p.UVolts, ohms*p.UAmps)
					}
				}
			}})
	}
	fit, err := solve(2)
	if err != nil {
		return f, fmt.Errorf("resistor: %w", err)
	}
	if len(kept) >= 5 {
		if hot, err := solve(3); err == nil && math.Abs(hot.Parameters[2]) > max(hot.Expanded(2), 1e-9*scale[2]) {
			fit, f.HeatSeen = hot, true
			f.PerWatt = fit.parameter(2)
		}
	}
	f.Fit, f.Offset, f.Ohms = fit, fit.parameter(0), fit.parameter(1)
	for _, p := range kept {
		d := lineVolts(fit.Parameters, p) - p.Volts
		f.RMSVolts += d * d / n
	}
	f.RMSVolts = math.Sqrt(f.RMSVolts)
	return f, nil
}

func lineVolts(b []float64, p Point) float64 {
	ohms := b[1]
	if len(b) > 2 {
		ohms += b[2] * p.Volts * p.Amps
	}
	return b[0] + ohms*p.Amps
}
