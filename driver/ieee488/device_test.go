package ieee488_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"fourwire/driver/ieee488"
	"fourwire/internal/clock"
	"fourwire/transport"
	"fourwire/transport/transporttest"
)

var start = time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)

// standIn is an instrument in virtual time. Answers come in the order of the questions, each when it is due, whether anybody waits or not.
type standIn struct {
	clock *clock.Virtual
	obey  func(message string) (answer string, after time.Duration)
	due   []late
	log   []string
}

type late struct {
	text string
	at   time.Time
}

func (s *standIn) Send(ctx context.Context, msg []byte) error {
	if ctx.Err() != nil {
		return transport.Interrupted(ctx, "nothing was sent")
	}
	s.log = append(s.log, string(msg))
	for unit := range strings.SplitSeq(string(msg), ";") {
		if answer, after := s.obey(unit); answer != "" {
			s.due = append(s.due, late{answer, s.clock.Now().Add(after)})
		}
	}
	return nil
}

func (s *standIn) Receive(ctx context.Context, into []byte) ([]byte, error) {
	wait := time.Hour
	if len(s.due) > 0 {
		wait = s.due[0].at.Sub(s.clock.Now())
	}
	if err := s.clock.Sleep(ctx, wait); err != nil {
		return into[:0], &transport.Error{Op: "receive", Address: "stand-in", Err: transport.Interrupted(ctx, "no answer came")}
	}
	text := s.due[0].text
	s.due = s.due[1:]
	return append(into[:0], text...), nil
}

func (s *standIn) Close() error { return nil }

func device(t *testing.T, obey func(string) (string, time.Duration)) (*ieee488.Device, *standIn, *clock.Virtual) {
	t.Helper()
	c := clock.NewVirtual(start)
	s := &standIn{clock: c, obey: obey}
	d := ieee488.New(ieee488.Config{Link: s, Instrument: "feed-psu", Address: "stand-in", Clock: c}.Standard())
	return d, s, c
}

func ExampleFault() {
	link := transporttest.NewScript(
		transporttest.Sent(":SOUR:VOLT 72"),
		transporttest.Sent(":SYST:ERR?"), transporttest.Answer(`-222,"Data out of range"`),
		transporttest.Sent(":SYST:ERR?"), transporttest.Answer(`0,"No error"`),
	)
	d := ieee488.New(ieee488.Config{Link: link, Instrument: "feed-psu", Address: "tcp://10.0.0.7:5025"}.Standard())
	ctx := context.Background()
	_ = d.Command(ctx, []byte(":SOUR:VOLT 72"))
	err := d.Check(ctx)
	fmt.Println(err)
	fmt.Println(errors.Is(err, ieee488.Entry{Number: -222}), errors.Is(err, ieee488.Entry{Number: -113}))
	// Output:
	// feed-psu at tcp://10.0.0.7:5025 refused ":SOUR:VOLT 72": -222 "Data out of range"
	// true false
}

func TestFaultIsAValue(t *testing.T) {
	lost := &transport.Error{Op: "receive", Address: "tcp:1", Err: transport.Explain("the connection is lost", transport.ErrLost)}
	f := &ieee488.Fault{Address: "tcp:1", Instrument: "sink-1", Sent: `":VOLT?"`, Err: lost,
		Queue: []ieee488.Entry{{-222, "Data out of range"}, {-410, "Query INTERRUPTED"}}}
	wrapped := fmt.Errorf("point 3: %w", f)
	for name, is := range map[string]bool{
		"the first entry":         errors.Is(wrapped, ieee488.Entry{Number: -222}),
		"the last entry":          errors.Is(wrapped, ieee488.Entry{Number: -410}),
		"an entry with its text":  errors.Is(wrapped, ieee488.Entry{-222, "Data out of range"}),
		"the cause":               errors.Is(wrapped, transport.ErrLost),
		"not another text":        !errors.Is(wrapped, ieee488.Entry{-222, "Settings conflict"}),
		"not another number":      !errors.Is(wrapped, ieee488.Entry{Number: -113}),
		"not another kind of end": !errors.Is(wrapped, transport.ErrTimeout),
	} {
		if !is {
			t.Errorf("errors.Is does not tell %s", name)
		}
	}
	var got *ieee488.Fault
	if !errors.As(wrapped, &got) || got.Instrument != "sink-1" {
		t.Error("errors.As does not find the fault")
	}
	if want := `sink-1 at tcp:1, asked ":VOLT?": the connection is lost; its error queue says -222 "Data out of range"; -410 "Query INTERRUPTED"`; f.Error() != want {
		t.Errorf("got  %s\nwant %s", f, want)
	}
	if text := (&ieee488.Fault{Queue: make([]ieee488.Entry, 30)}).Error(); !strings.Contains(text, "and 24 more") {
		t.Errorf("a long queue reads %s", text)
	}
}

