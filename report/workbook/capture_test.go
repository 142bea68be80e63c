package workbook_test

import (
	"path/filepath"
	"strings"
	"testing"

	"fourwire/report/reporttest"
)

// The sheet of a capture has its figures, what limits its signals, and samples with time from the event.
func TestCaptureSheet(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "r")
	if err := reporttest.WriteCapture(dir, true); err != nil {
		t.Fatal(err)
	}
	_, _, f := openFolder(t, dir)
	rows, err := f.GetRows("Capture")
	if err != nil {
		t.Fatal(err)
	}
	all, first := "", ""
	for _, r := range rows {
		line := strings.Join(r, "|")
		all += line + "\n"
		if strings.HasPrefix(line, "from the event [s]") {
			first = "next"
		} else if first == "next" {
			first = r[0]
		}
	}
	for _, want := range []string{"transient of vo: droop|droop|", "it never comes back", "100 kHz", "vo [V]|least vo [V]|most vo [V]|io [A]"} {
		if !strings.Contains(all, want) {
			t.Errorf("the sheet does not say %q", want)
		}
	}
	if !strings.HasPrefix(first, "-9.9") && !strings.HasPrefix(first, "-0.0009") && !strings.HasPrefix(first, "-0.001") {
		t.Errorf("the first sample is at %s, and the event is 1 ms behind it", first)
	}
}
