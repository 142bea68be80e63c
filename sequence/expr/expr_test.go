package expr_test

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/sequence/expr"
)

// bench is a scope and an environment with values that a converter test would meet.
type bench struct {
	values  map[string]measured.Value
	columns map[string][]measured.Value
}

func volts(x float64) measured.Value {
	return measured.Exact(quantity.Of(x, quantity.Voltage))
}
func amps(x float64) measured.Value { return measured.Exact(quantity.Of(x, quantity.Current)) }

func converter() bench {
	return bench{values: map[string]measured.Value{
		"vi": volts(12), "ii": amps(0.5), "vo": volts(5), "io": amps(1), "gone": volts(math.NaN()), "zero": volts(0),
		"ta": measured.Exact(quantity.Of(298.15, quantity.Temperature)), "eta": {X: 0.9},
	}}
}

func (b bench) Lookup(name string) (expr.Type, bool) {
	if c, ok := b.columns[name]; ok {
		return expr.Type{Dim: c[0].Dim, Column: true}, true
	}
	v, ok := b.values[name]
	return expr.Number(v.Dim), ok
}

func (b bench) Known() []string {
	var names []string
	for name := range b.values {
		names = append(names, name)
	}
	for name := range b.columns {
		names = append(names, name)
	}
	return names
}

func (b bench) Node(function, node string) error {
	if node != "dut.out" {
		return errors.New("no need and no guard names the node " + node)
	}
	return nil
}

func (b bench) Value(name string) (measured.Value, bool) { v, ok := b.values[name]; return v, ok }
func (b bench) Column(name string) ([]measured.Value, bool) {
	c, ok := b.columns[name]
	return c, ok
}

type nodes struct{ bench }

func (n nodes) Node(function, node string) (measured.Value, error) {
	if function == "i" {
		return amps(0.25), nil
	}
	return volts(5.02), nil
}

func at() diag.Place { return diag.Place{File: "f.yaml", Line: 7, Column: 11} }

func evaluate(b bench, text string) (expr.Result, error) {
	var found diag.Findings
	e := expr.Parse(text, at(), &found)
	if e != nil {
		e.Check(b, &found)
	}
	if found.Failed() {
		return expr.Result{}, found.List()[0]
	}
	return e.Eval(nodes{b})
}

func Example() {
	var found diag.Findings
	place := diag.Place{File: "line.yaml", Line: 30, Column: 25}
	limit := expr.Parse("vo * io / (vi * ii) >= 88 %", place, &found)
	_, ok := limit.Check(converter(), &found)
	result, err := limit.Eval(nodes{converter()})
	fmt.Println(ok, result.Truth, err)

	expr.Parse("vi + io", place, &found).Check(converter(), &found)
	fmt.Println(found.List()[0].Error())
	// Output:
	// true false <nil>
	// line.yaml:30:28: voltage and current cannot be added; did you mean ii in place of vi?
}

// Plain arithmetic; the values follow from the operands by hand.
func TestEval(t *testing.T) {
	for _, c := range []struct {
		text string
		want float64
		dim  quantity.Dimension
	}{
		{"vi", 12, quantity.Voltage}, {"12 V", 12, quantity.Voltage}, {"vi * ii", 6, quantity.Power}, {"vo*io/(vi*ii)", 5.0 / 6, quantity.Ratio},
		{"88 %", 0.88, quantity.Ratio}, {"88%", 0.88, quantity.Ratio}, {"vi*88%", 10.56, quantity.Voltage}, {"500 mA + io", 1.5, quantity.Current},
		{"0.5 V/us * 2 us", 1, quantity.Voltage}, {"3 V/io", 3, quantity.Resistance}, {"3 V / io", 3, quantity.Resistance},
		{"-vi + 2 V", -10, quantity.Voltage}, {"2 * -vi", -24, quantity.Voltage}, {"2 - -3", 5, quantity.Ratio}, {"+vi", 12, quantity.Voltage},
		{"-5 degC", 268.15, quantity.Temperature}, {"ta - 20 degC", 5, quantity.Temperature}, {"vi ^ 2 / 10 ohm", 14.4, quantity.Power},
		{"vi**2", 144, quantity.Voltage.Power(2)}, {"-2 ^ 2", -4, quantity.Ratio}, {"vi ^ -1", 1.0 / 12, quantity.Ratio.Over(quantity.Voltage)},
		{"sqrt(vi^2)", 12, quantity.Voltage}, {"abs(vo - vi)", 7, quantity.Voltage}, {"min(vi, vo, 3 V)", 3, quantity.Voltage},
		{"max(vi, vo)", 12, quantity.Voltage}, {"ln(exp(1))", 1, quantity.Ratio}, {"20 * log10(vi / 1.2 V)", 20, quantity.Ratio},
		{"round(vo * 2.46, 0.5 V)", 12.5, quantity.Voltage}, {"v(dut.out)", 5.02, quantity.Voltage}, {"i( dut.out ) * 2", 0.5, quantity.Current},
		{"1e3 * 1.5e-3", 1.5, quantity.Ratio}, {".5 V", 0.5, quantity.Voltage}, {"3 µA", 3e-6, quantity.Current}, {"vi/2/3", 2, quantity.Voltage},
		{"vi - vo - 1 V", 6, quantity.Voltage}, {"2 Ah / io", 7200, quantity.Time}, {"((vi))", 12, quantity.Voltage}, {"10 kΩ * 1 mA", 10, quantity.Voltage},
	} {
		got, err := evaluate(converter(), c.text)
		if err != nil || math.Abs(got.Value.X-c.want) > 1e-12*math.Abs(c.want) || got.Value.Dim != c.dim {
			t.Errorf("%s = %v %s, %v; want %v %s", c.text, got.Value.X, got.Value.Dim.Unit(), err, c.want, c.dim.Unit())
		}
	}
}

