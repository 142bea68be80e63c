package expr_test

import (
	"math"
	"strings"
	"testing"

	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/sequence/expr"
)

// ramp is a made-up efficiency curve of a buoy's converter: five points of load, the fourth of them unusable.
func ramp(l *measured.Ledger) bench {
	column := func(dim quantity.Dimension, u float64, values ...float64) []measured.Value {
		var out []measured.Value
		for _, x := range values {
			out = append(out, measured.New(quantity.Of(x, dim), measured.Term{Input: l.Own(measured.Input{}), Part: u}))
		}
		return out
	}
	nan := math.NaN()
	return bench{
		values: map[string]measured.Value{"half": amps(0.5)},
		columns: map[string][]measured.Value{
			"io":  column(quantity.Current, 1e-3, 0.1, 0.5, 1, 2, 3),
			"vo":  column(quantity.Voltage, 2e-3, 5.02, 5.01, 5.00, nan, 4.90),
			"eta": column(quantity.Ratio, 1e-3, 0.70, 0.85, 0.90, 0.91, 0.88),
		},
	}
}

// Values by hand from the five points; the row without a value counts for functions that do not look at vo.
func TestColumnFunctions(t *testing.T) {
	var l measured.Ledger
	b := ramp(&l)
	for _, c := range []struct {
		text string
		want float64
		u    float64 // negative: not looked at
	}{
		{"min(eta)", 0.70, 1e-3}, {"max(eta)", 0.91, 1e-3}, {"max(vo)", 5.02, 2e-3}, {"min(vo)", 4.90, 2e-3}, {"span(vo)", 0.12, 2e-3 * math.Sqrt2},
		{"mean(eta)", 0.848, 1e-3 / math.Sqrt(5)}, {"mean(vo)", 19.93 / 4, 1e-3}, {"first(io)", 0.1, 1e-3}, {"last(vo)", 4.90, 2e-3}, {"count(vo)", 4, 0}, {"count(io)", 5, 0},
		{"where_max(eta, io)", 2, 1e-3}, {"where_min(eta, io)", 0.1, 1e-3}, {"where_min(vo, io)", 3, 1e-3},
		{"at(eta, io, 1 A)", 0.90, -1}, {"at(eta, io, 1.5 A)", 0.905, -1}, {"at(vo, io, 2 A)", 4.95, -1}, {"at(eta, io, 3 A)", 0.88, -1}, {"at(eta, io, 0.1 A)", 0.7, -1},
		{"at(eta, io, half)", 0.85, -1}, {"crossing(io, eta, 80 %)", 0.1 + 0.4*(0.10/0.15), -1}, {"crossing(io, vo, 4.95 V)", 2, -1},
		{"max(vo * io)", 14.7, math.Hypot(4.9*1e-3, 3*2e-3)}, {"max(eta) - min(eta)", 0.21, 1e-3 * math.Sqrt2},
		{"slope(eta, 2 * eta)", 0.5, -1}, {"at(vo / io, io, 1 A)", 5, -1},
	} {
		got, err := evaluate(b, c.text)
		if err != nil || math.Abs(got.Value.X-c.want) > 1e-12 {
			t.Errorf("%s = %v, %v; want %v", c.text, got.Value.X, err, c.want)
		}
		if c.u >= 0 && math.Abs(got.Value.Std()-c.u) > 1e-15 {
			t.Errorf("u(%s) = %v, want %v", c.text, got.Value.Std(), c.u)
		}
	}
}

// Interpolation half way between two points: u by the derivatives of the straight line, worked by hand. With y0 = 0.90,
// y1 = 0.91, x0 = 1 A, x1 = 2 A and s = 0.01 per ampere, both halves weigh 1/2: u^2 = (2 * (0.5 * 1e-3)^2) (1 + s^2).
func TestInterpolationPropagates(t *testing.T) {
	var l measured.Ledger
	got, err := evaluate(ramp(&l), "at(eta, io, 1.5 A)")
	if want := 1e-3 * math.Sqrt(0.5*(1+0.01*0.01)); err != nil || math.Abs(got.Value.Std()-want) > 1e-15 {
		t.Errorf("u = %v, %v; want %v", got.Value.Std(), err, want)
	}
}

// The slope of a straight line by least squares and its uncertainty, u(y) / sqrt(sum (x - mean)^2) for exact x: points
// (0, 1) (1, 3) (2, 5) (3, 7) give 2 and u / sqrt(5). Common formula of regression, from memory.
func TestSlope(t *testing.T) {
	var l measured.Ledger
	var x, y []measured.Value
	for i := range 4 {
		x = append(x, amps(float64(i)))
		y = append(y, measured.New(quantity.Of(1+2*float64(i), quantity.Voltage), measured.Term{Input: l.Own(measured.Input{}), Part: 0.1}))
	}
	got, err := evaluate(bench{columns: map[string][]measured.Value{"x": x, "y": y}}, "slope(y, x)")
	if err != nil || math.Abs(got.Value.X-2) > 1e-12 || math.Abs(got.Value.Std()-0.1/math.Sqrt(5)) > 1e-12 || got.Value.Dim != quantity.Resistance {
		t.Errorf("%v ± %v, %v", got.Value.X, got.Value.Std(), err)
	}
}

