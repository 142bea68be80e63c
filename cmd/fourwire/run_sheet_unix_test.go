//go:build unix

package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"fourwire/record"
)

// outcomeOf runs a command with some input and gives its exit status and what it said.
func outcomeOf(t *testing.T, c *exec.Cmd, input string) (int, string) {
	t.Helper()
	var said bytes.Buffer
	c.Stdin, c.Stdout, c.Stderr = strings.NewReader(input), &said, &said
	err := c.Run()
	var exit *exec.ExitError
	switch {
	case err == nil:
		return 0, said.String()
	case errors.As(err, &exit):
		return exit.ExitCode(), said.String()
	}
	t.Fatal(err)
	return 0, ""
}

// Ctrl-C in the middle of a sheet stops the run that goes on and begins no other; the copy has what there is, and the same command goes on
// until every row has a whole record, none run twice.
func TestSheetInterrupted(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	if err := os.CopyFS(dir, os.DirFS(filepath.Join("..", "..", "examples", "buoy"))); err != nil {
		t.Fatal(err)
	}
	const rows = 5
	var b strings.Builder
	b.WriteString("vin [V],iout [A]\n")
	for i := range rows {
		fmt.Fprintf(&b, "12,%g\n", 0.5+0.1*float64(i))
	}
	file, out := filepath.Join(dir, "many.csv"), filepath.Join(dir, "out")
	if err := os.WriteFile(file, []byte(b.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	args := []string{"run", filepath.Join(dir, "operating-point.yaml"), "--sheet", file, "--out", out, "--quiet"}
	c := command(t, args...)
	var said bytes.Buffer
	c.Stdout, c.Stderr = &said, &said
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	for second := filepath.Join(out, "row-003"); ; {
		if _, err := os.Stat(second); err == nil {
			break
		}
		pause(t, time.Millisecond)
	}
	if err := c.Process.Signal(syscall.SIGINT); err != nil {
		t.Fatal(err)
	}
	var exit *exec.ExitError
	if err := c.Wait(); !errors.As(err, &exit) || exit.ExitCode() != 130 {
		t.Fatalf("%v, exit status 130 is wanted\n%s", err, &said)
	}
	results := filepath.Join(out, "many-results.csv")
	text, err := os.ReadFile(results)
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(text), ",pass,") || !strings.Contains(string(text), ",not run,the sheet ended before: ") || strings.Count(string(text), "\n") != rows+1 {
		t.Errorf("%s", text)
	}
	if !strings.Contains(said.String(), "--sheet-continue goes on") {
		t.Errorf("%s", &said)
	}
	ids := recordIDs(t, out)
	if len(ids) < 1 || len(ids) >= rows {
		t.Fatalf("%d records when it was interrupted", len(ids))
	}
	status, words := outcomeOf(t, command(t, append(args, "--sheet-continue")...), "")
	if status != 0 {
		t.Fatalf("exit status %d\n%s", status, words)
	}
	after := recordIDs(t, out)
	if len(after) != rows {
		t.Errorf("%d records for %d rows", len(after), rows)
	}
	for name, id := range ids {
		if after[name] != id {
			t.Errorf("%s was run again", name)
		}
	}
	if text, err = os.ReadFile(results); err != nil || strings.Count(string(text), ",pass,") != rows {
		t.Errorf("%v\n%s", err, text)
	}
	// with other parameters in a row its record is not taken for it
	changed := strings.Replace(b.String(), "12,0.5\n", "13,0.5\n", 1)
	if err := os.WriteFile(file, []byte(changed), 0o600); err != nil {
		t.Fatal(err)
	}
	if status, words := outcomeOf(t, command(t, append(args, "--sheet-continue")...), ""); status != 3 || !strings.Contains(words, "other parameters than row 2") {
		t.Errorf("exit status %d\n%s", status, words)
	}
}

// recordIDs are the ids of the records of rows that have points, each of which must be whole or stopped in order. What was put aside has none.
func recordIDs(t *testing.T, out string) map[string]string {
	t.Helper()
	folders, err := filepath.Glob(filepath.Join(out, "row-*"))
	if err != nil {
		t.Fatal(err)
	}
	ids := map[string]string{}
	for _, dir := range folders {
		rec, err := record.Open(dir)
		if err != nil || !rec.Finished {
			t.Fatalf("%s: %v", dir, err)
		}
		if len(rec.Rows) == 0 {
			continue
		}
		ids[filepath.Base(dir)] = rec.ID + rec.Started.String()
	}
	return ids
}
