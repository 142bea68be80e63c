package scpi_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"fourwire/sim/scpi"
)

// messages is a session on a transport with END and talk requests, as VXI-11 and USBTMC have.
func messages(p *probe) *scpi.Session {
	return p.device.Open(scpi.SessionOptions{Messages: true, Strict: true})
}

func write(s *scpi.Session, text string) {
	s.Feed([]byte(text), true)
	s.Run(0)
}

// read is one talk request; "" when there was nothing to send.
func read(s *scpi.Session) string {
	if s.RequestData() != scpi.Ready {
		return ""
	}
	p, end := s.Receive(1 << 20)
	if !end {
		return string(p) + "..."
	}
	return string(p)
}

// The conformance script of the project's protocol notes (IEEE 488.2 clauses 6 and 7, from memory), stream part.
func TestConformanceStream(t *testing.T) {
	for _, c := range []struct{ name, send, want, errors string }{
		{"identity in small letters, CR LF", "*idn?\r\n", "Lakeside,Probe,12,3.4\n", ""},
		{"white space round colons", " : SYST : ERR? \n", "", "-102"},
		{"two answers", "SYST:ERR?;*ESR?\n", "0,\"No error\";128\n", ""},
		{"non-decimal data", "*ESE #H20;*ESE?\n", "32\n", ""},
		{"query behind an indefinite answer", "*IDN?;*STB?\n", "Lakeside,Probe,12,3.4\n", "-440"},
		{"command behind an indefinite answer", "*IDN?;VOLT 2\nVOLT?\n", "Lakeside,Probe,12,3.4\n2.000000E+00\n", ""},
		{"number and answer", "VOLT 1e0;VOLT?\n", "1.000000E+00\n", ""},
		{"command error drops the rest", "VOLT 1;BAD;VOLT 2\nVOLT?\n", "1.000000E+00\n", "-113"},
		{"answers before the error are sent", "VOLT?;BAD;VOLT?\n", "0.000000E+00\n", "-113"},
		{"execution error goes on", "VOLT 99;VOLT 2;VOLT?\n", "2.000000E+00\n", "-222"},
		{"empty messages", "\n\n \n;;\n*OPC?\n", "1\n", ""},
		{"several messages at once", "*OPC?\n*OPC?\n*OPC?\n", "1\n1\n1\n", ""},
	} {
		p := newProbe(t)
		s := p.device.Open(scpi.SessionOptions{})
		if got := raw(s, c.send); got != c.want {
			t.Errorf("%s: %q answers %q, want %q", c.name, c.send, got, c.want)
		}
		if got := lastErrors(s); got != c.errors {
			t.Errorf("%s: errors %q, want %q", c.name, got, c.errors)
		}
	}
}

// The same script, on a transport with END.
func TestConformanceMessages(t *testing.T) {
	p := newProbe(t)
	s := messages(p)
	errors := func(want, why string) {
		t.Helper()
		var got []string
		for p.device.Errors() > 0 {
			write(s, "SYST:ERR:CODE?")
			got = append(got, strings.TrimSpace(read(s)))
		}
		if strings.Join(got, " ") != want {
			t.Errorf("%s: errors %v, want %q", why, got, want)
		}
	}
	write(s, "*CLS")
	write(s, "*IDN?")
	write(s, "*STB?")
	if got := read(s); got != "4\n" { // MX-01; -410 is in the queue
		t.Errorf("after an interrupted query: %q", got)
	}
	write(s, "*ESR?")
	if got := read(s); got != "4\n" {
		t.Errorf("QYE after an interrupted query: %q", got)
	}
	errors("-410", "MX-01")
	if got := read(s); got != "" { // MX-02
		t.Errorf("nothing pending: %q", got)
	}
	errors("-420", "MX-02, nothing queued")
	s.Feed([]byte("*ID"), false)
	s.Run(0)
	if s.RequestData() != scpi.NothingToSend {
		t.Error("half a message has an answer")
	}
	write(s, "N?")
	if got := read(s); got != "Lakeside,Probe,12,3.4\n" {
		t.Errorf("split message: %q", got)
	}
	errors("-420", "MX-02, before the message is complete")
	write(s, "*OPC?\n") // LF with END: one message
	if got := read(s); got != "1\n" {
		t.Errorf("LF with END: %q", got)
	}
	write(s, "*OPC?\n*ESR?") // LF ends a message without END too; the second interrupts
	if got := read(s); got != "4\n" {
		t.Errorf("two messages in one write: %q", got)
	}
	errors("-410", "two messages in one write")
	write(s, "VOLT?;CURR?")
	if p, end := s.Receive(5); string(p) != "0.000" || end {
		t.Errorf("first bytes %q %v", p, end)
	}
	if got := read(s); got != "000E+00;0.000000E+00\n" {
		t.Errorf("the rest: %q", got)
	}
	write(s, "DATA:TEXT? 'abc")
	errors("-151", "EQ-07: string cut off by END")
	write(s, "DATA:BLOC? #15HEL")
	errors("-161", "EQ-07: block cut off by END")
	write(s, "DATA:BLOC? #215HELLO")
	errors("-161", "BK-04: short block")
	write(s, "DATA:BLOC? #0A\nB;*OPC?\n")
	if got := read(s); got != "#19A\nB;*OPC?\n" { // BK-03: LF with END ends it, an LF inside is data
		t.Errorf("indefinite block: %q", got)
	}
	write(s, "DATA:BLOC? #0A\nB")
	if got := read(s); got != "#13A\nB\n" {
		t.Errorf("indefinite block that END alone ends: %q", got)
	}
	write(s, "DATA:ENDL?;*ESE?")
	if got := read(s); got != "#0A\nB\n" {
		t.Errorf("indefinite answer: %q", got)
	}
	errors("-440", "MX-04")
}

