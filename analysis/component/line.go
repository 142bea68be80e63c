package component

import (
	"fmt"
	"math"
)

// ResistorFit is what a current-voltage curve says about a resistor, V = V0 + (R + k P) I with the power P = V I.
type ResistorFit struct {
	Ohms, Offset, PerWatt Parameter
	// Heat says that the points tell the resistance at no power from its change with the power: Ohms then is that at no power, and
	// heat that noise hides is in its uncertainty. Else PerWatt is zero and Ohms is that of all points, at their power.
	Heat bool
	// HeatSeen says that the resistance changes with the power by more than its expanded uncertainty.
	HeatSeen bool
	RMSVolts float64
	Fit      Fit // in V0, R and, with Heat, k
	Counts   Counts
}

// heatRange is how many times the least power the greatest has to be for self-heating to be told from resistance.
const heatRange = 3

// FitResistor fits points at different currents, of both directions where an offset matters. Self-heating takes part where there are
// five points or more, and powers that differ. It is not left out where it does not show: what noise hides of it moves the resistance by
// several times what the scatter of the points says.
func FitResistor(points []Point) (ResistorFit, error) {
	kept, counts, weighted := sift(points, func(Point) bool { return true })
	f := ResistorFit{Counts: counts}
	if err := counts.need("a resistor", 3); err != nil {
		return f, err
	}
	var n, sx, sy, sxx, sxy, most float64
	cold, hot := math.Inf(1), 0.0 // least and greatest power
	for _, p := range kept {
		cold, hot = min(cold, math.Abs(p.Volts*p.Amps)), max(hot, math.Abs(p.Volts*p.Amps))
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
	if len(kept) >= 5 && hot >= heatRange*cold {
		if heated, err := solve(3); err == nil {
			fit, f.Heat, f.PerWatt = heated, true, heated.parameter(2)
			f.HeatSeen = math.Abs(f.PerWatt.X) > max(f.PerWatt.U, 1e-9*scale[2])
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
