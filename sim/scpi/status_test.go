package scpi_test

import (
	"fmt"
	"testing"
	"time"

	"fourwire/sim/scpi"
)

// ask returns the answer to one query as it stands.
func ask(t *testing.T, s *scpi.Session, query, want, why string) {
	t.Helper()
	if got := say(s, query+"\n"); got != want {
		t.Errorf("%s answers %q, want %q: %s", query, got, want, why)
	}
}

func TestStatusRegisters(t *testing.T) {
	p := newProbe(t)
	s := p.device.Open(scpi.SessionOptions{})
	ask(t, s, "*ESR?", "128", "ST-05: power on")
	ask(t, s, "*ESR?", "0", "ST-02: read and cleared")
	ask(t, s, "*SRE 255;*SRE?", "191", "ST-03")
	ask(t, s, "*SRE 32;*ESE 60;*ESE?;*SRE?", "60;32", "written and read")
	say(s, "NONE\n")
	ask(t, s, "*STB?", "100", "ST-01: 32 ESB, 64 MSS, 4 error queue; MAV not yet")
	ask(t, s, "*STB?", "100", "ST-02: not cleared by *STB?")
	ask(t, s, "*ESR?;*STB?", "32;20", "MAV by the first answer, ESB gone")
	say(s, "NONE\n")
	if got := s.SerialPoll(false); got != 100 {
		t.Errorf("first poll %d, want 100 (RQS)", got)
	}
	if got := s.SerialPoll(false); got != 36 {
		t.Errorf("second poll %d, want 36: a poll clears RQS", got)
	}
	ask(t, s, "*STB?", "100", "ST-02: MSS stays after a poll")
	ask(t, s, "*RST;*STB?;*ESE?;*SRE?", "100;60;32", "ST-04: *RST touches neither")
	ask(t, s, "*CLS;*STB?;*ESR?;*ESE?;*SRE?", "0;0;60;32", "ST-04: *CLS leaves the enables")
	if p.resets != 1 {
		t.Errorf("%d resets, want 1", p.resets)
	}
}

// Each bit of the event status register makes ESB when, and only when, it is enabled (IEEE 488.2 clause 11.5).
func TestEventBits(t *testing.T) {
	for code, weight := range map[scpi.Code]int{
		scpi.OperationComplete: 1, scpi.RequestControl: 2, scpi.QueryError: 4, scpi.DeviceSpecificError: 8,
		scpi.ExecutionError: 16, scpi.CommandError: 32, scpi.UserRequest: 64, scpi.PowerOn: 128, 5: 8,
	} {
		p := newProbe(t)
		s := p.device.Open(scpi.SessionOptions{})
		say(s, fmt.Sprintf("*CLS;*ESE %d\n", 255-weight))
		p.device.Post(code)
		eav := 0
		if p.device.Errors() > 0 {
			eav = 4
		}
		ask(t, s, "*STB?", fmt.Sprint(eav), fmt.Sprintf("%d is not enabled", code))
		ask(t, s, fmt.Sprintf("*ESE %d;*STB?", weight), fmt.Sprint(32+eav), fmt.Sprintf("%d is enabled", code))
		ask(t, s, "*ESR?", fmt.Sprint(weight), "published register table")
	}
}

