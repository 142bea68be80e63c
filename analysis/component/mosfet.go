package component

import (
	"fmt"
	"math"
)

// SquareLaw is the simplest law of a MOSFET: with vo = Vgs - Vto, the drain current is K (vo Vds - Vds^2 / 2) (1 + lambda Vds)
// while Vds < vo, K vo^2 / 2 (1 + lambda Vds) above, nothing below threshold. For a p-channel part turn all signs.
type SquareLaw struct {
	Threshold float64 // Vto, V
	K         float64 // A/V2
	Lambda    float64 // 1/V
}

// Amps is the drain current for Vds of zero or more.
func (m SquareLaw) Amps(gateVolts, drainVolts float64) float64 {
	over := gateVolts - m.Threshold
	if over <= 0 {
		return 0
	}
	reach := min(drainVolts, over)
	return m.K * (over*reach - reach*reach/2) * (1 + m.Lambda*drainVolts)
}

// DrainPoint is one point of a transfer or output curve.
type DrainPoint struct {
	GateVolts, DrainVolts, Amps float64
	UAmps                       float64 // expanded uncertainty of what the points do not share; 0: not known
	Compliance                  bool
}

// SquareLawFit is what points say about a MOSFET.
type SquareLawFit struct {
	SquareLaw
	ThresholdFit, KFit, LambdaFit Parameter
	RMSE                          float64 // A
	Counts                        Counts
	Off, Linear, Saturated        int // the points used, by the region in which the fit has them
	Fit                           Fit
	Hint                          string
}

// FitSquareLaw fits transfer and output curves together. Lambda shows only where points in saturation have different drain
// voltages; without these it is an error. The law has no subthreshold current and no loss of mobility: points far below and
// far above threshold pull at the parameters, and Hint says where they do.
func FitSquareLaw(points []DrainPoint) (SquareLawFit, error) {
	var f SquareLawFit
	var kept []DrainPoint
	weighted := true
	for _, p := range points {
		switch {
		case p.Compliance:
			f.Counts.Compliance++
		case !finite(p.GateVolts, p.DrainVolts, p.Amps, p.UAmps) || p.DrainVolts < 0:
			f.Counts.Outside++
		default:
			f.Counts.Used++
			kept = append(kept, p)
			weighted = weighted && p.UAmps > 0
		}
	}
	if err := f.Counts.need("a MOSFET", 4); err != nil {
		return f, err
	}
	start, err := startSquareLaw(kept)
	if err != nil {
		return f, err
	}
	law := func(b []float64) SquareLaw { return SquareLaw{b[0], b[1], b[2]} }
	fit, err := Solve(Problem{
		Observations: len(kept), Start: start, Scale: []float64{0.1, start[1], 0.01}, Weighted: weighted,
		Residuals: func(b, r []float64) {
			m := law(b)
			for i, p := range kept {
				r[i] = m.Amps(p.GateVolts, p.DrainVolts) - p.Amps
				if weighted {
					r[i] *= 2 / p.UAmps
				}
			}
		},
	})
	if err != nil {
		return f, fmt.Errorf("mosfet: %w", err)
	}
	f.Fit, f.SquareLaw = fit, law(fit.Parameters)
	f.ThresholdFit, f.KFit, f.LambdaFit = fit.parameter(0), fit.parameter(1), fit.parameter(2)
	drains := map[float64]bool{}
	greatest, worst := 0.0, 0.0
	for _, p := range kept {
		r := f.Amps(p.GateVolts, p.DrainVolts) - p.Amps
		f.RMSE += r * r
		greatest, worst = max(greatest, p.Amps), max(worst, math.Abs(r))
		switch over := p.GateVolts - f.Threshold; {
		case over <= 0:
			f.Off++
		case p.DrainVolts < over:
			f.Linear++
		default:
			f.Saturated++
			drains[p.DrainVolts] = true
		}
	}
	f.RMSE = math.Sqrt(f.RMSE / float64(len(kept)))
	if len(drains) < 2 {
		return f, fmt.Errorf("mosfet: the points in saturation have one drain voltage, so that lambda does not show; measure at two or more")
	}
	if worst > 0.05*greatest {
		f.Hint = fmt.Sprintf("the square law misses points by up to %.2g A: fit a narrower range of gate voltage", worst)
	}
	return f, nil
}

// startSquareLaw draws a line through the square root of the current at the highest drain voltage.
func startSquareLaw(points []DrainPoint) ([]float64, error) {
	drain, most := 0.0, 0.0
	for _, p := range points {
		drain, most = max(drain, p.DrainVolts), max(most, p.Amps)
	}
	var n, sx, sy, sxx, sxy float64
	for _, p := range points {
		if p.DrainVolts < 0.5*drain || p.Amps < 1e-4*most {
			continue
		}
		x, y := p.GateVolts, math.Sqrt(p.Amps)
		n, sx, sy, sxx, sxy = n+1, sx+x, sy+y, sxx+x*x, sxy+x*y
	}
	slope := (n*sxy - sx*sy) / (n*sxx - sx*sx)
	if !(slope > 0) || math.IsInf(slope, 0) {
		return nil, fmt.Errorf("a MOSFET needs points above threshold at two gate voltages or more, at a drain voltage that saturates it")
	}
	return []float64{(sx - sy/slope) / n, 2 * slope * slope, 0.01}, nil
}