func TestDeviceClear(t *testing.T) {
	p := newProbe(t)
	s := messages(p)
	write(s, "*CLS;*SRE 4;VOLT 3;*OPC?")
	s.Feed([]byte("DATA:BLOC? #9000000100abc"), false)
	s.Run(0)
	s.Clear()
	write(s, "*SRE?;VOLT?")
	if got := read(s); got != "4;3.000000E+00\n" {
		t.Errorf("after a clear amid a block: %q", got)
	}
	write(s, "A:B 1;*WAI;INIT") // -113: INIT below A
	write(s, ":INIT;*OPC;*WAI;VOLT 9")
	s.Clear()
	write(s, "VOLT?")
	if got := read(s); got != "3.000000E+00\n" {
		t.Errorf("the command behind *WAI was executed, or the clear did not end the wait: %q", got)
	}
	p.device.Run(int64(time.Second))
	if got := p.device.EventStatus() & scpi.OPC; got != 0 {
		t.Error("the clear did not cancel *OPC")
	}
	write(s, "READ?")
	if s.RequestData() != scpi.UnderWay || !s.Waiting() {
		t.Error("a measurement under way is not seen")
	}
	s.Clear()
	s.Run(int64(2 * time.Second))
	if s.Available() || s.Waiting() {
		t.Error("the measurement outlived the clear")
	}
	s.Close()
	if n := s.Feed([]byte("*OPC?\n"), false); n != 6 || s.Run(0) != scpi.Never || s.Available() {
		t.Error("a closed session still works")
	}
}

func TestGroupTrigger(t *testing.T) {
	p := newProbe(t)
	s := messages(p)
	s.Feed([]byte("A:B 1"), true)
	s.Trigger()
	s.Feed([]byte("A:C 1"), true)
	s.Run(0)
	if p.trigger != 1 || strings.Join(p.log, " ") != "A:B A:C" {
		t.Errorf("%d triggers, %v", p.trigger, p.log)
	}
	s.Feed([]byte("A:B 1;A"), false)
	s.Trigger()
	s.Feed([]byte(":C 1"), true)
	s.Run(0)
	write(s, "SYST:ERR?")
	if got := read(s); got != "-105,\"GET not allowed\"\n" || p.trigger != 1 {
		t.Errorf("trigger amid a message: %q, %d triggers", got, p.trigger)
	}
	q, err := scpi.NewDevice(scpi.Options{})
	if err != nil {
		t.Fatal(err)
	}
	s = q.Open(scpi.SessionOptions{Messages: true})
	s.Trigger()
	write(s, "SYST:ERR?")
	if got := read(s); got != "-211,\"Trigger ignored\"\n" {
		t.Errorf("trigger of an instrument without one: %q", got)
	}
}

