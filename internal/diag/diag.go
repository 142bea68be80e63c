// Package diag reads the files that people write and says what is wrong with them: file, line, column, the line itself,
// the fault, and the closest word that would have been right; all findings in one go.
//
// [Parse] turns YAML into a strict tree of [Node] values that know their [Place]. A [Type] describes what a node may hold;
// the same description checks a tree and yields the JSON Schema that editors use, so the two cannot drift apart.
package diag

import (
	"fmt"
	"sort"
	"strings"
	"unicode"
)

// Place is a position in a file; lines and columns count from 1. Line 0 means the file as a whole.
type Place struct {
	File   string `json:"file"`
	Line   int    `json:"line,omitempty"`
	Column int    `json:"column,omitempty"`
}

// String is "file:line:column", shorter where parts are unknown.
func (p Place) String() string {
	switch {
	case p.Line == 0:
		return p.File
	case p.Column == 0:
		return fmt.Sprintf("%s:%d", p.File, p.Line)
	}
	return fmt.Sprintf("%s:%d:%d", p.File, p.Line, p.Column)
}

// Finding is one thing that is wrong, or doubtful, at a place.
type Finding struct {
	Place   Place  `json:"place"`
	Text    string `json:"text"`           // lower case, no full stop
	Line    string `json:"line,omitempty"` // the line of the file, without its end
	Hint    string `json:"hint,omitempty"` // what to do next
	Warning bool   `json:"warning,omitempty"`
}

// Error is the finding on one line: place and text, with the hint.
func (f Finding) Error() string {
	text := f.Place.String() + ": "
	if f.Warning {
		text += "warning: "
	}
	text += f.Text
	if f.Hint != "" {
		text += "; " + f.Hint
	}
	return text
}

// Render is the finding for a terminal: the message, the line of the file, and a mark under the column.
func (f Finding) Render() string {
	var b strings.Builder
	b.WriteString(f.Error())
	if f.Line == "" {
		return b.String()
	}
	line := strings.ReplaceAll(f.Line, "\t", " ")
	fmt.Fprintf(&b, "\n    %s", line)
	if f.Place.Column > 0 && f.Place.Column <= len([]rune(line))+1 {
		fmt.Fprintf(&b, "\n    %s^", strings.Repeat(" ", f.Place.Column-1))
	}
	return b.String()
}

// Findings collects what is found in one or several files. The zero value is ready.
type Findings struct {
	list  []Finding
	files map[string][]string
}

// Source makes the lines of a file known, so that findings can show them.
func (s *Findings) Source(file string, data []byte) {
	if s.files == nil {
		s.files = map[string][]string{}
	}
	s.files[file] = strings.Split(strings.ReplaceAll(string(data), "\r\n", "\n"), "\n")
}

// Add notes a fault at a place.
func (s *Findings) Add(p Place, format string, args ...any) { s.add(p, "", false, format, args...) }

// AddHint notes a fault with what to do about it.
func (s *Findings) AddHint(p Place, hint, format string, args ...any) {
	s.add(p, hint, false, format, args...)
}

// Warn notes something doubtful that does not stop a run.
func (s *Findings) Warn(p Place, hint, format string, args ...any) {
	s.add(p, hint, true, format, args...)
}

func (s *Findings) add(p Place, hint string, warning bool, format string, args ...any) {
	f := Finding{Place: p, Text: Printable(fmt.Sprintf(format, args...)), Hint: Printable(hint), Warning: warning}
	if lines := s.files[p.File]; p.Line > 0 && p.Line <= len(lines) {
		f.Line = Printable(lines[p.Line-1])
	}
	s.list = append(s.list, f)
}

// Join takes over findings made elsewhere.
func (s *Findings) Join(list []Finding) { s.list = append(s.list, list...) }

// List gives everything found, in file order.
func (s *Findings) List() []Finding {
	out := append([]Finding(nil), s.list...)
	sort.SliceStable(out, func(i, j int) bool {
		a, b := out[i].Place, out[j].Place
		if a.File != b.File {
			return a.File < b.File
		}
		if a.Line != b.Line {
			return a.Line < b.Line
		}
		return a.Column < b.Column
	})
	return out
}

// Failed tells whether there is any finding that is not a warning.
func (s *Findings) Failed() bool { return Failed(s.list) }

// Failed tells whether a list holds a finding that is not a warning.
func Failed(list []Finding) bool {
	for _, f := range list {
		if !f.Warning {
			return true
		}
	}
	return false
}

// Printable replaces control characters, and those that turn the direction of writing, so that text from a file or an instrument can do
// nothing to a terminal and looks like what it is.
func Printable(text string) string {
	clean := func(r rune) bool {
		return r != '\t' && (r < 0x20 || r == 0x7f || (r >= 0x80 && r < 0xa0) || r == 0xfffd || unicode.Is(unicode.Bidi_Control, r) || r == 0x2028 || r == 0x2029)
	}
	if strings.IndexFunc(text, clean) < 0 {
		return text
	}
	return strings.Map(func(r rune) rune {
		if clean(r) {
			return '?'
		}
		return r
	}, text)
}