// Every bit of OPERation and QUEStionable through condition, both filters, event, enable and summary (SCPI-1999 volume 1
// chapter 9).
func TestRegisterSets(t *testing.T) {
	for _, set := range []struct {
		path    string
		pick    func(*scpi.Device) *scpi.Register
		summary int
	}{{"STAT:OPER", (*scpi.Device).Operation, 128}, {"STATUS:QUESTIONABLE", (*scpi.Device).Questionable, 8}} {
		p := newProbe(t)
		s := p.device.Open(scpi.SessionOptions{})
		r := set.pick(p.device)
		for bit := range 15 {
			w := 1 << bit
			send := func(format string) { say(s, fmt.Sprintf(set.path+format+"\n", w)) }
			read := func(node string, want int, why string) {
				t.Helper()
				ask(t, s, set.path+node, fmt.Sprint(want), fmt.Sprintf("bit %d: %s", bit, why))
			}
			say(s, "*CLS;:STAT:PRES\n")
			r.Raise(uint16(w))
			if r.Condition() != uint16(w) || r.Event() != uint16(w) {
				t.Errorf("bit %d: condition %d, event %d", bit, r.Condition(), r.Event())
			}
			read(":COND?", w, "raised")
			read(":COND?", w, "reading does not clear")
			ask(t, s, "*STB?", "0", "not enabled")
			send(":ENAB %d")
			ask(t, s, "*STB?", fmt.Sprint(set.summary), "summary")
			read("?", w, "rising edge by the preset filters")
			read(":EVEN?", 0, "reading clears")
			ask(t, s, "*STB?", "0", "summary follows the event")
			r.Drop(uint16(w))
			read("?", 0, "falling edge is filtered")
			send(":PTR 0;NTR %d")
			r.Raise(uint16(w))
			read("?", 0, "rising edge is filtered")
			r.Drop(uint16(w))
			read("?", w, "falling edge")
			read(":NTR?", w, "filter as written")
			r.Raise(uint16(w))
			r.Drop(uint16(w))
			ask(t, s, "*CLS;"+":"+set.path+"?", "0", "*CLS clears events")
			read(":ENAB?", w, "*CLS leaves the enable")
			say(s, "STAT:PRES\n")
			read(":ENAB?", 0, "preset")
			read(":PTR?", 32767, "preset")
			read(":NTR?", 0, "preset")
		}
		ask(t, s, set.path+":ENAB 65535;ENAB?", "32767", "bit 15 is always 0")
	}
}

func TestRegisterTree(t *testing.T) {
	p := newProbe(t, func(o *scpi.Options) {
		o.Registers = []scpi.RegisterSet{
			{Path: "STATus:QUEStionable:INSTrument", Parent: "STATus:QUEStionable", Bit: 13},
			{Path: "STATus:QUEStionable:INSTrument:ISUMmary", Parent: "STATus:QUEStionable:INSTrument", Bit: 1, Count: 2},
		}
	})
	s := p.device.Open(scpi.SessionOptions{})
	say(s, "*CLS;:STAT:QUES:ENAB 8192\n")
	second := p.device.Register("STATus:QUEStionable:INSTrument:ISUMmary2")
	second.Raise(512)
	ask(t, s, "STAT:QUES:INST:ISUM2:COND?;:STAT:QUES:INST:ISUM:COND?;:STAT:QUES:INST:ISUM1:COND?", "512;0;0", "second channel only")
	ask(t, s, "STAT:QUES:INST:COND?;:STAT:QUES:COND?;:*STB?", "4;8192", "summary upward; a colon before a common command is -102")
	ask(t, s, "*STB?", "12", "QUES summary and the error just made")
	ask(t, s, "STAT:QUES:INST:ISUM2?", "512", "event")
	ask(t, s, "STAT:QUES:INST:COND?", "0", "the summary falls with the event")
	ask(t, s, "STAT:QUES:INST:ISUM3:COND?", "", "third of two")
	if got := lastErrors(s); got != "-102 -114" {
		t.Errorf("errors %s", got)
	}
	if p.device.Register("NONE") != nil {
		t.Error("an undeclared register set was found")
	}
	second.Drop(512)
	second.Raise(512)
	ask(t, s, "*CLS;*STB?", "0", "*CLS clears the whole tree")
}

func TestServiceRequest(t *testing.T) {
	p := newProbe(t)
	a, b := p.device.Open(scpi.SessionOptions{}), p.device.Open(scpi.SessionOptions{})
	say(a, "*CLS;*SRE 16\n")
	a.Feed([]byte("*OPC?\n"), false)
	a.Run(0)
	if stb, ok := a.TakeServiceRequest(); !ok || stb != 64+16 {
		t.Errorf("with MAV enabled a response requests service: %d %v", stb, ok)
	}
	if _, ok := a.TakeServiceRequest(); ok {
		t.Error("one request was announced twice")
	}
	if _, ok := b.TakeServiceRequest(); ok {
		t.Error("MAV of one session requested service in another")
	}
	a.Output()
	if stb := a.SerialPoll(true); stb&16 == 0 {
		t.Error("bytes held by the transport do not count as a message available")
	}
	say(a, "*SRE 4\n")
	p.device.Post(scpi.HardwareError)
	for _, s := range []*scpi.Session{a, b} {
		if stb, ok := s.TakeServiceRequest(); !ok || stb != 64+4 {
			t.Errorf("a shared reason reaches every session: %d %v", stb, ok)
		}
	}
	p.device.Post(scpi.HardwareError)
	if _, ok := a.TakeServiceRequest(); ok {
		t.Error("a bit that was set already is no new reason")
	}
}

