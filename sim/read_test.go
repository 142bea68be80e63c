package sim_test

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"fourwire/internal/diag"
	"fourwire/sim"
)

// Each bad file has one fault, which its first line names by place and words; a file that passes fails the test.
func TestBadScenarios(t *testing.T) {
	names, err := filepath.Glob("testdata/bad/*.yaml")
	if err != nil || len(names) < 10 {
		t.Fatalf("%d bad files, %v", len(names), err)
	}
	for _, name := range names {
		text := string(read(t, name))
		want, ok := strings.CutPrefix(strings.SplitN(text, "\n", 2)[0], "# want ")
		if !ok {
			t.Errorf("%s: the first line must be # want LINE:COLUMN: part of the finding", name)
			continue
		}
		var found diag.Findings
		if s := sim.Read("f", []byte(text), &found); s != nil {
			t.Errorf("%s: it is taken for good", name)
		}
		at := strings.Index(want, ": ")
		var all []string
		hit := false
		for _, f := range found.List() {
			all = append(all, f.Error())
			hit = hit || !f.Warning && strings.HasPrefix(f.Error(), "f:"+want[:at]+": ") && strings.Contains(f.Error(), want[at+2:])
		}
		if !hit {
			t.Errorf("%s: want %q, found\n%s", name, want, strings.Join(all, "\n"))
		}
	}
}

func TestUnwiredInstrumentIsAWarning(t *testing.T) {
	var found diag.Findings
	s := sim.Read("f", []byte("fourwire: scenario/1\ninstruments:\n  a: {kind: meter}\n  b: {kind: meter}\nwiring:\n  - {channel: a, node: x}\n"), &found)
	if s == nil || len(found.List()) != 1 || !found.List()[0].Warning || !strings.Contains(found.List()[0].Text, "b is not wired") {
		t.Errorf("%v %v", s, found.List())
	}
}

func TestShapeYieldsASchema(t *testing.T) {
	text, err := diag.Schema("scenario.schema.json", "scenario", sim.Shape())
	if err != nil {
		t.Fatal(err)
	}
	var doc map[string]any
	if err := json.Unmarshal(text, &doc); err != nil {
		t.Fatal(err)
	}
	for _, def := range []string{"buck", "ldo", "source", "load", "meter", "source-measure-unit", "wire"} {
		if doc["$defs"].(map[string]any)[def] == nil {
			t.Errorf("the schema knows no %s", def)
		}
	}
}

// Whatever is read without a finding makes a bench that has an operating point with everything off.
func FuzzRead(f *testing.F) {
	for _, pattern := range []string{"testdata/bad/*.yaml", "../examples/*/*.scenario.yaml"} {
		names, err := filepath.Glob(pattern)
		if err != nil {
			f.Fatal(err)
		}
		for _, name := range names {
			text, err := os.ReadFile(name)
			if err != nil {
				f.Fatal(err)
			}
			f.Add(string(text))
		}
	}
	f.Add(noisy)
	f.Add(quick)
	f.Add(strings.Replace(guarded, "MORE", "over_voltage: 5.5 V, over_current: 4 A, over_current_delay: 1 ms, ripple: yes, hiccup: yes, hiccup_off: 1 ms", 1))
	f.Add("fourwire: scenario/1\ndevices:\n  l: {kind: inductor, plus: a, minus: b, inductance: 1 uH, winding: 1 mohm}\n  c: {kind: capacitor, plus: b, capacitance: 1 uF, esr: 1 mohm}\ninstruments:\n  u: {kind: source, processing: slow, channels: [{rise_time: 1 ms, response_time: 1 ms}]}\nwiring:\n  - {channel: u, node: a}\n")
	f.Add("fourwire: scenario/1\ndevices:\n  l: {kind: ldo, in: a, out: b, set: 3.3 V}\n  d: {kind: diode, plus: b}\n  c: {kind: capacitor, plus: b, minus: a, capacitance: 1 uF}\ninstruments:\n  u: {kind: source-measure-unit}\nwiring:\n  - {channel: u, node: a, against: b, sense: remote, sense_at: ground}\n")
	f.Add(strings.Replace(reference, "PERIOD", "1 s\n    tick: 1 mA\n    tick_time: 1 ms\n    tick_every: 10 ms\n    bulk_capacitor: 1 uF\n    bulk_resistance: 1 ohm", 1))
	f.Add("fourwire: scenario/1\ndevices:\n  c: {kind: battery, plus: a, chemistry: lithium-primary, charge: 3 %, cutoff: 2 V, recover: 3 V, pairs: [{resistance: 1 ohm, time: 1 s}], resistance_against_charge: {0 %: 2, 100 %: 1}}\ninstruments:\n  u: {kind: source-measure-unit}\nwiring:\n  - {channel: u, node: a}\nfaults: [{kind: silent-gap, instrument: u, for: 1 s}]\n")
	f.Fuzz(func(t *testing.T, text string) {
		var found diag.Findings
		s := sim.Read("f", []byte(text), &found)
		if s == nil {
			if !found.Failed() {
				t.Fatal("no scenario and no reason")
			}
			return
		}
		if found.Failed() {
			t.Fatal("a scenario and a fault")
		}
		b, err := sim.New(s, sim.Options{})
		if err != nil {
			t.Fatalf("%v", err)
		}
		if truth := b.Truth(); truth.Problem != nil {
			t.Fatal(truth.Problem)
		}
	})
}

func ExampleRead() {
	text := `fourwire: scenario/1
devices:
  r: {kind: resistor, plus: out, resistance: 10 ohm, per_kelvin: 100 ppm}
instruments:
  psu: {kind: source}
wiring:
  - {channel: psu, node: out}
`
	var found diag.Findings
	sim.Read("bench.yaml", []byte(text), &found)
	for _, f := range found.List() {
		fmt.Println(f.Error())
	}
	// Output: bench.yaml:3:66: "100 ppm": a quantity in 1/K is wanted here, this is a ratio
}

func ExampleNew() {
	var found diag.Findings
	s := sim.Read("bench.yaml", []byte(noisy), &found)
	b, err := sim.New(s, sim.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	psu, _ := b.Link("psu")
	ctx, cancel := b.Clock().WithTimeout(example(), 1e9)
	defer cancel()
	_ = psu.Send(ctx, []byte("VOLT 5;CURR 1;:OUTP ON;*OPC?"))
	answer, err := psu.Receive(ctx, nil)
	fmt.Printf("%s %v, after %v the node is at %.3f V\n", answer, err, b.Truth().At, b.Truth().Volts["bus"])
	// Output: 1 <nil>, after 500ms the node is at 5.000 V
}
