package terminal_test

import (
	"bytes"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"

	"fourwire/record"
	"fourwire/report"
	"fourwire/report/reporttest"
	"fourwire/report/terminal"
)

func readDrain(t *testing.T, o reporttest.Drain) *report.Report {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "r")
	if err := reporttest.WriteDrain(dir, o); err != nil {
		t.Fatal(err)
	}
	rec, err := record.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	return report.New(rec)
}

func TestBatteryIsToldInAFewLines(t *testing.T) {
	var b bytes.Buffer
	terminal.Show(terminal.Stream{To: &b}, readDrain(t, reporttest.Drain{Seconds: 1000, Gap: true}))
	for _, c := range b.Bytes() {
		if c != '\n' && (c < ' ' || c > '~') {
			t.Fatalf("byte %#x in a plain stream", c)
		}
	}
	text := strings.Join(strings.Fields(b.String()), " ")
	for _, want := range []string{
		"Current at node.supply (day) 979 997 samples, one every 1 ms, for 16 min 40 s Not complete: 20 003 of 1 000 000 samples are missing",
		"mean current (71.927 +/- 0.030) uA", "= 19.5800 uAh", "events: 17 in 16 min 40 s", "position fix ############# 54 %", "sleep 1.7 %",
		"Beacon on the lithium primary lasts 2.9 to 3.8 years, most likely about 3.4 years mostly depends on tolerance of the capacity",
		"against day of ../firmware-1.3: mean current 94.22 uA there, difference (-22.30 +/- 0.72) uA: better",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("lacks %q:\n%s", want, b.String())
		}
	}
}

func TestBatteryFitsTheWidth(t *testing.T) {
	r := readDrain(t, reporttest.Drain{Seconds: 130, Gap: true, Hostile: true})
	for width := 20; width <= 130; width += 5 {
		for _, unicode := range []bool{true, false} {
			var b bytes.Buffer
			terminal.Show(terminal.Stream{To: &b, Colour: true, Unicode: unicode, Width: func() int { return width }}, r)
			for _, line := range strings.Split(sgr.ReplaceAllString(b.String(), ""), "\n") {
				if n := utf8.RuneCountInString(line); n > width {
					t.Fatalf("width %d: %d columns: %q", width, n, line)
				}
				if strings.ContainsAny(line, "\x1b\r\a\b") {
					t.Fatalf("width %d: control characters in %q", width, line)
				}
			}
		}
	}
}
