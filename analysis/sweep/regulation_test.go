package sweep_test

import (
	"errors"
	"fmt"
	"math"
	"testing"

	"fourwire/analysis/sweep"
	"fourwire/quantity"
	"fourwire/quantity/measured"
)

// Published worked examples of load regulation, (V light - V full) / V full. The first source prints 1 %, since it divides by
// 5 V: both denominators are in use.
func TestLoadRegulationExamples(t *testing.T) {
	for _, c := range []struct {
		name                              string
		light, full                       float64
		overFull, overNominal, resistance float64 // the resistance with 1 A of load, by arithmetic
	}{
		{"5 V falls to 4.95 V (a maker's course on regulators)", 5, 4.95, 0.010101, 0.01, 0.05},
		{"12 V falls to 11 V (a question collection: 9.1 %)", 12, 11, 0.090909, 1.0 / 12, 1},
	} {
		r, err := sweep.LoadOf(exact(quantity.Current, 0, 1), exact(quantity.Voltage, c.light, c.full))
		if err != nil {
			t.Fatal(err)
		}
		near(t, c.name+" over full load", r.OverFull().X, c.overFull, 5e-7)
		near(t, c.name+" over nominal", r.OverNominal(one(c.light, quantity.Voltage)).X, c.overNominal, 1e-12)
		near(t, c.name+" resistance", r.Resistance().X, c.resistance, 1e-12)
	}
}

// A maker's data sheet of a buck converter states 0.089 %/V of line over 2.8 to 5.5 V and 0.0013 %/mA of load over 100 to
// 1500 mA; the totals, 0.2403 % and 1.82 %, are arithmetic.
func TestRegulationPerUnit(t *testing.T) {
	const nominal = 1.2
	line, err := sweep.LineOf(exact(quantity.Voltage, 5.5, 2.8), exact(quantity.Voltage, nominal*1.002403, nominal))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "line per volt", line.PerVolt(one(nominal, quantity.Voltage)).X, 0.00089, 1e-12)
	near(t, "line total", line.OverNominal(one(nominal, quantity.Voltage)).X, 0.002403, 1e-12)
	near(t, "line slope", line.Slope().X, 0.00089*nominal, 1e-12)
	load, err := sweep.LoadOf(exact(quantity.Current, 0.1, 1.5), exact(quantity.Voltage, nominal*1.0182, nominal))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "load per ampere", load.PerAmp(one(nominal, quantity.Voltage)).X, 0.013, 1e-12)
	near(t, "load total", load.OverNominal(one(nominal, quantity.Voltage)).X, 0.0182, 1e-12)
}

// What one meter's readings share cancels: u is worked out by hand from the difference.
func TestSharedErrorsCancelInRegulation(t *testing.T) {
	var l measured.Ledger
	vo := read(&l, "dmm", quantity.Voltage, 1e-3, 5e-3, 1e-4, 5.05, 5.00)
	r, err := sweep.LoadOf(exact(quantity.Current, 0.1, 3), vo)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "u of the change", r.Change().Std(), math.Sqrt(math.Pow(0.05e-3, 2)+2e-8), 1e-12)
	// over full load the gain is gone altogether, the offset acts on the denominator only
	full := r.OverFull()
	near(t, "over full load", full.X, 0.01, 1e-12)
	near(t, "u over full load", full.Std(), math.Sqrt(math.Pow(5e-3*0.05/25, 2)+math.Pow(1e-4/5, 2)+math.Pow(1e-4*5.05/25, 2)), 1e-12)
}

// A first point measured once more at the end does not become the end of the sweep by chance.
func TestEndsKeepTheFirstOfOneSetting(t *testing.T) {
	r, err := sweep.LoadOf(exact(quantity.Current, 0.1, 1, 3, 0.0999), exact(quantity.Voltage, 5.02, 5.01, 4.99, 4.90))
	if err != nil || r.LowY.X != 5.02 {
		t.Errorf("%v %v", r.LowY.X, err)
	}
	if _, err := sweep.LineOf(exact(quantity.Voltage, 9, 9), exact(quantity.Voltage, 5, 5)); err == nil {
		t.Error("one input voltage has no line regulation")
	}
	if _, err := sweep.LineOf(nil, nil); !errors.Is(err, sweep.ErrNoPoint) {
		t.Errorf("nothing: %v", err)
	}
}

