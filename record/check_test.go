package record_test

import (
	"bytes"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"fourwire/internal/clock"
	"fourwire/quantity/measured"
	"fourwire/record"
)

// sealedRun writes a run with several seals and every kind of file; the record is left without an end where end is false.
func sealedRun(t testing.TB, points int, end bool) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "r")
	v := clock.NewVirtual(noon)
	var ledger measured.Ledger
	s := start(v)
	s.Ledger = &ledger
	w, err := record.Create(dir, s)
	if err != nil {
		t.Fatal(err)
	}
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	must(w.Input("line.yaml", []byte("fourwire: sequence/1\n")))
	must(w.Columns(columns, false))
	gain := ledger.Shared(measured.Input{Name: "dmm-in ch1 volts 20 V gain", Kind: measured.Gain})
	for n := 1; n <= points; n++ {
		must(v.Sleep(t.Context(), time.Second))
		w.Wire(v.Now(), "dmm-in", "sim:dmm-in", true, fmt.Appendf(nil, "READ? %d\n", n))
		p := point(n)
		noise := ledger.Own(measured.Input{Name: "dmm-in ch1 volts 20 V noise", Kind: measured.Noise})
		p.Terms = map[string][]measured.Term{"efficiency": {{Input: gain, Part: 1e-3}, {Input: noise, Part: -1e-4}}}
		must(w.Verdict(record.Verdict{Point: n, Limit: "efficiency >= 88 %", Outcome: record.Pass, Value: 0.9, U: math.NaN(), Bound: 0.88, Unit: "1"}))
		must(w.Point(p))
	}
	if !end {
		must(w.Close())
		return dir
	}
	must(w.Finish(record.End{Outcome: record.Pass}))
	must(record.Attach(dir, record.Attachment{Name: "report.html", Data: []byte("<p>all is well</p>\n")}))
	return dir
}

