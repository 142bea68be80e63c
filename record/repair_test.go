package record_test

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"fourwire/internal/clock"
	"fourwire/quantity/measured"
	"fourwire/record"
)

var later = noon.Add(24 * time.Hour)

func TestRepairMakesARecordWholeThatWasCutOff(t *testing.T) {
	dir := sealedRun(t, 25, false)
	torn := map[string]string{record.PointsFile: `26,26,12,0.9`, record.WireFile: `{"t":26,"ti`, record.LogFile: `{"level":`, record.TermsFile: `{"po`}
	for name, tail := range torn {
		appendTo(t, filepath.Join(dir, name), tail)
	}
	done, err := record.Repair(dir, "fourwire test", later)
	if err != nil {
		t.Fatal(err)
	}
	told := strings.Join(done, "\n")
	for name, tail := range torn {
		kept, err := os.ReadFile(filepath.Join(dir, name+".torn"))
		if err != nil || string(kept) != tail+"\n" {
			t.Errorf("%s.torn holds %q, %v", name, kept, err)
		}
		if !strings.Contains(told, fmt.Sprintf("%s ended in the middle of a line: its last %d bytes", name, len(tail))) {
			t.Errorf("%s is not told of in %q", name, told)
		}
	}
	if !strings.Contains(told, "record.json was rebuilt") {
		t.Errorf("%q", told)
	}
	r, err := record.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	if r.Rebuilt == nil || !r.Rebuilt.At.Equal(later) || r.Finished || len(r.Rows) != 25 || r.Counts.Pass != 25 || r.Reason == "" || r.Title != "Buoy 5 V converter" {
		t.Errorf("rebuilt %+v, finished %v, %d rows, %+v, %q", r.Rebuilt, r.Finished, len(r.Rows), r.Counts, r.Reason)
	}
	if c := check(t, dir); !c.Whole || c.Finished {
		t.Errorf("%+v", c)
	}
	if again, err := record.Repair(dir, "fourwire test", later); err != nil || len(again) > 0 {
		t.Errorf("a second time: %q %v", again, err)
	}
}

func appendTo(t testing.TB, path, text string) {
	t.Helper()
	f, err := os.OpenFile(path, os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.WriteString(text); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
}

// Nothing is done to a record that somebody still writes, nor to one that was altered.
func TestRepairLeavesAlone(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "r")
	w := write(t, dir, clock.NewVirtual(noon))
	if done, err := record.Repair(dir, "", later); !errors.Is(err, record.ErrBusy) || len(done) > 0 {
		t.Errorf("while it is written: %q %v", done, err)
	}
	if !record.InUse(dir) {
		t.Error("nobody uses it")
	}
	if _, _, err := record.Resume(dir, "", nil, nil); !errors.Is(err, record.ErrBusy) {
		t.Errorf("resumed while it is written: %v", err)
	}
	if err := w.Finish(record.End{}); err != nil {
		t.Fatal(err)
	}
	if record.InUse(dir) {
		t.Error("in use after its end")
	}
	manifest := filepath.Join(dir, record.ManifestFile)
	data, err := os.ReadFile(manifest)
	if err != nil {
		t.Fatal(err)
	}
	altered := bytes.Replace(data, []byte("Buoy"), []byte("Bouy"), 1)
	if err := os.WriteFile(manifest, altered, 0o666); err != nil {
		t.Fatal(err)
	}
	if done, err := record.Repair(dir, "", later); err != nil || len(done) > 0 {
		t.Errorf("altered: %q %v", done, err)
	}
	if err := record.Attach(dir, record.Attachment{Name: "report.html", Data: []byte("x")}); err != nil {
		t.Fatal(err)
	}
	if c := check(t, dir); c.Whole { // new hashes would have hidden it
		t.Errorf("%+v", c)
	}
}

// resumed goes on with a record and gives its writer.
func resumed(t testing.TB, dir string, v *clock.Virtual) (*record.Writer, *record.Continued) {
	t.Helper()
	w, on, err := record.Resume(dir, "fourwire test", v, &measured.Ledger{})
	if err != nil {
		t.Fatal(err)
	}
	return w, on
}

