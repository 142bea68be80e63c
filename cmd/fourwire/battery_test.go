package main

import (
	"bytes"
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	cell "fourwire/analysis/battery"
	"fourwire/internal/clock"
	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/record"
	"fourwire/record/trace"
	"fourwire/sequence/battery"
)

// tested is a cell with round figures, for tests that must give them back.
func tested(t *testing.T) *cell.Cell {
	ocv, err := cell.Rising([]float64{0, 0.1, 0.4, 1}, []float64{3.0, 3.4, 3.7, 4.2}, cell.Linear)
	if err != nil {
		t.Fatal(err)
	}
	return &cell.Cell{CapacityCoulomb: 3600, OCV: ocv, Ohm: cell.Constant(0.1), Pairs: []cell.Pair{{Ohm: cell.Constant(0.05), TauSeconds: 20}}}
}

func battered(t *testing.T, args ...string) (made madeCell, stderr string) {
	t.Helper()
	var out, errw bytes.Buffer
	if status := program(append([]string{"battery", "--json"}, args...), strings.NewReader(""), &out, &errw); status != exitPass {
		t.Fatalf("status %d: %s", status, errw.String())
	}
	if err := json.Unmarshal(out.Bytes(), &made); err != nil {
		t.Fatalf("%v in %s", err, out.String())
	}
	return made, errw.String()
}

func readBattery(t *testing.T, path string) *battery.File {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var found diag.Findings
	f := battery.Read(path, data, &found)
	if f == nil || found.Failed() {
		t.Fatalf("%v", found.List())
	}
	return f
}

// Pulses in a trace of 1 kSa/s, with a gap in a rest, become a battery file with the parts of the cell.
func TestBatteryFromATrace(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "pulses")
	noon := time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	w, err := record.Create(dir, record.Start{Tool: "fourwire test", Title: "Cell 7", Clock: clock.NewVirtual(noon)})
	if err != nil {
		t.Fatal(err)
	}
	tr, err := w.Trace(trace.Head{Name: "pulses", Start: noon, IntervalSeconds: 0.02, Signals: []trace.Signal{
		{Name: "i", Unit: "A", Ranges: []trace.Range{{Full: 5, Step: 1e-6}}}, {Name: "v", Unit: "V", Ranges: []trace.Range{{Full: 6, Step: 1e-6}}}}})
	if err != nil {
		t.Fatal(err)
	}
	c := tested(t)
	s := c.At(1)
	rng := rand.New(rand.NewPCG(1, 2))
	b := &trace.Samples{Values: make([][]float32, 2), Runs: [][]trace.Run{{{}}, {{}}}}
	flush := func() {
		if b.Count = len(b.Values[0]); b.Count > 0 {
			if err := tr.Append(b); err != nil {
				t.Fatal(err)
			}
		}
		b.Start += int64(b.Count)
		b.Values[0], b.Values[1] = b.Values[0][:0], b.Values[1][:0]
	}
	leg := func(amps, seconds float64) {
		for range int(math.Round(seconds / 0.02)) {
			c.Step(&s, amps, 0.01)
			v := c.Terminal(&s, amps) + 20e-6*rng.NormFloat64()
			c.Step(&s, amps, 0.01)
			b.Values[0], b.Values[1] = append(b.Values[0], float32(amps)), append(b.Values[1], float32(v))
			if len(b.Values[0]) == 4096 {
				flush()
			}
		}
	}
	leg(0, 20)
	for k := range 9 { // a tenth of the charge each
		leg(2, 180)
		leg(0, 150)
		if k == 3 { // ten seconds of the rest are lost
			flush()
			b.Start += 500
			c.Step(&s, 0, 10)
		}
		leg(0, 150)
	}
	flush()
	if err := w.FinishTrace(tr, trace.Statement{}); err != nil {
		t.Fatal(err)
	}
	if err := w.Finish(record.End{}); err != nil {
		t.Fatal(err)
	}
	out := filepath.Join(t.TempDir(), "cell.battery.yaml")
	made, stderr := battered(t, dir, "--capacity", "1 Ah", "--cutoff", "3.0 V", "--pairs", "1", "--out", out)
	if !strings.Contains(stderr, "Take care with cells") {
		t.Errorf("no cautions: %s", stderr)
	}
	if made.Pulses == nil || len(made.Pulses.Pulses) != 9 || len(made.Pulses.Pairs) != 1 || !strings.Contains(strings.Join(made.Notes, "\n"), "10 s are missing, in 1 gap") {
		t.Fatalf("%+v", made)
	}
	f := readBattery(t, out)
	near := func(what string, got, want, by float64) {
		t.Helper()
		if !(math.Abs(got-want) <= by) {
			t.Errorf("%s: %g, want %g within %g", what, got, want, by)
		}
	}
	near("time constant", f.Cell.Pairs[0].TauSeconds, 20, 0.2)
	for charge := 0.2; charge < 1.01; charge += 0.1 {
		near("open-circuit voltage", f.Cell.OpenCircuit(charge), c.OpenCircuit(charge), 1e-3)
		near("resistance", f.Cell.Resistance(charge, 0), 0.1, 1e-3)
		near("pair", f.Cell.Pairs[0].Ohm.At(charge), 0.05, 2e-3)
	}
}

