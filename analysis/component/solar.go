package component

import (
	"fmt"
	"math"
)

// Cell is a solar cell: a current source with a diode and a shunt across it, behind a series resistance,
//
//	I = Iph - Is (exp((V + I Rs) / (n Vt)) - 1) - (V + I Rs) / Rsh.
type Cell struct {
	Photo      float64 // Iph, A
	Saturation float64 // Is, A
	Ideality   float64 // n, of the whole string where cells are in series
	Series     float64 // Rs, ohm
	Shunt      float64 // Rsh, ohm; infinite where none shows
	Kelvin     float64
}

// implicit is the right side of the law with a current put in.
func (c Cell) implicit(volts, amps float64) float64 {
	inside := volts + amps*c.Series
	return c.Photo - c.Saturation*math.Expm1(inside/(c.Ideality*ThermalVolts(c.Kelvin))) - inside/c.Shunt
}

// Amps is the current delivered at a voltage: the solution of the law by Newton's method.
func (c Cell) Amps(volts float64) float64 {
	nvt := c.Ideality * ThermalVolts(c.Kelvin)
	// the law falls with I and is concave: from where the right side is below I, Newton's steps go down to the solution at once
	amps := min(c.Photo, c.Photo-c.Saturation*math.Expm1(min(volts/nvt, 80))-volts/c.Shunt)
	if c.Series > 0 {
		amps = max(amps, -(volts-nvt*math.Log1p(max(0, c.Photo/c.Saturation)))/c.Series)
		amps = min(amps, c.Photo+math.Abs(volts)/c.Shunt)
	}
	for range 100 {
		inside := volts + amps*c.Series
		e := math.Exp(min(inside/nvt, 600))
		f := c.Photo - c.Saturation*(e-1) - inside/c.Shunt - amps
		step := f / (1 + c.Series*(c.Saturation*e/nvt+1/c.Shunt))
		amps += step
		if math.Abs(step) <= 1e-15*max(math.Abs(amps), c.Photo) {
			break
		}
	}
	return amps
}

// CellPoints are the figures of a cell's curve.
type CellPoints struct {
	ShortAmps, OpenVolts              float64
	PowerWatts, PowerVolts, PowerAmps float64 // at the maximum of power
	Fill                              float64 // power over short-circuit current times open-circuit voltage
}

// Points works out the figures from the parameters.
func (c Cell) Points() CellPoints {
	p := CellPoints{ShortAmps: c.Amps(0)}
	low, high := 0.0, c.Ideality*ThermalVolts(c.Kelvin)*math.Log1p(c.Photo/c.Saturation)
	for range 80 { // without a shunt the open-circuit voltage is high; with one it lies below
		if m := (low + high) / 2; c.implicit(m, 0) > 0 {
			low = m
		} else {
			high = m
		}
	}
	p.OpenVolts = (low + high) / 2
	low, high = 0, p.OpenVolts
	for range 100 {
		a, b := low+(high-low)/3, high-(high-low)/3
		if a*c.Amps(a) < b*c.Amps(b) {
			low = a
		} else {
			high = b
		}
	}
	p.PowerVolts = (low + high) / 2
	p.PowerAmps = c.Amps(p.PowerVolts)
	p.PowerWatts = p.PowerVolts * p.PowerAmps
	p.Fill = p.PowerWatts / (p.ShortAmps * p.OpenVolts)
	return p
}

// Residual says what a cell was fitted by. The two give different parameters and different root mean squares from the same
// points, and both are in use: a figure without the name of its residual means nothing.
type Residual uint8

// The residuals.
const (
	// Exact is the current of the model at the voltage, less that measured.
	Exact Residual = iota
	// Implicit puts the measured current into both sides of the law: what most papers minimise.
	Implicit
)

func (r Residual) String() string {
	if r == Implicit {
		return "implicit (measured current on both sides of the law)"
	}
	return "exact (current of the model at the voltage)"
}

// CellFit is what points say about a cell.
type CellFit struct {
	Cell
	PhotoFit, IsFit, NFit, RsFit, RshFit Parameter
	Residual                             Residual // by which RMSE was made least
	RMSE                                 float64  // root of the mean square of that residual, A
	// ExactRMSE is that of the exact residual, whichever was minimised.
	ExactRMSE float64
	Fit       Fit // in Iph, ln Is, n, Rs and 1 / Rsh
	Counts    Counts
}

