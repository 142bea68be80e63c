package terminal_test

import (
	"bytes"
	"fmt"
	"io"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"fourwire/internal/clock"
	"fourwire/record"
	"fourwire/report"
	"fourwire/report/reporttest"
	"fourwire/report/terminal"
)

func read(t *testing.T, o reporttest.Options) *record.Record {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "r")
	if err := reporttest.Write(dir, o); err != nil {
		t.Fatal(err)
	}
	rec, err := record.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	return rec
}

// play shows a whole run, half a second per point on the clock of whoever watches; between is called after each point.
func play(t *testing.T, rec *record.Record, progress, results terminal.Stream, between func(point int)) {
	t.Helper()
	c := clock.NewVirtual(time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC))
	v := terminal.New(terminal.Options{Progress: progress, Results: results, Clock: c})
	v.Start(rec.Start, rec.Columns, rec.Planned)
	k := 0
	for _, p := range rec.Rows {
		if err := c.Sleep(t.Context(), 500*time.Millisecond); err != nil {
			t.Fatal(err)
		}
		v.Point(p)
		for ; k < len(rec.Verdicts) && rec.Verdicts[k].Point == p.Number; k++ {
			v.Verdict(rec.Verdicts[k])
		}
		if p.Number == 30 {
			v.Note("warn", reporttest.HostileText)
		}
		between(p.Number)
	}
	v.End(report.New(rec))
}

func nothing(int) {}

func TestPlainStreamsArePlain(t *testing.T) {
	var progress, results bytes.Buffer
	play(t, read(t, reporttest.Options{Mixed: true, Hostile: true}), terminal.Stream{To: &progress}, terminal.Stream{To: &results}, nothing)
	for name, b := range map[string][]byte{"progress": progress.Bytes(), "results": results.Bytes()} {
		for i, c := range b {
			if c != '\n' && (c < ' ' || c > '~') {
				t.Fatalf("%s: byte %#x after %q", name, c, b[max(0, i-40):i])
			}
		}
	}
	for _, want := range []string{
		"vin = 9 V: 20 points in 6.7 s, efficiency 74.46..93.14 %, 2 to read with care",
		"fail      loss <= 1.32 W at point 60 (vin = 16 V, iout = 3 A): (1.405 +/-\n",
		"vin = 16 V: 20 points in 6.7 s, efficiency 65.83..91.97 %, 1 failed",
	} {
		if !strings.Contains(progress.String(), want) {
			t.Errorf("progress lacks %q:\n%s", want, progress.String())
		}
	}
	if n := strings.Count(progress.String(), "\n"); n > 12 {
		t.Errorf("%d lines of progress for three values of the outer sweep:\n%s", n, progress.String())
	}
	for _, want := range []string{"FAIL  1 of 4 limits failed", "best_efficiency = (93.14 +/- 0.10) %", "efficiency [%]", "o vin = 9 V   # vin = 12 V   ^ vin = 16 V"} {
		if !strings.Contains(results.String(), want) {
			t.Errorf("results lack %q:\n%s", want, results.String())
		}
	}
}

var sgr = regexp.MustCompile("\x1b\\[[0-9;]*m")

