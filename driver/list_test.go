package driver_test

import (
	"context"
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"fourwire/driver"
	"fourwire/internal/clock"
	"fourwire/quantity"
	"fourwire/transport/transporttest"
)

// rampWords are what a list of a load's currents says, its trigger a line.
const rampWords = ":SOUR:CURR:RANG 30;:SOUR:LIST:CURR 1,5,0;:SOUR:LIST:COUN 1;:SOUR:CURR:MODE LIST;:SOUR:LIST:DWEL 0.001,0.002,0.001;:SOUR:LIST:STEP AUTO;:TRIG:SEQ1:SOUR TTLT1"

func ramp() driver.ListPlan {
	return driver.ListPlan{Of: driver.Amps, Levels: []float64{1, 5, 0}, Dwell: []float64{1e-3, 2e-3, 1e-3}, Line: 1}
}

// holding opens a load that holds 0.5 A, whose link plays these steps behind that.
func holding(t *testing.T, more ...transporttest.Step) (*driver.Instrument, *driver.Load, *driver.List, *transporttest.Script) {
	t.Helper()
	in, link := opened(t, libraryModel(t, "electronic-load"), driver.Config{Name: "sink", Clock: clock.NewVirtual(time.Unix(0, 0))},
		steps(says(":SOUR:CURR:RANG 3;:SOUR:CURR 0.5;:SOUR:FUNC CURR"), more)...)
	load, err := in.Load(1)
	must(t, err)
	l, err := in.List(1)
	must(t, err)
	must(t, load.Hold(context.Background(), quantity.MustParse("0.5 A")))
	return in, load, l, link
}

func TestListOfALoad(t *testing.T) {
	ctx := context.Background()
	runs, ended := asks(":STAT:OPER:COND?", "8"), asks(":STAT:OPER:COND?", "0")
	_, load, l, link := holding(t, steps(
		asks(":SOUR:LIST:POIN:MAX?", "256"), says(rampWords), says(":INIT:SEQ1"),
		runs, runs, runs, // settings are refused
		says(":INP ON"), asks(":INP?", "1"), // switching is not
		runs, runs, ended,
		says(":SOUR:CURR 7;:SOUR:CURR:MODE FIX"), // its fixed level first: no jump to the old one
		says(":SOUR:CURR 8"),
		says(strings.NewReplacer(":SOUR:CURR:RANG 30;", "", ";:SOUR:LIST:STEP AUTO;:TRIG:SEQ1:SOUR TTLT1", "").Replace(rampWords)), // no more than differs
		says(":SOUR:POW 20;:SOUR:FUNC POW;:SOUR:CURR:MODE FIX"),                                                                    // the mode before: the fixed current never acts
	)...)
	must(t, l.Load(ctx, ramp()))
	must(t, l.Start(ctx))
	for name, err := range map[string]error{"a level": load.Hold(ctx, quantity.MustParse("1 A")), "a protection": load.SetProtection(ctx, 0, 6), "another list": l.Load(ctx, ramp())} {
		if !errors.Is(err, driver.ErrBusy) || !strings.Contains(err.Error(), "a list runs on this channel") {
			t.Errorf("%s while it runs: %v", name, err)
		}
	}
	must(t, load.Input(ctx, true))
	if on, err := l.Running(ctx); err != nil || !on {
		t.Errorf("it runs: %v, %v", on, err)
	}
	must(t, l.Await(ctx, time.Second))
	must(t, load.Hold(ctx, quantity.MustParse("7 A")))
	must(t, load.Hold(ctx, quantity.MustParse("8 A")))
	if err := l.Start(ctx); !errors.Is(err, driver.ErrOrder) {
		t.Errorf("a start of what is not followed: %v", err)
	}
	must(t, l.Load(ctx, ramp()))
	must(t, load.Hold(ctx, quantity.MustParse("20 W")))
	must(t, link.Close())
}

