// Package terminal shows a run to whoever sits before a terminal: progress and live numbers while it goes on, verdicts and a
// drawn curve at its end. Where there is no terminal it writes plain lines in ASCII.
//
// Progress goes to one stream (usually stderr), results to another (usually stdout). All text from records, files and instruments is
// stripped of control characters before it is written.
package terminal

import (
	"io"
	"os"
	"runtime"
	"strings"

	"golang.org/x/term"
	"golang.org/x/text/width"

	"fourwire/internal/diag"
)

// Stream is where text goes, and what can be done there. The zero value of a field is the plainest way.
type Stream struct {
	To      io.Writer  // nil: nothing is written
	Live    bool       // lines can be written over
	Colour  bool       //
	Unicode bool       // false: ASCII only
	Width   func() int // columns, asked again for each drawing; nil is 80
}

// Detect says what a stream can do: a file that is a terminal shows colours, signs beyond ASCII and lines that change,
// unless NO_COLOR is set or TERM is dumb; anything else gets plain lines. getenv is os.Getenv.
func Detect(to io.Writer, getenv func(string) string) Stream {
	s := Stream{To: to}
	f, ok := to.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) || getenv("NO_COLOR") != "" || getenv("TERM") == "dumb" {
		return s
	}
	if runtime.GOOS == "windows" && getenv("WT_SESSION") == "" && getenv("TERM") == "" {
		return s // an old console shows escape sequences as they are
	}
	s.Live, s.Colour = true, true
	s.Unicode = runtime.GOOS == "windows" || utf8Locale(getenv)
	s.Width = func() int {
		if columns, _, err := term.GetSize(int(f.Fd())); err == nil && columns > 0 {
			return columns
		}
		return 80
	}
	return s
}

func utf8Locale(getenv func(string) string) bool {
	for _, name := range []string{"LC_ALL", "LC_CTYPE", "LANG"} {
		if v := strings.ToUpper(getenv(name)); v != "" {
			return strings.Contains(v, "UTF-8") || strings.Contains(v, "UTF8")
		}
	}
	return false
}

// columns is the width to draw for, between 20 and 200.
func (s Stream) columns() int {
	if s.Width == nil {
		return 80
	}
	return max(20, min(200, s.Width()))
}

// text makes a text fit for the stream: no control characters, and ASCII where nothing else can be shown.
func (s Stream) text(t string) string {
	t = diag.Printable(t)
	if s.Unicode {
		return t
	}
	return strings.Map(func(r rune) rune {
		if r > 0x7e {
			return '?'
		}
		return r
	}, ascii.Replace(t))
}

var ascii = strings.NewReplacer("±", "+/-", "µ", "u", "Ω", "ohm", "°C", "degC", "≥", ">=", "≤", "<=", "–", "-", "−", "-", "…", "...", "·", ".", "×", "x", "\u202f", " ")

// The colours that are used, as SGR parameters.
const (
	bold   = "1"
	faint  = "2"
	red    = "31"
	green  = "32"
	yellow = "33"
)

// paint colours a text that has been made fit already.
func (s Stream) paint(sgr, t string) string {
	if !s.Colour || sgr == "" || t == "" {
		return t
	}
	return "\x1b[" + sgr + "m" + t + "\x1b[0m"
}

// cells is how many columns a text takes: wide signs take two, combining ones none.
func cells(t string) int {
	n := 0
	for _, r := range t {
		n += cell(r)
	}
	return n
}

func cell(r rune) int {
	if r >= 0x300 && r < 0x370 || r == 0x200d || r >= 0xfe00 && r <= 0xfe0f {
		return 0
	}
	switch width.LookupRune(r).Kind() {
	case width.EastAsianWide, width.EastAsianFullwidth:
		return 2
	}
	return 1
}

// cut shortens a text to at most n columns.
func (s Stream) cut(t string, n int) string {
	if cells(t) <= n {
		return t
	}
	mark := "..."
	if s.Unicode {
		mark = "…"
	}
	if n <= cells(mark) {
		mark = ""
	}
	left := n - cells(mark)
	for i, r := range t {
		if left -= cell(r); left < 0 {
			return t[:i] + mark
		}
	}
	return t
}

// pad fills a text with spaces to n columns.
func pad(t string, n int) string {
	return t + strings.Repeat(" ", max(0, n-cells(t)))
}

// Fold breaks a text between words into lines that fit the stream, all of them indented, the later ones by two columns more.
func (s Stream) Fold(text, indent string) string {
	lines := wrap(text, s.columns()-cells(indent), "  ")
	return indent + strings.Join(lines, "\n"+indent)
}

// wrap breaks a text between words, so that no line is wider than n columns; lines after the first are indented.
func wrap(t string, n int, indent string) []string {
	var lines []string
	line := ""
	for _, word := range strings.Fields(t) {
		switch {
		case line == "":
			line = word
		case cells(line)+1+cells(word) <= n:
			line += " " + word
		default:
			lines = append(lines, line)
			line = indent + word
		}
		for cells(line) > n { // a word longer than the line
			head := Stream{}.hard(line, n)
			lines = append(lines, head)
			line = indent + line[len(head):]
		}
	}
	return append(lines, line)
}

// hard is the longest beginning of a text that fits into n columns; at least one sign.
func (Stream) hard(t string, n int) string {
	for i, r := range t {
		if n -= cell(r); n < 0 && i > 0 {
			return t[:i]
		}
	}
	return t
}
