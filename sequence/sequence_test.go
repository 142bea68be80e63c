package sequence_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/sequence"
)

func readFile(t testing.TB, path string, set ...sequence.Setting) (*sequence.Sequence, *diag.Findings) {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var found diag.Findings
	return sequence.Read(filepath.Base(path), data, set, &found), &found
}

const sketch = "testdata/good/efficiency.yaml"

func render(found *diag.Findings) string {
	var lines []string
	for _, f := range found.List() {
		lines = append(lines, f.Render())
	}
	return strings.Join(lines, "\n")
}

// Good files have nothing to say, not even a warning.
func TestGoodFiles(t *testing.T) {
	files, _ := filepath.Glob("testdata/good/*.yaml")
	if len(files) < 2 {
		t.Fatal("the good files are gone")
	}
	for _, file := range files {
		s, found := readFile(t, file)
		if s == nil || len(found.List()) > 0 {
			t.Errorf("%s:\n%s", file, render(found))
		}
	}
}

func Example() {
	data := []byte(`fourwire: sequence/1
title: Beacon node, standby current
needs:
  cell: {role: source, node: node.batt, volts: 2.8..4.2 V, amps: 0..500 mA}
guard:
  node.batt: {volts: -0.3..4.3 V, amps: ..600 mA}
steps:
  - sweep: {vbatt: [3 V, 3.6 V, 4.5 V]}
    steps:
      - source: cell
        volts: vbatt
        amps: 500 mA
      - measure: {v: v(node.batt), i: i(node.batt)}
      - derive: {p: v * i}
      - judge: {limit: p <= 300}
`)
	var found diag.Findings
	s := sequence.Read("standby.yaml", data, nil, &found)
	for _, f := range found.List() {
		fmt.Println(f.Render())
	}
	for _, c := range s.Columns() {
		fmt.Println(strings.TrimSpace(strings.Join([]string{c.Name, string(c.Kind), c.Dim.Name(), c.Node + c.Expr}, " ")))
	}
	fmt.Println(s.CountPoints(), "points")
	// Output:
	// standby.yaml:11:16: 4.5 V asked of cell; the guard of node.batt allows -300 mV..4.3 V (line 6); the guard is what the device survives: lower what is asked; the values of vbatt stand in line 8
	//             volts: vbatt
	//                    ^
	// standby.yaml:15:26: power and a ratio cannot be compared; the unit is missing: 300 W?
	//           - judge: {limit: p <= 300}
	//                              ^
	// vbatt coordinate voltage
	// v measured voltage v(node.batt)
	// i measured current i(node.batt)
	// p derived power v * i
	// 3 points
}

// A setting in the wrong unit is refused at the parameter that it was meant for.
func ExampleRead() {
	data, err := os.ReadFile("testdata/good/efficiency.yaml")
	if err != nil {
		fmt.Println(err)
		return
	}
	var found diag.Findings
	sequence.Read("efficiency.yaml", data, []sequence.Setting{{Name: "vin", Value: "8 A"}, {Name: "iuot", Value: "1 A"}}, &found)
	for _, f := range found.List() {
		fmt.Println(f.Render())
	}
	// Output:
	// efficiency.yaml: --set iuot: there is no parameter of this name; did you mean iout?
	// efficiency.yaml:4:3: --set vin="8 A": this is current, the parameter is voltage
	//       vin:  {about: input voltage, default: [9 V, 12 V, 16 V]}
	//       ^
}

func TestSketch(t *testing.T) {
	s, found := readFile(t, sketch)
	if len(found.List()) > 0 {
		t.Fatal(render(found))
	}
	if got := s.CountPoints(); got != 60 {
		t.Errorf("%d points, want 3 times 20", got)
	}
	var names []string
	for _, c := range s.Columns() {
		names = append(names, c.Name)
	}
	if got := strings.Join(names, " "); got != "vin iout vi ii vo io pin pout efficiency loss" {
		t.Errorf("columns %s", got)
	}
	outer := s.Steps[0].(*sequence.Sweep)
	inner := outer.Steps[1].(*sequence.Sweep)
	settle := inner.Steps[1].(*sequence.Settle)
	if outer.Name != "vin" || len(outer.Values.List) != 3 || outer.Values.Dim != quantity.Voltage || outer.At().Line != 13 {
		t.Errorf("outer sweep %+v", outer)
	}
	if list := inner.Values.List; len(list) != 20 || list[0].SI != 0.05 || list[19].SI != 3 {
		t.Errorf("inner sweep %v", list)
	}
	if settle.Within != quantity.MustParse("0.05 %") || settle.For != quantity.MustParse("20 ms") || settle.AtMost != quantity.MustParse("2 s") {
		t.Errorf("settle %+v", settle)
	}
	if sequence.MakesRow(outer.Steps) || !sequence.MakesRow(inner.Steps) {
		t.Error("a point for each load, not for each input voltage")
	}
	if judge := inner.Steps[4].(*sequence.Judge); judge.Clause != "spec 4.2" || judge.Limit.Text != "efficiency >= 88 %" || judge.When.Text != "io >= 500 mA" {
		t.Errorf("judge %+v", judge)
	}
	if len(s.Curves) != 1 || !s.Curves[0].LogX || s.Curves[0].LogY || s.Curves[0].Per != "vin" {
		t.Errorf("curves %+v", s.Curves)
	}
}