// The points of two discharges at two rates: one record alone gives the voltage under load, both give the resistance.
func TestBatteryFromPoints(t *testing.T) {
	t.Parallel()
	c := tested(t)
	c.Pairs = nil
	discharge := func(name string, amps float64) string {
		dir := filepath.Join(t.TempDir(), name)
		now := clock.NewVirtual(time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC))
		w, err := record.Create(dir, record.Start{Tool: "fourwire test", Title: name, Clock: now})
		if err != nil {
			t.Fatal(err)
		}
		columns := []record.Column{{Name: "v", Kind: record.Measured, Dim: quantity.Voltage, Node: "v(node.supply)"}, {Name: "i", Kind: record.Measured, Dim: quantity.Current, Node: "i(node.supply)"}}
		if err := w.Columns(columns, false); err != nil {
			t.Fatal(err)
		}
		s := c.At(1)
		step := 3600 / amps / 400
		for k := 0; k < 400; k++ {
			c.Step(&s, amps, step/2)
			p := record.Point{Number: k + 1, At: time.Duration((float64(k) + 0.5) * step * 1e9), Valid: true, Settled: true,
				Cells: map[string]record.Cell{"v": {SI: c.Terminal(&s, amps)}, "i": {SI: -amps}}} // a load counts into itself
			c.Step(&s, amps, step/2)
			if err := w.Point(p); err != nil {
				t.Fatal(err)
			}
		}
		if err := w.Finish(record.End{}); err != nil {
			t.Fatal(err)
		}
		return dir
	}
	slow, fast := discharge("slow", 0.1), discharge("fast", 1)
	one, _ := battered(t, slow)
	if one.Discharge == nil || len(one.Discharge.Ohm) != 0 || !strings.Contains(strings.Join(one.Notes, "\n"), "it was turned round") {
		t.Errorf("%+v", one)
	}
	out := filepath.Join(t.TempDir(), "cell.battery.yaml")
	both, _ := battered(t, slow, fast, "--out", out)
	if both.Discharge == nil || len(both.Discharge.Ohm) == 0 {
		t.Fatalf("%+v", both)
	}
	f := readBattery(t, out)
	for charge := 0.2; charge < 0.99; charge += 0.1 {
		if e := math.Abs(f.Cell.OpenCircuit(charge) - c.OpenCircuit(charge)); e > 1e-3 {
			t.Errorf("%g: open-circuit voltage off by %g V", charge, e)
		}
		if e := math.Abs(f.Cell.Resistance(charge, 0) - 0.1); e > 2e-3 {
			t.Errorf("%g: resistance off by %g ohm", charge, e)
		}
	}
}

// Whatever stands in a CSV file, it is refused with a reason, or makes a cell whose voltages are numbers and whose file is
// read again.
func FuzzBatteryCSV(f *testing.F) {
	f.Add([]byte("soc,ocv_V\n0,2.5\n0.5,3.7\n1,4.2\n"))
	f.Add([]byte("soc_pct,a_mV\n100,4200\n50,3700\n0,2500\n"))
	test := "time_s,voltage_V,current_A\n"
	for k := range 40 {
		test += strconv.Itoa(k) + "," + strconv.FormatFloat(4-float64(k)/40, 'g', -1, 64) + ",1\n"
	}
	f.Add([]byte(test))
	f.Add([]byte("time_s,voltage_V,current_A\n0,4,0\n1,4,0\n2,4,0\n3,3.9,1\n4,3.88,1\n5,3.87,1\n6,3.86,1\n7,3.95,0\n8,3.96,0\n9,3.97,0\n10,3.975,0\n11,3.978,0\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		if len(data) > 4000 {
			return
		}
		flags := batteryFlags{capacity: "1 Ah", pool: true, pairs: 1}
		d, err := cellCSV("f.csv", data, flags)
		if err != nil {
			return
		}
		m := &madeCell{given: map[string]quantity.Quantity{}}
		if err := m.read(flags); err != nil {
			t.Fatal(err)
		}
		if m.make([]*cellData{d}, []string{"f.csv"}, flags) != nil {
			return
		}
		file, err := m.file([]string{"f.csv"}, flags)
		if err != nil {
			return
		}
		for s := 0.0; s <= 1; s += 0.125 {
			if v := m.cell.OpenCircuit(s) - m.cell.Resistance(s, 0); math.IsNaN(v) {
				t.Fatalf("%g V at %g", v, s)
			}
		}
		var found diag.Findings
		text := battery.Write(file, m.remarks...)
		if battery.Read("f", text, &found) == nil && len(found.List()) == 0 {
			t.Fatalf("refused without a reason:\n%s", text)
		}
	})
}
