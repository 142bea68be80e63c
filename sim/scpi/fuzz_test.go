package scpi_test

import (
	"bytes"
	"fmt"
	"regexp"
	"strings"
	"testing"

	"fourwire/sim/scpi"
)

// conversation is a message of every kind, valid and not, for the split tests and as fuzz seeds.
func conversations() []string {
	return []string{
		"*IDN?\n", "VOLT 12.5;VOLT?;*OPC?\r\n", "SYST:ERR?;*ESR?\n", "DATA:TEXT? 'it''s; \n\"x\"';*OPC?\n",
		"DATA:BLOC? #215\n;\"'#0,;\nVOLT 1\n;*STB?\n", "DATA:BLOC? #13ab\n;*OPC?\n", "DATA:BLOC? #0ab;c\n*OPC?\n", "VOLT 1;BAD 'a;\nb';VOLT 2\nVOLT?\n",
		" :SOUR2:VOLT 3 MV;VOLT?;\n;;\n", "DATA:CHAN? (@1,3:5);RANG? (1,2:3)\n", "INIT;*OPC;*WAI;TIME?\nFETC?\n", "READ?;*STB?\n",
		"VOLT 1,2\nVOLT\nVOLT 'x'\nSYST:ERR:ALL?\n", "DATA:BLOC? #2A5HELLO;*OPC?\n*OPC?\n", "DATA:LIST? 1,2 V,3KV;PAIR? 1,#H2\n",
		"*CLS;*SRE 16;*ESE 255\n*STB?\n*SRE?;*ESE?\n", "FORM REAL,32;:DATA:READ?;:FORM ASC;:DATA:READ?\n", "VOLT\x80 1\nA::B\n?\n*\n:\n",
		"DATA:BASE? 2607,16;BASE? 50,8\n", "DATA:ENDL?\n", "DATA:BLOC? #\nDATA:TEXT? \"\"\"\"\n", "*ESE 1\x00;*ESE?\t\n",
	}
}

// whole feeds everything at once; pieces feeds it in parts that end at the given places, running in between.
func converse(p *probe, o scpi.SessionOptions, data []byte, end bool, cuts ...int) string {
	s := p.device.Open(o)
	from := 0
	for _, cut := range append(cuts, len(data)) {
		for from < cut {
			from += s.Feed(data[from:cut], false)
			s.Run(0)
		}
	}
	if end {
		s.Feed(nil, true)
	}
	var out strings.Builder
	for now := int64(0); ; {
		next := s.Run(now)
		b := s.Output()
		out.Write(b)
		if len(b) > 0 {
			continue
		}
		if next == scpi.Never {
			break
		}
		now = next
	}
	reader := p.device.Open(scpi.SessionOptions{})
	return fmt.Sprintf("%q did %v, event status %d, errors %s", out.String(), p.log, p.device.EventStatus(), say(reader, "SYST:ERR:ALL?\n"))
}

// Input cut in two at every byte, and cut at every byte at once, must do what it does in one piece.
func TestSplitFeeds(t *testing.T) {
	for _, o := range []scpi.SessionOptions{{}, {Messages: true, Strict: true}, {LinesEnd: true}} {
		for _, text := range conversations() {
			data := []byte(text)
			want := converse(newProbe(t), o, data, o.Messages)
			every := make([]int, len(data))
			for cut := range data {
				every[cut] = cut
				if o.Messages || o.LinesEnd {
					continue // byte by byte is enough
				}
				if got := converse(newProbe(t), o, data, o.Messages, cut); got != want {
					t.Fatalf("%q cut at %d: %s\nin one piece: %s", text, cut, got, want)
				}
			}
			if got := converse(newProbe(t), o, data, o.Messages, every...); got != want {
				t.Fatalf("%q byte by byte: %s\nin one piece: %s", text, got, want)
			}
		}
	}
}

// elementGrammar is response data as IEEE 488.2 clause 8.7 allows it, but for strings, blocks and the identity, which
// are cut out before.
var elementGrammar = regexp.MustCompile(`^([+-]?\d+(\.\d+)?(E[+-]\d+)?|#H[0-9A-F]+|#Q[0-7]+|#B[01]+|[A-Z][A-Z0-9_]*|\(@(-?\d+(,-?\d+)*)?\)|S|L)$`)