func files(t testing.TB, dir string) []string {
	t.Helper()
	var out []string
	err := fs.WalkDir(os.DirFS(dir), ".", func(name string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			out = append(out, name)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func check(t testing.TB, dir string) *record.Checked {
	t.Helper()
	c, err := record.Check(dir)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func TestAWholeRecordIsWhole(t *testing.T) {
	c := check(t, sealedRun(t, 35, true))
	if !c.Whole || !c.Finished || c.InUse || len(c.Notes) > 0 || c.Seals != 5 { // after the columns, points 10, 20, 30, and at the end
		t.Errorf("%+v", c)
	}
}

// One bit of any byte of any file: it is found, and the file is named.
func TestAnyFlippedBitIsFound(t *testing.T) {
	dir := sealedRun(t, 25, true)
	tried := 0
	for _, name := range files(t, dir) {
		path := filepath.Join(dir, name)
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		stride := max(1, len(data)/60) | 1
		for at := 0; at < len(data); at += stride {
			if at+stride >= len(data) {
				at = len(data) - 1 // the last byte of each file, too
			}
			other := bytes.Clone(data)
			other[at] ^= 1 << (at % 7)
			if err := os.WriteFile(path, other, 0o666); err != nil {
				t.Fatal(err)
			}
			tried++
			c, err := record.Check(dir)
			if err != nil {
				t.Fatalf("%s, byte %d: %v", name, at, err)
			}
			if c.Whole || !named(c, name) {
				t.Errorf("%s, byte %d %q for %q: %+v", name, at, other[at], data[at], c.Differences)
			}
		}
		if err := os.WriteFile(path, data, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	if c := check(t, dir); !c.Whole || tried < 300 {
		t.Errorf("%d tries; put right again: %+v", tried, c.Differences)
	}
}

func named(c *record.Checked, name string) bool {
	for _, d := range c.Differences {
		if d.File == name && strings.HasPrefix(d.Text, name+" ") {
			return true
		}
	}
	return false
}

// A flipped byte lies between the seals that are named: seal 1 stands behind the columns, seal 2 behind point 10, and so on.
func TestTheSealsSayWhere(t *testing.T) {
	dir := sealedRun(t, 35, true)
	path := filepath.Join(dir, record.PointsFile)
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for n, want := range map[int][2]int{1: {1, 2}, 10: {1, 2}, 11: {2, 3}, 25: {3, 4}, 34: {4, 5}} {
		at := bytes.Index(data, fmt.Appendf(nil, "\n%d,", n)) + 1
		other := bytes.Clone(data)
		other[at+3] ^= 1
		if err := os.WriteFile(path, other, 0o666); err != nil {
			t.Fatal(err)
		}
		if d := check(t, dir).Differences; len(d) != 1 || d[0].From != want[0] || d[0].To != want[1] || d[0].Kind != record.Altered {
			t.Errorf("point %d: %+v, want between %v", n, d, want)
		}
	}
}

func TestWhatIsMissingAddedCutOrMovedIsNamed(t *testing.T) {
	swapped := func(data []byte) []byte {
		l := bytes.SplitAfter(data, []byte("\n"))
		l[4], l[9] = l[9], l[4]
		return bytes.Join(l, nil)
	}
	short := func(data []byte) []byte { return data[:len(data)*2/3] }
	byOne := func(data []byte) []byte { return data[:len(data)-1] }
	longer := func(data []byte) []byte { return append(bytes.Clone(data), "x\n"...) }
	growing := []string{record.PointsFile, record.WireFile, record.LogFile, record.TermsFile}
	whole := []string{"inputs/line.yaml", "report.html", record.ManifestFile}
	for _, c := range []struct {
		what   string
		files  []string
		change func([]byte) []byte // nil: it is taken away
		kinds  []string
	}{
		{"lines in another order", growing, swapped, []string{record.Reordered}},
		{"cut to two thirds", growing, short, []string{record.Cut}},
		{"cut by a byte", growing, byOne, []string{record.Cut}},
		{"cut by a byte", whole, byOne, []string{record.Cut, record.Altered}},
		{"longer", growing, longer, []string{record.Grown}},
		{"longer", whole, longer, []string{record.Grown, record.Altered}},
		{"missing", growing, nil, []string{record.Missing}},
		{"missing", whole, nil, []string{record.Missing}},
	} {
		for _, name := range c.files {
			dir := sealedRun(t, 25, true)
			path := filepath.Join(dir, name)
			data, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			if c.change == nil {
				err = os.Remove(path)
			} else {
				err = os.WriteFile(path, c.change(data), 0o666)
			}
			if err != nil {
				t.Fatal(err)
			}
			found := check(t, dir)
			ok := false
			for _, d := range found.Differences {
				for _, kind := range c.kinds {
					ok = ok || d.File == name && d.Kind == kind
				}
			}
			if !ok || found.Whole {
				t.Errorf("%s, %s: %+v", name, c.what, found.Differences)
			}
		}
	}
	for _, name := range []string{"notes.txt", "inputs/other.yaml", "traces/1/a.bin"} {
		dir := sealedRun(t, 3, true)
		if err := os.MkdirAll(filepath.Dir(filepath.Join(dir, name)), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, name), nil, 0o666); err != nil {
			t.Fatal(err)
		}
		if d := check(t, dir).Differences; len(d) != 1 || d[0].File != name || d[0].Kind != record.Added {
			t.Errorf("%s added: %+v", name, d)
		}
	}
}

// A record that was cut off anywhere is verified up to its last seal: a flipped byte before it is found, and none is found that is not there.
func TestARunThatWasCutOffIsVerifiedUpToItsLastSeal(t *testing.T) {
	dir := sealedRun(t, 25, false)
	if c := check(t, dir); !c.Whole || c.Finished || c.Seals != 3 {
		t.Fatalf("%+v", c)
	}
	log := filepath.Join(dir, record.LogFile)
	data, err := os.ReadFile(log)
	if err != nil {
		t.Fatal(err)
	}
	first := bytes.IndexByte(data, '\n') + 1
	for n := first; n <= len(data); n += 211 {
		if err := os.WriteFile(log, data[:n], 0o666); err != nil {
			t.Fatal(err)
		}
		c := check(t, dir)
		if seals := bytes.Count(data[:n], []byte(`,"kind":"seal","message":"seal `)); c.Seals > seals || c.Seals < seals-1 {
			t.Errorf("%d bytes: %d seals, there are %d", n, c.Seals, seals)
		}
		for _, d := range c.Differences {
			if d.File != "inputs/line.yaml" { // whose line in the log may be gone
				t.Errorf("%d bytes: %+v", n, d)
			}
		}
	}
	if err := os.WriteFile(log, data, 0o666); err != nil {
		t.Fatal(err)
	}
	points := filepath.Join(dir, record.PointsFile)
	rows, err := os.ReadFile(points)
	if err != nil {
		t.Fatal(err)
	}
	at := bytes.Index(rows, []byte("\n12,")) + 4
	rows[at] ^= 1
	if err := os.WriteFile(points, rows, 0o666); err != nil {
		t.Fatal(err)
	}
	if d := check(t, dir).Differences; len(d) != 1 || d[0].From != 2 || d[0].To != 3 {
		t.Errorf("%+v", d)
	}
}

func TestNoRecord(t *testing.T) {
	for _, dir := range []string{t.TempDir(), filepath.Join(t.TempDir(), "nothing")} {
		if c, err := record.Check(dir); err == nil {
			t.Errorf("%+v", c)
		}
	}
}