// MX-03: the controller writes a message of queries and reads nothing until both buffers are full.
func TestDeadlock(t *testing.T) {
	p := newProbe(t)
	s := p.device.Open(scpi.SessionOptions{Messages: true, Strict: true, InputLimit: 64, OutputLimit: 64})
	message := []byte(strings.Repeat("VOLT?;", 100) + "CURR 7\n")
	for rest := message; len(rest) > 0; {
		n := s.Feed(rest, true)
		s.Run(0)
		rest = rest[n:]
	}
	if s.Available() {
		t.Error("answers were kept")
	}
	write(s, "SYST:ERR?;:CURR?")
	if got := read(s); got != "-430,\"Query DEADLOCKED\";7.000000E+00\n" {
		t.Errorf("after a deadlock: %q", got)
	}
}

// A stream holds the sender back instead: nothing is lost however slowly the controller reads.
func TestBackPressure(t *testing.T) {
	p := newProbe(t)
	s := p.device.Open(scpi.SessionOptions{InputLimit: 100, OutputLimit: 50})
	rest := []byte(strings.Repeat("VOLT?;CURR?\n", 200))
	held := false
	var out strings.Builder
	for turn := 0; turn < 10000 && (len(rest) > 0 || s.Available()); turn++ {
		n := s.Feed(rest, false)
		held = held || n < len(rest)
		rest = rest[n:]
		s.Run(0)
		if turn%7 == 0 {
			out.Write(s.Output())
			s.Run(0)
		}
	}
	if want := strings.Repeat("0.000000E+00;0.000000E+00\n", 200); !held || out.String() != want {
		t.Errorf("held back %v, %d bytes of answers, want %d", held, out.Len(), len(want))
	}
}

func TestLimits(t *testing.T) {
	p := newProbe(t)
	s := p.device.Open(scpi.SessionOptions{})
	body := strings.Repeat("x\n;", 700000) // conformance script: a message of 2 MiB
	if got := say(s, fmt.Sprintf("DATA:BLOC? #7%d%s\n", len(body), body)); got != fmt.Sprintf("#7%d%s", len(body), body) {
		t.Errorf("a block of 2 MiB comes back as %d bytes; %s", len(got), lastErrors(s))
	}
	s = p.device.Open(scpi.SessionOptions{MessageLimit: 64})
	long := strings.Repeat("1", 64)
	if got := say(s, "*OPC?;CURR "+long+"\n*OPC?\nDATA:BLOC? #264"+long+"\n*OPC?\n"); got != "1\n1\n1" {
		t.Errorf("over-long messages: %q", got)
	}
	if got := lastErrors(s); got != "-363 -363" {
		t.Errorf("over-long messages: errors %s", got)
	}
	s.Feed([]byte("DATA:BLOC? #3999x"), false)
	if s.Run(0); p.device.Errors() != 1 {
		t.Error("a block that is declared too long is not refused at once")
	}
	s.Clear()
	lastErrors(s)
	s = p.device.Open(scpi.SessionOptions{InputLimit: 16, Overrun: true})
	if n := s.Feed([]byte("*OPC?\n*OPC?\n*OPC?\n"), false); n != 18 {
		t.Errorf("an overrun instrument took %d of 18 bytes", n)
	}
	s.Run(0)
	if got := string(s.Output()); got != "1\n1\n" {
		t.Errorf("what fitted answers %q", got)
	}
	if got := say(s, "\nSYST:ERR?\n"); !strings.HasSuffix(got, `-363,"Input buffer overrun"`) {
		t.Errorf("overrun: %q", got)
	}
}

func TestTiming(t *testing.T) {
	p := newProbe(t)
	s := p.device.Open(scpi.SessionOptions{})
	s.Feed([]byte("READ?;VOLT?\n"), false)
	if next := s.Run(1000); next != 1000+20e6 || s.Available() {
		t.Errorf("an aperture of 20 ms ends at %d ns, answer there: %v", next, s.Available())
	}
	if next := s.Run(20e6); next != 1000+20e6 || s.Available() {
		t.Errorf("run too early: next %d", next)
	}
	if next := s.Run(20e6 + 1000); next != scpi.Never || string(s.Output()) != "20;0.000000E+00\n" {
		t.Errorf("at its end: next %d", next)
	}
	for _, c := range []struct{ send, want string }{
		{"SLOW;TIME?\n", "25"}, // a slow command holds the next
		{"SLOW\nSLOW;TIME?\n", "35"},
		{"TIME?;:DAWD?;:TIME?\n", "35;42;42"}, // processing time comes before the answer
	} {
		if got := say(s, c.send); got != c.want {
			t.Errorf("%q answers %s, want %s", c.send, got, c.want)
		}
	}
	p = newProbe(t, func(o *scpi.Options) { o.CommandTime = time.Millisecond })
	s = p.device.Open(scpi.SessionOptions{})
	if got := say(s, "TIME?;TIME?\n;;TIME?\n"); got != "1;2\n3" {
		t.Errorf("with a millisecond per command: %q", got)
	}
}

