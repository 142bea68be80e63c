package diag_test

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"fourwire/internal/diag"
	"fourwire/quantity"
)

var lead = &diag.Shape{Title: "a lead", Fields: []diag.Field{
	{Name: "node", Type: diag.Text(), Required: true, About: "the node it ends at"},
	{Name: "resistance", Type: diag.Amount(quantity.Resistance)},
	{Name: "sense", Type: diag.Word("local", "remote")},
	{Name: "carries", Type: diag.SpanOf(quantity.Current)},
	{Name: "points", Type: diag.Either(diag.Whole(1, 10), diag.ListOf(diag.Amount(quantity.Voltage)))},
	{Name: "twisted", Type: diag.YesNo()},
	{Name: "branches", Type: diag.MapOf("names of branches", diag.Amount(quantity.Resistance))},
}}

func findings(text string) string {
	var found diag.Findings
	if n := diag.Parse("wires.yaml", []byte(text), &found); n != nil {
		diag.Struct(lead).Check(n, &found)
	}
	var lines []string
	for _, f := range found.List() {
		lines = append(lines, f.Error())
	}
	return strings.Join(lines, "\n")
}

func ExampleType_Check() {
	var found diag.Findings
	text := "node: dut.in\nresistence: 12 mohm\ncarries: 0..3 V\n"
	n := diag.Parse("wires.yaml", []byte(text), &found)
	diag.Struct(lead).Check(n, &found)
	for _, f := range found.List() {
		fmt.Println(f.Render())
	}
	// Output:
	// wires.yaml:2:1: a lead has no "resistence"; did you mean resistance?
	//     resistence: 12 mohm
	//     ^
	// wires.yaml:3:10: "0..3 V": current is wanted here, this is voltage
	//     carries: 0..3 V
	//              ^
}

func TestFindings(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"a good file", "node: dut.in\nresistance: 12 mohm\nsense: remote\ncarries: ..3 A\npoints: [1 V, 2 V]\ntwisted: yes\nbranches: {a: 1 ohm}\n", ""},
		{"a missing key", "sense: local\n", `wires.yaml:1:1: a lead needs "node": the node it ends at`},
		{"a wrong word", "node: x\nsense: remot\n", `wires.yaml:2:8: "remot" is none of local, remote; did you mean remote?`},
		{"a key twice", "node: x\nnode: y\n", `wires.yaml:2:1: "node" stands here twice`},
		{"a list where a value is wanted", "node: [x]\n", `wires.yaml:1:7: text is wanted here, this is a list`},
		{"a value where a mapping is wanted", "node: x\nbranches: 3 ohm\n", `wires.yaml:2:11: names of branches with values is wanted here, this is a single value`},
		{"an empty value", "node:\n", `wires.yaml:1:1: "node" has no value`},
		{"no whole number", "node: x\npoints: 2.5\n", `wires.yaml:2:9: "2.5": a whole number from 1 to 10 is wanted here`},
		{"a fault inside an alternative", "node: x\npoints: [1 V, 2 A]\n", `wires.yaml:2:15: "2 A": voltage is wanted here, this is current`},
		{"an anchor", "node: &a x\n", `wires.yaml:1:7: anchors and aliases are not used here; write the value out, or give it a name in params`},
		{"two documents", "node: x\n---\nnode: y\n", `wires.yaml:3:1: a second document begins here; one file holds one document`},
		{"nothing at all", "", `wires.yaml: the file is empty`},
		{"deep brackets", strings.Repeat("[", 100), `wires.yaml:1: brackets are nested deeper than 64`},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := findings(c.text); got != c.want {
				t.Errorf("got  %s\nwant %s", got, c.want)
			}
		})
	}
}

// A choice is told by its key, and may hold itself; a nest of them is looked through once.
func TestChoice(t *testing.T) {
	var steps []*diag.Shape
	step := diag.Choice("a step", &steps)
	steps = []*diag.Shape{
		{Title: "a wait step", Fields: []diag.Field{{Name: "wait", Type: diag.Amount(quantity.Time), Required: true}}},
		{Title: "a repeat step", Fields: []diag.Field{{Name: "repeat", Type: diag.Whole(1, 9), Required: true}, {Name: "steps", Type: diag.ListOf(step)}}},
	}
	for text, want := range map[string]string{
		"repeat: 2\nsteps:\n  - wait: 3 V\n": `f:3:11: "3 V": time is wanted here, this is voltage`,
		"repet: 2\n":                         `f:1:1: "repet" is no kind of step; did you mean repeat?`,
		"zzzzzz: 2\n":                        `f:1:1: a step has one of the keys wait, repeat`,
		"wait: 3 s\nrepeat: 2\n":             `f:2:1: a wait step has no "repeat"`,
		"[1]\n":                              `f:1:1: a step is wanted here, this is a list`,
		strings.Repeat("{repeat: 1, steps: [", 30) + "{wait: x}" + strings.Repeat("]}", 30): `f:1:608: "x": a number must come first, as in "12 V"`,
	} {
		var found diag.Findings
		step.Check(diag.Parse("f", []byte(text), &found), &found)
		if list := found.List(); len(list) != 1 || !strings.HasPrefix(list[0].Error(), want) {
			t.Errorf("%s: got %v, want %s", text, list, want)
		}
	}
	if text, err := diag.Schema("s", "s", step); err != nil || !strings.Contains(string(text), "#/$defs/repeat-step") {
		t.Errorf("schema %s, %v", text, err)
	}
}