func TestConditions(t *testing.T) {
	for text, want := range map[string]bool{
		"vi > vo": true, "vi <= vo": false, "vo == 5 V": true, "vo <= 5 V": true, "vo >= 5 V": true, "vo < 5 V": false, "vo > 5 V": false, "vo != 5 V": false, "io >= 500 mA and vi < 13 V": true,
		"io >= 2 A or not (vi < 13 V)": false, "4.9 V <= vo <= 5.1 V": true, "5 V < vo < 6 V": false, "(vi > vo)": true,
		"1 V < vo < 6 V < vi": true, "gone > 1 V or vi > 1 V": true,
	} {
		got, err := evaluate(converter(), text)
		if text[0] == 'g' {
			if err == nil {
				t.Errorf("%s gave %v, want an error", text, got.Truth)
			}
			continue
		}
		if err != nil || got.Truth != want {
			t.Errorf("%s = %v, %v; want %v", text, got.Truth, err, want)
		}
	}
	if got, err := evaluate(converter(), "vi > 1 V or gone > 1 V"); err != nil || !got.Truth {
		t.Errorf("what is already decided needs no more values: %v, %v", got.Truth, err)
	}
}

// Each finding points at its column; place 11 is the first character.
func TestFindings(t *testing.T) {
	for _, c := range []struct {
		text   string
		column int
		says   string
	}{
		{"vi + io", 14, "voltage and current cannot be added; did you mean ii in place of vi?"},
		{"vi - io * vo", 14, "power cannot be taken from voltage"},
		{"io >= 500", 14, "current and a ratio cannot be compared; the unit is missing: 500 A?"},
		{"vi > eta", 14, "voltage and a ratio cannot be compared"},
		{"vn * 2", 11, `nothing is called "vn" here; did you mean`},
		{"vi * 2 * 3 m", 20, `"3 m": the unit is missing; mA, mV, ms...?`},
		{"3 volts", 11, `unknown unit "volts"`},
		{"2 vi", 11, "joined by an operator, as in 2 * vi"},
		{"dut.out * 2", 11, `"dut.out" is a node, not a value; v(dut.out) or i(dut.out) reads it`},
		{"v(dut.in)", 11, "no need and no guard names the node dut.in"},
		{"v(3 V)", 13, "v( ) reads one node, as in v(dut.out)"}, {"v()", 13, "reads one node"},
		{"eta % 3", 15, "there is no modulo"}, {"vi = vo", 14, "== compares"}, {"vi > vo && vo > 1 V", 19, "write and"},
		{"!(vi > vo)", 11, "write not"}, {"not vi > vo", 18, "write not (vo > 5 V)"}, {"vi and vo", 14, "joins conditions"},
		{"(vi > vo) + 1", 21, "works on numbers"}, {"-(vi > vo)", 11, "works on numbers"}, {"abs(vi > vo)", 11, "works on numbers"},
		{"vi +", 15, "a value is missing at the end"}, {"* vi", 11, `a value is missing before "*"`}, {"vi vo", 14, "an operator is missing"},
		{"(vi", 11, "not closed"}, {"vi)", 13, "no parenthesis is open"}, {"()", 12, "a value is missing"}, {"(vi, vo)", 14, "a comma only parts"},
		{"max(vi,)", 18, "a value is missing"}, {"sqrt(vi)", 11, "voltage has no square root"}, {"ln(vi)", 14, "ln(x) takes a ratio, this is voltage; divide by a reference"},
		{"max(vi, io)", 19, "voltage and current are no like values"}, {"round(vi)", 11, "round(x, step) is wanted here, this has 1 argument"},
		{"maxx(vi, vo)", 11, `there is no function "maxx"; did you mean max?`}, {"mean(vi)", 16, "whole columns are known in the summary only"},
		{"min(vi)", 11, "min of one value is that value"}, {"vi ^ 0.5", 14, "sqrt(x) for a root"}, {"vi ^ vo", 14, "a power is a whole number"},
		{"vi ^ 8", 14, "powers of units that no quantity has"}, {"vi * 'x'", 16, "has no place in an expression"}, {"vi ? vo : io", 14, "has no place"},
		{"[vi]", 11, "has no place"}, {"vi in vo", 14, `"in" is no name`}, {"9..16 V", 12, "a span has no place"}, {"vi // half", 14, `"//" is no operator`},
		{"vi /* x */", 14, "is no operator"}, {"", 11, "an expression is wanted"}, {"vi ≥ vo", 14, "write >="}, {"2 Ω * vü", 18, "letters a to z"}, {"- - vo", 13, "two signs"},
		{strings.Repeat("(", 40) + "vi", 43, "nested deeper than 32"}, {"vi" + strings.Repeat(" + vi", 400), 11, "longer than the limit"},
		{"count(vi, vo)", 11, "count(column) is wanted here, this has 2 arguments"}, {"vi 3", 14, "an operator is missing before 3"}, {"vi $ 3", 14, "has no place"},
		{"$0", 11, "has no place"}, {"vi not vo", 14, "an operator is missing before \"not\""}, {"and vi", 11, "a value is missing before \"and\""},
	} {
		var found diag.Findings
		if e := expr.Parse(c.text, at(), &found); e != nil {
			e.Check(converter(), &found)
		}
		list := found.List()
		if len(list) != 1 || list[0].Place.Column != c.column || list[0].Place.Line != 7 || !strings.Contains(list[0].Error(), c.says) {
			t.Errorf("%s: got %v, want column %d with %q", c.text, list, c.column, c.says)
		}
	}
}