func TestARecordGoesOn(t *testing.T) {
	dir := sealedRun(t, 12, false)
	off := point(13)
	off.Valid, off.Why = false, record.BrokenOff(errors.New("the cable"))
	appendRow(t, dir, off)
	appendTo(t, filepath.Join(dir, record.PointsFile), "14,9")
	v := clock.NewVirtual(later)
	w, on := resumed(t, dir, v)
	if len(on.Rows) != 12 || len(on.Verdicts) != 12 || len(on.Cut) != 2 {
		t.Errorf("%d rows, %d verdicts, cut %q", len(on.Rows), len(on.Verdicts), on.Cut)
	}
	if err := w.Columns(columns, false); err != nil {
		t.Errorf("the same columns once more: %v", err)
	}
	if err := w.Columns(columns[:1], false); err == nil {
		t.Error("other columns were taken")
	}
	for n := 13; n <= 14; n++ {
		if err := w.Verdict(record.Verdict{Point: n, Outcome: record.Pass}); err != nil {
			t.Fatal(err)
		}
		if err := w.Point(point(n)); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil { // killed once more
		t.Fatal(err)
	}
	w, on = resumed(t, dir, clock.NewVirtual(later.Add(time.Hour)))
	if len(on.Rows) != 14 || len(on.Verdicts) != 14 {
		t.Errorf("then %d rows, %d verdicts", len(on.Rows), len(on.Verdicts))
	}
	if err := w.Finish(record.End{Outcome: record.Pass}); err != nil {
		t.Fatal(err)
	}
	r, err := record.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Resumed) != 2 || r.Resumed[0].Points != 12 || r.Resumed[1].Points != 14 || !r.Resumed[0].At.Equal(later) || r.Points != 14 || r.Counts.Pass != 14 || len(r.Problems) > 0 {
		t.Errorf("%+v, %d points, %+v, %q", r.Resumed, r.Points, r.Counts, r.Problems)
	}
	if c := check(t, dir); !c.Whole || len(c.Notes) > 0 {
		t.Errorf("%+v", c)
	}
	if _, _, err := record.Resume(dir, "", nil, nil); err == nil {
		t.Error("a run that came to its end went on")
	}
	terms, err := record.ReadTerms(dir)
	if err != nil || len(terms) != 12 {
		t.Fatalf("%d terms, %v", len(terms), err)
	}
	a, b := terms[1]["efficiency"], terms[12]["efficiency"]
	if a[0].Input != b[0].Input || !a[0].Input.Shared || a[1].Input == b[1].Input || a[1].Input.Shared || a[1].Part != -1e-4 || a[1].Input.Kind != measured.Noise {
		t.Errorf("%+v %+v", a, b)
	}
}

// appendRow puts a row at the end of a record as its run would.
func appendRow(t testing.TB, dir string, p record.Point) {
	t.Helper()
	other := filepath.Join(t.TempDir(), "row")
	w, err := record.Create(other, start(clock.NewVirtual(noon)))
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(w.Columns(columns, false), w.Point(p), w.Close()); err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(filepath.Join(other, record.PointsFile))
	if err != nil {
		t.Fatal(err)
	}
	_, row, _ := strings.Cut(string(data), "\n")
	appendTo(t, filepath.Join(dir, record.PointsFile), row)
}

func TestAnAlteredRecordDoesNotGoOn(t *testing.T) {
	dir := sealedRun(t, 25, false)
	path := filepath.Join(dir, record.PointsFile)
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	data[bytes.Index(data, []byte("\n5,"))+4] ^= 1
	if err := os.WriteFile(path, data, 0o666); err != nil {
		t.Fatal(err)
	}
	if _, _, err := record.Resume(dir, "", nil, nil); err == nil || !strings.Contains(err.Error(), "points.csv was changed: it differs between seal 1 and seal 2") {
		t.Error(err)
	}
}

// A cut in power may take from each file what had not reached the disk. Whatever is left, the record goes on and is whole afterwards.
func TestARecordGoesOnAfterACutInPower(t *testing.T) {
	whole := sealedRun(t, 25, false)
	for _, name := range []string{record.PointsFile, record.WireFile, record.LogFile, record.TermsFile} {
		data, err := os.ReadFile(filepath.Join(whole, name))
		if err != nil {
			t.Fatal(err)
		}
		for k := range 12 {
			n := len(data) * (k + 4) / 16
			dir := filepath.Join(t.TempDir(), "r")
			if err := os.CopyFS(dir, os.DirFS(whole)); err != nil {
				t.Fatal(err)
			}
			if err := os.Truncate(filepath.Join(dir, name), int64(n)); err != nil {
				t.Fatal(err)
			}
			w, on := resumed(t, dir, clock.NewVirtual(later))
			if name != record.PointsFile && len(on.Rows) != 25 {
				t.Errorf("%s cut to %d: %d rows", name, n, len(on.Rows))
			}
			for n := len(on.Rows) + 1; n <= 26; n++ {
				if err := w.Point(point(n)); err != nil {
					t.Fatal(err)
				}
			}
			if err := w.Finish(record.End{}); err != nil {
				t.Fatal(err)
			}
			if c := check(t, dir); !c.Whole {
				t.Errorf("%s cut to %d: %+v", name, n, c.Differences)
			}
			if r, err := record.Open(dir); err != nil || len(r.Rows) != 26 || len(r.Problems) > 0 {
				t.Errorf("%s cut to %d: %d rows, %q, %v", name, n, len(r.Rows), r.Problems, err)
			}
		}
	}
}
