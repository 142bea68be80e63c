package scpi_test

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"testing"

	"fourwire/sim/scpi"
)

func TestErrorTable(t *testing.T) {
	rows := table(t, "errors.csv")
	if len(rows) != 83 {
		t.Errorf("%d rows, the published table has 83", len(rows))
	}
	for _, row := range rows {
		n, _ := strconv.Atoi(row[0])
		p := newProbe(t)
		s := p.device.Open(scpi.SessionOptions{})
		say(s, "*CLS\n")
		if n != 0 {
			p.device.Post(scpi.Code(n))
		}
		if got := say(s, "*ESR?\n"); got != row[2] {
			t.Errorf("%d sets %s in the event status register, want %s", n, got, row[2])
		}
		want := fmt.Sprintf("%s,%q", row[0], row[1])
		if n <= -500 {
			want = `0,"No error"` // an event, not an error: SCPI-1999 clause 21.8.8 and on, from memory
		}
		if got := say(s, "SYST:ERR?\n"); got != want {
			t.Errorf("answer %s, want %s", got, want)
		}
	}
}

func TestErrorQueue(t *testing.T) {
	p := newProbe(t, func(o *scpi.Options) { o.ErrorQueue = 3 })
	s := p.device.Open(scpi.SessionOptions{})
	if got := say(s, "SYST:ERR?\n"); got != `0,"No error"` { // EQ-01
		t.Errorf("empty queue: %s", got)
	}
	say(s, "*CLS\nVOLT 99\nNONE\nVOLT\nVOLT 1,2\n")
	// EQ-02 first in first out, EQ-03 the last place becomes -350 and later errors are lost (makers' manuals)
	if got := lastErrors(s); got != "-222 -113 -350" {
		t.Errorf("overflowed queue: %s", got)
	}
	if got := say(s, "*ESR?\n"); got != "56" { // CME 32, EXE 16, DDE 8 for -350
		t.Errorf("event status after an overflow: %s", got)
	}
	say(s, "VOLT 99\nVOLT 99\nVOLT 99\nVOLT 99\n")
	say(s, "SYST:ERR?\nNONE\n")
	if got := lastErrors(s); got != "-222 -350 -113" {
		t.Errorf("after one was read there is room again: %s", got)
	}
	say(s, "VOLT 99\n*RST\n")
	if got := say(s, "SYST:ERR:COUN?\n"); got != "1" { // ST-04: *RST leaves the queue (a maker's manual)
		t.Errorf("*RST left %s errors, want 1", got)
	}
	if got := say(s, "SYST:ERR:CODE?\nSYST:ERR:CODE:NEXT?\n"); got != "-222\n0" {
		t.Errorf("codes: %s", got)
	}
}

func TestErrorDetail(t *testing.T) {
	p := newProbe(t, func(o *scpi.Options) {
		o.Details = true
		o.Commands = append(o.Commands,
			scpi.Command{Pattern: "FAIL:PLAin", Set: func(*scpi.Call) error { return errors.New(`lead "x" open`) }},
			scpi.Command{Pattern: "FAIL:HALF?", Query: func(c *scpi.Call) error { c.NR1(7); return scpi.HardwareError }},
			scpi.Command{Pattern: "FAIL:OWN", Set: func(*scpi.Call) error { return scpi.Error{Code: 101, Text: "Fan stopped", Detail: "rear"} }},
			scpi.Command{Pattern: "FAIL:WRAPped", Set: func(*scpi.Call) error { return fmt.Errorf("in the step: %w", scpi.SettingsConflict) }},
			scpi.Command{Pattern: "FAIL:LONG", Set: func(*scpi.Call) error { return scpi.HardwareError.With(strings.Repeat("y", 999)) }})
	})
	s := p.device.Open(scpi.SessionOptions{})
	for _, c := range []struct{ send, want string }{
		{"TEST:COMMAND", `-113,"Undefined header;TEST:COMMAND"`}, // EQ-04, a maker's manual
		{"FAIL:PLA", `-300,"Device-specific error;lead ""x"" open"`},
		{"FAIL:OWN", `101,"Fan stopped;rear"`},
		{"FAIL:WRAP", `-221,"Settings conflict;in the step: -221 Settings conflict"`},
		{"VOLT 61", `-222,"Data out of range;61"`},
		{"VOLT \x01\"a\"", `-158,"String data not allowed;""a"""`},
	} {
		if got := say(s, c.send+"\nSYST:ERR?\n"); got != c.want {
			t.Errorf("%q gives %s, want %s", c.send, got, c.want)
		}
	}
	if got := say(s, "*OPC?;:FAIL:HALF?;*OPC?\n"); got != "1;1" {
		t.Errorf("a query that failed has an answer: %s", got)
	}
	say(s, "SYST:ERR:ALL?\n")
	got := say(s, "FAIL:LONG\nSYST:ERR?\n")
	if n := len(got) - len(`-240,""`); n != 255 { // EQ-04: at most 255 characters
		t.Errorf("the text has %d characters", n)
	}
	if text := scpi.DataOutOfRange.With("61 V").Error(); text != "-222 Data out of range;61 V" {
		t.Errorf("as a Go error: %s", text)
	}
}

