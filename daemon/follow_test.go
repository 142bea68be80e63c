package daemon

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// Whatever a run writes into its points, in whatever pieces: the daemon reads what a table has, makes nothing up, and can tell all of it as JSON.
func FuzzPoints(f *testing.F) {
	f.Add([]byte("point,time_s,vin [V],U(vin) [V],status,why\n1,0.5,12,0.001,ok,\n2,0.7,NaN,Inf,invalid,\"a, b\"\n"), 7)
	f.Add([]byte("point,x\n1,2\n1,2,3\nrubbish\n\"\n3,4\n"), 1)
	f.Add([]byte("\n\npoint\n"), 0)
	f.Fuzz(func(t *testing.T, text []byte, cut int) {
		if len(text) > 1<<14 {
			return
		}
		whole := rows(t, text, len(text))
		if parts := rows(t, text, cut); !bytes.Equal(whole, parts) {
			t.Fatalf("in pieces %s, at once %s", parts, whole)
		}
	})
}

// rows reads a table that is written in two pieces, and gives its points as JSON.
func rows(t *testing.T, text []byte, cut int) []byte {
	t.Helper()
	cut = min(max(cut, 0), len(text))
	file := filepath.Join(t.TempDir(), "points.csv")
	g := &grower{path: file}
	defer g.close()
	if g.lines() != nil {
		t.Fatal("there is no file yet")
	}
	var table pointTable
	var out []byte
	for _, piece := range [][]byte{text[:cut], text[cut:]} {
		w, err := os.OpenFile(file, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := w.Write(piece); err != nil {
			t.Fatal(err)
		}
		w.Close()
		for _, line := range g.lines() {
			p, ok := table.row(line)
			if !ok {
				continue
			}
			if len(p.Values) > len(table.header) {
				t.Fatalf("%d values in a table of %d columns", len(p.Values), len(table.header))
			}
			data, err := json.Marshal(p)
			if err != nil {
				t.Fatalf("%+v cannot be told: %v", p, err)
			}
			out = append(append(out, data...), '\n')
		}
	}
	return out
}

// A line of a log is read or it is none; an output is on or off, of a role that the line names.
func FuzzLog(f *testing.F) {
	f.Add([]byte(`{"level":"info","kind":"output","message":"feed on: 12 V, at most 2.5 A","time":"2026-03-01T08:00:00Z"}`))
	f.Add([]byte(`{"level":"info","kind":"output","message":"sink off"}`))
	f.Add([]byte(`{"message":5}`))
	f.Add([]byte(`{"message":"","kind":"output"`))
	f.Fuzz(func(t *testing.T, line []byte) {
		e, ok := readLog(line)
		if ok && e.Message == "" {
			t.Fatal("a message without text")
		}
		role, on, what, ok := readOutput(e.Message)
		if !ok {
			return
		}
		word := " off"
		if on {
			word = " on"
		}
		if !strings.HasPrefix(e.Message, role+word) || strings.Contains(role, " ") || !strings.HasSuffix(e.Message, what) {
			t.Fatalf("%q is read as role %q, on %v, %q", e.Message, role, on, what)
		}
	})
}

// What the daemon keeps of what a run says is its end, and the last error and hints of it.
func TestLastWords(t *testing.T) {
	said := &tail{most: 200}
	for range 100 {
		_, _ = said.Write([]byte("a line that nobody needs\n"))
	}
	_, _ = said.Write([]byte("fourwire: feed-psu does not answer\nfourwire: hint: is it switched on?\nfourwire: hint: is its cord in?\n"))
	if n := len(said.String()); n > 200 {
		t.Errorf("%d bytes are kept", n)
	}
	if reason, hint := lastWords(said.String()); reason != "feed-psu does not answer" || hint != "is it switched on?\nis its cord in?" {
		t.Errorf("%q, %q", reason, hint)
	}
	if reason, hint := lastWords("panic: no\n\ngoroutine 1"); reason != "panic: no" || hint != "" {
		t.Errorf("%q, %q", reason, hint)
	}
}