// Results must fit any window from 20 columns up, and contain no control sequence but colours.
func TestResultsFitTheWidth(t *testing.T) {
	rec := read(t, reporttest.Options{Mixed: true, Hostile: true, LongText: true})
	for width := 20; width <= 130; width += 5 {
		for _, unicode := range []bool{true, false} {
			var b bytes.Buffer
			terminal.Show(terminal.Stream{To: &b, Colour: true, Unicode: unicode, Width: func() int { return width }}, report.New(rec))
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

// screen is a small terminal: it understands what the view writes, wraps at its width, and complains of anything else.
type screen struct {
	t     *testing.T
	width int
	rows  [][]rune
	x, y  int
}

func (s *screen) Write(p []byte) (int, error) {
	text := sgr.ReplaceAllString(string(p), "")
	for text != "" {
		switch {
		case strings.HasPrefix(text, "\x1b[2K"):
			s.row(s.y)
			s.rows[s.y] = nil
			text = text[4:]
		case strings.HasPrefix(text, "\x1b[A"):
			s.y = max(0, s.y-1)
			text = text[3:]
		case text[0] == 0x1b:
			s.t.Fatalf("unknown sequence at %q", text)
		case text[0] == '\r':
			s.x, text = 0, text[1:]
		case text[0] == '\n':
			s.x, s.y, text = 0, s.y+1, text[1:]
		default:
			r, n := utf8.DecodeRuneInString(text)
			if s.x >= s.width {
				s.x, s.y = 0, s.y+1
			}
			s.row(s.y)
			for len(s.rows[s.y]) <= s.x {
				s.rows[s.y] = append(s.rows[s.y], ' ')
			}
			s.rows[s.y][s.x] = r
			s.x++
			text = text[n:]
		}
	}
	return len(p), nil
}

func (s *screen) row(n int) {
	for len(s.rows) <= n {
		s.rows = append(s.rows, nil)
	}
}

// narrow makes the window narrower, and breaks the rows that are too long as terminals do.
func (s *screen) narrow(width int) {
	s.width = width
	var out [][]rune
	for n, row := range s.rows {
		for len(row) > width {
			out = append(out, row[:width])
			row = row[width:]
		}
		out = append(out, row)
		if n == s.y {
			s.y = len(out) - 1
			s.x = len(row)
			s.rows = out
			return
		}
	}
	s.rows = out
}

func (s *screen) text() string {
	var lines []string
	for _, r := range s.rows {
		lines = append(lines, strings.TrimRight(string(r), " "))
	}
	return strings.Join(lines, "\n")
}

func TestLiveLinesComeAndGo(t *testing.T) {
	for _, width := range []int{100, 40, 24} {
		t.Run(fmt.Sprint(width), func(t *testing.T) {
			s := &screen{t: t, width: width}
			seen := ""
			play(t, read(t, reporttest.Options{Mixed: true}), terminal.Stream{To: s, Live: true, Colour: true, Unicode: true, Width: func() int { return s.width }}, terminal.Stream{},
				func(point int) {
					if n := strings.Count(s.text(), "█"); point > 5 && n == 0 && width > 30 {
						t.Fatalf("no bar after point %d:\n%s", point, s.text())
					}
					if n := strings.Count(s.text(), "\n#"); n > 1 {
						t.Fatalf("%d lines of numbers after point %d:\n%s", n, point, s.text())
					}
					if point == 25 {
						seen = s.text()
					}
					if point == 26 && width == 100 {
						s.narrow(50)
					}
				})
			if width == 100 && (!strings.Contains(seen, "25/60, about 18.0 s left") || !strings.Contains(seen, "iout 118.4 mA")) {
				t.Errorf("after point 25:\n%s", seen)
			}
			if strings.ContainsAny(s.text(), "█░") || strings.Contains(s.text(), "\n#") {
				t.Errorf("live lines are left over:\n%s", s.text())
			}
			if n := strings.Count(s.text(), "vin = 1"); n < 2 {
				t.Errorf("lines of the outer sweep are lost:\n%s", s.text())
			}
		})
	}
}

func TestDetectTakesNoChances(t *testing.T) {
	s := terminal.Detect(io.Discard, func(string) string { return "C.UTF-8" })
	if s.Live || s.Colour || s.Unicode {
		t.Errorf("a writer that is no terminal got %+v", s)
	}
}

// Without coordinates to group by, plain progress is a line per tenth.
func TestPlainProgressOfASingleSweep(t *testing.T) {
	rec := read(t, reporttest.Options{})
	var columns []record.Column
	for _, c := range rec.Columns {
		if c.Name != "vin" {
			columns = append(columns, c)
		}
	}
	rec.Columns = columns
	var b bytes.Buffer
	play(t, rec, terminal.Stream{To: &b}, terminal.Stream{}, nothing)
	if n := strings.Count(b.String(), " of 60 points"); n != 10 || !strings.Contains(b.String(), "\n60 of 60 points\n") {
		t.Errorf("%d lines:\n%s", n, b.String())
	}
}

func ExampleShow() {
	rec := &record.Record{Manifest: record.Manifest{
		Start: record.Start{Title: "Buoy 5 V converter"},
		End:   record.End{Outcome: record.Pass},
		Verdicts: []record.Verdict{{Limit: "vo >= 4.9 V", Clause: "spec 4.1", Outcome: record.Pass, Value: 4.93, U: 0.002, Bound: 4.9, Unit: "V",
			Rule: "guard band w = U (k = 2)", Band: 0.002}},
	}}
	var b bytes.Buffer
	terminal.Show(terminal.Stream{To: &b}, report.New(rec))
	fmt.Print(b.String())
	// Output:
	// Buoy 5 V converter
	// PASS  The one limit is met.
	//
	// pass        vo >= 4.9 V [spec 4.1]: closest (4.9300 +/- 0.0020) V, margin 30.0
	//             mV
	//             x:|::---------------(o-)--  guard band w = U (k = 2), here 2.0 mV;
	//                                         risk of a wrong pass below 0.01 %
}

// What is undecided says how it was decided, what its uncertainty comes from, and what would decide it.
func TestUndecidedLimitsSayWhatWouldDecideThem(t *testing.T) {
	rec := read(t, reporttest.Options{Mixed: true})
	var kept []record.Verdict
	for _, v := range rec.Verdicts {
		if v.Outcome != record.Fail {
			kept = append(kept, v)
		}
	}
	rec.Verdicts = kept
	var b bytes.Buffer
	terminal.Show(terminal.Stream{To: &b, Width: func() int { return 100 }}, report.New(rec))
	text := strings.Join(strings.Fields(b.String()), " ")
	for _, want := range []string{
		"undecided (conditional fail) loss <= 1.32 W [spec 4.3]: closest (1.321 +/- 0.016) W at point 40",
		"four outcomes, w = U (k = 2), here 16 mW; risk of a wrong fail 43 %",
		"would be decided by this: amm-in on its range of 1 A",
		"U: 49 % amm-in, 5 A range; 35 % sink-1, 6 A range",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("the end of the run lacks %q:\n%s", want, b.String())
		}
	}
}