// An abort goes to the fixed value, also of a list that is believed to have ended; a step for each trigger needs no dwell.
func TestListSteppedAndAborted(t *testing.T) {
	ctx := context.Background()
	stepped := ":SOUR:LIST:VOLT 9,12,16,12;:SOUR:LIST:COUN 1;:SOUR:VOLT:MODE LIST;:SOUR:LIST:STEP ONCE;:TRIG:SEQ1:SOUR BUS"
	in, link := opened(t, libraryModel(t, "dc-source"), driver.Config{Name: "psu", Clock: clock.NewVirtual(time.Unix(0, 0))}, steps(
		says(":SOUR1:VOLT 12"), asks(":SOUR:LIST:POIN:MAX?", "100"), says(stepped), says(":INIT:SEQ1"), says(":TRIG:SEQ1:IMM"), says(":TRIG:SEQ1:IMM"),
		asks(":STAT:OPER:COND?", "8"), asks(":STAT:OPER:COND?", "8"), asks(":STAT:OPER:COND?", "8"), asks(":STAT:OPER:COND?", "8"),
		says(":ABOR"), says(":SOUR:VOLT:MODE FIX"),
		says(":ABOR"), says(":SOUR1:VOLT 5"))...)
	s, err := in.Source(1)
	must(t, err)
	l, err := in.List(1)
	must(t, err)
	must(t, l.Abort(ctx)) // of nothing
	must(t, s.SetVolts(ctx, 12))
	plan := driver.ListPlan{Of: driver.Volts, Levels: []float64{9, 12, 16, 12}, Safe: 12, StepOnTrigger: true}
	must(t, l.Load(ctx, plan))
	if err := l.Trigger(ctx); !errors.Is(err, driver.ErrOrder) {
		t.Errorf("a trigger before the start: %v", err)
	}
	must(t, l.Start(ctx))
	must(t, l.Trigger(ctx))
	must(t, l.Trigger(ctx))
	if err := l.Await(ctx, 5*time.Millisecond); !errors.Is(err, driver.ErrBusy) || !strings.Contains(err.Error(), "the list has not ended in 5ms") {
		t.Errorf("it ends: %v", err)
	}
	must(t, l.Abort(ctx))
	must(t, l.Abort(ctx))
	must(t, s.SetVolts(ctx, 5))
	must(t, link.Close())
}

// Of a source the voltage and the limit can be lists, one at a time; a value of the other kind leaves the list alone.
func TestListOfOneKindAtATime(t *testing.T) {
	ctx := context.Background()
	in, link := opened(t, libraryModel(t, "dc-source"), driver.Config{Name: "psu"}, steps(
		says(":SOUR1:VOLT 12"), says(":SOUR1:CURR 1"), asks(":SOUR1:CURR?", "1"), asks(":SOUR:LIST:POIN:MAX?", "100"),
		says(":SOUR:LIST:VOLT 9,0;:SOUR:LIST:COUN 1;:SOUR:VOLT:MODE LIST;:SOUR:LIST:DWEL 0.1;:SOUR:LIST:STEP AUTO;:TRIG:SEQ1:SOUR IMM"),
		says(":SOUR1:CURR 2"), asks(":SOUR1:CURR?", "2"), says(":SOUR1:VOLT 5;:SOUR:VOLT:MODE FIX"),
		says(":SOUR:LIST:CURR 1,0.5;:SOUR:LIST:COUN 1;:SOUR:CURR:MODE LIST;:SOUR:LIST:DWEL 0.1"), // what it waits for stands
		says(":SOUR1:CURR 3;:SOUR:CURR:MODE FIX"), asks(":SOUR1:CURR?", "3"))...)
	s, err := in.Source(1)
	must(t, err)
	l, err := in.List(1)
	must(t, err)
	must(t, s.SetVolts(ctx, 12))
	amps := driver.ListPlan{Of: driver.Amps, Levels: []float64{1, 0.5}, Safe: 0.5, Dwell: []float64{0.1}}
	if err := l.Load(ctx, amps); !errors.Is(err, driver.ErrOrder) || !strings.Contains(err.Error(), "set the fixed value") {
		t.Errorf("a list of a limit that was never set: %v", err)
	}
	must(t, s.SetAmps(ctx, 1))
	must(t, l.Load(ctx, driver.ListPlan{Of: driver.Volts, Levels: []float64{9, 0}, Dwell: []float64{0.1}}))
	if err := l.Load(ctx, amps); !errors.Is(err, driver.ErrOrder) || !strings.Contains(err.Error(), "a list of another kind") {
		t.Errorf("a list of the limit while the voltage follows one: %v", err)
	}
	must(t, s.SetAmps(ctx, 2))
	must(t, s.SetVolts(ctx, 5))
	must(t, l.Load(ctx, amps))
	must(t, s.SetAmps(ctx, 3))
	must(t, link.Close())
}