func TestThreeWaysNotToAnswer(t *testing.T) {
	d, s, _ := device(t, func(m string) (string, time.Duration) {
		if m == "EMPTY?" {
			return "  ", 0
		}
		return "", 0
	})
	ctx := context.Background()
	if _, err := d.Ask(ctx, []byte("EMPTY?")); !errors.Is(err, ieee488.ErrEmptyAnswer) || errors.Is(err, ieee488.ErrNoAnswer) {
		t.Errorf("an empty answer gives %v", err)
	}
	_, err := d.Ask(ctx, []byte("VOLT?"))
	if !errors.Is(err, ieee488.ErrNoAnswer) || !errors.Is(err, transport.ErrTimeout) || errors.Is(err, ieee488.ErrPartialAnswer) {
		t.Errorf("no answer gives %v", err)
	}
	if _, err = d.Ask(ctx, []byte("VOLT?")); !errors.Is(err, transport.ErrAstray) {
		t.Errorf("the next question on a link out of step gives %v", err)
	}
	if len(s.log) != 2 {
		t.Errorf("sent %q: the third question must not go out", s.log)
	}

	cut := &transport.Error{Op: "receive", Address: "x", Err: transport.Explain("cut", transport.ErrTimeout, transport.ErrPartial)}
	link := transporttest.NewScript(transporttest.Sent("VOLT?"), transporttest.Failure(cut))
	_, err = ieee488.New(ieee488.Config{Link: link}).Ask(ctx, []byte("VOLT?"))
	if !errors.Is(err, ieee488.ErrPartialAnswer) || errors.Is(err, ieee488.ErrNoAnswer) {
		t.Errorf("a part of an answer gives %v", err)
	}
}

// The answer of a question that ran out of time comes later; it must not be given to the next question.
func TestLateAnswerIsNotTakenForTheNext(t *testing.T) {
	d, _, c := device(t, func(m string) (string, time.Duration) {
		switch m {
		case "*IDN?":
			return "M,D,1,2", 0
		case "SLOW?":
			return "111", 3 * time.Second
		case "FAST?":
			return "222", 0
		case ":SYST:ERR?":
			return `0,"No error"`, 0
		}
		return "", 0
	})
	ctx := context.Background()
	if id, err := d.Identify(ctx); err != nil || id != (ieee488.Identity{Maker: "M", Model: "D", Serial: "1", Firmware: "2"}) {
		t.Fatal(id, err)
	}
	if _, err := d.Ask(ctx, []byte("SLOW?")); !errors.Is(err, ieee488.ErrNoAnswer) {
		t.Fatal(err)
	}
	answer, err := d.Ask(ctx, []byte("FAST?"))
	if err != nil || string(answer) != "222" {
		t.Fatalf("the next question was answered %q, %v", answer, err)
	}
	stopped, stop := context.WithCancel(ctx)
	stop()
	if _, err := d.Ask(stopped, []byte("FAST?")); !errors.Is(err, context.Canceled) {
		t.Errorf("a stopped call gives %v", err)
	}
	if answer, err := d.Ask(ctx, []byte("FAST?")); err != nil || string(answer) != "222" {
		t.Errorf("after it: %q, %v", answer, err)
	}
	if c.Now().Sub(start) > 5*time.Second {
		t.Errorf("that took %v", c.Now().Sub(start))
	}
}

