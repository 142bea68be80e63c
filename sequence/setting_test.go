package sequence_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/sequence"
)

func TestSettings(t *testing.T) {
	for _, c := range []struct {
		name, value string
		want        string // the values, or the finding
	}{
		{"vin", "12 V", "12 V"},
		{"vin", "[14 V, 12000 mV]", "14 V, 12 V"},
		{"vin", "{from: 9 V, to: 12 V, points: 4}", "9 V, 10 V, 11 V, 12 V"},
		{"vin", "{from: 12 V, to: 9 V, step: 1 V}", "12 V, 11 V, 10 V, 9 V"},
		{"iout", "{from: 10 mA, to: 1 A, points: 3, spacing: log}", "10 mA, 100 mA, 1 A"},
		{"vin", "2 * 6 V", "12 V"},
		{"vin", "8 A", `efficiency.yaml:4:3: --set vin="8 A": this is current, the parameter is voltage`},
		{"vin", "8", `efficiency.yaml:4:3: --set vin="8": this is a ratio, the parameter is voltage; the unit is missing, as in 8 V`},
		{"vin", "[8 V, 9 A]", `efficiency.yaml:4:3: --set vin="[8 V, 9 A]": "9 A" is current, the values before it are voltage`},
		{"vin", "8 v", `efficiency.yaml:4:3: --set vin="8 v": "8 v": unknown unit "v"; V?`},
		{"vin", "", `efficiency.yaml:4:3: --set vin="": the file is empty`},
		{"vin", "[8 V", `efficiency.yaml:4:3: --set vin="[8 V": this cannot be read as YAML`},
		{"vin", "{from: 8 V, till: 9 V}", `efficiency.yaml:4:3: --set vin="{from: 8 V, till: 9 V}": a range`},
		{"iout", "{from: 0 A, to: 1 A, points: 3, spacing: log}", `efficiency.yaml:5:3: --set iout="{from: 0 A, to: 1 A, points: 3, spacing: log}": log spacing begins above zero, not at 0 A`},
		{"iuot", "1 A", "efficiency.yaml: --set iuot: there is no parameter of this name; did you mean iout?"},
		{"vin", "20 V", "efficiency.yaml:16:16: 20 V asked of feed; the guard of dut.in allows ..18 V (line 10)"},
		{"iout", "{from: 50 mA, to: 5 A, points: 20, spacing: log}", "3.9238 A asked of sink; the guard of dut.out allows ..3.3 A (line 11): and 1 more of 20 values"},
	} {
		s, found := readFile(t, sketch, sequence.Setting{Name: c.name, Value: c.value})
		if found.Failed() {
			if got := found.List()[0].Error(); !strings.Contains(got, c.want) {
				t.Errorf("--set %s=%s: %s, want %s", c.name, c.value, got, c.want)
			}
			continue
		}
		var got []string
		for _, p := range s.Params {
			if p.Name == c.name {
				for _, q := range p.Values.List {
					got = append(got, q.String())
				}
			}
		}
		if strings.Join(got, ", ") != c.want {
			t.Errorf("--set %s=%s: %s, want %s", c.name, c.value, got, c.want)
		}
	}
	if _, found := readFile(t, sketch, sequence.Setting{Name: "vin", Value: "9 V"}, sequence.Setting{Name: "vin", Value: "8 V"}); !found.Failed() {
		t.Error("two values for one parameter went through")
	}
}

// A parameter that follows from another one follows a setting too.
func TestParamsFollowEachOther(t *testing.T) {
	data := strings.Replace(minimal, "steps:", "params:\n  vnom: {default: 10 V}\n  vin: {default: [0.9 * vnom, vnom, 1.1 * vnom]}\nsteps:", 1)
	data = strings.Replace(data, "volts: 12 V", "volts: vnom", 1) + "  - sweep: {vin: vin}\n    steps:\n      - measure: {vo: v(dut.in)}\n"
	var found diag.Findings
	s := sequence.Read("f.yaml", []byte(data), []sequence.Setting{{Name: "vnom", Value: "5 V"}}, &found)
	if found.Failed() {
		t.Fatal(render(&found))
	}
	if got := fmt.Sprint(s.Params[1].Values.List); got != "[4.5 V 5 V 5.5 V]" {
		t.Error(got)
	}
}

const minimal = `fourwire: sequence/1
title: Buoy 5 V converter
needs:
  feed: {role: source, node: dut.in, volts: 0..16 V, amps: 0..2.5 A}
guard:
  dut.in: {volts: ..15 V, amps: ..2.8 A}
steps:
  - source: feed
    volts: 12 V
    amps: 1 A
  - measure: {vi: v(dut.in), ii: i(dut.in)}
`

