package uncertain_test

import (
	"math"
	"testing"

	"fourwire/analysis/uncertain"
	"fourwire/quantity"
	"fourwire/quantity/measured"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %v, want %v within %v", what, got, want, tolerance)
	}
}

// ratio makes a plain number with one own input.
func ratio(l *measured.Ledger, name string, x, std, dof float64, shape measured.Shape) measured.Value {
	id := l.Own(measured.Input{Name: name, Shape: shape, DOF: dof})
	return measured.New(quantity.Of(x, quantity.Ratio), measured.Term{Input: id, Part: std})
}

// JCGM 100:2008 annex H.1, end-gauge calibration; lengths in nm. Inputs in testdata/gum-h1-end-gauge.csv; the effective
// degrees of freedom, t and U99 are from memory of the guide and recomputed.
func TestEndGauge(t *testing.T) {
	var l measured.Ledger
	ls := ratio(&l, "ls", 50000623, 25, 18, measured.Normal)
	d0 := ratio(&l, "d0", 215, 5.8, 24, measured.Normal)
	d1 := ratio(&l, "d1", 0, 3.9, 5, measured.Normal)
	d2 := ratio(&l, "d2", 0, 6.7, 8, measured.Normal)
	alpha := ratio(&l, "alpha_s", 11.5e-6, uncertain.Rectangular(2e-6), 0, measured.Rectangular)
	dAlpha := ratio(&l, "delta alpha", 0, uncertain.Rectangular(1e-6), 50, measured.Rectangular)
	dTheta := ratio(&l, "delta theta", 0, uncertain.Rectangular(0.05), 2, measured.Rectangular)
	mean := ratio(&l, "theta mean", -0.1, 0.2, 0, measured.Normal)
	swing := ratio(&l, "Delta", 0, uncertain.Arcsine(0.5), 0, measured.Normal)

	d := measured.Add(measured.Add(d0, d1), d2)
	theta := measured.Add(mean, swing)
	heat := measured.Add(measured.Mul(dAlpha, theta), measured.Mul(alpha, dTheta))
	length := measured.Sub(measured.Add(ls, d), measured.Mul(ls, heat))

	near(t, "u(d)", d.Std(), 9.681942, 5e-7)
	near(t, "degrees of freedom of d", uncertain.Degrees(d, &l), 25.447, 5e-4)
	near(t, "l", length.X, 50000838, 0.5)
	near(t, "u(l)", length.Std(), 31.66388, 5e-5)
	near(t, "effective degrees of freedom", uncertain.Degrees(length, &l), 16.7519, 0.001)
	e := uncertain.Expand(length, &l, 0.99)
	near(t, "t99", e.K, 2.920782, 1e-6)
	near(t, "U99", e.U, 93, 1)
	for _, line := range uncertain.Budget(length, &l) {
		switch line.Input.Name {
		case "delta alpha":
			near(t, "component of delta alpha", math.Abs(line.Part), 2.88679, 5e-6)
		case "delta theta":
			near(t, "component of delta theta", math.Abs(line.Part), 16.599, 5e-4)
		case "alpha_s", "Delta":
			t.Errorf("%s contributes %v at first order: its partner is zero", line.Input.Name, line.Part)
		}
	}
	if first := uncertain.Budget(length, &l)[0]; first.Input.Name != "ls" {
		t.Errorf("the biggest contributor is %s, want ls", first.Input.Name)
	}
}

// The second-order terms that H.1 adds by hand come out of the Monte-Carlo propagation: u(l) = 33.81 nm.
func TestEndGaugeByMonteCarlo(t *testing.T) {
	var l measured.Ledger
	in := []measured.Value{
		ratio(&l, "ls", 50000623, 25, 0, measured.Normal), ratio(&l, "d", 215, 9.681942, 0, measured.Normal),
		ratio(&l, "alpha", 11.5e-6, uncertain.Rectangular(2e-6), 0, measured.Rectangular), ratio(&l, "dAlpha", 0, uncertain.Rectangular(1e-6), 0, measured.Rectangular),
		ratio(&l, "dTheta", 0, uncertain.Rectangular(0.05), 0, measured.Rectangular), ratio(&l, "theta", -0.1, math.Hypot(0.2, uncertain.Arcsine(0.5)), 0, measured.Normal),
	}
	s, err := uncertain.Propagate(&l, in, func(x []float64) float64 { return x[0] + x[1] - x[0]*(x[3]*x[5]+x[2]*x[4]) }, 400000, 0.95, 1)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "u(l) with second-order terms", s.Std, 33.80655, 0.15) // four standard errors of 400 000 draws
}

