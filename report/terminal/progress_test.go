package terminal_test

import (
	"bytes"
	"fmt"
	"strings"
	"testing"

	"fourwire/report/terminal"
)

// Where nobody can rewrite a line, a long recording writes ten, and the next one ten more.
func TestProgressInPlainLines(t *testing.T) {
	var out bytes.Buffer
	v := terminal.New(terminal.Options{Progress: terminal.Stream{To: &out}})
	for range 2 {
		for k := range 201 {
			v.Progress(fmt.Sprintf("day: %d of 200", k), float64(k)/200)
		}
	}
	if lines := strings.Split(strings.TrimSpace(out.String()), "\n"); len(lines) != 20 || lines[0] != "day: 20 of 200" || lines[19] != "day: 200 of 200" {
		t.Errorf("%q", lines)
	}
}

// On a terminal it is one line, which the next thing to say takes away.
func TestProgressOnALiveLine(t *testing.T) {
	var out bytes.Buffer
	v := terminal.New(terminal.Options{Progress: terminal.Stream{To: &out, Live: true}})
	v.Progress("day: 1 h of 24 h", 1./24)
	v.Note("info", "every output is off")
	if text := out.String(); strings.Count(text, "\n") != 1 || !strings.Contains(text, "day: 1 h of 24 h\r\x1b[2K") {
		t.Errorf("%q", text)
	}
}
