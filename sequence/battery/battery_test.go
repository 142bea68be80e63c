package battery_test

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	cell "fourwire/analysis/battery"
	"fourwire/internal/diag"
	"fourwire/internal/diag/diagtest"
	"fourwire/sequence/battery"
)

func TestMuseumOfBadFiles(t *testing.T) {
	diagtest.Museum(t, 20, func(name string, data []byte, found *diag.Findings) bool {
		return battery.Read(name, data, found) != nil
	})
}

func read(t *testing.T, name string, data []byte) *battery.File {
	t.Helper()
	var found diag.Findings
	f := battery.Read(name, data, &found)
	if f == nil || len(found.List()) > 0 {
		t.Fatalf("%s: %v", name, found.List())
	}
	return f
}

func TestEveryKeyArrives(t *testing.T) {
	data, err := os.ReadFile("testdata/good/full.yaml")
	if err != nil {
		t.Fatal(err)
	}
	f := read(t, "full.yaml", data)
	c := f.Cell
	for _, w := range []struct {
		what      string
		got, want float64
	}{
		{"capacity", c.CapacityCoulomb, 8640}, {"tolerance", c.Tolerance, 0.1}, {"cutoff", c.CutoffVolts, 2}, {"recover", c.RecoverVolts, 2.2},
		{"open circuit at 10 %", c.OpenCircuit(0.1), 2.7}, {"resistance at 75 %", c.Ohm.At(0.75), 0.7},
		{"first pair", c.Pairs[0].Ohm.At(0.3), 0.1}, {"second pair at 50 %", c.Pairs[1].Ohm.At(0.5), 1.1}, {"second tau", c.Pairs[1].TauSeconds, 300},
		{"leak low", c.SelfDischarge[0], 0.01}, {"leak high", c.SelfDischarge[1], 0.02}, {"efficiency", c.Efficiency, 0.99},
		{"reference", c.KelvinReference, 293.15}, {"activation", c.ActivationJoulePerMole, 25e3},
		{"aged capacity", c.CapacityScale, 0.85}, {"aged resistance", c.OhmScale, 1.6}, {"shelf life", f.ShelfYears(), 10},
	} {
		if math.Abs(w.got-w.want) > 1e-9*math.Abs(w.want) {
			t.Errorf("%s: %g, want %g", w.what, w.got, w.want)
		}
	}
	if c.OCV.Interpolation() != cell.Cubic || f.Title != "Lithium primary cell of the beacon" || f.Source != "figures from memory" {
		t.Errorf("%s, %q, %q", c.OCV.Interpolation(), f.Title, f.Source)
	}
}

// What is written is read as the same, and written again as the same bytes.
func TestWriteAndReadAgain(t *testing.T) {
	files, _ := filepath.Glob("testdata/good/*.yaml")
	if len(files) < 2 {
		t.Fatal("the good files are gone")
	}
	for _, file := range files {
		data, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		sameAgain(t, read(t, file, data))
	}
}

func sameAgain(t *testing.T, f *battery.File) {
	t.Helper()
	text := battery.Write(f, "from a test\nof two lines")
	var found diag.Findings
	again := battery.Read("again.yaml", text, &found)
	if again == nil {
		t.Fatalf("%v\n%s", found.List(), text)
	}
	if f.Title == diag.Printable(f.Title) && !strings.ContainsAny(f.Title, "\n\t") && again.Title != f.Title {
		t.Errorf("title %q became %q", f.Title, again.Title)
	}
	if !alike(f, again) {
		t.Errorf("the cell changed:\n%+v\n%+v\n%s", f.Cell, again.Cell, text)
	}
	if second := battery.Write(again, "from a test\nof two lines"); !bytes.Equal(text, second) {
		t.Errorf("written twice it differs:\n%s\n%s", text, second)
	}
}

// alike tells whether two files say the same, charges and ratios but for their last bits.
func alike(a, b *battery.File) bool {
	near := func(x, y float64) bool { return math.Abs(x-y) <= 1e-15*math.Abs(x) }
	same := func(x, y cell.Table) bool {
		s, v := x.Points()
		t, w := y.Points()
		for i := range s {
			if i >= len(t) || !near(s[i], t[i]) {
				return false
			}
		}
		return reflect.DeepEqual(v, w) && x.Interpolation() == y.Interpolation()
	}
	c, d := a.Cell, b.Cell
	ok := same(c.OCV, d.OCV) && same(c.Ohm, d.Ohm) && len(c.Pairs) == len(d.Pairs)
	for k := range c.Pairs {
		ok = ok && same(c.Pairs[k].Ohm, d.Pairs[k].Ohm) && c.Pairs[k].TauSeconds == d.Pairs[k].TauSeconds
	}
	for _, x := range [][2]float64{{c.Tolerance, d.Tolerance}, {c.SelfDischarge[0], d.SelfDischarge[0]}, {c.SelfDischarge[1], d.SelfDischarge[1]},
		{c.Efficiency, d.Efficiency}, {c.CapacityScale, d.CapacityScale}, {c.OhmScale, d.OhmScale}} {
		ok = ok && near(x[0], x[1])
	}
	return ok && c.CapacityCoulomb == d.CapacityCoulomb && c.CutoffVolts == d.CutoffVolts && c.RecoverVolts == d.RecoverVolts &&
		c.KelvinReference == d.KelvinReference && c.ActivationJoulePerMole == d.ActivationJoulePerMole && a.ShelfSeconds == b.ShelfSeconds
}