// A refused query has no answer; the fault says what was refused rather than only that time ran out.
func TestRefusedQueryNamesTheRefusal(t *testing.T) {
	queue := []string(nil)
	d, _, _ := device(t, func(m string) (string, time.Duration) {
		switch m {
		case "*IDN?":
			return "M,D,1,2", 0
		case ":SYST:ERR?":
			if len(queue) == 0 {
				return `+0,"no error"`, 0
			}
			e := queue[0]
			queue = queue[1:]
			return e, 0
		}
		queue = append(queue, `-113,"Undefined header;`+m+`"`)
		return "", 0
	})
	ctx := context.Background()
	if _, err := d.Identify(ctx); err != nil {
		t.Fatal(err)
	}
	_, err := d.Ask(ctx, []byte("VLT?"))
	if !errors.Is(err, ieee488.Entry{Number: -113}) || !errors.Is(err, ieee488.ErrNoAnswer) {
		t.Errorf("got %v", err)
	}
}

func TestQueueIsDrainedOldestFirst(t *testing.T) {
	link := transporttest.NewScript(
		transporttest.Sent("A"), transporttest.Sent("B"),
		transporttest.Sent(":SYST:ERR?"), transporttest.Answer(`-113,"Undefined header;A"`),
		transporttest.Sent(":SYST:ERR?"), transporttest.Answer(`-350,"Queue overflow"`),
		transporttest.Sent(":SYST:ERR?"), transporttest.Answer(`+0,"no error"`),
		transporttest.Sent(":SYST:ERR?"), transporttest.Answer(`0`),
	)
	d := ieee488.New(ieee488.Config{Link: link, Instrument: "x"}.Standard())
	ctx := context.Background()
	_, _ = d.Command(ctx, []byte("A")), d.Command(ctx, []byte("B"))
	var f *ieee488.Fault
	if err := d.Check(ctx); !errors.As(err, &f) || len(f.Queue) != 2 || f.Queue[0].Number != -113 || f.Queue[1].Number != -350 || f.Sent != `"A; B"` {
		t.Errorf("got %+v", f)
	}
	if err := d.Check(ctx); err != nil {
		t.Errorf("an empty queue gives %v", err)
	}
	if err := link.Close(); err != nil {
		t.Error(err)
	}
}

func TestEndlessQueueEnds(t *testing.T) {
	d, s, _ := device(t, func(m string) (string, time.Duration) { return `-300,"Device-specific error"`, 0 })
	err := d.Check(context.Background())
	if !errors.Is(err, ieee488.ErrEndlessQueue) || !errors.Is(err, ieee488.Entry{Number: -300}) || len(s.log) > 100 {
		t.Errorf("after %d questions: %v", len(s.log), err)
	}
}

// A query for errors that is never answered itself must not be asked again and again.
func TestSilentQueueEnds(t *testing.T) {
	d, s, _ := device(t, func(m string) (string, time.Duration) {
		if m == "*IDN?" {
			return "M,D,1,2", 0
		}
		return "", 0
	})
	ctx := context.Background()
	if _, err := d.Identify(ctx); err != nil {
		t.Fatal(err)
	}
	if err := d.Check(ctx); !errors.Is(err, ieee488.ErrNoAnswer) || len(s.log) > 8 {
		t.Errorf("after %q: %v", s.log, err)
	}
}

func TestWithoutAQueueTheEventRegisterSpeaks(t *testing.T) {
	events := "16" // execution error: IEEE 488.2 clause 11.5.1.1.7, from memory; published check values, section 5.1
	c := clock.NewVirtual(start)
	s := &standIn{clock: c, obey: func(m string) (string, time.Duration) {
		if m == "*ESR?" {
			return events, 0
		}
		return "", 0
	}}
	d := ieee488.New(ieee488.Config{Link: s, Clock: c, Events: "*ESR?"})
	ctx := context.Background()
	_ = d.Command(ctx, []byte("VOLT 99"))
	var f *ieee488.Fault
	if err := d.Check(ctx); !errors.As(err, &f) || !strings.Contains(err.Error(), "execution error") || f.Sent != `"VOLT 99"` {
		t.Errorf("got %v", err)
	}
	events = "128"
	if err := d.Check(ctx); err != nil {
		t.Errorf("power on alone is no error: %v", err)
	}
	if err := ieee488.New(ieee488.Config{Link: s}).Check(ctx); err != nil {
		t.Errorf("with neither queue nor register: %v", err)
	}
}

