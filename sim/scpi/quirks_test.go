package scpi_test

import (
	"testing"

	"fourwire/sim/scpi"
)

// Departures that real instruments show: common practice, partly read in makers' manuals.
func TestSessionQuirks(t *testing.T) {
	for _, c := range []struct {
		name    string
		options scpi.SessionOptions
		send    string
		want    string
	}{
		{"CR LF", scpi.SessionOptions{Terminator: "\r\n"}, "*OPC?\n", "1\r\n"},
		{"CR", scpi.SessionOptions{Terminator: "\r"}, "*OPC?\n", "1\r"},
		{"no terminator", scpi.SessionOptions{NoTerminator: true}, "*OPC?\n", "1"},
		{"echo", scpi.SessionOptions{Echo: true}, "*OPC?\r\n", "*OPC?\r\n1\n"},
		{"prompt", scpi.SessionOptions{Prompt: "=> "}, "*CLS\n*OPC?\n", "=> 1\n=> "},
		{"acknowledge", scpi.SessionOptions{Acknowledge: "OK"}, "*CLS\n\n*OPC?\n", "OK\n1\n"},
		{"LF ends a string", scpi.SessionOptions{LinesEnd: true}, "DATA:TEXT? 'a\nSYST:ERR:CODE?\n", "-151\n"},
	} {
		if got := raw(newProbe(t).device.Open(c.options), c.send); got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

func TestDeviceQuirks(t *testing.T) {
	for _, c := range []struct {
		name   string
		quirks scpi.Quirks
		send   string
		want   string
		errors string
	}{
		{"clip", scpi.Quirks{Clip: true}, "VOLT 99;VOLT?;VOLT -1;VOLT?\n", "6.000000E+01;0.000000E+00\n", ""},
		{"semicolon ends", scpi.Quirks{Compound: scpi.CompoundEnds}, "MEAS:VOLT?;MEAS:CURR?;\n", "MV\nMC\n", ""},
		{"semicolon refused", scpi.Quirks{Compound: scpi.CompoundRefused}, "MEAS:VOLT?;CURR?\nCURR?\n", "MV\n0.000000E+00\n", "-103"},
		{"path forgotten", scpi.Quirks{ForgetPath: true}, "MEAS:VOLT?;CURR?\n", "MV;0.000000E+00\n", ""},
		{"common command resets the path", scpi.Quirks{CommonResetsPath: true}, "MEAS:VOLT?;*OPC?;CURR?\n", "MV;1;0.000000E+00\n", ""},
		{"complete at once", scpi.Quirks{InstantComplete: true}, "*CLS;:INIT;*OPC;*ESR?;*OPC?;:TIME?\n", "1;1;0\n", ""},
		{"wait ignored", scpi.Quirks{IgnoreWait: true}, "INIT;*WAI;TIME?\n", "0\n", ""},
		{"silent", scpi.Quirks{Silent: true}, "*CLS;NONE\nVOLT 99\n*ESR?\n", "0\n", ""},
		{"bare number", scpi.Quirks{BareErrors: true}, "NONE\nSYST:ERR?;ERR?\n", "-113;0\n", ""},
		{"plus zero", scpi.Quirks{PlusZero: true}, "SYST:ERR?\n", "+0,\"No error\"\n", ""},
		{"query behind the identity", scpi.Quirks{QueryAfterIDN: true}, "*IDN?;*OPC?\n", "Lakeside,Probe,12,3.4;1\n", ""},
		{"fixed point", scpi.Quirks{FixedPoint: true}, "VOLT 12.5;VOLT?\n", "12.50000\n", ""},
	} {
		p := newProbe(t, func(o *scpi.Options) { o.Quirks = c.quirks })
		s := p.device.Open(scpi.SessionOptions{})
		if got := raw(s, c.send); got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
		if n := p.device.Errors(); c.errors == "" && n != 0 {
			t.Errorf("%s: %d errors", c.name, n)
		} else if c.errors != "" && lastErrors(s) != c.errors {
			t.Errorf("%s: other errors than %s", c.name, c.errors)
		}
	}
}
