package scpi_test

import (
	"strings"
	"testing"

	"fourwire/sim/scpi"
)

// The path rule of compound headers (SCPI-1999 volume 1 clause 6.2.4; HD-03 and HD-04 from makers' manuals).
func TestPathRule(t *testing.T) {
	for _, c := range []struct{ send, did, answers, errors string }{
		{"A:B 1;C 2", "A:B A:C", "", ""},
		{":A:B 1;:A:C 2", "A:B A:C", "", ""},
		{"MEAS:VOLT?;CURR?", "", "MV;MC", ""},
		{"CURR 3;MEAS:VOLT?;:CURR?", "CURR", "MV;3.000000E+00", ""}, // measured and programmed
		{"SOUR:VOLT 1;*ESE 1;CURR 2", "VOLT CURR", "", ""},
		{"VOLT 1;CURR 2", "VOLT CURR", "", ""},
		{"VOLT 1;*ESE 255;CURR 2", "VOLT CURR", "", ""},
		{"VOLT:PROT 30;LEV 12", "VOLT:PROT VOLT", "", ""},
		{"VOLT:LEV 12;PROT 30", "VOLT VOLT:PROT", "", ""},
		{"VOLT 12;PROT 30", "VOLT", "", "-113"},
		{"CURR:LEV 3;PROT:STAT OFF", "CURR CURR:PROT:STAT", "", ""},
		{"CURR:LEV 3;:CURR:PROT:STAT OFF", "CURR CURR:PROT:STAT", "", ""},
		{"CURR:LEV 3;CURR:PROT:STAT OFF", "CURR", "", "-113"},
		{"OUTP:STAT ON;VOLT 5", "OUTP", "", "-113"},
		{":OUTP ON;:VOLT 5", "OUTP VOLT", "", ""},
		{"CAL:ZERO:TYPE EXT;ZERO:AUTO ONCE", "TYPE", "", "-113"},
		{"CAL:ZERO:TYPE EXT;AUTO ONCE", "TYPE AUTO", "", ""},
		{"SOUR2:VOLT 4;VOLT?;:SOUR:VOLT?", "VOLT", "4.000000E+00;0.000000E+00", ""}, // the path keeps the suffix as written
		{"A:B 1\nC 2", "A:B", "", "-113"},                                           // the terminator resets to the root
		{"STAT:OPER:ENAB 5;ENAB?;PTR?", "", "5;32767", ""},
		{"STAT:OPER?;PRES", "", "0", ""},
		{"STAT:OPER:COND?;ENAB 16;ENAB?", "", "0;16", ""},
	} {
		p := newProbe(t)
		s := p.device.Open(scpi.SessionOptions{})
		got := say(s, c.send+"\n")
		if did := strings.Join(p.log, " "); got != c.answers || did != c.did {
			t.Errorf("%q did %q and answered %q, want %q and %q", c.send, did, got, c.did, c.answers)
		}
		if got := lastErrors(s); got != c.errors {
			t.Errorf("%q left errors %q, want %q", c.send, got, c.errors)
		}
	}
}

// A header that was resolved at one path must not be remembered at another.
func TestPathAndCache(t *testing.T) {
	p := newProbe(t)
	s := p.device.Open(scpi.SessionOptions{})
	for range 3 {
		if got := say(s, "VOLT 2;:SOUR2:VOLT 3;VOLT?;:VOLT?\nVOLT?\nMEAS:VOLT?;VOLT?\nVOLT?\n"); got != "3.000000E+00;2.000000E+00\n2.000000E+00\nMV;MV\n2.000000E+00" {
			t.Fatalf("answers %q", got)
		}
	}
}