// A reading whose range changes on its way would be stopped, and the list with it: that is refused.
func TestReadingWhileAListRuns(t *testing.T) {
	ctx := context.Background()
	in, _, l, link := holding(t, steps(asks(":SOUR:LIST:POIN:MAX?", "256"), says(rampWords), says(":INIT:SEQ1"), says(":SENS:VOLT:RANG 8;:SENS:VOLT:APER 0.02"),
		[]transporttest.Step{transporttest.Sent(":INIT")}, asks(":FETC:VOLT?", "5"))...)
	must(t, l.Load(ctx, ramp()))
	must(t, l.Start(ctx))
	m, err := in.Meter(1)
	must(t, err)
	other, err := in.Meter(1)
	must(t, err)
	must(t, m.Begin(ctx, driver.Request{Function: driver.Volts, Expect: 5}))
	if err := other.Begin(ctx, driver.Request{Function: driver.Amps, Expect: 5}); !errors.Is(err, driver.ErrBusy) {
		t.Errorf("got %v", err)
	}
	r, err := m.End(ctx)
	must(t, err)
	if r.Value.X != 5 {
		t.Errorf("%v V", r.Value.X)
	}
	must(t, link.Close())
}

// A plan that could leave something dangerous, or that the model does not allow, is refused before a word is sent.
func TestListsThatAreNotLoaded(t *testing.T) {
	ctx := context.Background()
	for _, c := range []struct {
		name   string
		change func(*driver.ListPlan)
		says   string
	}{
		{"nothing", func(p *driver.ListPlan) { p.Levels = nil }, "a list of 0 steps"},
		{"too many steps", func(p *driver.ListPlan) { p.Levels, p.Dwell = make([]float64, 257), p.Dwell[:1] }, "takes 1 to 256"},
		{"an end that is not the safe one", func(p *driver.ListPlan) { p.Levels = []float64{1, 5, 2} }, "stays at its last step, which is 2 A here; end it with the safe level, 0 A"},
		{"an end that is none", func(p *driver.ListPlan) { p.Levels[2], p.Safe = math.NaN(), math.NaN() }, "stays at its last step"},
		{"a load that is left loaded", func(p *driver.ListPlan) { p.Levels, p.Safe = []float64{1, 5, 2}, 2 }, "for a load that is 0 A, not 2 A"},
		{"too much", func(p *driver.ListPlan) { p.Levels[1] = 31 }, "a current of 31 A asked of sink channel 1, which takes 0 A..30 A"},
		{"a level that is none", func(p *driver.ListPlan) { p.Levels[1] = math.NaN() }, "a current of"},
		{"less than nothing", func(p *driver.ListPlan) { p.Levels[0] = -1 }, "a current of -1 A"},
		{"volts", func(p *driver.ListPlan) { p.Of = driver.Volts }, "a list of volts: the instrument cannot do this"},
		{"no function", func(p *driver.ListPlan) { p.Of = 0 }, "cannot do this"},
		{"no dwell", func(p *driver.ListPlan) { p.Dwell = nil }, "0 dwell times for 3 steps"},
		{"two dwells", func(p *driver.ListPlan) { p.Dwell = p.Dwell[:2] }, "2 dwell times for 3 steps"},
		{"too short", func(p *driver.ListPlan) { p.Dwell[1] = 49e-6 }, "a dwell time of 49 us"},
		{"too long", func(p *driver.ListPlan) { p.Dwell[1] = 3601 }, "a dwell time of"},
		{"a dwell that is none", func(p *driver.ListPlan) { p.Dwell[1] = math.NaN() }, "a dwell time of"},
		{"a line that there is not", func(p *driver.ListPlan) { p.Line = 5 }, "trigger line 5"},
		{"a line that is not said", func(p *driver.ListPlan) { p.On, p.Line = driver.OnLine, 0 }, "trigger line 0"},
		{"steps without triggers", func(p *driver.ListPlan) { p.StepOnTrigger, p.On = true, driver.AtOnce }, "the list waits for none"},
		{"another event", func(p *driver.ListPlan) { p.On = driver.OnVolts }, `not for "volts"`},
	} {
		_, _, l, link := holding(t)
		p := ramp()
		c.change(&p)
		if err := l.Load(ctx, p); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v", c.name, err)
		}
		if err := l.Start(ctx); !errors.Is(err, driver.ErrOrder) {
			t.Errorf("%s: started: %v", c.name, err)
		}
		must(t, link.Close())
	}
	in, link := opened(t, libraryModel(t, "electronic-load"), driver.Config{Name: "sink"})
	l, err := in.List(1)
	must(t, err)
	if err := l.Load(ctx, ramp()); !errors.Is(err, driver.ErrOrder) || !strings.Contains(err.Error(), "set the fixed value before a list") {
		t.Errorf("without a fixed value: %v", err)
	}
	must(t, link.Close())
	in, _ = opened(t, libraryModel(t, "meter"), driver.Config{})
	if _, err := in.List(1); !errors.Is(err, driver.ErrNoAbility) {
		t.Errorf("a meter's list: %v", err)
	}
}

