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

// kept is an environment with a ledger, as the summary of a run has.
type kept struct {
	nodes
	ledger *measured.Ledger
}

func (k kept) Ledger() *measured.Ledger { return k.ledger }

// converterColumns are made-up sweeps of a buoy's converter: a regulator that follows its input below 5.2 V, swept down and up,
// and an efficiency whose loss is 0.1 W + 0.3 V I + 0.06 ohm I^2, with a step of 2 points at 0.4 A.
func converterColumns(l *measured.Ledger) bench {
	column := func(dim quantity.Dimension, values []float64) []measured.Value {
		var out []measured.Value
		for _, x := range values {
			out = append(out, measured.New(quantity.Of(x, dim), measured.Term{Input: l.Own(measured.Input{}), Part: 1e-5}))
		}
		return out
	}
	var vi, vo []float64
	for _, in := range []float64{6, 5.6, 5.2, 4.8, 4.4, 4.8, 5.2, 5.6, 6} {
		vi, vo = append(vi, in), append(vo, min(5, in-0.2))
		if len(vi) > 5 {
			vo[len(vo)-1] = min(5, in-0.3)
		}
	}
	var io, eta []float64
	for i := range 20 {
		a := 0.05 * math.Pow(60, float64(i)/19)
		io = append(io, a)
		e := 5 * a / (5*a + 0.1 + 0.3*a + 0.06*a*a)
		if a < 0.4 {
			e += 0.02
		}
		eta = append(eta, e)
	}
	return bench{
		values: map[string]measured.Value{"nominal": volts(5), "full": amps(3)},
		columns: map[string][]measured.Value{
			"vi": column(quantity.Voltage, vi), "vo": column(quantity.Voltage, vo), "io": column(quantity.Current, io), "eta": column(quantity.Ratio, eta),
			"il": column(quantity.Current, []float64{0.1, 1, 3, 0.1}), "vl": column(quantity.Voltage, []float64{5.02, 5.01, 4.99, 5.03}),
		},
	}
}

// Values by hand from the made-up curves. Peak of the closed form: sqrt(0.1 / 0.06) A, 1 / (1 + (0.3 + 2 sqrt(0.006)) / 5).
func TestFigures(t *testing.T) {
	var l measured.Ledger
	b := converterColumns(&l)
	for _, c := range []struct {
		text      string
		want, off float64
		dim       quantity.Dimension
	}{
		{"line_regulation(vi, vo)", 0.8, 1e-12, quantity.Voltage}, {"line_regulation(vi, vo, nominal) / span(vi)", 0.1, 1e-12, quantity.Voltage.Power(-1)},
		{"load_regulation(il, vl)", 0.03, 1e-12, quantity.Voltage}, {"load_regulation(il, vl, nominal)", 0.006, 1e-12, quantity.Ratio},
		{"load_regulation(il, vl, where_max(il, vl))", 0.03 / 4.99, 1e-12, quantity.Ratio}, {"drift_of(vl, il)", 0.01, 1e-12, quantity.Voltage},
		{"falls_at(vi, vo, 4.8 V)", 5.0, 1e-12, quantity.Voltage}, {"rises_at(vi, vo, 4.8 V)", 5.1, 1e-12, quantity.Voltage}, {"hysteresis_at(vi, vo, 4.8 V)", 0.1, 1e-12, quantity.Voltage},
		{"minimum_input(vi, vo, first(vo), 4 %)", 5.0, 1e-12, quantity.Voltage}, {"minimum_input(vi, vo, nominal, 200 mV)", 5.0, 1e-12, quantity.Voltage},
		{"dropout_voltage(vi, vo, nominal, 4 %)", 0.2, 1e-12, quantity.Voltage},
		{"peak(eta, io)", 1 / (1 + (0.3+2*math.Sqrt(0.006))/5), 2e-4, quantity.Ratio}, {"peak_at(eta, io)", math.Sqrt(0.1 / 0.06), 0.03, quantity.Current},
		{"mode_change(io, eta)", 0.4, 0.045, quantity.Current}, {"mode_change(io, eta, 1)", 0.4, 0.045, quantity.Current},
		{"average_at(eta, io, full, 100 %, 1.66667 %)", (15/16.54 + 0.25/0.36515 + 0.02) / 2, 1e-6, quantity.Ratio}, {"peak(eta + 0 * first(vl) / nominal, io)", 0.917, 1e-3, quantity.Ratio},
	} {
		var found diag.Findings
		e := expr.Parse(c.text, at(), &found)
		if e == nil {
			t.Errorf("%s: %v", c.text, found.List())
			continue
		}
		typ, ok := e.Check(b, &found)
		got, err := e.Eval(kept{nodes{b}, &l})
		if !ok || err != nil || typ.Dim != c.dim || got.Value.Dim != c.dim || math.Abs(got.Value.X-c.want) > c.off {
			t.Errorf("%s = %v (%s, checked as %s), %v %v; want %v", c.text, got.Value.X, got.Value.Dim.Name(), typ, found.List(), err, c.want)
		}
		if got.Value.Std() == 0 {
			t.Errorf("%s has no uncertainty", c.text)
		}
	}
}