// Published check values SY-01 and SY-05: *OPC sets bit 0 of the event register at the end; the connection is not blocked meanwhile.
func TestLongWaitsPollTheEventRegister(t *testing.T) {
	var c *clock.Virtual
	var ends time.Time
	marked := false
	d, s, c := device(t, func(m string) (string, time.Duration) {
		switch m {
		case "*RST":
			ends = c.Now().Add(3 * time.Second)
		case "*OPC":
			marked = true
		case "*ESR?":
			if marked && !c.Now().Before(ends) {
				marked = false
				return "1", 0
			}
			return "0", 0
		}
		return "", 0
	})
	if err := d.Reset(context.Background(), 10*time.Second); err != nil {
		t.Fatal(err)
	}
	if took := c.Now().Sub(start); took < 3*time.Second || took > 3200*time.Millisecond {
		t.Errorf("the wait took %v", took)
	}
	for _, m := range s.log {
		if m == "*OPC?" {
			t.Error("*OPC? blocks the connection")
		}
	}
	if err := d.Reset(context.Background(), time.Second); !errors.Is(err, ieee488.ErrNotComplete) {
		t.Errorf("an operation that takes longer gives %v", err)
	}
}

func TestErrorBitsSeenWhileWaitingAreKept(t *testing.T) {
	answers := []string{"0", "32", "1", "4"}
	d, _, _ := device(t, func(m string) (string, time.Duration) {
		if m != "*ESR?" {
			return "", 0
		}
		a := answers[0]
		answers = answers[1:]
		return a, 0
	})
	ctx := context.Background()
	if err := d.WaitComplete(ctx, time.Second); err != nil {
		t.Fatal(err)
	}
	if events, err := d.ReadEvents(ctx); err != nil || events != ieee488.CommandError|ieee488.QueryError {
		t.Errorf("%v, %v", events, err)
	}
}

func TestRegistersAndTheRest(t *testing.T) {
	link := transporttest.NewScript(
		transporttest.Sent("*ESE 60"), transporttest.Sent("*SRE 32"),
		transporttest.Sent("*ESE?"), transporttest.Answer("60"),
		transporttest.Sent("*SRE?"), transporttest.Answer("+32"),
		transporttest.Sent("*STB?"), transporttest.Answer("100"), // published check value ST-01: ESB, MSS and a queue that is not empty
		transporttest.Sent("*OPC?"), transporttest.Answer("1"),
		transporttest.Sent("*OPC?"), transporttest.Answer("0"),
		transporttest.Sent("*TST?"), transporttest.Answer("0"),
		transporttest.Sent("*TST?"), transporttest.Answer("-330"),
		transporttest.Sent("*CLS"),
		transporttest.Sent("*STB?"), transporttest.Answer("256"),
	)
	d := ieee488.New(ieee488.Config{Link: link}.Standard())
	ctx := context.Background()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	must(d.EnableEvents(ctx, ieee488.Errors))
	must(d.EnableService(ctx, ieee488.EventSummary))
	e, err := d.EnabledEvents(ctx)
	must(err)
	if e != ieee488.Errors {
		t.Errorf("enabled %v", e)
	}
	s, err := d.EnabledService(ctx)
	must(err)
	if s != ieee488.EventSummary {
		t.Errorf("enabled %v", s)
	}
	s, err = d.ReadStatus(ctx)
	must(err)
	if want := "100 (error queue, event summary, master summary)"; s.String() != want {
		t.Errorf("status %v, want %s", s, want)
	}
	must(d.Synchronise(ctx))
	if d.Synchronise(ctx) == nil {
		t.Error("*OPC? was answered 0 and taken for done")
	}
	must(d.SelfTest(ctx, time.Minute))
	if err := d.SelfTest(ctx, time.Minute); err == nil || !strings.Contains(err.Error(), "-330") {
		t.Errorf("a failed self test gives %v", err)
	}
	must(d.Clear(ctx))
	if _, err := d.ReadStatus(ctx); err == nil {
		t.Error("256 was taken for eight bits")
	}
	must(link.Close())
}