func TestEvalRefusesWhatIsNoNumber(t *testing.T) {
	for _, c := range []struct{ text, says string }{
		{"zero / zero", "f.yaml:7:16: a division by zero"}, {"vi / (vo - 5 V)", "f.yaml:7:14: a division by zero"},
		{"gone * 2", "f.yaml:7:11: gone has no usable value here"}, {"ln(zero / vi)", "ln of 0 % has no value"}, {"ln(-1)", "ln of -100 % has no value"},
		{"sqrt(-1)", "sqrt of -100 % has no value"}, {"exp(1e4)", `the result of "exp" is no finite number`}, {"1e200 * 1e200", `"*" is no finite number`},
		{"zero ^ -1", "zero to the power -1"}, {"zero ^ 0", "zero to the power 0"}, {"round(vi, zero)", "a step to round to is above zero"},
	} {
		_, err := evaluate(converter(), c.text)
		if err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, want %q", c.text, err, c.says)
		}
	}
}

// The law of propagation of uncertainty (JCGM 100:2008, 5.1.2): u of f(x) is |f'(x)| u(x), independent parts in quadrature,
// shared parts with their sign. Slopes by hand.
func TestPropagation(t *testing.T) {
	var l measured.Ledger
	own := func(x, u float64, d quantity.Dimension) measured.Value {
		return measured.New(quantity.Of(x, d), measured.Term{Input: l.Own(measured.Input{}), Part: u})
	}
	shared := l.Shared(measured.Input{Name: "gain"})
	b := bench{values: map[string]measured.Value{
		"x": own(2, 0.01, quantity.Ratio), "y": own(8, 0.02, quantity.Ratio), "p": own(9, 0.03, quantity.Voltage.Power(2)),
		"a": measured.New(quantity.Of(4, quantity.Voltage), measured.Term{Input: shared, Part: 0.004}),
		"c": measured.New(quantity.Of(2, quantity.Voltage), measured.Term{Input: shared, Part: 0.002}),
	}}
	for _, c := range []struct {
		text string
		u    float64
	}{
		{"x", 0.01}, {"-x", 0.01}, {"3 * x", 0.03}, {"x + y", math.Hypot(0.01, 0.02)}, {"x - x", 0}, {"x * y", math.Hypot(8*0.01, 2*0.02)},
		{"x / y", math.Hypot(0.01/8, 2*0.02/64)}, {"x ^ 3", 12 * 0.01}, {"sqrt(p)", 0.03 / 6}, {"ln(x)", 0.005}, {"exp(x)", math.Exp(2) * 0.01},
		{"log10(x)", 0.005 / math.Ln10}, {"abs(0 - x)", 0.01}, {"min(x, y)", 0.01}, {"max(x, y)", 0.02}, {"round(y, 5)", 0.02},
		{"a / c", 0}, {"a - 2 * c", 0}, {"a + c", 0.006},
	} {
		got, err := evaluate(b, c.text)
		if err != nil || math.Abs(got.Value.Std()-c.u) > 1e-15 {
			t.Errorf("u(%s) = %v, %v; want %v", c.text, got.Value.Std(), err, c.u)
		}
	}
}