// Points (0, 1) (1, 3) (2, 5) (3, 7): slope 2, u = u(y) / sqrt 5 for exact x (formula of linear regression, from memory). An
// offset that all readings share does not tilt the line.
func TestSlope(t *testing.T) {
	var l measured.Ledger
	y := read(&l, "dmm", quantity.Voltage, 0, 0.3, 0.1, 1, 3, 5, 7)
	got, err := sweep.Slope(y, exact(quantity.Current, 0, 1, 2, 3), &l)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "slope", got.X, 2, 1e-12)
	near(t, "u", got.Std(), 0.1/math.Sqrt(5), 1e-12)
	r, err := sweep.OutputResistance(y, exact(quantity.Current, 0, 1, 2, 3), &l)
	if err != nil || r.X != -got.X || r.Dim != quantity.Resistance {
		t.Errorf("%v %v", r, err)
	}
}

// The Norris set of the NIST/ITL Statistical Reference Datasets: certified slope 1.00211681802045 with standard deviation
// 0.000429796848199937. Without error terms the scatter is all there is; it is widened by t(95 %, 34) / 1.96 = 2.032 / 1.960
// (table of Student's t, from memory).
func TestSlopeOfNorris(t *testing.T) {
	x := []float64{0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5, 666.9, 338.0, 447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5}
	y := []float64{0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8, 339.3, 448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2}
	var l measured.Ledger
	got, err := sweep.Slope(exact(quantity.Ratio, y...), exact(quantity.Ratio, x...), &l)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "slope", got.X, 1.00211681802045, 1e-13)
	near(t, "u", got.Std(), 0.000429796848199937*2.032/1.960, 2e-7)
	bare, err := sweep.Slope(exact(quantity.Ratio, y...), exact(quantity.Ratio, x...), nil)
	if err != nil || bare.Std() != 0 {
		t.Errorf("without a ledger: u %v, %v", bare.Std(), err)
	}
}

// Scatter that the terms explain is not counted twice: four readings each 0.1 V off by turns have residuals as their terms
// say, so that nothing is added.
func TestSlopeDoesNotCountScatterTwice(t *testing.T) {
	var l measured.Ledger
	y := read(&l, "dmm", quantity.Voltage, 0, 0, 0.1, 0.05, 0.95, 2.05, 2.95)
	got, err := sweep.Slope(y, exact(quantity.Current, 0, 1, 2, 3), &l)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "u", got.Std(), 0.1/math.Sqrt(5), 1e-12)
}

// Dropout: the criterion is stated, and what input and output share cancels. A made-up linear regulator set to 3.3 V that
// follows its input 0.2 V below it: with 100 mV lost, vo = 3.2 V at vi = 3.4 V.
func TestDropout(t *testing.T) {
	var l measured.Ledger
	in := []float64{4.3, 3.7, 3.6, 3.5, 3.4, 3.3, 3.2}
	out := make([]float64, len(in))
	for i, v := range in {
		out[i] = min(3.3, v-0.2)
	}
	vi, vo := read(&l, "dmm-in", quantity.Voltage, 1e-3, 0, 0, in...), read(&l, "dmm-out", quantity.Voltage, 1e-3, 0, 0, out...)
	for _, c := range []struct {
		name  string
		by    sweep.Criterion
		input float64
	}{
		{"100 mV", sweep.Criterion{Drop: 0.1}, 3.4},
		{"2 %", sweep.Criterion{Fraction: 0.02}, 3.3*0.98 + 0.2},
	} {
		loss, err := sweep.Dropout(vi, vo, vo[0], c.by, sweep.Falling, nil)
		if err != nil {
			t.Fatal(err)
		}
		near(t, c.name+": input", loss.Input.X, c.input, 1e-12)
		near(t, c.name+": dropout", loss.Dropout.X, 0.2, 1e-12)
	}
	// a gain error of the output's meter moves reference and output alike: with a part as the criterion only the input's counts
	loss, _ := sweep.Dropout(vi, vo, vo[0], sweep.Criterion{Fraction: 0.02}, sweep.Falling, nil)
	near(t, "u of the input", loss.Input.Std(), 1e-3*loss.Input.X, 1e-9)
	for _, bad := range []sweep.Criterion{{}, {Fraction: 1}, {Fraction: -0.1}, {Fraction: 0.1, Drop: 1}, {Drop: -1}} {
		if _, err := sweep.Dropout(vi, vo, vo[0], bad, sweep.Falling, nil); err == nil {
			t.Errorf("%+v is no criterion", bad)
		}
	}
	if _, err := sweep.Dropout(vi, vo, vo[0], sweep.Criterion{Drop: 0.1}, sweep.Rising, nil); err == nil {
		t.Error("the output never comes back on this way")
	}
}