// JCGM 100:2008 annex H.2, approach 1: correlated means through independent inputs; approach 2: each set on its own.
func TestResistanceAndReactance(t *testing.T) {
	volts := []float64{5.007, 4.994, 5.005, 4.990, 4.999}
	amps := []float64{19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3}
	phase := []float64{1.0456, 1.0438, 1.0468, 1.0428, 1.0433}
	cov := uncertain.Covariances([][]float64{volts, amps, phase})
	v, i, phi := uncertain.Describe(volts), uncertain.Describe(amps), uncertain.Describe(phase)
	near(t, "s(V)", v.StdOfMean(), 0.00320936131, 1e-11)
	near(t, "s(I)", i.StdOfMean(), 0.00947100839e-3, 1e-14)
	near(t, "s(phi)", phi.StdOfMean(), 0.000752063827, 1e-12)
	r := func(a, b int) float64 { return cov[a][b] / math.Sqrt(cov[a][a]*cov[b][b]) }
	near(t, "r(V,I)", r(0, 1), -0.355311, 5e-7)
	near(t, "r(V,phi)", r(0, 2), 0.857624, 5e-7)
	near(t, "r(I,phi)", r(1, 2), -0.645111, 5e-7)

	var l measured.Ledger
	in, err := uncertain.Correlated(&l, "means", []quantity.Quantity{quantity.Of(v.Mean, quantity.Voltage), quantity.Of(i.Mean, quantity.Current), quantity.Of(phi.Mean, quantity.Ratio)}, cov, 4)
	if err != nil {
		t.Fatal(err)
	}
	z := measured.Div(in[0], in[1])
	cosine := measured.Map(math.Cos(in[2].X), quantity.Ratio, in[2], -math.Sin(in[2].X))
	sine := measured.Map(math.Sin(in[2].X), quantity.Ratio, in[2], math.Cos(in[2].X))
	res, rea := measured.Mul(z, cosine), measured.Mul(z, sine)
	near(t, "R", res.X, 127.732170, 5e-7)
	near(t, "u(R)", res.Std(), 0.0710714, 5e-8)
	near(t, "X", rea.X, 219.846512, 5e-7)
	near(t, "u(X)", rea.Std(), 0.2955817, 5e-8)
	near(t, "Z", z.X, 254.259702, 5e-7)
	near(t, "u(Z)", z.Std(), 0.2363361, 5e-8)
	near(t, "r(R,X)", uncertain.Correlation(res, rea), -0.588430, 5e-7)
	near(t, "r(R,Z)", uncertain.Correlation(res, z), -0.485259, 5e-7)
	near(t, "r(X,Z)", uncertain.Correlation(rea, z), 0.992512, 5e-7)

	var rs, xs, zs []float64
	for k := range volts {
		zk := volts[k] / amps[k]
		rs, xs, zs = append(rs, zk*math.Cos(phase[k])), append(xs, zk*math.Sin(phase[k])), append(zs, zk)
	}
	for _, c := range []struct {
		name        string
		sets        []float64
		mean, std   float64
		first, last float64
	}{
		{"R", rs, 127.7316305, 0.0712735, 127.672, 127.877}, {"X", xs, 219.8468946, 0.2954891, 220.322, 219.508}, {"Z", zs, 254.2600496, 0.2362475, 254.641, 254.040},
	} {
		s := uncertain.Describe(c.sets)
		near(t, "approach 2, "+c.name, s.Mean, c.mean, 5e-8)
		near(t, "approach 2, u of "+c.name, s.StdOfMean(), c.std, 5e-8)
		near(t, "set 1 of "+c.name, c.sets[0], c.first, 5e-4)
		near(t, "set 5 of "+c.name, c.sets[4], c.last, 5e-4)
	}
	two := uncertain.Covariances([][]float64{rs, xs, zs})
	near(t, "approach 2, r(R,X)", two[0][1]/math.Sqrt(two[0][0]*two[1][1]), -0.588277, 5e-7)
	near(t, "approach 2, r(X,Z)", two[1][2]/math.Sqrt(two[1][1]*two[2][2]), 0.992508, 5e-7)
}

