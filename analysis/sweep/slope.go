package sweep

import (
	"errors"
	"math"

	"fourwire/quantity/measured"
)

var errNoSpread = errors.New("the points do not differ along x")

// Slope is the slope of the straight line through all points by ordinary least squares, sum (x - mx)(y - my) / sum (x - mx)^2,
// with the errors of both columns propagated through it (derivatives of the formula; JCGM 100:2008, 5.1 and H.3). Scatter
// about the line beyond what the errors of the points explain is added as an input of the ledger; without a ledger, or with
// two points, it is left out.
func Slope(y, x Values, ledger *measured.Ledger) (measured.Value, error) {
	y, x = Rows(y, x)
	if len(x) == 0 {
		return measured.Value{}, ErrNoPoint
	}
	count := float64(len(x))
	var meanX, meanY, sxx, sxy float64
	for i := range x {
		meanX += x[i].X / count
		meanY += y[i].X / count
	}
	for i := range x {
		sxx += (x[i].X - meanX) * (x[i].X - meanX)
		sxy += (x[i].X - meanX) * (y[i].X - meanY)
	}
	if sxx == 0 {
		return measured.Value{}, errNoSpread
	}
	slope := sxy / sxx
	values, weights := make(Values, 0, 2*len(x)), make([]float64, 0, 2*len(x))
	for i := range x {
		values = append(values, y[i], x[i])
		weights = append(weights, (x[i].X-meanX)/sxx, (y[i].X-meanY-2*slope*(x[i].X-meanX))/sxx)
	}
	out := combine(slope, y[0].Dim.Over(x[0].Dim), values, weights)
	if ledger == nil || len(x) < 3 {
		return out, nil
	}
	at := make([]float64, len(x))
	for i := range x {
		at[i] = x[i].X
	}
	f, err := fitCurve(at, along(y, x, func(int) float64 { return slope }), 1)
	if err != nil {
		return out, err
	}
	return widened(out, ledger, scatterInput("straight line"), f.excess()/math.Sqrt(sxx)), nil
}

// OutputResistance is minus the slope of output volts over load current. The resistance between the point of regulation and
// the voltmeter is in it: take off what the board has there.
func OutputResistance(vo, io Values, ledger *measured.Ledger) (measured.Value, error) {
	s, err := Slope(vo, io, ledger)
	return measured.Map(-s.X, s.Dim, s, -1), err
}

// along is y with the errors of x turned into errors of y by the slope of the curve at each point.
func along(y, x Values, slope func(i int) float64) Values {
	out := make(Values, len(y))
	for i := range y {
		out[i] = measured.Linear(y[i].X, y[i].Dim, y[i], 1, x[i], -slope(i))
	}
	return out
}

func scatterInput(about string) measured.Input {
	return measured.Input{Name: "scatter about the " + about, Kind: measured.Noise}
}