func TestFigureFaults(t *testing.T) {
	var l measured.Ledger
	b := converterColumns(&l)
	for _, c := range []struct{ text, says string }{
		{"rises_at(vi, vo, 4.8 A)", "the column is voltage, this value is current"}, {"hysteresis_at(vi, vo, 1 V)", "never crosses 1 V; the points run over"},
		{"line_regulation(vi, vo, 5 A)", "the column is voltage, this value is current"}, {"line_regulation(vi, vo, 0 V)", "a division by zero"},
		{"load_regulation(vo)", "load_regulation(io, vo, nominal) is wanted here, this has 1 argument"}, {"peak(eta, full)", "this is one value"},
		{"mode_change(il, vl)", "needs 8 usable points"}, {"mode_change(io, eta, 2)", "fewer changes of mode, as far as its points tell: 1"}, {"mode_change(io, eta, 1.5)", "numbered 1, 2, 3"},
		{"mode_change(io, eta, 1 V)", "which of them is a number"}, {"mode_change(io, io)", "goes on smoothly"},
		{"minimum_input(vi, vo, 5 A, 2 %)", "the column is voltage, this value is current"}, {"minimum_input(vi, vo, 5 V, 2 A)", "the column is voltage, this value is current"},
		{"dropout_voltage(io, vo, 5 V, 2 %)", "current and voltage have no difference"}, {"minimum_input(vi, vo, 5 V, 0 %)", "state what may be lost"},
		{"average_at(eta, io, full, 25 mA)", "a part of the full load is a ratio"}, {"average_at(eta, io, 3 V, 25 %)", "the column is current, this value is voltage"},
		{"average_at(eta, io, full, 200 %)", "6 A lies outside the points"}, {"average_at(eta, io, full)", "is wanted here, this has 3 arguments"},
		{"drift_of(eta, io)", "no point before the last"},
	} {
		var found diag.Findings
		e := expr.Parse(c.text, at(), &found)
		if e == nil {
			t.Errorf("%s: %v", c.text, found.List())
			continue
		}
		var says string
		if _, ok := e.Check(b, &found); !ok {
			says = found.List()[0].Text
		} else if _, err := e.Eval(kept{nodes{b}, &l}); err != nil {
			says = err.Error()
		}
		if !strings.Contains(says, c.says) {
			t.Errorf("%s: %q, want %q", c.text, says, c.says)
		}
	}
	// without a ledger a fit is refused: its scatter would be lost
	if _, err := evaluate(b, "peak(eta, io)"); err == nil || !strings.Contains(err.Error(), "ledger") {
		t.Errorf("a fit without a ledger: %v", err)
	}
}