func TestParseEntry(t *testing.T) {
	for _, c := range []struct {
		in   string
		want ieee488.Entry
		from string
	}{
		{`-113,"Undefined header;TEST:COMMAND"`, ieee488.Entry{-113, "Undefined header;TEST:COMMAND"}, "EQ-04 of the published check values, a receiver's manual"},
		{`0,"No error"`, ieee488.Entry{0, "No error"}, "EQ-01"},
		{`+0,"No error"`, ieee488.Entry{0, "No error"}, "EQ-01"},
		{`0 No Error`, ieee488.Entry{0, "No Error"}, "common practice, no source"},
		{`-222`, ieee488.Entry{-222, ""}, "common practice, no source"},
		{`-222, Data out of range`, ieee488.Entry{-222, "Data out of range"}, "common practice, no source"},
		{`100,'its ''own'' error'`, ieee488.Entry{100, "its 'own' error"}, "IEEE 488.2 clause 7.7.5, from memory"},
	} {
		if got, err := ieee488.ParseEntry([]byte(c.in)); err != nil || got != c.want {
			t.Errorf("%s: %v, %v (%s)", c.in, got, err, c.from)
		}
	}
	for _, bad := range []string{"", "OK", `"x",1`, "-", "99999999999,\"x\""} {
		if e, err := ieee488.ParseEntry([]byte(bad)); err == nil {
			t.Errorf("%q was read as %v", bad, e)
		}
	}
	// SCPI-1999 volume 2, 21.8; the ranges are in a maker's manual as well
	for number, class := range map[int]string{-113: "command error", -222: "execution error", -310: "device-specific error", -410: "query error", 5: "the instrument's own error", -500: "event"} {
		if got := (ieee488.Entry{Number: number}).Class(); got != class {
			t.Errorf("%d is a %s", number, got)
		}
	}
}

func TestParseIdentity(t *testing.T) {
	for in, want := range map[string]ieee488.Identity{
		"Maker,Model,S1,1.0":             {"Maker", "Model", "S1", "1.0"},
		" Maker , Model,0,0\x00\x00":     {"Maker", "Model", "0", "0"},
		"Maker's,Model":                  {"Maker's", "Model", "", ""},
		"Maker,Model,S1,1.0,boot 2,more": {"Maker", "Model", "S1", "1.0,boot 2,more"},
		`"Maker","Model","S1","1.0"`:     {"Maker", "Model", "S1", "1.0"},
		"":                               {},
	} {
		if got := ieee488.ParseIdentity([]byte(in)); got != want {
			t.Errorf("%q is %+v", in, got)
		}
	}
}

// An entry that was understood reads the same when it is written as the standard writes it.
func FuzzParseEntry(f *testing.F) {
	f.Add(`-113,"Undefined header;x"`)
	f.Add("+0 no error")
	f.Add("-222")
	f.Fuzz(func(t *testing.T, answer string) {
		e, err := ieee488.ParseEntry([]byte(answer))
		if err != nil {
			return
		}
		again, err := ieee488.ParseEntry([]byte(fmt.Sprintf("%d,\"%s\"", e.Number, strings.ReplaceAll(e.Text, `"`, `""`))))
		if err != nil || again != e {
			t.Errorf("%q: %+v, then %+v, %v", answer, e, again, err)
		}
	})
}

// A bit that an earlier *OPC has left must not be taken for the end of this one.
func TestAnOldBitDoesNotEndAWait(t *testing.T) {
	answers := []string{"1", "0", "0", "1"}
	d, s, _ := device(t, func(m string) (string, time.Duration) {
		if m != "*ESR?" {
			return "", 0
		}
		a := answers[0]
		answers = answers[1:]
		return a, 0
	})
	if err := d.WaitComplete(context.Background(), time.Second); err != nil || len(answers) > 0 {
		t.Errorf("%v; said %q, not read %q", err, s.log, answers)
	}
}