func TestSides(t *testing.T) {
	var found diag.Findings
	e := expr.Parse("( eta >= 88 % )", at(), &found)
	left, right, op, ok := e.Sides()
	if !ok || op != ">=" || left.Text != "eta" || right.Text != "88 %" || left.Place.Column != 13 || right.Place.Column != 20 {
		t.Fatalf("%v %v %s %v", left, right, op, ok)
	}
	if v, err := right.Eval(nodes{converter()}); err != nil || v.Value.X != 0.88 {
		t.Errorf("%v %v", v, err)
	}
	for _, text := range []string{"vi", "vi > vo and vo > io", "not (vi > vo)"} {
		if _, _, _, ok := expr.Parse(text, at(), &found).Sides(); ok {
			t.Errorf("%s has no sides", text)
		}
	}
}

func TestLimits(t *testing.T) {
	for text, want := range map[string]string{
		"eta >= 88 %":          "eta >= 88 %",
		"4.9 V <= vo <= 5.1 V": "4.9 V <= vo | vo <= 5.1 V",
		"(vo > 1 V) and (4 V < vo < 5 V) and vi>vo": "vo > 1 V | 4 V < vo | vo < 5 V | vi>vo",
		"1 V < vo < 6 V < vi":                       "1 V < vo | vo < 6 V | 6 V < vi",
		"vi > vo or vo > 1 V":                       "vi > vo or vo > 1 V",
	} {
		var found diag.Findings
		e := expr.Parse(text, at(), &found)
		var parts []string
		for _, p := range e.Limits() {
			parts = append(parts, p.Text)
			if l, r, op, ok := p.Sides(); ok {
				if again := l.Text + " " + op + " " + r.Text; strings.ReplaceAll(again, " ", "") != strings.ReplaceAll(p.Text, " ", "") {
					t.Errorf("%s: sides %s", p.Text, again)
				}
				if from := p.Place.Column - 11; text[from:from+len(p.Text)] != p.Text {
					t.Errorf("%s stands at %d", p.Text, from)
				}
			}
		}
		if got := strings.Join(parts, " | "); got != want {
			t.Errorf("%s: %s, want %s", text, got, want)
		}
	}
}

func TestNamesAndNodes(t *testing.T) {
	var found diag.Findings
	e := expr.Parse("vo * io / (vo + v(dut.out)) - i(dut.in) / i(dut.in)", at(), &found)
	if got := strings.Join(e.Names(), " "); got != "vo io" {
		t.Errorf("names %s", got)
	}
	if got := fmt.Sprint(e.Nodes()); got != "[v(dut.out) i(dut.in)]" {
		t.Errorf("nodes %s", got)
	}
}

func TestConstant(t *testing.T) {
	e := expr.Constant(quantity.MustParse("250 mA"))
	if v, err := e.Eval(nil); err != nil || v.Value.X != 0.25 || e.Text != "250 mA" {
		t.Errorf("%v %v %s", v, err, e.Text)
	}
}

// Without a column, as for text that is folded over lines, findings carry the line alone.
func TestPlaceWithoutColumn(t *testing.T) {
	var found diag.Findings
	expr.Parse("vi + ", diag.Place{File: "f", Line: 3}, &found)
	if got := found.List()[0].Place; got.Line != 3 || got.Column != 0 {
		t.Errorf("place %v", got)
	}
}