// What an instrument refuses of a list is not started, and the next fixed value puts everything back.
func TestListThatIsRefused(t *testing.T) {
	ctx := context.Background()
	refused := []transporttest.Step{transporttest.Sent(rampWords), transporttest.Sent(":SYST:ERR?"), transporttest.Answer(`-226,"Lists not same length"`), transporttest.Sent(":SYST:ERR?"), transporttest.Answer(noError)}
	_, load, l, link := holding(t, steps(asks(":SOUR:LIST:POIN:MAX?", "2"), asks(":SOUR:LIST:POIN:MAX?", "256"), refused,
		says(":SOUR:CURR:RANG 3;:SOUR:CURR 1;:SOUR:CURR:MODE FIX"))...)
	if err := l.Load(ctx, ramp()); err == nil || !strings.Contains(err.Error(), "the instrument says that it takes 2") {
		t.Errorf("a list that is too long for what the instrument says: %v", err)
	}
	if err := l.Load(ctx, ramp()); err == nil || !strings.Contains(err.Error(), "-226") {
		t.Errorf("got %v", err)
	}
	if err := l.Start(ctx); !errors.Is(err, driver.ErrOrder) {
		t.Errorf("started: %v", err)
	}
	must(t, load.Hold(ctx, quantity.MustParse("1 A")))
	must(t, link.Close())
}

