package record_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"fourwire/internal/clock"
	"fourwire/record"
	"fourwire/record/trace"
)

func supply(name string) trace.Head {
	return trace.Head{Name: name, Start: noon, IntervalSeconds: 1e-3, Signals: []trace.Signal{{Name: "i", Unit: "A", Ranges: []trace.Range{{Full: 0.1, Step: 1e-8}}}}}
}

// feed appends n samples of 1 mA, in blocks of 1000.
func feed(t testing.TB, w *trace.Writer, n int) {
	t.Helper()
	values := make([]float32, 1000)
	for i := range values {
		values[i] = 1e-3
	}
	for ; n > 0; n -= 1000 {
		m := min(n, 1000)
		if err := w.Append(&trace.Samples{Start: w.Next(), Count: m, Values: [][]float32{values[:m]}, Runs: [][]trace.Run{nil}}); err != nil {
			t.Fatal(err)
		}
	}
}

// A trace, what was found in it and where an emulation ended are in the record with their hashes, in the log at once and in the manifest at
// the end; one flipped bit of any of them is found.
func TestTracesAndWhatWasFoundInThemAreInTheRecord(t *testing.T) {
	for _, ended := range []bool{false, true} {
		dir := filepath.Join(t.TempDir(), "r")
		v := clock.NewVirtual(noon)
		w := write(t, dir, v)
		day, err := w.Trace(supply("day"))
		if err != nil {
			t.Fatal(err)
		}
		feed(t, day, 5000)
		data, _ := json.Marshal(record.Drain{Trace: "day", Mean: record.Estimate{Value: 1e-3, U: math.NaN()}})
		if err := errors.Join(
			w.FinishTrace(day, trace.Statement{Expected: 5000, Complete: true}),
			w.Put("analysis/day.drain.json", []byte("first try")),
			w.Put("analysis/day.drain.json", data),
			w.PutFrom("analysis/day.events.csv", func(to io.Writer) error {
				for i := range 1000 {
					fmt.Fprintf(to, "%d\n", i)
				}
				return nil
			}),
			w.Put("emulation/cell.json", []byte("{}")),
		); err != nil {
			t.Fatal(err)
		}
		if ended {
			err = w.Finish(record.End{})
		} else {
			err = errors.Join(w.Event(record.Event{Text: "something more"}), w.Close())
		}
		if err != nil {
			t.Fatal(err)
		}
		if c := check(t, dir); !c.Whole || c.Finished != ended {
			t.Fatalf("%+v", c)
		}
		var back record.Drain
		if got, err := os.ReadFile(filepath.Join(dir, "analysis", "day.drain.json")); err != nil || json.Unmarshal(got, &back) != nil || back.Mean.Value != 1e-3 || !math.IsNaN(back.Mean.U) {
			t.Errorf("%s, %v", got, err)
		}
		for _, name := range []string{"traces/day.parquet", "traces/day.pyramid", "traces/day.json", "analysis/day.drain.json", "analysis/day.events.csv", "emulation/cell.json"} {
			path := filepath.Join(dir, filepath.FromSlash(name))
			was, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			is := bytes.Clone(was)
			is[len(is)/2] ^= 4
			for _, changed := range [][]byte{is, was[:len(was)-1], nil} {
				if changed == nil {
					err = os.Remove(path)
				} else {
					err = os.WriteFile(path, changed, 0o666)
				}
				if err != nil {
					t.Fatal(err)
				}
				if c := check(t, dir); c.Whole || !named(c, name) {
					t.Errorf("%s was changed, ended %v: %+v", name, ended, c.Differences)
				}
			}
			if err := os.WriteFile(path, was, 0o666); err != nil {
				t.Fatal(err)
			}
		}
	}
}

// A file is replaced in two steps, and a run may be cut off between them: its record is whole then, too.
func TestARunThatIsCutOffWhileAFileIsReplaced(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "r")
	w := write(t, dir, clock.NewVirtual(noon))
	if err := errors.Join(w.Put("analysis/x.json", []byte("1")), w.Put("analysis/x.json", []byte("2")), w.Close()); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, record.LogFile)
	log, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	before, after, ok := bytes.Cut(log, []byte("analysis/x.json is being replaced"))
	end := bytes.IndexByte(after, '\n')
	if !ok || end < 0 {
		t.Fatalf("%s", log)
	}
	tear(t, path, int64(len(after)-end-1))
	if c := check(t, dir); !c.Whole {
		t.Errorf("%+v", c.Differences)
	}
	tear(t, path, int64(len(log)-len(after)+end+1-bytes.LastIndexByte(before, '\n')-1))
	if c := check(t, dir); c.Whole || !named(c, "analysis/x.json") {
		t.Errorf("before that, the new file is not the one that the log has: %+v", c)
	}
}

// A run that is cut off while it records keeps what had been recorded, torn end or not, and repairing says so.
func TestARecordingThatWasCutOffIsRecovered(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "r")
	w := write(t, dir, clock.NewVirtual(noon))
	day, err := w.Trace(supply("day"))
	if err != nil {
		t.Fatal(err)
	}
	feed(t, day, 7000)
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	tear(t, filepath.Join(dir, "traces", "day.raw"), 100)
	if _, err := trace.Open(filepath.Join(dir, record.TracesFolder), "day"); !errors.Is(err, trace.ErrUnfinished) {
		t.Errorf("opened: %v", err)
	}
	done, err := record.Repair(dir, "fourwire test", later)
	if err != nil || !slices.ContainsFunc(done, func(s string) bool { return strings.Contains(s, "trace day was cut off: 6000 samples were kept") }) {
		t.Fatalf("%q, %v", done, err)
	}
	if c := check(t, dir); !c.Whole {
		t.Errorf("%+v", c.Differences)
	}
	r, err := trace.Open(filepath.Join(dir, record.TracesFolder), "day")
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if s := r.Statement(); s.Complete || s.Received != 6000 || len(s.Why) != 2 || math.Abs(s.CoulombsReceived-6e-3) > 1e-12 {
		t.Errorf("%+v", s)
	}
}

