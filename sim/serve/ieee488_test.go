package serve_test

import (
	"fmt"
	"strings"
	"testing"

	"fourwire/sim/serve"
)

// Rules of IEEE 488.2 and SCPI-1999 over a real socket. The numbers are those of the standards' clauses named beside them, from memory,
// as published manuals repeat them; each row starts on an instrument whose queues are empty. Rows without a want send no query of
// their own; then only what follows is checked.
func TestStandardsOverASocket(t *testing.T) {
	addresses, _ := start(t, bench(t), 0, serve.Endpoint{Instrument: "psu", Address: "tcp://127.0.0.1:0"})
	c, in := dial(t, addresses[0])
	if got := ask(t, c, in, "*ESR?"); got != "128\n" { // PON, bit 7: 488.2 clause 11.5.1
		t.Errorf("event status after power-on: %q", got)
	}
	for _, row := range []struct{ name, send, want, then, thenWant string }{
		{name: "identification has four fields", send: "*idn?\r", want: "Lakeside,Feed,S1,1"},
		{name: "options, none installed", send: "*OPT?", want: "0"},
		{name: "self-test passes", send: "*TST?", want: "0"},
		{name: "version of the standard", send: "SYST:VERS?", want: "1999.0"},
		{name: "nothing pending", send: "*OPC?", want: "1"},
		{name: "operation complete sets bit 0", send: "*OPC;*ESR?", want: "1"},
		{name: "reading the event status clears it", send: "*OPC;*ESR?;*ESR?", want: "1;0"},
		{name: "wait goes on when nothing is pending", send: "*WAI;*OPC?", want: "1"},
		{name: "enable registers hold what is written", send: "*ESE 36;*SRE 48;*ESE?;*SRE?", want: "36;48", then: "*ESE 0;*SRE 0"},
		{name: "bit 6 of the service request enable stays 0", send: "*SRE 255;*SRE?", want: "191", then: "*SRE 0"},
		{name: "a number beyond a register", send: "*ESE 256", then: "SYST:ERR?", thenWant: `-222,"Data out of range"`},
		{name: "command error is bit 5", send: "NONSENSE", then: "*ESR?;:SYST:ERR?", thenWant: `32;-113,"Undefined header"`},
		{name: "execution error is bit 4", send: "VOLT 1000", then: "*ESR?;:SYST:ERR?", thenWant: `16;-222,"Data out of range"`},
		{name: "query error is bit 2", send: "*IDN?;*STB?", want: "Lakeside,Feed,S1,1", then: "*ESR?;:SYST:ERR?", thenWant: `4;-440,"Query UNTERMINATED after indefinite response"`},
		{name: "event summary is bit 5 of the status byte", send: "*ESE 32;BAD", then: "*STB?", thenWant: "36"}, // ESB 32 and error queue 4
		{name: "clear status empties all but the enables", send: "*ESE 32;BAD", then: "*CLS;*STB?;*ESR?;*ESE?", thenWant: "0;0;32"},
		{name: "an empty queue", send: "SYST:ERR?", want: `0,"No error"`},
		{name: "the path is kept", send: "SOUR:VOLT 1;CURR 2;:SOUR:VOLT?;CURR?", want: "1.00000000E+00;2.00000000E+00"},
		{name: "a common command leaves the path alone", send: "SOUR:VOLT 1.5;*ESE 0;CURR 3;:VOLT?;CURR?", want: "1.50000000E+00;3.00000000E+00"},
		{name: "optional nodes that are not written are not in the path", send: "VOLT 2;PROT 30", then: "SYST:ERR?", thenWant: `-113,"Undefined header"`},
		{name: "the path goes down with what is written", send: "VOLT:PROT 12;PROT?;LEV 4;:VOLT?", want: "1.20000000E+01;4.00000000E+00"},
		{name: "short and long forms, any case", send: "source1:voltage:level:immediate:amplitude 3;:sOuR:vOlT?", want: "3.00000000E+00"},
		{name: "neither short nor long", send: "VOLTA 3", then: "SYST:ERR?", thenWant: `-113,"Undefined header"`},
		{name: "a suffix beyond the channels", send: "OUTP2 ON", then: "SYST:ERR?", thenWant: `-114,"Header suffix out of range"`},
		{name: "a command error drops the rest of the message", send: "VOLT 6;BAD;VOLT 7", then: "VOLT?;:SYST:ERR?", thenWant: `6.00000000E+00;-113,"Undefined header"`},
		{name: "an execution error does not", send: "VOLT 6;:VOLT 999;:CURR 1.25", then: "VOLT?;CURR?;:SYST:ERR?", thenWant: `6.00000000E+00;1.25000000E+00;-222,"Data out of range"`},
		{name: "a missing parameter", send: "VOLT", then: "SYST:ERR?", thenWant: `-109,"Missing parameter"`},
		{name: "a parameter too many", send: "VOLT 1,2", then: "SYST:ERR?", thenWant: `-108,"Parameter not allowed"`},
		{name: "a string for a number", send: `VOLT "1"`, then: "SYST:ERR?", thenWant: `-158,"String data not allowed"`},
		{name: "a wrong suffix", send: "VOLT 1 A", then: "SYST:ERR?", thenWant: `-131,"Invalid suffix"`},
		{name: "a word for a number", send: "VOLT LOTS", then: "SYST:ERR?", thenWant: `-141,"Invalid character data"`},
		{name: "integer, decimal, exponent", send: "VOLT 12;VOLT?;VOLT 1.25;VOLT?;VOLT 1.5e1;VOLT?;VOLT .5;VOLT?;VOLT 5.;VOLT?;VOLT +2E-1;VOLT?",
			want: "1.20000000E+01;1.25000000E+00;1.50000000E+01;5.00000000E-01;5.00000000E+00;2.00000000E-01"},
		{name: "suffixes, M is milli", send: "VOLT 1500 mV;VOLT?;VOLT 0.001 KV;VOLT?;CURR 20MA;CURR?", want: "1.50000000E+00;1.00000000E+00;2.00000000E-02"},
		{name: "hexadecimal, octal, binary", send: "VOLT #H1A;VOLT?;VOLT #Q17;VOLT?;VOLT #B101;VOLT?", want: "2.60000000E+01;1.50000000E+01;5.00000000E+00"},
		{name: "limits by name", send: "VOLT? MAX;VOLT? MIN;VOLT MAX;VOLT?;VOLT MIN;VOLT?", want: "3.20000000E+01;0.00000000E+00;3.20000000E+01;0.00000000E+00"},
		{name: "rounding to the resolution", send: "VOLT 1.23456;VOLT?", want: "1.23500000E+00"},
		{name: "truth values", send: "CURR:PROT:STAT ON;STAT?;STAT OFF;STAT?;STAT 2;STAT?;STAT 0.4;STAT?", want: "1;0;1;0"},
		{name: "words are answered in the short form", send: "VOLT:ALC:SOUR external;SOUR?;SOUR INT;SOUR?", want: "EXT;INT"},
		{name: "empty messages do nothing", send: "\n\r\n;;", then: "SYST:ERR?", thenWant: `0,"No error"`},
		{name: "no acquisition to fetch", send: "*RST;:FETC:VOLT?", then: "SYST:ERR?", thenWant: `-230,"Data corrupt or stale"`},
		{name: "an acquisition is overlapped: *OPC? waits for it", send: "SENS:VOLT:APER 0.3;:INIT;:STAT:OPER:COND?;*OPC?;:STAT:OPER:COND?", want: "16;1;0"},
		{name: "the event bit comes when it is over, not before", send: "INIT;*OPC;*ESR?;*WAI;*ESR?", want: "0;1"},
		{name: "both functions of one acquisition", send: "OUTP ON;:VOLT 0;:INIT;:FETC:CURR?", want: ""},
		{name: "abort ends it without a reading", send: "INIT;ABOR;*OPC?", want: "1", then: "FETC:VOLT?;:SYST:ERR?", thenWant: `-230,"Data corrupt or stale"`},
	} {
		fmt.Fprint(c, "*RST;*CLS\n")
		if row.want != "" {
			if got := ask(t, c, in, row.send); got != row.want+"\n" {
				t.Errorf("%s: %q answers %q, want %q", row.name, row.send, got, row.want)
			}
		} else if row.name == "both functions of one acquisition" {
			ask(t, c, in, row.send)
		} else {
			fmt.Fprint(c, row.send+"\n")
		}
		if row.thenWant != "" {
			if got := ask(t, c, in, row.then); got != row.thenWant+"\n" {
				t.Errorf("%s: after %q, %q answers %q, want %q", row.name, row.send, row.then, got, row.thenWant)
			}
		} else if row.then != "" {
			fmt.Fprint(c, row.then+"\n")
		}
	}
}