// Abort stops the list before the input goes off; so does whoever takes over, who has not started it.
func TestListIsStoppedBeforeTheInputGoesOff(t *testing.T) {
	ctx := context.Background()
	off := steps([]transporttest.Step{transporttest.Sent(":ABOR"), transporttest.Sent(":INP OFF")}, asks(":INP?", "0"))
	in, load, l, link := holding(t, steps(asks(":SOUR:LIST:POIN:MAX?", "256"), says(rampWords), says(":INIT:SEQ1"), off,
		off, says(":SOUR:CURR:RANG 3;:SOUR:CURR 1;:SOUR:FUNC CURR;:SOUR:CURR:MODE FIX"),
		[]transporttest.Step{transporttest.Sent(":INP OFF")}, asks(":INP?", "0"))...)
	must(t, l.Load(ctx, ramp()))
	must(t, l.Start(ctx))
	must(t, in.Abort(ctx))
	must(t, in.Abort(ctx)) // whatever is believed
	if err := l.Start(ctx); !errors.Is(err, driver.ErrOrder) {
		t.Errorf("started after an abort: %v", err)
	}
	must(t, load.Hold(ctx, quantity.MustParse("1 A"))) // puts back what an abort leaves as it is
	must(t, in.Abort(ctx))
	must(t, link.Close())
	in, link = opened(t, libraryModel(t, "electronic-load"), driver.Config{Name: "sink"}, off...)
	must(t, in.TakeOver(ctx))
	must(t, link.Close())
}

const plainLister = `fourwire: model/1
about: a source without a reset that knows one kind of list
wire: {compound: yes}
channels:
  - source: {volts: 0..32 V, amps: 0..3 A}
    lists: {steps: 5, dwell: 1 ms..1 s, of: [volts]}
    triggers: {lines: 2}
dialect:
  say: {set volts: ":V {volts}", set amps: ":I {amps}", switch on: ":ON", switch off: ":OFF", abort: ":HALT", list volts: ":LV {values NR2.2 mV}", list dwell: ":LT {values NR1 ms}",
    list start: ":RUN", fixed volts: ":FIX", pulse never: ":MUTE {line}"}
  ask: {identity: "*IDN?", error: ":ERR?", list state: {send: ":S?", read: {state: word}, means: {running: state = BUSY}}}
`

// Without a reset, what somebody left behind is put back word by word.
func TestPrepareClearsTheModesOfSomebodyElse(t *testing.T) {
	ctx := context.Background()
	none := func(words string) []transporttest.Step {
		return steps([]transporttest.Step{transporttest.Sent(words)}, asks(":ERR?", "0"))
	}
	in, link := opened(t, modelOf(t, plainLister), driver.Config{Clock: clock.NewVirtual(time.Unix(0, 0))}, steps(
		[]transporttest.Step{transporttest.Sent(":HALT")}, none(":OFF"), none(":FIX;:MUTE 1;:MUTE 2"),
		none(":V 1"), none(":LV 1500.00,0.00;:LT 10"), none(":RUN"))...)
	must(t, in.Prepare(ctx))
	s, err := in.Source(1)
	must(t, err)
	must(t, s.SetVolts(ctx, 1))
	l, err := in.List(1)
	must(t, err)
	for _, p := range []driver.ListPlan{{StepOnTrigger: true, Line: 1}, {On: driver.Software, Dwell: []float64{0.01}}, {Line: 1, Dwell: []float64{0.01}}} {
		p.Of, p.Levels = driver.Volts, []float64{1.5, 0}
		if err := l.Load(ctx, p); !errors.Is(err, driver.ErrNoAbility) {
			t.Errorf("%+v: %v", p, err)
		}
	}
	must(t, l.Load(ctx, driver.ListPlan{Of: driver.Volts, Levels: []float64{1.5, 0}, Dwell: []float64{0.01}}))
	must(t, l.Start(ctx))
	must(t, link.Close())
	in, link = opened(t, modelOf(t, strings.Replace(plainLister, ":RUN\"", ":RUN\", list software: \":BUS\"", 1)), driver.Config{}, none(":V 1")...)
	s, err = in.Source(1)
	must(t, err)
	must(t, s.SetVolts(ctx, 1))
	l, err = in.List(1)
	must(t, err)
	if err := l.Load(ctx, driver.ListPlan{Of: driver.Volts, Levels: []float64{1.5, 0}, On: driver.Software, Dwell: []float64{0.01}}); !errors.Is(err, driver.ErrNoAbility) {
		t.Errorf("software without words for the trigger: %v", err)
	}
	must(t, link.Close())
}
