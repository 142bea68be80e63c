package driver_test

import (
	"context"
	"errors"
	"strings"
	"testing"

	"fourwire/driver"
	"fourwire/quantity"
	"fourwire/transport/transporttest"
)

// One exchange of messages shows status, settings and a restart: PON in a register that had been emptied (IEEE 488.2 clause 11.5.1).
func TestInspect(t *testing.T) {
	const question = `:OUTP1?;:STAT:QUES:COND?;*ESR?;:SOUR1:VOLT?;:SOUR1:CURR?`
	in, link := opened(t, libraryModel(t, "dc-source"), driver.Config{},
		transporttest.Sent(question), transporttest.Answer("1;2;0;1.2E+01;2.5"),
		transporttest.Sent(question), transporttest.Answer("0;0;128;0;10"),
		transporttest.Sent(question), transporttest.Answer("1;2;0;12"))
	s, err := in.Source(1)
	must(t, err)
	st, set, err := s.Inspect(context.Background())
	if err != nil || !st.On || st.Mode != "CV" || set.Volts != 12 || set.Amps != 2.5 {
		t.Errorf("%+v %+v %v", st, set, err)
	}
	if _, _, err = s.Inspect(context.Background()); !errors.Is(err, driver.ErrRestarted) || !strings.Contains(err.Error(), "psu") {
		t.Errorf("a restart: %v", err)
	}
	if _, _, err = s.Inspect(context.Background()); err == nil || !strings.Contains(err.Error(), "psu") {
		t.Errorf("an element too few: %v", err)
	}
	must(t, link.Close())
}

func TestInspectALoad(t *testing.T) {
	in, link := opened(t, libraryModel(t, "electronic-load"), driver.Config{},
		transporttest.Sent(`:SOUR:RES 12;:SOUR:FUNC RES`), transporttest.Sent(":SYST:ERR?"), transporttest.Answer(`0,"No error"`),
		transporttest.Sent(`:INP?;:SOUR:FUNC?;:STAT:QUES:COND?;*ESR?;:SOUR:RES?`), transporttest.Answer("1;RES;0;0;12"))
	l, err := in.Load(1)
	must(t, err)
	must(t, l.Hold(context.Background(), quantity.Of(12, quantity.Resistance)))
	st, set, err := l.Inspect(context.Background())
	if err != nil || st.Mode != "CR" || set.Hold != quantity.Of(12, quantity.Resistance) {
		t.Errorf("%+v %+v %v", st, set, err)
	}
	must(t, link.Close())
}

// Without compound messages each question is one of its own, and what has no register tells no restart.
func TestInspectAPlainInstrument(t *testing.T) {
	in, link := opened(t, modelOf(t, plainSource), driver.Config{},
		transporttest.Sent("OUTP?"), transporttest.Answer("1"),
		transporttest.Sent("VOLT?"), transporttest.Answer("5.00"), transporttest.Sent("CURR?"), transporttest.Answer("1.00"))
	s, err := in.Source(1)
	must(t, err)
	st, set, err := s.Inspect(context.Background())
	if err != nil || !st.On || set.Volts != 5 || set.Amps != 1 {
		t.Errorf("%+v %+v %v", st, set, err)
	}
	must(t, link.Close())
}

// Error queue and event register are asked for in one message; a restart since the instrument was prepared is an error.
func TestCheckErrorsTellsARestart(t *testing.T) {
	const question = "*ESR?;:SYST:ERR?"
	in, link := opened(t, libraryModel(t, "meter"), driver.Config{},
		transporttest.Sent(question), transporttest.Answer(`0;0,"No error"`),
		transporttest.Sent(question), transporttest.Answer(`32;-113,"Undefined header"`), transporttest.Sent(":SYST:ERR?"), transporttest.Answer(`0,"No error"`),
		transporttest.Sent(question), transporttest.Answer(`128;0,"No error"`))
	ctx := context.Background()
	must(t, in.CheckErrors(ctx))
	if err := in.CheckErrors(ctx); err == nil || !strings.Contains(err.Error(), "-113") {
		t.Errorf("an error in the queue: %v", err)
	}
	if err := in.CheckErrors(ctx); !errors.Is(err, driver.ErrRestarted) {
		t.Errorf("a restart: %v", err)
	}
	must(t, link.Close())
}
