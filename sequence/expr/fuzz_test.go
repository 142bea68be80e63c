package expr_test

import (
	"math"
	"testing"
	"unicode/utf8"

	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/sequence/expr"
)

// What is read and checked has the dimension that the check said, whatever the values; what is not read has a reason that
// points into the text.
func FuzzExpression(f *testing.F) {
	for _, s := range []string{
		"vo * io / (vi * ii) >= 88 %", "4.9 V <= vo <= 5.1 V", "-5 degC + ta", "min(vi, max(vo, 3 V)) ^ 2", "not (v(dut.out) > 1 V) or i(dut.out) < 2 A",
		"round(sqrt(vi ^ 2), 1 mV)", "log10(vi/vo)*20", "0.5 V/us * 3 us", "mean(column)", "((1))", "- - 3", "1e-3 A/ (2 S)", "count(eta, eta)", "a < (b < (c < d) < e) < f",
	} {
		f.Add(s)
	}
	var l measured.Ledger
	b := converter()
	for name, v := range b.values {
		b.values[name] = measured.New(v.Quantity(), measured.Term{Input: l.Own(measured.Input{}), Part: 1e-3})
	}
	f.Fuzz(func(t *testing.T, text string) {
		if len(text) > 900 {
			return // room for the parentheses added below
		}
		var found diag.Findings
		e := expr.Parse(text, at(), &found)
		for _, one := range found.List() {
			if at := one.Place.Column - 11; at < 0 || at > utf8.RuneCountInString(text) {
				t.Fatalf("column %d of %q", at, text)
			}
		}
		if e == nil {
			if !found.Failed() {
				t.Fatalf("%q: no expression and no reason", text)
			}
			return
		}
		typ, ok := e.Check(b, &found)
		if ok == found.Failed() || ok && typ.Any {
			t.Fatalf("%q: checked %v with %v", text, ok, found.List())
		}
		if !ok {
			e.Eval(nodes{b}) // may fail, must return
			return
		}
		got, err := e.Eval(nodes{b})
		if err != nil {
			return
		}
		if typ.Truth != e.Condition() {
			t.Fatalf("%q: type %v, condition %v", text, typ, e.Condition())
		}
		if !typ.Truth && (got.Value.Dim != typ.Dim || math.IsNaN(got.Value.X) || math.IsInf(got.Value.X, 0) || math.IsNaN(got.Value.Std())) {
			t.Fatalf("%q: checked as %s, came out as %v %s", text, typ, got.Value.X, got.Value.Dim.Name())
		}
		for _, part := range e.Limits() {
			if part.Condition() != typ.Truth {
				t.Fatalf("%q: part %q", text, part.Text)
			}
			left, right, op, ok := part.Sides()
			if !ok {
				continue
			}
			// a side that stands alone gives what it gave inside
			var again diag.Findings
			whole := expr.Parse("("+left.Text+") "+op+" ("+right.Text+")", at(), &again)
			if whole == nil {
				t.Fatalf("%q: sides %q and %q cannot be read: %v", text, left.Text, right.Text, again.List())
			}
			one, errOne := part.Eval(nodes{b})
			two, errTwo := whole.Eval(nodes{b})
			if one.Truth != two.Truth || (errOne == nil) != (errTwo == nil) {
				t.Fatalf("%q: %v %v against %v %v", text, one.Truth, errOne, two.Truth, errTwo)
			}
		}
	})
}

// The promise: a derived value of four inputs with four error terms each costs under 2 us.
func BenchmarkDerivedOfFourInputs(b *testing.B) {
	var l measured.Ledger
	reading := func(x float64, d quantity.Dimension) measured.Value {
		var terms []measured.Term
		for range 4 {
			terms = append(terms, measured.Term{Input: l.Own(measured.Input{}), Part: 1e-3})
		}
		return measured.New(quantity.Of(x, d), terms...)
	}
	env := nodes{bench{values: map[string]measured.Value{"vi": reading(12, quantity.Voltage), "ii": reading(0.5, quantity.Current),
		"vo": reading(5, quantity.Voltage), "io": reading(1, quantity.Current)}}}
	var found diag.Findings
	e := expr.Parse("vo * io / (vi * ii)", at(), &found)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := e.Eval(env); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkParse(b *testing.B) {
	var found diag.Findings
	b.ReportAllocs()
	for b.Loop() {
		if expr.Parse("vo * io / (vi * ii) >= 88 %", at(), &found) == nil {
			b.Fatal(found.List())
		}
	}
}
