package sequence_test

import (
	"math"
	"os"
	"regexp"
	"strings"
	"testing"

	"fourwire/internal/diag"
	"fourwire/sequence"
)

// formatBlocks are the YAML blocks of the format page.
func formatBlocks(t *testing.T) []string {
	t.Helper()
	page, err := os.ReadFile("FORMAT.md")
	if err != nil {
		t.Fatal(err)
	}
	var blocks []string
	for _, m := range regexp.MustCompile("(?s)```yaml\n(.*?)```").FindAllStringSubmatch(string(page), -1) {
		blocks = append(blocks, m[1])
	}
	return blocks
}

// What the page shows can be read: the example is one of the good files, and the fragments stand in a file without a fault.
func TestFormatPage(t *testing.T) {
	blocks := formatBlocks(t)
	if len(blocks) < 6 {
		t.Fatalf("%d blocks", len(blocks))
	}
	if example, err := os.ReadFile(sketch); err != nil || blocks[0] != string(example) {
		t.Errorf("the example of the page is not %s", sketch)
	}
	params, needs, measuring, summary := blocks[1], blocks[2], blocks[3], blocks[len(blocks)-1]
	text := "fourwire: sequence/1\ntitle: Buoy 5 V converter\n" + params + needs + `guard:
  dut.in: {volts: ..18 V, amps: ..3 A}
  dut.out: {volts: ..6 V, amps: ..3.3 A}
steps:
  - source: feed
    volts: vnom
    amps: 2 A
  - sweep: {iout: iout}
    label: down
    steps:
      - load: sink
        hold: iout
      - measure: {vi: v(dut.in), ii: i(dut.in), vo: v(dut.out), io: i(dut.out), ref: v(dut.ref)}
      - derive: {efficiency: vo * io / (vi * ii)}
  - sweep: {vin: vin}
    label: up
    steps:
      - measure: {vi: v(dut.in), vo: v(dut.out)}
  - repeat: 1
    steps:
` + regexp.MustCompile("(?m)^").ReplaceAllString(strings.TrimSpace(measuring), "      ") + `
  - sweep: {vstep: vstep}
    steps:
      - measure: {vi: v(dut.in)}
` + summary
	var found diag.Findings
	sequence.Read("f.yaml", []byte(text), nil, &found)
	if len(found.List()) > 0 {
		t.Error(render(&found))
	}
}

func TestFormatPageOfSingleParts(t *testing.T) {
	block := ""
	for _, b := range formatBlocks(t) {
		if strings.Contains(b, "pulsed:") {
			block = b
		}
	}
	text := `fourwire: sequence/1
title: A diode
needs:
  unit: {role: source, node: part.a, volts: 0..2 V, amps: 0..250 mA}
guard:
  part.a: {volts: -1..2 V, amps: -10..300 mA}
steps:
` + block
	var found diag.Findings
	seq := sequence.Read("f.yaml", []byte(text), nil, &found)
	if len(found.List()) > 0 {
		t.Fatal(render(&found))
	}
	fit, ok := seq.Steps[1].(*sequence.Fit)
	if !ok || fit.Kelvin != 300.15 || fit.Within != 0.5 || len(fit.Gives) != 3 || fit.Name != "diode" {
		t.Errorf("%+v", seq.Steps[1])
	}
	set, ok := seq.Steps[0].(*sequence.Sweep).Steps[0].(*sequence.Source)
	if !ok || set.Force != sequence.Amps || math.Abs(set.Pulse.Duty()-1.0/11) > 1e-12 {
		t.Errorf("%+v", set)
	}
}

func TestFormatPageOfBatteries(t *testing.T) {
	text := `fourwire: sequence/1
title: Beacon node
needs:
  cell: {role: source, node: node.supply, volts: 0..3.3 V, amps: 0..200 mA}
  log: {role: recorder, node: node.supply, amps: 0..200 mA, every: 1 ms}
guard:
  node.supply: {volts: ..3.6 V, amps: ..250 mA}
steps:
- {source: cell, volts: 3 V, amps: 200 mA}
` + formatBlocks(t)[4]
	var found diag.Findings
	sequence.Read("f.yaml", []byte(text), nil, &found)
	if len(found.List()) > 0 {
		t.Error(render(&found))
	}
	page, err := os.ReadFile("FORMAT.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, list := range [][]sequence.Result{sequence.DrainResults(), sequence.LifeResults(), sequence.EmulateResults()} {
		for _, one := range list {
			if !strings.Contains(string(page), "`"+one.What+"`") {
				t.Errorf("the page does not mention the result %s", one.What)
			}
		}
	}
}

// Every kind of step, every key at the top and every function is on the page.
func TestFormatPageIsComplete(t *testing.T) {
	page, err := os.ReadFile("FORMAT.md")
	if err != nil {
		t.Fatal(err)
	}
	var words []string
	for _, f := range sequence.Shape().Shape.Fields {
		words = append(words, "`"+f.Name+"`")
		if f.Name == "steps" {
			for _, s := range *f.Type.Elem.Shapes {
				words = append(words, "`"+s.Fields[0].Name)
				for _, key := range s.Fields {
					words = append(words, key.Name)
				}
			}
		}
	}
	for _, f := range []string{"abs", "sqrt", "min", "max", "ln", "exp", "log10", "round", "mean", "span", "first", "last", "count", "at", "crossing", "where_max", "where_min", "slope",
		"rises_at", "falls_at", "hysteresis_at", "line_regulation", "load_regulation", "minimum_input", "dropout_voltage", "peak", "peak_at", "mode_change", "average_at", "drift_of"} {
		words = append(words, "`"+f+"(")
	}
	for _, w := range words {
		if !strings.Contains(string(page), w) {
			t.Errorf("the page does not mention %s", w)
		}
	}
}
