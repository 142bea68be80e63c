package e2e

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"fourwire/record"
	"fourwire/record/trace"
)

// What people and benches do wrong with recordings, by the command: it ends with the status that says which kind of wrong it is, what has
// been recorded is kept and marked, and the message says what to do.
func TestRecordingsGoWrong(t *testing.T) {
	for _, c := range []struct {
		name      string
		sequence  func(string) string
		scenario  string // faults
		args      []string
		interrupt string // Ctrl-C when this is said
		exit      int
		says      []string
		trace     string // what its statement says; empty: there is no trace
	}{
		{name: "the unit is unplugged in the middle", scenario: "{kind: link-refused, instrument: smu-a, at: 10 min}", args: []string{"--set", "time=1 h"}, exit: 5,
			says: []string{"smu-a"}, trace: "ended early"},
		{name: "the unit loses its connection in the middle", scenario: "{kind: link-drops, instrument: smu-a, at: 10 min}", args: []string{"--set", "time=1 h"}, exit: 4,
			says: []string{"smu-a"}, trace: "ended early"},
		{name: "its power fails in the middle", scenario: "{kind: reboots, instrument: smu-a, at: 10 min}", args: []string{"--set", "time=1 h"}, exit: 4,
			says: []string{"smu-a"}, trace: "ended early"},
		{name: "Ctrl-C in the middle", args: []string{"--set", "time=24 h"}, interrupt: "day: ", exit: 130, says: []string{"interrupt"}, trace: "ended early: broken off: interrupted"},
		{name: "more than the disk holds", args: []string{"--set", "time=200000 h"}, exit: 4, says: []string{"make room, or record for a shorter time"}},
		{name: "a voltage for a time", sequence: func(text string) string { return strings.Replace(text, "    every: 1 ms\n", "    every: 1 V\n", 1) }, exit: 3,
			says: []string{"day.yaml:21", "1 V"}},
		{name: "longer than anybody waits", args: []string{"--set", "time=1e30 s"}, exit: 3, says: []string{"time"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			dir := beaconCopy(t, map[string]func(string) string{
				"beacon.scenario.yaml": func(text string) string {
					if c.scenario != "" {
						text += "\nfaults:\n  - " + c.scenario + "\n"
					}
					return text
				},
			})
			text, err := os.ReadFile(filepath.Join(dir, "drain-day.yaml"))
			if err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(filepath.Join(dir, "day.yaml"), through(c.sequence, string(text)), 0o644); err != nil {
				t.Fatal(err)
			}
			out := filepath.Join(dir, "record")
			asked := false
			d := fourwire(t, func(line string, p *os.Process) {
				if c.interrupt != "" && !asked && strings.Contains(line, c.interrupt) {
					asked = true
					_ = p.Signal(os.Interrupt)
				}
			}, append([]string{"run", filepath.Join(dir, "day.yaml"), "--out", out}, c.args...)...)
			said := unfolded(d.out + d.err)
			t.Logf("exit %d: %s", d.exit, unfolded(d.err))
			if d.exit != c.exit {
				t.Errorf("exit %d, want %d", d.exit, c.exit)
			}
			for _, text := range c.says {
				if !strings.Contains(said, text) {
					t.Errorf("it does not say %q", text)
				}
			}
			if c.trace == "" {
				if names, err := trace.Names(filepath.Join(out, record.TracesFolder)); err == nil && len(names) > 0 {
					t.Errorf("there are traces: %v", names)
				}
				if c.exit == 4 && strings.Contains(said, "is still at") {
					t.Error("it was switched on before its disk was looked at")
				}
				return
			}
			tr, err := trace.Open(filepath.Join(out, record.TracesFolder), "day")
			if err != nil {
				t.Fatal(err)
			}
			defer tr.Close()
			st := tr.Statement()
			if why := strings.Join(st.Why, "; "); st.Complete || !strings.Contains(why, c.trace) || st.Received < 1000 {
				t.Errorf("%d samples, complete %v: %s", st.Received, st.Complete, why)
			}
			checked, err := record.Check(out)
			if err != nil || !checked.Whole {
				t.Errorf("the record: %+v, %v", checked, err)
			}
			if z := fourwire(t, nil, "zoom", out, "day"); z.exit != 0 || !strings.Contains(z.out, "not complete") {
				t.Errorf("zoom: exit %d, %s%s", z.exit, z.out, z.err)
			}
			if c.exit == 5 {
				return
			}
			if !strings.Contains(said, "every output is off") && !strings.Contains(said, "smu-a off") {
				t.Error("it does not say that every output is off")
			}
		})
	}
}

// A folder that is no record, and a record that is not one of a recording.
func TestNoRecordToLookInto(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "notes.txt"), []byte("no record\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{{"zoom", dir, "day"}, {"drain", dir, "day"}, {"report", dir}, {"drain", filepath.Join(dir, "notes.txt"), "day"}, {"zoom", filepath.Join(dir, "nowhere"), "day"}} {
		d := fourwire(t, nil, args...)
		if d.exit != 3 || !strings.Contains(d.err, "record") || strings.Contains(d.err, "goroutine") || d.out != "" {
			t.Errorf("%v: exit %d, %s%s", args, d.exit, d.out, d.err)
		}
		t.Logf("%v: %s", args[0], unfolded(d.err))
	}
}