// More paths and headers than are remembered.
func TestManyHeaders(t *testing.T) {
	var commands []scpi.Command
	hits, last := 0, 0
	name := func(i int) string { return "N" + string([]byte{'A' + byte(i/26), 'A' + byte(i%26)}) }
	for i := range 600 {
		commands = append(commands, scpi.Command{Pattern: name(i) + ":B:C", Set: func(*scpi.Call) error { hits++; last = i; return nil }})
	}
	d, err := scpi.NewDevice(scpi.Options{Commands: commands})
	if err != nil {
		t.Fatal(err)
	}
	s := d.Open(scpi.SessionOptions{})
	for range 2 {
		for i := range 600 {
			say(s, name(i)+":B:C;C\n")
			if last != i {
				t.Fatalf("C below %s:B executed C below %s:B", name(i), name(last))
			}
		}
	}
	if got := lastErrors(s); hits != 2400 || got != "" {
		t.Errorf("%d executions, want 2400; errors %s", hits, got)
	}
}

func TestDeclarationFaults(t *testing.T) {
	set := func(*scpi.Call) error { return nil }
	for _, c := range []struct {
		name string
		give scpi.Command
		want string
	}{
		{"no handler", scpi.Command{Pattern: "ABC"}, "neither Set nor Query"},
		{"no short form", scpi.Command{Pattern: "abc", Set: set}, "short form is missing"},
		{"irregular", scpi.Command{Pattern: "VOLtage", Set: set}, "departs from the rule"},
		{"too long", scpi.Command{Pattern: "ABCDEFGHIJKLM", Set: set}, "at most 12"},
		{"capitals behind", scpi.Command{Pattern: "VOLTaGe", Set: set}, "capitals after"},
		{"open bracket", scpi.Command{Pattern: "A[:B", Set: set}, "not closed"},
		{"nested brackets", scpi.Command{Pattern: "A[:B[:C]]", Set: set}, "brackets within brackets"},
		{"nothing", scpi.Command{Pattern: "", Set: set}, "no keyword"},
		{"five suffixes", scpi.Command{Pattern: "A[n]:B[n]:C[n]:D[n]:E[n]", Set: set}, "at most 4"},
		{"set with a query mark", scpi.Command{Pattern: "A?", Set: set}, "leave the ? out"},
		{"twice", scpi.Command{Pattern: "SYSTem:VERSion", Query: set}, "declared by"},
		{"common command in small letters", scpi.Command{Pattern: "*ABc", Set: set}, "one spelling"},
		{"unit in small letters", scpi.Command{Pattern: "A", Set: set, Params: number("mV")}, "in capitals"},
		{"word without words", scpi.Command{Pattern: "A", Set: set, Params: []scpi.Param{{Kind: scpi.Keyword}}}, "needs Keywords"},
		{"limits of a string", scpi.Command{Pattern: "A", Set: set, Params: []scpi.Param{{Kind: scpi.Text, Limits: scpi.Within(0, 1, 0)}}}, "has Limits"},
		{"unit of a string", scpi.Command{Pattern: "A", Set: set, Params: []scpi.Param{{Kind: scpi.Text, Unit: "V"}}}, "has a Unit"},
		{"required behind optional", scpi.Command{Pattern: "A", Set: set, Params: []scpi.Param{{Optional: true}, {}}}, "follows an optional"},
		{"more behind a repeat", scpi.Command{Pattern: "A", Set: set, Params: []scpi.Param{{Repeat: true}, {}}}, "only the last"},
	} {
		_, err := scpi.NewDevice(scpi.Options{Commands: []scpi.Command{c.give}})
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want a complaint with %q", c.name, err, c.want)
		}
	}
	_, err := scpi.NewDevice(scpi.Options{Maker: "a,b", ErrorQueue: 1, Digits: 40, CommandTime: -1, Model: strings.Repeat("x", 80),
		Registers: []scpi.RegisterSet{{Path: "A", Parent: "B"}, {Path: "C", Parent: "STATus:OPERation", Bit: 14, Count: 2}}})
	for _, want := range []string{"comma", "at least 2", "0 to 16", "negative", "at most 72", "unknown", "do not fit"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("complaints %v lack %q", err, want)
		}
	}
	if _, err := scpi.NewDevice(scpi.Options{Commands: []scpi.Command{{Pattern: "TCouple", Set: set, Irregular: true}}}); err != nil {
		t.Errorf("the known irregular keyword is refused: %v", err)
	}
}