// The queue holds 20 entries; the newest is then replaced by -350 and the oldest are kept (SCPI-1999 volume 2, SYSTem:ERRor).
func TestErrorQueueOverflow(t *testing.T) {
	addresses, _ := start(t, bench(t), 0, serve.Endpoint{Instrument: "psu", Address: "tcp://127.0.0.1:0"})
	c, in := dial(t, addresses[0])
	fmt.Fprint(c, "VOLT 99\n"+strings.Repeat("BAD\n", 30))
	if got := ask(t, c, in, "SYST:ERR?"); got != "-222,\"Data out of range\"\n" {
		t.Errorf("the oldest entry: %q", got)
	}
	for range 18 {
		if got := ask(t, c, in, "SYST:ERR?"); got != "-113,\"Undefined header\"\n" {
			t.Errorf("an entry in the middle: %q", got)
		}
	}
	if got := ask(t, c, in, "SYST:ERR?"); got != "-350,\"Queue overflow\"\n" {
		t.Errorf("the newest entry: %q", got)
	}
	if got := ask(t, c, in, "SYST:ERR?"); got != "0,\"No error\"\n" {
		t.Errorf("behind the last: %q", got)
	}
}

// An output ramp is a pending operation: 10 V at the default slew of 500 V/s take 20 ms.
func TestOutputRampIsPending(t *testing.T) {
	b := bench(t)
	addresses, _ := start(t, b, 0, serve.Endpoint{Instrument: "psu", Address: "tcp://127.0.0.1:0"})
	c, in := dial(t, addresses[0])
	ask(t, c, in, "OUTP ON;*OPC?")
	if got := ask(t, c, in, "*CLS;VOLT 10;*OPC;*ESR?;:STAT:OPER:COND?;*OPC?;*ESR?;:STAT:OPER:COND?"); got != "0;2;1;1;0\n" {
		t.Errorf("before and after the ramp: %q", got)
	}
	if v := b.Truth().Volts["out"]; v < 9.9 {
		t.Errorf("the node is at %g V when the ramp is reported over", v)
	}
	if got := ask(t, c, in, "VOLT 0;*WAI;:STAT:OPER:COND?"); got != "0\n" {
		t.Errorf("after *WAI the ramp goes on: %q", got)
	}
}

