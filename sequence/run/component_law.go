package run

import (
	"fmt"
	"math"
	"slices"

	"fourwire/analysis/component"
	"fourwire/quantity"
	"fourwire/sequence"
)

// fitted is what one fit came to.
type fitted struct {
	b       []float64   // parameters as they were fitted
	cov     [][]float64 // of these, enlarged where the points scatter by more than their uncertainty
	misfit  float64     // the part of cov that is beyond the uncertainty of the points, and beyond chance: 0 to 1
	weighed bool        // by the uncertainty of the points; else cov is all that they scatter by
	dof     int
	of      func(b []float64) []float64 // results from parameters, in the order of the words of its kind, without residual and counts
	y       func(b []float64, row []float64) float64
	rms     float64
	outside int
	hint    string
}

// law is how one kind of part is fitted.
type law struct {
	formula string
	least   string // what is made least
	// solve fits rows of numbers, one for each input, with their expanded uncertainties.
	solve func(rows, u [][]float64, kelvin float64) (fitted, error)
	// along is which input runs along the picture, up which runs up, per which tells one curve from another; -1: none.
	along, up, per int
	logX, logY     bool
}

func lawOf(kind sequence.FitKind) law {
	const vAtI = "the voltage of the law at the measured current less the measured voltage, by the uncertainty of each point"
	switch kind {
	case sequence.SolarLaw:
		return law{formula: "I = Iph - Is (exp((V + I Rs)/(n Vt)) - 1) - (V + I Rs)/Rsh", least: "the current of the law at the measured voltage less the measured current, all points alike",
			solve: solveCell, along: 0, up: 1, per: -1}
	case sequence.MosfetLaw:
		return law{formula: "I = K (vo Vds - Vds^2/2)(1 + lambda Vds) below Vds = vo = Vgs - Vto, K vo^2/2 (1 + lambda Vds) above", least: "the current of the law less the measured current, all points alike",
			solve: solveMosfet, along: 1, up: 2, per: 0}
	case sequence.ResistorLaw:
		return law{formula: "V = V0 + (R + k V I) I", least: vAtI, solve: solveResistor, along: 1, up: 0, per: -1}
	case sequence.LeakageLaw:
		return law{formula: "I = leakage + A exp(-t/tau), or leakage + A t^-m", least: "the current of the law less the measured current", solve: solveLeakage, along: 1, up: 0, per: -1, logX: true, logY: true}
	}
	return law{formula: "V = n Vt ln(1 + I/Is) + I Rs", least: vAtI, solve: solveDiode, along: 0, up: 1, per: -1, logY: true}
}

func fromFit(f component.Fit, weighted bool) fitted {
	out := fitted{b: f.Parameters, cov: f.Covariance, dof: f.DOF, misfit: 1, weighed: weighted}
	switch {
	case f.Known:
		out.misfit = 0
	case weighted && f.DOF > 0:
		out.misfit = math.Max(0, 1-float64(f.DOF)/f.RSS)
	}
	return out
}

func pointsOf(rows, u [][]float64) (points []component.Point, weighted bool) {
	weighted = true
	for i, r := range rows {
		points = append(points, component.Point{Volts: r[0], Amps: r[1], UVolts: u[i][0], UAmps: u[i][1]})
		weighted = weighted && (u[i][0] > 0 || u[i][1] > 0)
	}
	return points, weighted
}

func solveDiode(rows, u [][]float64, kelvin float64) (fitted, error) {
	points, weighted := pointsOf(rows, u)
	f, err := component.FitDiode(points, kelvin)
	if err != nil {
		return fitted{outside: f.Counts.Outside}, err
	}
	out := fromFit(f.Fit, weighted)
	diode := func(b []float64) component.Diode {
		d := component.Diode{Saturation: math.Exp(b[0]), Ideality: b[1], Kelvin: kelvin}
		if len(b) > 2 {
			d.Series = b[2]
		}
		return d
	}
	out.of = func(b []float64) []float64 {
		d := diode(b)
		return []float64{d.Saturation, d.Ideality, d.Series}
	}
	out.y = func(b, row []float64) float64 { return diode(b).Amps(row[0]) }
	out.rms, out.outside, out.hint = f.RMSVolts, f.Counts.Outside, f.Hint
	return out, nil
}