func TestWarningBelowEmpty(t *testing.T) {
	var found diag.Findings
	f := battery.Read("x.yaml", []byte("fourwire: battery/1\ntitle: x\ncapacity: 1 Ah\nopen_circuit: {0 %: 2 V, 100 %: 3 V}\nresistance: 1 ohm\ncutoff: 1.5 V\n"), &found)
	list := found.List()
	if f == nil || len(list) != 1 || !list[0].Warning || list[0].Place.Line != 6 {
		t.Errorf("%v", list)
	}
}

// Whatever is understood can be written, and is then understood as the same cell, with finite voltages in every state.
func FuzzRead(f *testing.F) {
	for _, pattern := range []string{"testdata/good/*.yaml", "testdata/bad/*.yaml"} {
		files, _ := filepath.Glob(pattern)
		for _, file := range files {
			data, err := os.ReadFile(file)
			if err != nil {
				f.Fatal(err)
			}
			f.Add(data)
		}
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		var found diag.Findings
		file := battery.Read("f", data, &found)
		if file == nil {
			if !found.Failed() {
				t.Fatal("no battery and no reason")
			}
			return
		}
		sameAgain(t, file)
		c := file.Cell
		s := c.At(1)
		for range 20 {
			c.Step(&s, c.Capacity()/3600, 300)
			if v := c.Terminal(&s, c.Capacity()/3600); math.IsNaN(v) || math.IsInf(v, 0) {
				t.Fatalf("%g V at %+v", v, s)
			}
		}
	})
}

func ExampleRead() {
	var found diag.Findings
	f := battery.Read("cell.battery.yaml", []byte(`fourwire: battery/1
title: Beacon cell
capacity: 2.4 Ah
open_circuit: {0 %: 2.0 V, 20 %: 2.9 V, 100 %: 3.3 V}
resistance: {0 %: 4 ohm, 100 %: 0.5 ohm}
`), &found)
	s := f.Cell.At(0.5)
	fmt.Printf("%s: %.3f V at 100 mA\n", f.Title, f.Cell.Terminal(&s, 0.1))
	// Output: Beacon cell: 2.825 V at 100 mA
}

// The cells that are shipped are read without a finding and hold up under their usual load; those made from an open table
// stay within 1 mV of it, name its licence, and have its text beside them.
func TestShippedCells(t *testing.T) {
	files, _ := filepath.Glob("../../examples/*/*.battery.yaml")
	more, _ := filepath.Glob("../../examples/*/cells/*.battery.yaml")
	if len(files) < 3 {
		t.Fatalf("%d files", len(files))
	}
	for _, file := range append(files, more...) {
		data, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		f := read(t, file, data)
		sameAgain(t, f)
		s := f.Cell.At(1)
		r := f.Cell.Discharge(&s, cell.Draw{Amps: f.Cell.Capacity() / 3600 / 20}, 60, cell.Until{})
		if share := r.Coulomb / f.Cell.Capacity(); share < 0.9 || share > 1 {
			t.Errorf("%s: %.1f %% of its capacity in twenty hours", file, 100*share)
		}
	}
	for name, table := range map[string]string{"liion-21700": "liion-21700-ocv.csv", "lfp-18650": "lfp-18650-ocv.csv"} {
		data, err := os.ReadFile("../../examples/cells/" + name + ".battery.yaml")
		if err != nil {
			t.Fatal(err)
		}
		f := read(t, name, data)
		if !strings.Contains(f.Source, "MIT licence") {
			t.Errorf("%s does not name the licence of its table: %s", name, f.Source)
		}
		text, err := os.ReadFile("../../examples/cells/" + table)
		if err != nil {
			t.Fatal(err)
		}
		rows := 0
		for _, line := range strings.Split(string(text), "\n") {
			var soc, volts float64
			if n, _ := fmt.Sscanf(line, "%f,%f", &soc, &volts); n == 2 {
				rows++
				if e := math.Abs(f.Cell.OpenCircuit(soc) - volts); e > 0.001 {
					t.Errorf("%s at %g: off by %g V", name, soc, e)
				}
			}
		}
		if rows < 200 {
			t.Errorf("%s: %d rows", table, rows)
		}
	}
	if licence, err := os.ReadFile("../../examples/cells/LICENSE-MIT-soorajsunil.txt"); err != nil || !strings.Contains(string(licence), "The above copyright notice and this permission notice shall be included") {
		t.Errorf("the licence of the tables is not beside them: %v", err)
	}
}
