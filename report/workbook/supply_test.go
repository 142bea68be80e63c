package workbook_test

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"fourwire/record"
	"fourwire/report/reporttest"
)

// A supply has a sheet with its standard, what was asked for and what is played, and a chart; rails and parts stand in the summary.
func TestSupplyRailsAndParts(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "r")
	if err := reporttest.Write(dir, reporttest.Options{}); err != nil {
		t.Fatal(err)
	}
	for name, one := range map[string]any{
		record.ProfileFile("feed-profile"): record.Profile{Name: "feed-profile", Role: "feed", Node: "dut.in", Preset: "start-pulse", Standard: "ISO 16750-2", Clause: "4.6.3", Basis: "read", Source: "=cmd()",
			Repeat: 1, By: "list", Wanted: [][2]float64{{0, 12}, {0.5, 6}}, Expected: [][2]float64{{0, 12}, {0.25, 9}, {0.5, 6}}},
		record.RailsFile("board"): record.Rails{Name: "board", Rails: []record.Rail{{Role: "core", Node: "core", Volts: 1.2, OnSeconds: 0.125, GoodSeconds: math.NaN(), GoodU: math.NaN(), OffSeconds: 1}}},
		record.FitFile("d1"):      record.Fit{Name: "d1", Kind: "diode", Law: "V = n Vt ln(1 + I/Is)", Used: 3, Parameters: []record.FitParameter{{What: "ideality", Unit: "1", Value: 1.04567, U: 0.0034}}},
	} {
		data, err := json.Marshal(one)
		if err != nil {
			t.Fatal(err)
		}
		file := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(file), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, data, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	_, _, f := openFolder(t, dir)
	for sheet, wants := range map[string][]string{
		"Supply":  {"start-pulse at dut.in by feed", "Standard|ISO 16750-2", "read in =cmd()", "0.5|6|0.25|9"},
		"Summary": {"Rails: board", "core|core||1.2|0.125", "Part: Diode: d1", "ideality|1.0457|0.0034|1"},
	} {
		rows, err := f.GetRows(sheet)
		if err != nil {
			t.Fatal(err)
		}
		all := ""
		for _, r := range rows {
			all += strings.Join(r, "|") + "\n"
		}
		for _, want := range wants {
			if !strings.Contains(all, want) {
				t.Errorf("%s does not say %q:\n%s", sheet, want, all)
			}
		}
	}
}