// EA-4/02 example S3, 10 kohm resistor: components from memory, result and u read from a published data file.
func TestTenKilohm(t *testing.T) {
	var l measured.Ledger
	rs := ratio(&l, "RS", 10000.053, 0.0025, 50, measured.Normal)
	drift := ratio(&l, "drift", 0.020, uncertain.Rectangular(0.010), 0, measured.Rectangular)
	ts := ratio(&l, "dRTS", 0, uncertain.Rectangular(0.00275), 0, measured.Rectangular)
	tx := ratio(&l, "dRTX", 0, uncertain.Rectangular(0.0055), 0, measured.Rectangular)
	rc := ratio(&l, "rC", 1, uncertain.Triangular(1e-6), 0, measured.Normal)
	obs := uncertain.Describe([]float64{1.0000104, 1.0000107, 1.0000106, 1.0000103, 1.0000105})
	near(t, "s(r)", obs.SD, 1.5811e-7, 5e-12)
	r := ratio(&l, "r", obs.Mean, obs.StdOfMean(), 4, measured.Normal)
	rx := measured.Sub(measured.Mul(measured.Mul(measured.Add(measured.Add(rs, drift), ts), rc), r), tx)
	near(t, "RX", rx.X, 10000.1780007665, 1e-9)
	near(t, "u(RX)", rx.Std(), 8.32800405e-3, 1.5e-7)
	near(t, "effective degrees of freedom", uncertain.Degrees(rx, &l), 5700.7, 1)
	near(t, "U", 2*rx.Std(), 17e-3, 0.5e-3)
}

// EA-4/02 example S9, hand-held meter (from memory; arithmetic recomputed): one rectangle dominates, so k = 0.95 sqrt(3).
func TestDominantRectangle(t *testing.T) {
	var l measured.Ledger
	e := measured.Sub(ratio(&l, "display", 100.1, uncertain.Rectangular(0.05), 0, measured.Rectangular),
		measured.Add(ratio(&l, "VS", 100, 0.001, 0, measured.Normal), ratio(&l, "dVS", 0, uncertain.Rectangular(0.011), 0, measured.Rectangular)))
	x := uncertain.Expand(e, &l, uncertain.Coverage95)
	near(t, "EX", e.X, 0.10, 0.005)
	near(t, "u", x.Std, 0.02957476, 5e-9)
	near(t, "k", x.K, 1.645448, 5e-7)
	near(t, "U with k rounded to 1.65 in the guide", x.U, 0.0487984, 2e-4)
	if !x.Dominated {
		t.Error("the display's rectangle should dominate")
	}
	s, err := uncertain.Propagate(&l, []measured.Value{e}, func(x []float64) float64 { return x[0] }, 400000, 0.95, 3)
	if err != nil {
		t.Fatal(err)
	}
	// exact 95 % half-width of the two rectangles convolved, computed: 0.0505119 V
	near(t, "Monte-Carlo half-width", (s.High-s.Low)/2, 0.0505119, 3e-4)
}

// Two-sided quantiles of Student's t and of the normal distribution, computed with exact statistics.
func TestFactor(t *testing.T) {
	nus := []float64{1, 2, 4, 5, 10, 16, 30, 100}
	for p, want := range map[float64][]float64{
		0.95:   {12.7062, 4.3027, 2.7764, 2.5706, 2.2281, 2.1199, 2.0423, 1.9840},
		0.9545: {13.9678, 4.5266, 2.8693, 2.6487, 2.2837, 2.1689, 2.0868, 2.0253},
		0.99:   {63.6567, 9.9248, 4.6041, 4.0321, 3.1693, 2.9208, 2.7500, 2.6259},
	} {
		for i, nu := range nus {
			near(t, "t", uncertain.Factor(p, nu), want[i], want[i]*6e-5)
		}
	}
	near(t, "normal 95 %", uncertain.Factor(0.95, math.Inf(1)), 1.9599640, 5e-8)
	near(t, "k = 2", uncertain.Factor(uncertain.CoverageK2, math.Inf(1)), 2, 1e-12)
	near(t, "degrees are truncated", uncertain.Factor(0.99, 16.99), 2.9208, 5e-5)
	if f := uncertain.Factor(0.95, 0.5); !math.IsNaN(f) {
		t.Errorf("half a degree of freedom gives %v", f)
	}
}

// A product of two values near zero is where the linear propagation fails: it gives 0, the truth is 1.
func TestMonteCarloFindsWhatLinearMisses(t *testing.T) {
	var l measured.Ledger
	a, b := ratio(&l, "a", 0, 1, 0, measured.Normal), ratio(&l, "b", 0, 1, 0, measured.Normal)
	linear := measured.Mul(a, b)
	s, err := uncertain.Propagate(&l, []measured.Value{a, b}, func(x []float64) float64 { return x[0] * x[1] }, 200000, 0.95, 5)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "u", s.Std, 1, 0.02)
	if s.Agrees(linear.X, 2*linear.Std()) {
		t.Error("the linear result was taken to agree")
	}
	sum := measured.Add(a, b)
	s, err = uncertain.Propagate(&l, []measured.Value{sum}, func(x []float64) float64 { return x[0] }, 400000, 0.95, 5)
	if err != nil {
		t.Fatal(err)
	}
	if !s.Agrees(sum.X, uncertain.Factor(0.95, math.Inf(1))*sum.Std()) {
		t.Errorf("a sum of two normal inputs: Monte Carlo %v..%v", s.Low, s.High)
	}
}