// FitCell fits a curve from about short circuit to about open circuit; current delivered is positive. Is and n are strongly
// correlated: a report of the parameters needs many digits to give the curve again. Uncertainties of the points are not used
// as weights: the published figures of merit count all points alike.
func FitCell(points []Point, kelvin float64, residual Residual) (CellFit, error) {
	f := CellFit{Residual: residual}
	if !(kelvin > 0) || math.IsInf(kelvin, 0) {
		return f, fmt.Errorf("the temperature of the cell is %g K; state it", kelvin)
	}
	kept, counts, _ := sift(points, func(Point) bool { return true })
	f.Counts = counts
	if err := counts.need("a solar cell", 6); err != nil {
		return f, err
	}
	start, err := startCell(kept, kelvin)
	if err != nil {
		return f, err
	}
	cell := func(b []float64) Cell {
		return Cell{Photo: b[0], Saturation: math.Exp(b[1]), Ideality: b[2], Series: b[3], Shunt: 1 / b[4], Kelvin: kelvin}
	}
	var spread func(b, g []float64)
	if residual == Implicit { // an error of a current counts on both sides of the law
		spread = func(b, g []float64) {
			c := cell(b)
			nvt := c.Ideality * ThermalVolts(kelvin)
			for i, p := range kept {
				g[i] = 1 + c.Series*(c.Saturation/nvt*math.Exp((p.Volts+p.Amps*c.Series)/nvt)+1/c.Shunt)
			}
		}
	}
	fit, err := Solve(Problem{
		Observations: len(kept), Start: start, Scale: []float64{start[0], 1, 1, max(1e-4, start[3]), max(start[4], 1e-3*start[0])}, Spread: spread,
		Residuals: func(b, r []float64) {
			c := cell(b)
			for i, p := range kept {
				switch {
				case b[2] <= 0:
					r[i] = math.NaN()
				case residual == Implicit:
					r[i] = c.implicit(p.Volts, p.Amps) - p.Amps
				default:
					r[i] = c.Amps(p.Volts) - p.Amps
				}
			}
		},
	})
	if err != nil {
		return f, fmt.Errorf("solar cell: %w", err)
	}
	f.Fit, f.Cell = fit, cell(fit.Parameters)
	f.PhotoFit, f.IsFit, f.NFit, f.RsFit = fit.parameter(0), fit.parameter(1).exponential(), fit.parameter(2), fit.parameter(3)
	f.RshFit = Parameter{f.Shunt, fit.Expanded(4) * f.Shunt * f.Shunt}
	f.RMSE = math.Sqrt(fit.RSS / float64(len(kept)))
	for _, p := range kept {
		r := f.Amps(p.Volts) - p.Amps
		f.ExactRMSE += r * r
	}
	f.ExactRMSE = math.Sqrt(f.ExactRMSE / float64(len(kept)))
	return f, nil
}

// startCell reads short-circuit current and open-circuit voltage off the points.
func startCell(points []Point, kelvin float64) ([]float64, error) {
	nearShort, open, most := math.Inf(1), 0.0, 0.0
	short := 0.0
	for _, p := range points {
		if d := math.Abs(p.Volts); d < nearShort {
			nearShort, short = d, p.Amps
		}
		most = max(most, p.Volts)
	}
	nearOpen := math.Inf(1)
	for _, p := range points {
		if d := math.Abs(p.Amps); d < nearOpen && p.Volts > 0 {
			nearOpen, open = d, p.Volts
		}
	}
	if !(short > 0) || !(open > 0) {
		return nil, fmt.Errorf("a solar cell delivers current at low voltage: there are no such points; is the sign of the current turned?")
	}
	const ideality = 1.5
	nvt := ideality * ThermalVolts(kelvin)
	cells := math.Max(1, math.Round(open/0.6))
	nvt *= cells
	return []float64{short, math.Log(short) - open/nvt, ideality * cells, 0.02 * open / short, 0.01 * short / open}, nil
}