// The questionable registers: condition follows, event latches, filters choose the edge, enable passes it on to bit 3 of the status byte.
func TestQuestionableRegisters(t *testing.T) {
	addresses, _ := start(t, bench(t), 0, serve.Endpoint{Instrument: "psu", Address: "tcp://127.0.0.1:0"})
	c, in := dial(t, addresses[0])
	ask(t, c, in, "*CLS;:STAT:PRES;:STAT:QUES:ENAB 1;:VOLT 5;CURR 3;:OUTP ON;*WAI;*OPC?")
	if got := ask(t, c, in, "STAT:QUES:COND?;EVEN?;:STAT:QUES?;*STB?"); got != "2;2;0;16\n" { // CV: the current is not regulated; 16: answers wait in the output queue
		t.Errorf("in voltage mode: %q", got)
	}
	if got := ask(t, c, in, "CURR 0.1;:MEAS:CURR?;:STAT:QUES:COND?;*STB?"); !strings.HasSuffix(got, ";1;24\n") {
		t.Errorf("in current mode: %q", got)
	}
	if got := ask(t, c, in, "STAT:QUES:EVEN?;*STB?;:STAT:QUES:ENAB?;PTR?;NTR?"); got != "1;16;1;32767;0\n" {
		t.Errorf("reading the event: %q", got)
	}
	ask(t, c, in, "STAT:QUES:PTR 0;NTR 1;:CURR 3;:MEAS:CURR?")
	if got := ask(t, c, in, "STAT:QUES:COND?;EVEN?"); got != "2;1\n" { // the falling edge of bit 0
		t.Errorf("with the negative filter: %q", got)
	}
}
