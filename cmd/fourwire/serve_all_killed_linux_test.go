package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"fourwire/daemon/api"
)

// childrenOf lists the processes that a process has started.
func childrenOf(t *testing.T, parent int) []int {
	t.Helper()
	entries, err := filepath.Glob("/proc/[0-9]*/stat")
	if err != nil {
		t.Fatal(err)
	}
	var out []int
	for _, path := range entries {
		text, err := os.ReadFile(path)
		if err != nil {
			continue // it has ended
		}
		_, rest, _ := strings.Cut(string(text), ") ")
		fields := strings.Fields(rest)
		if len(fields) > 1 && fields[1] == strconv.Itoa(parent) {
			pid, err := strconv.Atoi(filepath.Base(filepath.Dir(path)))
			if err != nil {
				t.Fatal(err)
			}
			out = append(out, pid)
		}
	}
	return out
}

// Daemon, run and guardian are all killed at once, as when the computer loses its power: the outputs stay on. The daemon that starts again switches them
// off before it does anything else, and says that the job was interrupted.
func TestEverythingKilled(t *testing.T) {
	events := filepath.Join(t.TempDir(), "events.jsonl")
	dir := buoyOverSockets(t, "--pace", "5", "--events", events)
	lan := filepath.Join(dir, "lan.yaml")
	d := startDaemon(t, lan, "--armed")
	id := d.submit(api.Submission{Sequence: "efficiency.yaml", NoHookup: true})
	next := d.submit(shortSweep)
	d.watch("none", func(e api.Event) bool { return e.Kind == "point" })
	runs := childrenOf(t, d.cmd.Process.Pid)
	if len(runs) != 1 {
		t.Fatalf("the daemon has the processes %v", runs)
	}
	guardians := childrenOf(t, runs[0])
	if len(guardians) != 1 {
		t.Fatalf("the run has the processes %v", guardians)
	}
	for _, end := range []struct {
		pid    int
		signal syscall.Signal
	}{{runs[0], syscall.SIGSTOP}, {guardians[0], syscall.SIGKILL}, {runs[0], syscall.SIGKILL}, {d.cmd.Process.Pid, syscall.SIGKILL}} {
		if err := syscall.Kill(end.pid, end.signal); err != nil {
			t.Fatalf("process %d: %v", end.pid, err)
		}
	}
	_ = d.cmd.Wait() // it was killed
	if on := switches(t, events); !on["feed-psu.1"] || !on["sink.1"] {
		t.Fatalf("the bench is off already: %v", on)
	}
	d = startDaemon(t, lan)
	j := d.until(id, over)
	mustBeOff(t, events, "once the job is said to be interrupted")
	if j.State != api.Interrupted || !strings.Contains(j.Reason, "every output is off") || !j.Resumable {
		t.Errorf("%+v", j)
	}
	var b api.Bench
	d.ask("GET", "/api/bench", nil, &b, 200)
	if b.LastOff == nil || !b.LastOff.Safe || len(b.LastOff.Off) != 2 || b.Outputs != "off" || b.Queue.Queued != 1 {
		t.Errorf("the bench: %+v", b)
	}
	d.ask("POST", "/api/arm", api.Arming{Armed: true}, nil, 200)
	if j := d.until(next, over); j.State != api.Done {
		t.Errorf("the one behind it: %s", fmt.Sprint(j.State, " ", j.Reason))
	}
}
