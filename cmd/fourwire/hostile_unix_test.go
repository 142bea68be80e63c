//go:build unix

package main

import (
	"bytes"
	"io"
	"path/filepath"
	"testing"

	"github.com/creack/pty"
)

// On a real terminal the view's own escape sequences are there, and none of an instrument.
func TestHostileTextOnATerminal(t *testing.T) {
	t.Parallel()
	dir := hostileBuoy(t)
	c := command(t, "run", filepath.Join(dir, "efficiency.yaml"), "--out", filepath.Join(dir, "record"))
	terminal, err := pty.StartWithSize(c, &pty.Winsize{Rows: 40, Cols: 120})
	if err != nil {
		t.Skipf("no terminal here: %v", err)
	}
	defer terminal.Close()
	said, _ := io.ReadAll(terminal) // it ends with an error when the other end has gone
	_ = c.Wait()                    // the exit status is looked at below
	if c.ProcessState.ExitCode() != exitBench || !bytes.Contains(said, []byte("-330")) || !bytes.Contains(said, []byte("\x1b[")) {
		t.Fatalf("exit %d\n%q", c.ProcessState.ExitCode(), said)
	}
	for _, bad := range []string{"\x1b]", "owned\x07", "\x1b[2J", "\x1b[31m ../../pwned", "\u202e"} {
		if i := bytes.Index(said, []byte(bad)); i >= 0 {
			t.Errorf("%q reaches the terminal: %q", bad, said[max(0, i-40):min(len(said), i+40)])
		}
	}
}