func read(t *testing.T, more string) (*sequence.Sequence, *diag.Findings) {
	t.Helper()
	var found diag.Findings
	return sequence.Read("f.yaml", []byte(minimal+more), nil, &found), &found
}

// Spacings by hand: equal differences, equal ratios, and a step that binary arithmetic would smear.
func TestRanges(t *testing.T) {
	for values, want := range map[string]string{
		"{from: 0 V, to: 0.5 V, step: 0.1 V}":               "[0 V 100 mV 200 mV 300 mV 400 mV 500 mV]",
		"{from: 1 mA, to: 1 A, points: 4, spacing: log}":    "[1 mA 10 mA 100 mA 1 A]",
		"{from: 1 A, to: 1 mA, points: 4, spacing: log}":    "[1 A 100 mA 10 mA 1 mA]",
		"{from: -1 V, to: 1 V, points: 3, spacing: linear}": "[-1 V 0 V 1 V]",
		"{from: 3 V, to: 1.05 V, step: 1 V}":                "[3 V 2 V]",
		"[1 V, 2 V, 1 V]":                                   "[1 V 2 V 1 V]",
		"5 V":                                               "[5 V]",
		"{from: 0.1 A, to: 0.7 A, step: 0.2 A}":             "[100 mA 300 mA 500 mA 700 mA]",
	} {
		s, found := read(t, "  - sweep: {x: "+values+"}\n    steps:\n      - measure: {y: v(dut.in)}\n")
		if found.Failed() {
			t.Fatal(render(found))
		}
		if got := fmt.Sprint(s.Steps[2].(*sequence.Sweep).Values.List); got != want {
			t.Errorf("%s: %s, want %s", values, got, want)
		}
	}
	s, _ := read(t, "  - sweep: {x: {from: 0 V, to: 0.5 V, step: 0.1 V}}\n    steps:\n      - measure: {y: v(dut.in)}\n")
	if got := s.Steps[2].(*sequence.Sweep).Values.List[3].SI; got != 0.3 {
		t.Errorf("three steps of 0.1 came to %.17g", got)
	}
}

type env map[string]measured.Value

func (e env) Value(name string) (measured.Value, bool)  { v, ok := e[name]; return v, ok }
func (env) Node(string, string) (measured.Value, error) { return measured.Value{X: math.NaN()}, nil }
func (env) Column(string) ([]measured.Value, bool)      { return nil, false }
func volts(x float64) measured.Value                    { return measured.Exact(quantity.Of(x, quantity.Voltage)) }

// Values that follow from a measurement are worked out when the sweep begins, and their faults have places.
func TestWorkAtRunTime(t *testing.T) {
	s, found := read(t, "  - sweep: {x: {from: vi / 2, to: vi, points: 3, spacing: log}}\n    steps:\n      - sweep: {z: [x, 2 * x]}\n        steps:\n          - measure: {y: v(dut.in)}\n")
	if found.Failed() || s.CountPoints() != 7 {
		t.Fatal(s.CountPoints(), render(found))
	}
	outer := s.Steps[2].(*sequence.Sweep)
	if outer.Values.List != nil || outer.Values.Most() != 3 {
		t.Fatalf("%+v", outer.Values)
	}
	list, err := outer.Values.Work(env{"vi": volts(8)})
	if err != nil || len(list) != 3 || list[0].SI != 4 || math.Abs(list[1].SI-4*math.Sqrt2) > 1e-12 || list[2].SI != 8 {
		t.Errorf("%v, %v", list, err)
	}
	inner := outer.Steps[0].(*sequence.Sweep)
	if list, err = inner.Values.Work(env{"x": volts(3)}); err != nil || fmt.Sprint(list) != "[3 V 6 V]" {
		t.Errorf("%v, %v", list, err)
	}
	for x, says := range map[float64]string{0: "f.yaml:12:35: a range from 0 V to 0 V is one value", -2: "f.yaml:12:23: log spacing begins above zero, not at -1 V", math.NaN(): "vi has no usable value here"} {
		if _, err := outer.Values.Work(env{"vi": volts(x)}); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("vi = %v: %v, want %s", x, err, says)
		}
	}
	if _, err := outer.Values.Work(env{}); err == nil {
		t.Error("a value that is missing went unnoticed")
	}
}

func TestAmountDropsUncertainty(t *testing.T) {
	s, found := read(t, "  - source: feed\n    volts: 0.5 * vi\n")
	if found.Failed() {
		t.Fatal(render(found))
	}
	var l measured.Ledger
	vi := measured.New(quantity.Of(8, quantity.Voltage), measured.Term{Input: l.Own(measured.Input{}), Part: 0.1})
	if q, err := sequence.Amount(s.Steps[2].(*sequence.Source).Volts, env{"vi": vi}); err != nil || q != quantity.MustParse("4 V") {
		t.Errorf("%v, %v", q, err)
	}
}
