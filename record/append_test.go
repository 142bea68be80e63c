package record_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"fourwire/internal/clock"
	"fourwire/record"
)

// Whatever the first process left half written, what the second one appends is whole, and a reader finds both.
func TestAnotherProcessAppendsToTheLog(t *testing.T) {
	for _, torn := range []string{"", `{"level":"info","ti`} {
		dir := filepath.Join(t.TempDir(), "r")
		c := clock.NewVirtual(time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC))
		w, err := record.Create(dir, record.Start{Title: "cut off", Clock: c})
		if err != nil {
			t.Fatal(err)
		}
		if err := w.Close(); err != nil { // killed
			t.Fatal(err)
		}
		f, err := os.OpenFile(filepath.Join(dir, record.LogFile), os.O_APPEND|os.O_WRONLY, 0)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := f.WriteString(torn); err != nil {
			t.Fatal(err)
		}
		_ = f.Close()
		_ = c.Sleep(t.Context(), 3*time.Second)
		l, err := record.OpenLog(dir, c)
		if err != nil {
			t.Fatal(err)
		}
		if err := l.Event(record.Event{Level: "warn", Kind: "guardian", Text: "feed off"}); err != nil {
			t.Fatal(err)
		}
		if err := l.Close(); err != nil {
			t.Fatal(err)
		}
		r, err := record.Open(dir)
		if err != nil {
			t.Fatal(err)
		}
		last := r.Log[len(r.Log)-1]
		if last.Kind != "guardian" || last.Text != "feed off" || last.At != 3*time.Second {
			t.Errorf("torn %q: the last line is %+v", torn, last)
		}
		problems := strings.Join(r.Problems, "\n")
		if strings.Contains(problems, record.LogFile+":2") != (torn != "") {
			t.Errorf("torn %q: %s", torn, problems)
		}
	}
	if _, err := record.OpenLog(t.TempDir(), nil); err == nil {
		t.Error("a folder without a log was taken for a record")
	}
}
