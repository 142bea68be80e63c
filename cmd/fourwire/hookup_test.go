package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"fourwire/driver/hookup"
	"fourwire/record"
)

// patiently runs the program; where a busy machine kept it from beating in time, so that its guardian ended it, once more into the same folder.
func patiently(t *testing.T, reply string, args ...string) (text string, status int) {
	t.Helper()
	for range 3 {
		c := command(t, args...)
		c.Stdin = strings.NewReader(reply)
		out, _ := c.CombinedOutput() // the exit status says it
		if text, status = string(out), c.ProcessState.ExitCode(); status != exitSafety || !strings.Contains(text, "no beat for") {
			break
		}
		for i, a := range args {
			if a == "--out" {
				if err := os.RemoveAll(args[i+1]); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	return text, status
}

// Over real sockets the check names meters that are swapped; the run that follows does not begin.
func TestHookupOverSockets(t *testing.T) {
	t.Parallel()
	dir := changedBuoyOverSockets(t, func(dir string) {
		f, err := os.OpenFile(filepath.Join(dir, "buoy.scenario.yaml"), os.O_APPEND|os.O_WRONLY, 0)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		if _, err := f.WriteString("faults:\n  - {kind: swapped, channel: dmm-in, with: dmm-out}\n"); err != nil {
			t.Fatal(err)
		}
	}, "--pace", "max")
	c := command(t, "hookup", filepath.Join(dir, "lan.yaml"), "--yes", "--json")
	out, _ := c.Output() // the exit status is looked at below
	if c.ProcessState.ExitCode() != exitBench {
		t.Errorf("exit %d\n%s", c.ProcessState.ExitCode(), out)
	}
	var rep hookup.Report
	if err := json.Unmarshal(out, &rep); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	if len(rep.Faults) != 1 || rep.Faults[0].Kind != hookup.Swapped || rep.Faults[0].Channel != "dmm-in" || rep.Faults[0].Other != "dmm-out" {
		t.Errorf("faults %+v", rep.Faults)
	}
	c = command(t, "run", filepath.Join(dir, "no-load.yaml"), "--bench", filepath.Join(dir, "lan.yaml"), "--out", filepath.Join(dir, "record"), "--quiet", "--yes")
	text, _ := c.CombinedOutput()
	if c.ProcessState.ExitCode() != exitBench || !strings.Contains(string(text), "dmm-in and dmm-out are swapped") {
		t.Errorf("run: exit %d\n%s", c.ProcessState.ExitCode(), text)
	}
	if rec, err := record.Open(filepath.Join(dir, "record")); err != nil || len(rec.Rows) != 0 {
		t.Errorf("a run on a bench that is wired wrongly has points: %v", err)
	}
}

// The first run of a day checks the hook-up, the next one finds it checked, one that is told not to does not; each record says so.
func TestTheFirstRunOfADayChecksTheHookup(t *testing.T) {
	t.Parallel()
	dir := buoyOverSockets(t, "--pace", "max")
	for i, c := range []struct{ flag, want string }{
		{"--yes", "the hook-up is right as far as it can be told"},
		{"--yes", "was found right today"},
		{"--no-hookup", "the hook-up was not checked: --no-hookup"},
	} {
		out := filepath.Join(dir, "record", string(rune('a'+i)))
		text, status := patiently(t, "", "run", filepath.Join(dir, "no-load.yaml"), "--bench", filepath.Join(dir, "lan.yaml"), "--out", out, "--quiet", "--yes", c.flag)
		if status != exitPass {
			t.Fatalf("exit %d\n%s", status, text)
		}
		log, err := os.ReadFile(filepath.Join(out, "log.jsonl"))
		if err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(string(log), c.want) {
			t.Errorf("run %d: %q is not in its log", i+1, c.want)
		}
	}
}

// What is dangerous to touch is acknowledged by name; --yes does not do that.
func TestTouchIsAcknowledgedByName(t *testing.T) {
	t.Parallel()
	dir := buoyOverSockets(t, "--pace", "max")
	lan := filepath.Join(dir, "lan.yaml")
	text, err := os.ReadFile(lan)
	if err != nil {
		t.Fatal(err)
	}
	// the levels of this bench lie low enough for 12 V to need it
	if err := os.WriteFile(lan, append(text, "touch: {caution: 5 V, warn: 10 V}\n"...), 0o644); err != nil {
		t.Fatal(err)
	}
	run := func(name, reply string, flags ...string) (string, int) {
		return patiently(t, reply, append([]string{"run", filepath.Join(dir, "no-load.yaml"), "--bench", lan, "--out", filepath.Join(dir, name), "--quiet", "--no-hookup"}, flags...)...)
	}
	if out, status := run("a", "", "--yes"); status != exitBench || !strings.Contains(out, "was not acknowledged; nothing was switched on") {
		t.Errorf("--yes alone: exit %d\n%s", status, out)
	}
	if out, status := run("b", "y\n\n"); status != exitBench || !strings.Contains(out, "WARNING: up to") {
		t.Errorf("no name: exit %d\n%s", status, out)
	}
	for name, flags := range map[string][]string{"c": {"--yes", "--acknowledge", "A. Keeper"}, "d": nil} {
		if out, status := run(name, "y\nA. Keeper\n", flags...); status != exitPass {
			t.Errorf("%v: exit %d\n%s", flags, status, out)
		}
		log, err := os.ReadFile(filepath.Join(dir, name, "log.jsonl"))
		if err != nil || !strings.Contains(string(log), "A. Keeper acknowledged: up to") {
			t.Errorf("%v: the acknowledgement is not in the log: %v", flags, err)
		}
	}
}
