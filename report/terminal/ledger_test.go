package terminal_test

import (
	"strings"
	"testing"

	"fourwire/report"
	"fourwire/report/reporttest"
	"fourwire/report/terminal"
)

// Where the time went takes two lines of a usual terminal, and breaks on a narrow one.
func TestTimeInTheTerminal(t *testing.T) {
	var b strings.Builder
	terminal.Show(terminal.Stream{To: &b, Width: func() int { return 100 }}, report.New(read(t, reporttest.Options{Time: true})))
	want := "\ntime 62.3 s: fixed wait 80 %, processing 8.8 %, aperture 3.6 %, settle 2.4 %, host 1.6 %\n" +
		"  without the 500 ms wait at line 23 the run takes 12.3 s instead of 62.3 s\n"
	if !strings.Contains(b.String(), want) {
		t.Errorf("%q is not in\n%s", want, b.String())
	}
	b.Reset()
	terminal.Show(terminal.Stream{To: &b}, report.New(read(t, reporttest.Options{})))
	if strings.Contains(b.String(), "time ") {
		t.Errorf("a record without an account:\n%s", b.String())
	}
}