// The faults that the parser finds, each with the number that names it.
func TestParserErrors(t *testing.T) {
	digits := strings.Repeat("1", 256)
	for _, c := range []struct{ name, send, want, from string }{
		{"unknown header", "*XYZ", "-113", "EQ-06, makers' manuals"},
		{"unknown header in the tree", "VOLT:NONE 1", "-113", "SCPI-1999 21.8"},
		{"query form missing", "ONLY:SET?", "-113", "common practice"},
		{"set form missing", "MEAS:VOLT", "-113", "common practice"},
		{"neither short nor long form", "VOLTA 1", "-113", "HD-02"},
		{"too short", "VOL 1", "-113", "HD-02"},
		{"mnemonic of 13 characters", "ABCDEFGHIJKLM 1", "-112", "EQ-05, a maker's manual"},
		{"mnemonic of 12 characters is only unknown", "ABCDEFGHIJKL 1", "-113", "EQ-05"},
		{"suffix out of range", "SOUR5:VOLT 1", "-114", "IEEE 488.2, from memory"},
		{"suffix zero", "SOUR0:VOLT 1", "-114", "the same"},
		{"suffix of a node without one", "OUTP2 1", "-114", "the same"},
		{"one is the default everywhere", "OUTP1 1", "", "the same"},
		{"white space around the colon", " : SYST : ERR? ", "-102", "conformance script: -113 or -102"},
		{"query mark run into data", "VOLT?MAX", "-111", "conformance notes: -111 or -113"},
		{"data run into the header", "VOLT(1)", "-111", "the same"},
		{"invalid character in the header", "VO$T 1", "-101", "SCPI-1999 21.8"},
		{"byte above 7F", "VOLT\x80 1", "-101", "IEEE 488.2 7.1, from memory"},
		{"two colons", "A::B 1", "-102", "from memory"},
		{"colon before a common command", ":*RST", "-102", "from memory"},
		{"common command within a path", "A:*RST", "-102", "from memory"},
		{"a lone query mark", "?", "-102", "from memory"},
		{"missing parameter", "*ESE", "-109", "EQ-06, makers' manuals"},
		{"missing second of two", "DATA:BASE? 1", "-109", "EQ-06"},
		{"missing second of a pair is optional", "DATA:PAIR? 1", "", "declaration"},
		{"parameter not allowed", "*ESE 0,1", "-108", "EQ-06"},
		{"parameter of a command without", "*RST 1", "-108", "EQ-06"},
		{"parameter of a query without", "*ESE? MIN", "-108", "EQ-06"},
		{"empty element", "*ESE ,1", "-102", "from memory"},
		{"trailing comma", "*ESE 1,", "-102", "from memory"},
		{"two numbers without a comma", "*ESE 1 2", "-103", "IEEE 488.2, from memory"},
		{"string for a number", "VOLT 'a'", "-158", "SCPI-1999 21.8"},
		{"block for a number", "VOLT #11a", "-168", "SCPI-1999 21.8"},
		{"expression for a number", "VOLT (1)", "-178", "SCPI-1999 21.8"},
		{"word for a number", "CURR ABC", "-148", "SCPI-1999 21.8"},
		{"wrong word where MIN, MAX and DEF are known", "VOLT ABC", "-141", "SCPI-1999 21.8"},
		{"number for a word", "CAL:ZERO:TYPE 1", "-128", "SCPI-1999 21.8"},
		{"wrong word", "CAL:ZERO:TYPE BUS", "-141", "SCPI-1999 21.8"},
		{"word of 13 characters", "CAL:ZERO:TYPE ABCDEFGHIJKLM", "-144", "EQ-05, a maker's manual"},
		{"number for a string", "DATA:TEXT? 1", "-128", "SCPI-1999 21.8"},
		{"two points", "CURR 1.2.3", "-121", "SCPI-1999 21.8"},
		{"sign alone", "CURR +", "-121", "SCPI-1999 21.8"},
		{"exponent 32001", "CURR 1E32001", "-123", "EQ-05"},
		{"exponent -32001", "CURR 1E-32001", "-123", "EQ-05"},
		{"exponent 32000 is only too big for the instrument", "CURR 1E32000", "-222", "EQ-05"},
		{"256 digits", "CURR " + digits, "-124", "EQ-05"},
		{"255 digits and zeros before", "CURR 0.000" + digits[1:], "", "EQ-05"},
		{"unknown suffix", "VOLT 1 HZ", "-131", "SCPI-1999 21.8"},
		{"suffix of 13 characters", "VOLT 1 ABCDEFGHIJKLM", "-134", "SCPI-1999 21.8"},
		{"suffix where none is allowed", "DATA:PLA? 1 V", "-138", "SCPI-1999 21.8"},
		{"E without digits is a suffix", "VOLT 1 E", "-131", "from memory"},
		{"digit outside the base", "*ESE #B12", "-121", "from memory"},
		{"no digits", "*ESE #H", "-121", "from memory"},
		{"more than 64 bits", "*ESE #H1FFFFFFFFFFFFFFFF", "-124", "from memory"},
		{"out of range", "VOLT 60.001", "-222", "SCPI-1999 21.8"},
		{"within range after rounding to the resolution", "VOLT 60.0004", "", "IEEE 488.2 7.7.2.4, from memory"},
		{"out of a byte", "*ESE 256", "-222", "from memory"},
		{"block with a letter in its length", "DATA:BLOC? #2A5HELLO", "-161", "BK-04"},
		{"block longer than the message", "DATA:BLOC? #", "-161", "BK-04"},
		{"expression not closed", "DATA:EXPR? (1", "-171", "SCPI-1999 21.8"},
		{"quote in an expression", "DATA:EXPR? (')", "-171", "IEEE 488.2 7.7.7, from memory"},
		{"channel list without @", "DATA:CHAN? (1)", "-171", "SCPI-1999 volume 1 chapter 8"},
		{"channel list with half a channel", "DATA:CHAN? (@1.5)", "-171", "the same"},
		{"empty channel list", "DATA:CHAN? (@)", "-171", "from memory"},
		{"far too many channels", "DATA:CHAN? (@1:1000000)", "-223", "a limit of this package"},
		{"strange character as data", "CURR $1", "-101", "from memory"},
		{"word behind a closed string", "DATA:TEXT? 'a'b", "-103", "from memory"},
		{"byte above 7F behind a closed string", "DATA:TEXT? 'a'\x80", "-101", "IEEE 488.2 7.1, from memory"},
		{"word run into a string", "CAL:ZERO:TYPE EXT'a'", "-103", "from memory"},
		{"word with a strange character", "CAL:ZERO:TYPE EX$", "-141", "from memory"},
		{"word with a byte above 7F", "CAL:ZERO:TYPE EX\x80", "-101", "IEEE 488.2 7.1, from memory"},
		{"number with a strange character", "CURR 1$", "-121", "SCPI-1999 21.8"},
		{"number with a byte above 7F", "CURR 1\x80", "-101", "IEEE 488.2 7.1, from memory"},
		{"number run into a string", "CURR 1'a'", "-103", "from memory"},
		{"suffix of a non-decimal number", "VOLT #H1 V", "-103", "from memory"},
		{"limit query with a number", "VOLT? 1", "-108", "from memory"},
		{"limit query with a wrong word", "VOLT? ABC", "-141", "SCPI-1999 21.8"},
		{"limit query with two words", "VOLT? MIN,MAX", "-108", "EQ-06"},
		{"limit query with junk", "VOLT? MIN 1", "-103", "from memory"},
		{"superfluous parameter with a fault of its own", "*ESE 1,$", "-101", "from memory"},
		{"superfluous block", "*ESE 1,#11a", "-108", "EQ-06"},
		{"list with a word", "DATA:RANG? (1:A)", "-171", "the same"},
		{"list without a comma", "DATA:RANG? (1 2)", "-171", "the same"},
		{"too many ranges", "DATA:RANG? (1" + strings.Repeat(",1", 1024) + ")", "-223", "a limit of this package"},
		{"common header of 14 characters", "*ABCDEFGHIJKLM", "-112", "EQ-05"},
		{"digit first", "1VOLT 2", "-102", "from memory"},
		{"seventeen levels", strings.Repeat("A:", 17) + "A", "-113", "a limit of this package"},
		{"trigger data", "*TRG 1", "-108", "EQ-06"},
	} {
		p := newProbe(t)
		s := p.device.Open(scpi.SessionOptions{})
		say(s, c.send+"\n")
		if got := lastErrors(s); got != c.want {
			t.Errorf("%s: %.60q gives %q, want %q (%s)", c.name, c.send, got, c.want, c.from)
		}
	}
}