func TestSyntaxFaultHasAPlace(t *testing.T) {
	got := findings("node: x\nbranches: {a: 1 ohm\n")
	if !strings.HasPrefix(got, "wires.yaml:2:") || !strings.Contains(got, "cannot be read as YAML") {
		t.Errorf("got %s", got)
	}
}

func TestClosest(t *testing.T) {
	known := []string{"source", "load", "measure", "derive", "judge", "sweep", "settle"}
	for word, want := range map[string]string{"mesure": "measure", "laod": "load", "SOURCE": "source", "swep": "sweep", "judgement": "judge", "zzz": ""} {
		if word == "judgement" {
			want = "" // four letters away is another word
		}
		if got, _ := diag.Closest(word, known); got != want {
			t.Errorf("Closest(%q) = %q, want %q", word, got, want)
		}
	}
}

func TestSchemaIsJSON(t *testing.T) {
	text, err := diag.Schema("lead.json", "lead", diag.Struct(lead))
	if err != nil {
		t.Fatal(err)
	}
	var doc map[string]any
	if err := json.Unmarshal(text, &doc); err != nil {
		t.Fatal(err)
	}
	def := doc["$defs"].(map[string]any)["lead"].(map[string]any)
	if def["additionalProperties"] != false || len(def["properties"].(map[string]any)) != len(lead.Fields) {
		t.Errorf("schema %s", text)
	}
}

func TestControlCharactersDoNotReachATerminal(t *testing.T) {
	if got := findings("node: x\n\"\\e[31mred\": 1\n"); strings.ContainsRune(got, 0x1b) {
		t.Errorf("an escape came through: %q", got)
	}
}

// A tree that was understood has a place inside the file for each of its nodes.
func FuzzParse(f *testing.F) {
	f.Add("node: dut.in\npoints: [1 V, 2 V]\n")
	f.Add("a: {b: [c, {d: e}]}\n")
	f.Add("- 1\n- \"2\"\n- |\n  three\n")
	f.Add("? [x]\n: y\n")
	f.Fuzz(func(t *testing.T, text string) {
		var found diag.Findings
		n := diag.Parse("f", []byte(text), &found)
		if n == nil {
			if !found.Failed() {
				t.Fatal("no tree and no reason")
			}
			return
		}
		diag.Struct(lead).Check(n, &found)
		lines := strings.Count(text, "\n") + strings.Count(text, "\r") + 1
		var walk func(*diag.Node)
		walk = func(n *diag.Node) {
			if n.Place.Line < 0 || n.Place.Line > lines+1 {
				t.Fatalf("line %d of %d", n.Place.Line, lines)
			}
			for _, e := range n.Entries {
				walk(e.Value)
			}
			for _, i := range n.Items {
				walk(i)
			}
		}
		walk(n)
		for _, one := range found.List() {
			one.Render()
		}
	})
}

func TestVariantsAreToldApartByAValue(t *testing.T) {
	shape := func(kind, field string) *diag.Shape {
		return &diag.Shape{Title: "a " + kind, Fields: []diag.Field{{Name: "kind", Type: diag.Word(kind), Required: true}, {Name: field, Type: diag.Text(), Required: true}}}
	}
	one := diag.Variant("a shape", "kind", []*diag.Shape{shape("circle", "radius"), shape("square", "side")})
	for _, c := range []struct {
		text string
		t    diag.Type
		want string // "" is fine
	}{
		{"a: {kind: circle, radius: 1}\nb: {kind: square, side: 2}", diag.MapOf("names", one), ""},
		{"- {kind: circle, radius: 1}", diag.ListOf(one), ""},
		{"a: {kind: circle, side: 1}", diag.MapOf("names", one), `f:1:19: a circle has no "side"`},
		{"a: {side: 1}", diag.MapOf("names", one), `f:1:1: a needs "kind": one of circle, square`},
		{"- {side: 1}", diag.ListOf(one), `a shape needs "kind": one of circle, square`},
		{"a: {kind: circel, radius: 1}", diag.MapOf("names", one), `f:1:11: "circel" is none of circle, square`},
		{"a: {kind: [circle]}", diag.MapOf("names", one), `one of circle, square is wanted here`},
		{"a: circle", diag.MapOf("names", one), "f:1:4: a shape is wanted here"},
	} {
		var found diag.Findings
		ok := c.t.Check(diag.Parse("f", []byte(c.text), &found), &found)
		var all string
		for _, f := range found.List() {
			all += f.Error() + "\n"
		}
		if ok != (c.want == "") || !strings.Contains(all, c.want) {
			t.Errorf("%s: %v, found %q, want %q", c.text, ok, all, c.want)
		}
	}
}