func solveCell(rows, _ [][]float64, kelvin float64) (fitted, error) {
	points, _ := pointsOf(rows, zeros(rows))
	f, err := component.FitCell(points, kelvin, component.Exact)
	if err != nil {
		return fitted{outside: f.Counts.Outside}, err
	}
	out := fromFit(f.Fit, false)
	cell := func(b []float64) component.Cell {
		return component.Cell{Photo: b[0], Saturation: math.Exp(b[1]), Ideality: b[2], Series: b[3], Shunt: 1 / b[4], Kelvin: kelvin}
	}
	out.of = func(b []float64) []float64 {
		c := cell(b)
		p := c.Points()
		return []float64{c.Photo, c.Saturation, c.Ideality, c.Series, c.Shunt, p.ShortAmps, p.OpenVolts, p.PowerWatts, p.PowerVolts, p.PowerAmps, p.Fill}
	}
	out.y = func(b, row []float64) float64 { return cell(b).Amps(row[0]) }
	out.rms, out.outside = f.RMSE, f.Counts.Outside
	return out, nil
}

func zeros(rows [][]float64) [][]float64 {
	out := make([][]float64, len(rows))
	for i := range rows {
		out[i] = make([]float64, len(rows[i]))
	}
	return out
}

func solveMosfet(rows, _ [][]float64, _ float64) (fitted, error) {
	points := make([]component.DrainPoint, len(rows))
	for i, r := range rows {
		points[i] = component.DrainPoint{GateVolts: r[0], DrainVolts: r[1], Amps: r[2]}
	}
	f, err := component.FitSquareLaw(points)
	if err != nil {
		return fitted{outside: f.Counts.Outside}, err
	}
	out := fromFit(f.Fit, false)
	out.of = slices.Clone[[]float64]
	out.y = func(b, row []float64) float64 {
		return component.SquareLaw{Threshold: b[0], K: b[1], Lambda: b[2]}.Amps(row[0], row[1])
	}
	out.rms, out.outside, out.hint = f.RMSE, f.Counts.Outside, f.Hint
	return out, nil
}

func solveResistor(rows, u [][]float64, _ float64) (fitted, error) {
	points, weighted := pointsOf(rows, u)
	f, err := component.FitResistor(points)
	if err != nil {
		return fitted{outside: f.Counts.Outside}, err
	}
	out := fromFit(f.Fit, weighted)
	out.of = func(b []float64) []float64 {
		if len(b) > 2 {
			return []float64{b[1], b[0], b[2]}
		}
		return []float64{b[1], b[0], 0}
	}
	out.y = func(b, row []float64) float64 {
		heat := 0.0
		if len(b) > 2 {
			heat = b[2]
		}
		// V = V0 + R I + k V I^2
		return (b[0] + b[1]*row[1]) / (1 - heat*row[1]*row[1])
	}
	out.rms, out.outside = f.RMSVolts, f.Counts.Outside
	if f.HeatSeen {
		out.hint = "self-heating shows: the resistance is that at no power"
	}
	return out, nil
}

func solveLeakage(rows, u [][]float64, _ float64) (fitted, error) {
	points := make([]component.CurrentPoint, len(rows))
	weighted := true
	for i, r := range rows {
		points[i] = component.CurrentPoint{Amps: r[0], Seconds: r[1], UAmps: u[i][0]}
		weighted = weighted && u[i][0] > 0
	}
	f, err := component.FitLeakage(points)
	if err != nil {
		return fitted{outside: f.Counts.Outside}, err
	}
	out := fromFit(f.Fit, weighted)
	form := f.Decay
	out.of = func(b []float64) []float64 {
		at := math.Exp(b[2])
		settles := math.Inf(1)
		if b[0] > 0 {
			if settles = at * math.Log(math.Abs(b[1])*20/b[0]); form == component.Power {
				settles = math.Pow(math.Abs(b[1])*20/b[0], 1/at)
			}
		}
		if form == component.Power {
			return []float64{b[0], nan, at, settles}
		}
		return []float64{b[0], at, nan, settles}
	}
	out.y = func(b, row []float64) float64 {
		if form == component.Power {
			return b[0] + b[1]*math.Pow(row[1], -math.Exp(b[2]))
		}
		return b[0] + b[1]*math.Exp(-row[1]/math.Exp(b[2]))
	}
	rest := 0.0
	for _, r := range rows {
		d := out.y(out.b, r) - r[0]
		rest += d * d / float64(len(rows))
	}
	out.rms, out.outside, out.hint = math.Sqrt(rest), f.Counts.Outside, f.Hint
	if other := math.Abs(f.OtherAmps - f.Amps.X); other > 0 && f.Hint != "" {
		out.hint += fmt.Sprintf("; the other form of decay would leave %s", quantity.Of(f.OtherAmps, quantity.Current).Text(3))
		out.cov = slices.Clone(out.cov)
		out.cov[0] = slices.Clone(out.cov[0])
		out.cov[0][0] += other * other / 4
		out.misfit = 1
	}
	return out, nil
}