// checkResponses reads a stream of responses and returns what is wrong with it.
func checkResponses(out []byte) error {
	for len(out) > 0 {
		var line []byte
		ended := false
		for len(out) > 0 && !ended {
			fresh := len(line) == 0 || strings.IndexByte(",;", line[len(line)-1]) >= 0
			switch c := out[0]; {
			case c == '\n':
				out, ended = out[1:], true
			case fresh && bytes.HasPrefix(out, []byte("Lakeside,Probe,12,3.4")):
				line, out = append(line, 'L'), out[len("Lakeside,Probe,12,3.4"):]
			case fresh && c == '"':
				n := 1
				for n < len(out) && (out[n] != '"' || n+1 < len(out) && out[n+1] == '"') {
					if out[n] == '"' {
						n++
					}
					n++
				}
				if n >= len(out) {
					return fmt.Errorf("string without an end: %.60q", out)
				}
				line, out = append(line, 'S'), out[n+1:]
			case fresh && c == '#' && len(out) > 1 && out[1] >= '0' && out[1] <= '9':
				digits, n := int(out[1]-'0'), 0
				if digits == 0 {
					return nil // indefinite: everything else is data
				}
				if _, err := fmt.Sscanf(string(out[2:min(2+digits, len(out))]), "%d", &n); err != nil || 2+digits+n > len(out) {
					return fmt.Errorf("bad block %.60q", out)
				}
				line, out = append(line, 'S'), out[2+digits+n:]
			default:
				line, out = append(line, c), out[1:]
			}
		}
		if !ended {
			return fmt.Errorf("response without LF: %.60q", line)
		}
		depth := 0
		for _, e := range strings.FieldsFunc(strings.ReplaceAll(string(line), ";", ",")+" ", func(r rune) bool {
			switch r {
			case '(':
				depth++
			case ')':
				depth--
			}
			return r == ',' && depth == 0 || r == ' '
		}) {
			if !elementGrammar.MatchString(e) {
				return fmt.Errorf("element %q of %q", e, line)
			}
		}
		if bytes.Contains(line, []byte(",,")) || bytes.Contains(line, []byte(";;")) || len(line) == 0 {
			return fmt.Errorf("empty element in %q", line)
		}
	}
	return nil
}

// FuzzSession: no input makes the session panic, answer outside the response grammar, or depend on how the input was cut.
func FuzzSession(f *testing.F) {
	for i, text := range conversations() {
		f.Add([]byte(text), uint16(i*3), i%3 == 0)
	}
	f.Fuzz(func(t *testing.T, data []byte, cut uint16, onMessages bool) {
		o := scpi.SessionOptions{Messages: onMessages, MessageLimit: 4096}
		at := int(cut) % (len(data) + 1)
		whole := converse(newProbe(t), o, data, true)
		if parts := converse(newProbe(t), o, data, true, at); parts != whole {
			t.Fatalf("%q cut at %d: %s\nin one piece: %s", data, at, parts, whole)
		}
		s := newProbe(t).device.Open(o)
		for rest := data; len(rest) > 0; {
			rest = rest[s.Feed(rest, false):]
			s.Run(1e9)
		}
		s.Feed([]byte("\n"), true)
		s.Run(2e9)
		s.Run(3e9)
		if err := checkResponses(s.Output()); err != nil {
			t.Fatalf("%q: %v", data, err)
		}
	})
}

// A command that was seen before costs no memory.
func TestNoAllocation(t *testing.T) {
	s := benchSupply(t).Open(scpi.SessionOptions{})
	lines := []byte("VOLT 12.0;:MEAS:VOLT?\n:SOUR2:VOLT 3.25 V;VOLT?\n*ESE 255;*STB?;*OPC?\n")
	if n := testing.AllocsPerRun(100, func() {
		s.Feed(lines, false)
		s.Run(0)
		s.Output()
	}); n != 0 {
		t.Errorf("%v allocations for three lines", n)
	}
}
