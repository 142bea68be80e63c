package sequence_test

import (
	"strings"
	"testing"

	"fourwire/internal/diag"
	"fourwire/sequence"
)

// A file with a fault in every corner says all of them at once.
func TestAllFindingsInOneGo(t *testing.T) {
	_, found := read(t, `  - source: feed
    volts: 16 V
  - derive: {pi: vi * ii, x: pi + vi}
  - settle: {until: v(dut.in) within 1 A for 20 ms, at_most: 1 s}
  - measure: {vi: v(dut.on)}
  - judge: {limit: x >= 5 V, when: 3}
summary:
  - judge: {limit: max(vu) < 3 V}
curves: [{x: ii, y: yy}]
`)
	var places []string
	for _, f := range found.List() {
		places = append(places, strings.TrimPrefix(f.Place.String(), "f.yaml:"))
	}
	if got := strings.Join(places, " "); got != "13:12 14:33 15:38 16:15 16:19 17:36 19:24 20:21" {
		t.Errorf("places %s\n%s", got, render(found))
	}
}

// What may come from a misspelt key is not said a second time.
func TestOneFaultIsSaidOnce(t *testing.T) {
	for name, more := range map[string]string{
		"a misspelt step":          "  - mesure: {vo: v(dut.in)}\n  - derive: {x: vo * 2}\n  - judge: {limit: x > 3 V}\n",
		"a name without meaning":   "  - derive: {x: vi + ii, y: 2 * x, z: y + 3 V}\n  - judge: {limit: z > 3 V}\n",
		"a condition with a fault": "  - source: feed\n    volts: vi > ii\n",
		"a list without values":    "  - sweep: {k: []}\n    steps:\n      - source: feed\n        volts: k\n      - measure: {y: v(dut.in)}\n",
		"a reading that is none":   "  - measure: {vo: 3 * vi}\n  - judge: {limit: vo > 3 V}\n",
		"a sweep without a value":  "  - sweep: {k: 3 m}\n    steps:\n      - source: feed\n        volts: k\n      - measure: {y: v(dut.in)}\n",
	} {
		if _, found := read(t, more); len(found.List()) != 1 {
			t.Errorf("%s: %s", name, render(found))
		}
	}
}

func TestCountPoints(t *testing.T) {
	for _, c := range []struct {
		name, more string
		want       int
	}{
		{"the body itself", "", 1},
		{"a sweep adds its values", "  - sweep: {k: [1, 2, 3]}\n    steps: [{measure: {a: v(dut.in)}}]\n", 4},
		{"two measure steps make one point", "  - measure: {a: v(dut.in)}\n", 1},
		{"a sweep that measures and holds another", "  - sweep: {k: [1, 2, 3]}\n    steps:\n      - measure: {a: v(dut.in)}\n      - repeat: 5\n        steps: [{measure: {b: v(dut.in)}}]\n", 1 + 3 + 15},
		{"a condition belongs to the list around it", "  - repeat: 4\n    steps:\n      - when: vi > 3 V\n        steps: [{measure: {a: v(dut.in)}}]\n        else: [{note: low}]\n", 5},
		{"the larger branch counts", "  - when: vi > 3 V\n    steps: [{repeat: 3, steps: [{measure: {a: v(dut.in)}}]}]\n    else: [{repeat: 2, steps: [{measure: {a: v(dut.in)}}]}]\n", 4},
		{"a step whose ends follow the outer sweep: the most there can be", "  - sweep: {k: [1, 2]}\n    steps:\n      - sweep: {m: {from: 0, to: k, step: 0.5}}\n        steps: [{measure: {a: v(dut.in)}}]\n", 1 + 2*5},
	} {
		s, found := read(t, c.more)
		if found.Failed() || s.CountPoints() != c.want {
			t.Errorf("%s: %d points, want %d\n%s", c.name, s.CountPoints(), c.want, render(found))
		}
	}
}

// Lists side by side may use a name again for the same thing: one column.
func TestSiblingsShareColumns(t *testing.T) {
	s, found := readFile(t, "testdata/good/thresholds.yaml")
	var names []string
	for _, c := range s.Columns() {
		names = append(names, c.Name+" "+string(c.Kind)[:1])
	}
	if got := strings.Join(names, ", "); got != "vset c, iset c, k c, n c, vi m, vo m, ref m, ii m, vreg m, ireg m, iknee d" {
		t.Errorf("%s\n%s", got, render(found))
	}
	// one at the end of the light-load part, 41 down, 41 up, 5 x 2 x 3 of regulation
	if got := s.CountPoints(); got != 1+41+41+30 {
		t.Errorf("%d points", got)
	}
}

func TestLimitsBecomeSteps(t *testing.T) {
	s, found := read(t, "  - judge: {limit: 4.9 V <= vi <= 5.1 V and ii < 2 A, clause: \"4.1\"}\n")
	if found.Failed() || len(s.Steps) != 5 {
		t.Fatal(render(found))
	}
	var texts []string
	for _, step := range s.Steps[2:] {
		j := step.(*sequence.Judge)
		texts = append(texts, j.Limit.Text)
		if _, _, _, ok := j.Limit.Sides(); !ok || j.Clause != "4.1" {
			t.Errorf("%+v", j)
		}
	}
	if got := strings.Join(texts, " | "); got != "4.9 V <= vi | vi <= 5.1 V | ii < 2 A" {
		t.Error(got)
	}
}