// Sessions share registers, errors and operations, and do not share paths and answers.
func TestTwoSessions(t *testing.T) {
	p := newProbe(t)
	a, b := p.device.Open(scpi.SessionOptions{}), p.device.Open(scpi.SessionOptions{})
	a.Feed([]byte("INIT;*WAI;TIME?\n"), false)
	b.Feed([]byte("A:B 1;"), false)
	if next := p.device.Run(0); next != 100e6 {
		t.Errorf("next at %d", next)
	}
	b.Feed([]byte("C 1;:TIME?\nNONE\n"), false)
	p.device.Run(1e6)
	if got := string(b.Output()); got != "1\n" || a.Available() {
		t.Errorf("one session waits, the other goes on: %q", got)
	}
	b.Feed([]byte("ABOR\n"), false)
	if next := p.device.Run(2e6); next != scpi.Never {
		t.Errorf("next at %d", next)
	}
	if got := string(a.Output()); got != "2\n" { // a comes before b in turn and must be run again
		t.Errorf("the other session's abort ends the wait: %q", got)
	}
	if got := lastErrors(a); got != "-113" {
		t.Errorf("the queue is shared: %s", got)
	}
	if p.device.Busy() {
		t.Error("an operation is pending")
	}
}

func TestOperations(t *testing.T) {
	p := newProbe(t)
	d := p.device
	ended := 0
	o := d.BeginUntil(50, func(*scpi.Operation) { ended++ })
	other := d.Begin()
	if next := d.Run(10); next != 50 || !o.Pending() {
		t.Errorf("next at %d", next)
	}
	if next := d.Run(60); next != scpi.Never || o.Pending() || o.Aborted() || ended != 1 {
		t.Errorf("ended %d times, next at %d", ended, next)
	}
	other.End()
	other.End()
	if d.Busy() || !other.Aborted() {
		t.Error("ended by hand")
	}
	if past := d.BeginUntil(5, func(*scpi.Operation) { ended++ }); past.Pending() || ended != 2 {
		t.Error("a time that is past")
	}
	var none *scpi.Operation
	if none.Pending() {
		t.Error("no operation is pending")
	}
}

// A transport that notices an unread response itself (HiSLIP) interrupts: the old message's remaining answers are lost,
// those of the next are not.
func TestInterrupt(t *testing.T) {
	p := newProbe(t)
	s := p.device.Open(scpi.SessionOptions{Messages: true})
	s.Feed([]byte("VOLT?;:READ?;:VOLT?"), true)
	s.Run(0)
	s.Interrupt()
	s.Feed([]byte("*OPC?"), true)
	s.Run(1e9)
	if b, end := s.Receive(100); string(b) != "1\n" || !end {
		t.Errorf("after an interruption: %q", b)
	}
	if got := p.device.EventStatus() & scpi.QYE; got == 0 || p.device.Errors() != 1 {
		t.Error("-410 was not reported")
	}
}

// What comes in during a measurement is echoed behind its answer.
func TestEchoWhileBusy(t *testing.T) {
	s := newProbe(t).device.Open(scpi.SessionOptions{Echo: true})
	s.Feed([]byte("READ?\n"), false)
	s.Run(0)
	s.Feed([]byte("*OPC?\n"), false)
	s.Run(1e9)
	if got := string(s.Output()); got != "READ?\n1000\n*OPC?\n1\n" {
		t.Errorf("%q", got)
	}
}

// A long output that is taken in small pieces arrives whole and in order.
func TestSlowReader(t *testing.T) {
	p := newProbe(t)
	s := p.device.Open(scpi.SessionOptions{Messages: true, InputLimit: 4 << 20, OutputLimit: 4 << 20})
	body := strings.Repeat("0123456789", 70000)
	for range 4 {
		s.Feed([]byte("DATA:BLOC? #6700000"+body), true)
	}
	var got strings.Builder
	ends := 0
	for s.Run(0); s.Available(); s.Run(0) {
		b, end := s.Receive(65536)
		got.Write(b)
		if end {
			ends++
		}
	}
	if want := strings.Repeat("#6700000"+body+"\n", 4); got.String() != want || ends != 4 {
		t.Errorf("%d bytes and %d ends, want %d and 4", got.Len(), ends, len(want))
	}
}