// A change of 2 mV is nothing beside an own scatter of 1 mV each (U = 2.8 mV), and a drift beside 0.1 mV; the offset of the
// meter, ten times as large, has no part in it.
func TestDrift(t *testing.T) {
	for _, c := range []struct {
		scatter float64
		beyond  bool
	}{{1e-3, false}, {1e-4, true}} {
		var l measured.Ledger
		vo := read(&l, "dmm", quantity.Voltage, 0, 2e-2, c.scatter, 5.020, 5.010, 4.99, 5.022)
		d, err := sweep.Drift(vo, exact(quantity.Current, 0.1, 1, 3, 0.101))
		if err != nil || d.Beyond != c.beyond {
			t.Errorf("scatter %v: %+v, %v", c.scatter, d, err)
		}
		near(t, "change", d.Change.X, 2e-3, 1e-12)
		near(t, "u", d.Change.Std(), c.scatter*math.Sqrt2, 1e-12)
	}
	if _, err := sweep.Drift(exact(quantity.Voltage, 5, 5), exact(quantity.Current, 1, 2)); err == nil {
		t.Error("no point was measured twice")
	}
}

func ExampleLoadOf() {
	var ledger measured.Ledger
	offset := ledger.Shared(measured.Input{Name: "meter offset"})
	reading := func(volts float64) measured.Value {
		return measured.New(quantity.Of(volts, quantity.Voltage), measured.Term{Input: offset, Part: 2e-3})
	}
	io := []measured.Value{measured.Exact(quantity.Of(0.1, quantity.Current)), measured.Exact(quantity.Of(3, quantity.Current))}
	r, err := sweep.LoadOf(io, []measured.Value{reading(5.02), reading(4.99)})
	nominal := measured.Exact(quantity.MustParse("5 V"))
	fmt.Printf("%s, U %.0f mV; %.2f %% of nominal; %s %v\n", r.Change().Quantity(), 1e3*r.Change().Expanded(), 100*r.OverNominal(nominal).X, r.Resistance().Quantity(), err)
	// Output: 30 mV, U 0 mV; 0.60 % of nominal; 10.3448 mohm <nil>
}

// An offset that all readings share explains nothing of their scatter: residuals of +-0.05 V about the line are added in full,
// s = 0.1 / sqrt 2 with 2 degrees of freedom, widened by t(95 %, 2) / 1.96 = 4.303 / 1.960 (table, from memory).
func TestSharedErrorsExplainNoScatter(t *testing.T) {
	var l measured.Ledger
	x := exact(quantity.Current, 0, 1, 2, 3)
	y := read(&l, "dmm", quantity.Voltage, 0, 10, 0, 0.05, 0.95, 1.95, 3.05) // residuals +, -, -, +: no slope in them
	got, err := sweep.Slope(y, x, &l)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "slope", got.X, 1, 1e-12)
	near(t, "u", got.Std(), 0.1/math.Sqrt2/math.Sqrt(5)*4.303/1.960, 1e-4)
}