// A run that ends without finishing its recording has it finished, as not complete.
func TestTheEndOfARunFinishesItsRecordings(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "r")
	w := write(t, dir, clock.NewVirtual(noon))
	day, err := w.Trace(supply("day"))
	if err != nil {
		t.Fatal(err)
	}
	feed(t, day, 3000)
	if err := w.Finish(record.End{Reason: "interrupted"}); err != nil {
		t.Fatal(err)
	}
	if c := check(t, dir); !c.Whole {
		t.Errorf("%+v", c.Differences)
	}
	r, err := trace.Open(filepath.Join(dir, record.TracesFolder), "day")
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if s := r.Statement(); s.Complete || s.Received != 3000 || len(s.Why) != 1 {
		t.Errorf("%+v", s)
	}
}

// A run that goes on may record again what it had begun; the earlier recording is kept. A run that does not go on never writes one over.
func TestARecordingIsNeverWrittenOver(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "r")
	w := write(t, dir, clock.NewVirtual(noon))
	for i := range 2 {
		day, err := w.Trace(supply("day"))
		if (err != nil) != (i > 0) {
			t.Fatal(err)
		}
		if err == nil {
			feed(t, day, 3000)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	for pass := 1; pass <= 2; pass++ {
		w, on := resumed(t, dir, clock.NewVirtual(later))
		if pass == 1 && !strings.Contains(strings.Join(on.Cut, "\n"), "3000 samples were kept") {
			t.Errorf("%q", on.Cut)
		}
		day, err := w.Trace(supply("day"))
		if err != nil {
			t.Fatal(err)
		}
		if _, err := w.Trace(supply("day")); err == nil {
			t.Error("one that is being recorded was begun again")
		}
		if c := check(t, dir); !c.Whole {
			t.Errorf("pass %d, begun again: %+v", pass, c.Differences)
		}
		feed(t, day, 4000)
		if err := w.FinishTrace(day, trace.Statement{Complete: true}); err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(w.Event(record.Event{Text: "still there"}), w.Close()); err != nil {
			t.Fatal(err)
		}
		if c := check(t, dir); !c.Whole {
			t.Errorf("pass %d: %+v", pass, c.Differences)
		}
		for n := 1; n <= pass; n++ {
			if _, err := os.Stat(filepath.Join(dir, "earlier", fmt.Sprintf("day-%d.parquet", n))); err != nil {
				t.Error(err)
			}
		}
	}
}

// Nothing that a run is told to keep can lie elsewhere than where such files belong, or stand for something else.
func TestWhatIsKeptStaysInItsFolders(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "r")
	w := write(t, dir, clock.NewVirtual(noon))
	for _, name := range []string{"", "x", "analysis", "analysis/", "analysis/../x", "analysis/a/b", "traces/x.json", "inputs/x", "../analysis/x", "analysis/x.part", "analysis/.x", `analysis/a\b`, "/analysis/x"} {
		if err := w.Put(name, nil); err == nil {
			t.Errorf("%q was kept", name)
		}
	}
	elsewhere := t.TempDir()
	if err := os.Symlink(elsewhere, filepath.Join(dir, "analysis")); err != nil {
		t.Skip(err)
	}
	var link *record.NotAFileError
	if err := w.Put("analysis/x", nil); !errors.As(err, &link) {
		t.Errorf("kept behind a link: %v", err)
	}
	if err := os.Symlink(elsewhere, filepath.Join(dir, "traces")); err != nil {
		t.Fatal(err)
	}
	if _, err := w.Trace(supply("day")); !errors.As(err, &link) {
		t.Errorf("recorded behind a link: %v", err)
	}
	if left, _ := os.ReadDir(elsewhere); len(left) > 0 {
		t.Errorf("%v was written elsewhere", left)
	}
	boom := errors.New("boom")
	if err := w.PutFrom("emulation/x.json", func(io.Writer) error { return boom }); !errors.Is(err, boom) {
		t.Error(err)
	}
	if _, err := os.Stat(filepath.Join(dir, "emulation", "x.json")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("half a file was kept: %v", err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
}

// Reports may have folders of their own, and nothing else may.
func TestReportsHaveAFolder(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "r")
	w := write(t, dir, clock.NewVirtual(noon))
	if err := w.Finish(record.End{}); err != nil {
		t.Fatal(err)
	}
	if err := record.Attach(dir, record.Attachment{Name: "report/day/3-17.js", Data: []byte("1")}, record.Attachment{Name: "report.html"}); err != nil {
		t.Fatal(err)
	}
	if c := check(t, dir); !c.Whole {
		t.Errorf("%+v", c.Differences)
	}
	for _, name := range []string{"report/../x", "report//x", "report/", "traces/day.json", "analysis/x", "inputs/x", "report/a/../../points.csv", "log.jsonl"} {
		if err := record.Attach(dir, record.Attachment{Name: name}); err == nil {
			t.Errorf("%q was attached", name)
		}
	}
}
