package record_test

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"fourwire/internal/clock"
	"fourwire/internal/ledger"
	"fourwire/record"
)

func spansOf(t *testing.T, dir string) *record.TimeLedger {
	t.Helper()
	got, err := record.ReadLedger(dir)
	if err != nil || got == nil {
		t.Fatalf("%v, %v", got, err)
	}
	return got
}

// An account comes back as it was, and is among the files whose hashes are checked.
func TestLedgerIsKept(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "record")
	w, err := record.Create(dir, record.Start{Tool: "test", Title: "t"})
	if err != nil {
		t.Fatal(err)
	}
	wire := 1e-3
	in := record.TimeLedger{WallSeconds: 3, Covers: []record.LedgerPart{{WallSeconds: 3}}, Steps: map[string]string{"a.yaml:3:5": "wait 1 s"},
		Spans:       []ledger.Span{{Kind: ledger.Processing, Instrument: "dmm", Step: "a.yaml:4:5", Count: 3, Seconds: 2}, {Kind: ledger.FixedWait, Step: "a.yaml:3:5", Count: 1, Seconds: 1}},
		Instruments: map[string]record.InstrumentTimes{"dmm": {Wire: &wire, Queries: 2}}, Predicted: []record.PredictedTime{{Kind: ledger.FixedWait, Seconds: 1}}}
	if err := w.PutLedger(in); err != nil {
		t.Fatal(err)
	}
	if err := w.Finish(record.End{}); err != nil {
		t.Fatal(err)
	}
	in.Format = "ledger/1"
	if d := cmp.Diff(&in, spansOf(t, dir)); d != "" {
		t.Error(d)
	}
	if c, err := record.Check(dir); err != nil || len(c.Differences) > 0 {
		t.Errorf("%v %v", err, c.Differences)
	}
	path := filepath.Join(dir, record.LedgerFile)
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(strings.Replace(string(data), `"seconds": 1`, `"seconds": 2`, 1)), 0o666); err != nil {
		t.Fatal(err)
	}
	if c, err := record.Check(dir); err != nil || len(c.Differences) == 0 {
		t.Errorf("nobody sees that the account was changed: %v", err)
	}
	if _, err := record.ReadLedger(dir); err == nil || !strings.Contains(err.Error(), "does not add up") {
		t.Errorf("an account that does not add up: %v", err)
	}
}

// A run that goes on adds its time to what there is, says what it covers, and says where an earlier part left nothing.
func TestLedgerOfARunThatGoesOn(t *testing.T) {
	for _, kept := range []bool{true, false} {
		c := clock.NewVirtual(time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC))
		dir := filepath.Join(t.TempDir(), "record")
		w, err := record.Create(dir, record.Start{Tool: "test", Title: "t", Clock: c})
		if err != nil {
			t.Fatal(err)
		}
		if kept {
			err = w.PutLedger(record.TimeLedger{WallSeconds: 3, Covers: []record.LedgerPart{{WallSeconds: 3}},
				Spans: []ledger.Span{{Kind: ledger.Host, Count: 1, Seconds: 1}, {Kind: ledger.Range, Instrument: "dmm", Count: 2, Seconds: 2}}})
		}
		if err != nil {
			t.Fatal(err)
		}
		if err := w.Finish(record.End{Reason: "interrupted"}); err != nil {
			t.Fatal(err)
		}
		again, _, err := record.Resume(dir, "test", c, nil)
		if err != nil {
			t.Fatal(err)
		}
		if err := again.PutLedger(record.TimeLedger{WallSeconds: 5, Covers: []record.LedgerPart{{WallSeconds: 5, After: 7}},
			Spans: []ledger.Span{{Kind: ledger.Range, Instrument: "dmm", Count: 4, Seconds: 4}, {Kind: ledger.Settle, Count: 1, Seconds: 1}}}); err != nil {
			t.Fatal(err)
		}
		if err := again.Finish(record.End{}); err != nil {
			t.Fatal(err)
		}
		got := spansOf(t, dir)
		want := []ledger.Span{{Kind: ledger.Range, Instrument: "dmm", Count: 6, Seconds: 6}, {Kind: ledger.Host, Count: 1, Seconds: 1}, {Kind: ledger.Settle, Count: 1, Seconds: 1}}
		wall, covers, missing := 8.0, 2, 0
		if !kept {
			want = []ledger.Span{{Kind: ledger.Range, Instrument: "dmm", Count: 4, Seconds: 4}, {Kind: ledger.Settle, Count: 1, Seconds: 1}}
			wall, covers, missing = 5, 1, 1
		}
		if d := cmp.Diff(want, got.Spans); d != "" {
			t.Error(d)
		}
		if got.WallSeconds != wall || len(got.Covers) != covers || got.Missing != missing || got.Covers[covers-1].After != 7 {
			t.Errorf("with an earlier account %v: %+v", kept, got)
		}
		if checked, err := record.Check(dir); err != nil || len(checked.Differences) > 0 {
			t.Errorf("%v %v", err, checked.Differences)
		}
	}
}

// Whatever stands in the file, reading it gives an account that adds up, or an error.
func FuzzReadLedger(f *testing.F) {
	for _, text := range []string{"", "{}", `{"fourwire":"ledger/1"}`, `{"fourwire":"ledger/2","wall_s":1}`, `{"fourwire":"ledger/1","wall_s":1,"spans":[{"kind":"host","seconds":1}]}`,
		`{"fourwire":"ledger/1","wall_s":-1}`, `{"fourwire":"ledger/1","wall_s":1e308,"spans":[{"kind":"host","seconds":1e308},{"kind":"settle","seconds":1e308}]}`,
		`{"fourwire":"ledger/1","wall_s":1,"spans":[{"kind":"","seconds":1}]}`, `{"fourwire":"ledger/1","spans":[{"kind":"a","seconds":-1},{"kind":"b","seconds":1}]}`} {
		f.Add(text)
	}
	dir := f.TempDir()
	f.Fuzz(func(t *testing.T, text string) {
		if err := os.WriteFile(filepath.Join(dir, record.LedgerFile), []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
		got, err := record.ReadLedger(dir)
		if err != nil {
			return
		}
		sum := 0.0
		for _, s := range got.Spans {
			if s.Seconds < 0 || s.Count < 0 {
				t.Errorf("a span that cannot be: %+v", s)
			}
			sum += s.Seconds
		}
		if math.IsInf(sum, 0) || got.WallSeconds < 0 || math.Abs(sum-got.WallSeconds) > 0.01*got.WallSeconds+1e-6 {
			t.Errorf("%v s of %v s", sum, got.WallSeconds)
		}
	})
}

func ExampleReadLedger() {
	dir, err := os.MkdirTemp("", "record")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(dir)
	account := `{"fourwire": "ledger/1", "wall_s": 2.5, "spans": [
		{"kind": "settle", "step": "line.yaml:9:5", "count": 4, "seconds": 2}, {"kind": "host", "count": 0, "seconds": 0.5}]}`
	if err := os.WriteFile(filepath.Join(dir, record.LedgerFile), []byte(account), 0o666); err != nil {
		fmt.Println(err)
		return
	}
	t, err := record.ReadLedger(dir)
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, s := range t.Spans {
		fmt.Printf("%s %.0f %%\n", s.Kind, 100*s.Seconds/t.WallSeconds)
	}
	// Output:
	// settle 80 %
	// host 20 %
}