func TestCommonCommands(t *testing.T) {
	saved := -1
	p := newProbe(t, func(o *scpi.Options) {
		o.Installed = "LIST"
		o.SelfTest = func(*scpi.Call) (int, error) { return 3, nil }
		o.Save = func(_ *scpi.Call, n int) error { saved = n; return nil }
		o.Recall = func(*scpi.Call, int) error { return scpi.SettingsConflict }
	})
	s := p.device.Open(scpi.SessionOptions{})
	ask(t, s, "*IDN?", "Lakeside,Probe,12,3.4", "four fields")
	ask(t, s, "*OPT?", "LIST", "options")
	ask(t, s, "*TST?", "3", "self-test")
	ask(t, s, "SYST:VERS?", "1999.0", "SCPI version")
	say(s, "*SAV 4\n*TRG\n*RCL 4\n")
	if got := lastErrors(s); saved != 4 || p.trigger != 1 || got != "-221" {
		t.Errorf("saved %d, %d triggers, errors %s", saved, p.trigger, got)
	}
	bare, err := scpi.NewDevice(scpi.Options{})
	if err != nil {
		t.Fatal(err)
	}
	s = bare.Open(scpi.SessionOptions{})
	ask(t, s, "*IDN?", "0,0,0,0", "unknown fields are 0")
	ask(t, s, "*OPT?", "0", "no options")
	ask(t, s, "*TST?", "0", "passed")
	say(s, "*TRG\n*SAV 1\n*RCL 1\n")
	if got := lastErrors(s); got != "-113 -113 -113" {
		t.Errorf("optional commands without a meaning: %s", got)
	}
}

func TestSynchronisation(t *testing.T) {
	start := func() (*probe, *scpi.Session) {
		p := newProbe(t)
		s := p.device.Open(scpi.SessionOptions{})
		say(s, "*CLS\n")
		return p, s
	}
	_, s := start()
	ask(t, s, "*OPC;*ESR?", "1", "SY-04: nothing pending, at once")
	ask(t, s, "*OPC?;*ESR?", "1;0", "SY-02: the bit is untouched")
	ask(t, s, "INIT;*OPC;*ESR?;:TIME?", "0;0", "SY-01: does not hold off what follows")
	ask(t, s, "*ESR?", "1", "SY-01: set when the sweep had ended")

	_, s = start()
	ask(t, s, "INIT;TIME?;*OPC?;:TIME?", "0;1;100", "SY-02: answers and goes on after 100 ms")
	_, s = start()
	ask(t, s, "INIT;*WAI;TIME?", "100", "SY-03")
	ask(t, s, "*WAI;TIME?", "100", "nothing pending")
	_, s = start()
	ask(t, s, "INIT;:FETC?;FETC?;:STAT:OPER:COND?", "100;100;0", "a fetch waits for its operation")
	_, s = start()
	ask(t, s, "INIT;ABOR;*OPC?;:FETC?", "1", "an aborted operation is no longer pending")
	if got := lastErrors(s); got != "-230" {
		t.Errorf("fetch after an abort: %s", got)
	}

	// SY-05, the interrupt recipe: *ESE 1, *SRE 32, ...;*OPC, wait for the request
	var p *probe
	p, s = start()
	s.Feed([]byte("*ESE 1;*SRE 32;:INIT;*OPC\n"), false)
	next := s.Run(0)
	if _, early := s.TakeServiceRequest(); early || next != int64(100*time.Millisecond) {
		t.Errorf("request at once: %v, next at %d", early, next)
	}
	p.device.Run(next)
	if stb, ok := s.TakeServiceRequest(); !ok || stb != 64+32 {
		t.Errorf("no request at the end of the sweep: %d %v", stb, ok)
	}

	for _, cancel := range []string{"*CLS", "*RST"} { // IEEE 488.2 clause 12.5.2: both forget a waiting *OPC
		_, s = start()
		ask(t, s, "INIT;*OPC;"+cancel+";*ESR?", "0", cancel)
		ask(t, s, "*WAI;*ESR?", "0", cancel+" forgot *OPC")
	}
	_, s = start()
	ask(t, s, "INIT;*RST;*OPC?;TIME?", "1;0", "*RST ends pending operations")
}