// A column number stays right behind quotes and letters of more than one byte, and is left out where text is folded.
func TestPlacesOfExpressions(t *testing.T) {
	for _, c := range []struct{ name, more, want string }{
		{"in quotes", "  - derive: {x: \"min(vi, ii)\"}\n", "f.yaml:12:26: "},
		{"behind an umlaut", "  - derive: {\"x\": 2 * vi, y: vi + 3 A} # Böe\n", "f.yaml:12:33: "},
		{"folded", "  - derive:\n      x: >\n        vi +\n        ii\n", "f.yaml:13: "},
		{"over two lines", "  - derive:\n      x: vi +\n        ii\n", "f.yaml:13: "},
		{"after an umlaut in the line", "  - judge: {clause: \"Bö 1\", limit: vi > 3 A}\n", "f.yaml:12:39: "},
	} {
		_, found := read(t, c.more)
		if list := found.List(); len(list) != 1 || !strings.HasPrefix(list[0].Error(), c.want) {
			t.Errorf("%s: %s, want %s", c.name, render(found), c.want)
		}
	}
}

// More combinations than are tried one by one: both ends are still looked at.
func TestGuardOverManyValues(t *testing.T) {
	_, found := read(t, `  - sweep: {a: {from: 1, to: 2, points: 1000}}
    steps:
      - sweep: {b: {from: 1 V, to: 8 V, points: 900}}
        steps:
          - source: feed
            volts: a * b
`)
	if list := found.List(); len(list) != 1 || !strings.Contains(list[0].Text, "the guard of dut.in allows ..15 V") || !strings.Contains(list[0].Text, "a = ") {
		t.Error(render(found))
	}
}

// Values that follow from one another are all tried: 0.9 * 9 V * 2 is beyond the guard at one point only.
func TestGuardThroughDerivedValues(t *testing.T) {
	_, found := read(t, `  - sweep: {a: [3 V, 8 V, 5 V]}
    steps:
      - derive: {twice: a * 2}
      - sweep: {k: [0.9, 1]}
        steps:
          - source: feed
            volts: k * twice
      - repeat: 2
        steps:
          - source: feed
            volts: vi + n * 100 V     # follows from a measurement: the run checks it
`)
	if list := found.List(); len(list) != 1 || !strings.HasPrefix(list[0].Error(), "f.yaml:18:20: 16 V asked of feed; the guard of dut.in allows ..15 V (line 6): k = 100 %, a = 8 V") {
		t.Error(render(found))
	}
}

// A condition that is known before the run keeps values from a setpoint.
func TestGuardUnderConditions(t *testing.T) {
	_, found := read(t, `  - sweep: {a: [3 V, 8 V, 12 V]}
    steps:
      - when: a < 5 V
        steps:
          - source: feed
            volts: a * 4
        else:
          - when: vi < 3 V
            steps:
              - source: feed
                volts: a * 1.5
`)
	if list := found.List(); len(list) != 1 || !strings.Contains(list[0].Error(), "f.yaml:22:24: 18 V asked of feed; the guard of dut.in allows ..15 V (line 6): a = 12 V") {
		t.Error(render(found))
	}
}

// Deep nests of long sweeps that follow from one another are read in no time: values are tried, not listed.
func TestManyCombinationsEndSoon(t *testing.T) {
	var b strings.Builder
	indent, sum := "  ", "0 V"
	from := "1 V"
	for i := range 12 {
		name := string(rune('a' + i))
		b.WriteString(indent + "- sweep: {" + name + ": {from: " + from + ", to: 1.1 V + 1 mV * " + string(rune('1'+i%9)) + ", points: 100000}}\n" + indent + "  steps:\n")
		indent, from, sum = indent+"    ", name+" / 2", sum+" + "+name+" / 100"
	}
	b.WriteString(indent + "- source: feed\n" + indent + "  volts: " + sum + "\n")
	_, found := read(t, b.String())
	if list := found.List(); len(list) != 1 || !strings.Contains(list[0].Text, "runs lists of steps") {
		t.Error(render(found))
	}
}

// The values of an inner sweep that follow from an outer one are tried before the run.
func TestGuardThroughSweepsOfSweeps(t *testing.T) {
	_, found := read(t, `  - sweep: {a: [3 V, 8 V]}
    steps:
      - sweep: {b: {from: a, to: 2 * a, points: 5}}
        steps:
          - source: feed
            volts: b
`)
	if list := found.List(); len(list) != 1 || !strings.HasPrefix(list[0].Error(), "f.yaml:17:20: 16 V asked of feed; the guard of dut.in allows ..15 V") {
		t.Error(render(found))
	}
}

func TestReadingNeverFailsOnShapelessFiles(t *testing.T) {
	for _, text := range []string{"", "3", "[1]", "fourwire: sequence/1", "fourwire: sequence/1\ntitle: x\nsteps: 3", "fourwire: sequence/1\ntitle: x\nsteps: [3, [4], {}]\nneeds: [1]\nguard: {a: 3}\nparams: {x: {default: {from: [1]}}}\nsummary: [1]\ncurves: [2]"} {
		var found diag.Findings
		sequence.Read("f.yaml", []byte(text), nil, &found)
		if !found.Failed() {
			t.Errorf("%q went through", text)
		}
	}
}