// Every sensitivity agrees with the central difference of the function itself: each input is moved by a little and what the
// result does is compared with its term, sign included.
func TestSensitivities(t *testing.T) {
	var l measured.Ledger
	b := ramp(&l)
	b.columns["vo"][3].X = 4.97
	b.values["x"] = measured.New(quantity.Of(1.7, quantity.Ratio), measured.Term{Input: l.Own(measured.Input{}), Part: 1e-3})
	b.values["lev"] = measured.New(quantity.Of(1.3, quantity.Current), measured.Term{Input: l.Own(measured.Input{}), Part: 1e-3})
	inputs := []*measured.Value{}
	move := func(name string) func(float64) {
		return func(by float64) { v := b.values[name]; v.X += by; b.values[name] = v }
	}
	for _, column := range []string{"io", "vo", "eta"} {
		for i := range b.columns[column] {
			inputs = append(inputs, &b.columns[column][i])
		}
	}
	for _, text := range []string{
		"at(eta, io, lev)", "at(eta, io, 3 A)", "crossing(io, vo, 4.98 V)", "crossing(io, eta, 80 %)", "slope(eta, io)", "slope(vo, io)", "mean(eta) / span(vo)",
		"max(vo * io) * x", "x ^ 3 / (1 + x)", "sqrt(x) * ln(x) + exp(-x) - log10(x)", "abs(x - 2) * lev", "where_max(eta, io) * first(vo) - last(vo) * lev",
	} {
		base, err := evaluate(b, text)
		if err != nil {
			t.Fatalf("%s: %v", text, err)
		}
		check := func(id measured.Term, shift func(float64)) {
			const h = 1e-6
			shift(h)
			up, errUp := evaluate(b, text)
			shift(-2 * h)
			down, errDown := evaluate(b, text)
			shift(h)
			if errUp != nil || errDown != nil {
				return // at the very end of the points there is only one side
			}
			want := (up.Value.X - down.Value.X) / (2 * h) * id.Part
			var got float64
			for _, term := range base.Value.Terms {
				if term.Input == id.Input {
					got = term.Part
				}
			}
			if math.Abs(got-want) > 1e-6*(math.Abs(want)+1e-3) {
				t.Errorf("%s: input %d moves it by %v, its term says %v", text, id.Input, want, got)
			}
		}
		for _, in := range inputs {
			check(in.Terms[0], func(by float64) { in.X += by })
		}
		check(b.values["x"].Terms[0], move("x"))
		check(b.values["lev"].Terms[0], move("lev"))
	}
}

func TestColumnFaults(t *testing.T) {
	var l measured.Ledger
	b := ramp(&l)
	b.columns["none"] = []measured.Value{volts(math.NaN()), volts(math.NaN()), volts(math.NaN()), volts(math.NaN()), volts(math.NaN())}
	b.columns["flat"] = []measured.Value{amps(1), amps(1), amps(1), amps(1), amps(1)}
	for _, c := range []struct{ text, says string }{
		{"crossing(io, eta, 95 %)", "f.yaml:7:11: crossing: never crosses 95 %; the points run over 70 %..91 %"},
		{"at(eta, io, 4 A)", "at: 4 A lies outside the points, which run over 100 mA..3 A"},
		{"mean(none)", "mean: no point has a usable value"}, {"min(none)", "no point has a usable value"}, {"slope(eta, flat)", "do not differ along x"},
		{"at(eta, io, 4 V)", "the column is current, this value is voltage"}, {"at(eta, io, io)", "wants one value here, this is a column"},
		{"eta > 88 %", "a column of many points has no one value to compare; take min(x)"}, {"mean(half)", "whole columns are known in the summary only"},
		{"at(eta, half, 1 A)", "this is one value"}, {"mean(eta, io)", "mean(column) is wanted here, this has 2 arguments"},
	} {
		_, err := evaluate(b, c.text)
		if err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, want %q", c.text, err, c.says)
		}
	}
}

// One usable point is enough for at, where it is exactly that point.
func TestOnePoint(t *testing.T) {
	b := bench{columns: map[string][]measured.Value{"x": {amps(1)}, "y": {volts(5)}}}
	if got, err := evaluate(b, "at(y, x, 1 A)"); err != nil || got.Value.X != 5 {
		t.Errorf("%v %v", got, err)
	}
}

// A mean over many points with terms of their own stays in proportion to their number.
func BenchmarkMeanOf10000Points(b *testing.B) {
	var l measured.Ledger
	var column []measured.Value
	for range 10000 {
		column = append(column, measured.New(quantity.Of(5, quantity.Voltage), measured.Term{Input: l.Own(measured.Input{}), Part: 1e-3}, measured.Term{Input: 0, Part: 1e-3}))
	}
	var found diag.Findings
	e := expr.Parse("mean(y)", at(), &found)
	env := nodes{bench{columns: map[string][]measured.Value{"y": column}}}
	for b.Loop() {
		if _, err := e.Eval(env); err != nil {
			b.Fatal(err)
		}
	}
}
