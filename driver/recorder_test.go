package driver_test

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"fourwire/driver"
	"fourwire/driver/ieee488"
	"fourwire/internal/clock"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/transport/transporttest"
)

// block writes an answer as the library's unit gives it: REAL,32 with the lowest byte first (IEEE 488.2 clause 8.7.9; SCPI-1999 volume 2, 9.1).
func block(header string, numbers ...float32) string {
	var body []byte
	for _, x := range numbers {
		body = binary.LittleEndian.AppendUint32(body, math.Float32bits(x))
	}
	length := fmt.Sprint(len(body))
	return fmt.Sprintf("%s,#%d%s%s", header, len(length), length, body)
}

const noError = `0,"No error"`

// begun is what a recording of amps and volts says until it runs.
func begun(extra ...transporttest.Step) []transporttest.Step {
	return append([]transporttest.Step{
		transporttest.Sent(`:FORM REAL,32;:FORM:BORD SWAP;:TRAC:FEED "CURR,VOLT";:TRAC:TINT 2E-05;:TRAC:RANG:ULIM 0.1;:SENS:VOLT:RANG 20`),
		transporttest.Sent(":SYST:ERR?"), transporttest.Answer(noError),
		transporttest.Sent(":TRAC:TINT?"), transporttest.Answer("2.00000000E-05"),
		transporttest.Sent(":TRAC:RANG:ULIM?"), transporttest.Answer("1.000000E-01"),
		transporttest.Sent(":TRAC:BUFF?"), transporttest.Answer("1000000"),
		transporttest.Sent(":TRAC:FEED:CONT ALW"),
		transporttest.Sent(":SYST:ERR?"), transporttest.Answer(noError),
	}, extra...)
}

var bothFunctions = driver.Recording{Functions: []driver.Function{driver.Amps, driver.Volts}, IntervalSeconds: 20e-6, MostAmps: 0.08, VoltsFull: 3}

// recorded opens a unit whose link says these steps, and starts a recording of amps and volts.
func recorded(t *testing.T, c driver.Config, steps ...transporttest.Step) (*driver.Instrument, *driver.Recorder, driver.Started, *transporttest.Script) {
	t.Helper()
	if c.Clock == nil {
		c.Clock = clock.NewVirtual(time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC))
	}
	c.Name = "smu"
	in, link := opened(t, libraryModel(t, "source-measure-unit"), c, begun(steps...)...)
	r, err := in.Recorder(1)
	must(t, err)
	s, err := r.Start(context.Background(), bothFunctions)
	must(t, err)
	return in, r, s, link
}

func TestARecordingInBlocks(t *testing.T) {
	var l measured.Ledger
	ctx := context.Background()
	in, r, s, link := recorded(t, driver.Config{Ledger: &l},
		transporttest.Sent(":TRAC:DATA? 1000,0"), transporttest.Answer(block(`0,3,0,"0:1,2:6"`, 1e-6, 3, 2e-6, 2.99, 0.05, 2.5)),
		transporttest.Sent(":TRAC:DATA? 1000,0"), transporttest.Answer(`3,0,0,"",#10`),
		transporttest.Sent(":OUTP:IMP 15"), transporttest.Sent(":SYST:ERR?"), transporttest.Answer(noError), // the source obeys while it records
		transporttest.Sent(":OUTP:IMP?"), transporttest.Answer("15.0"),
		transporttest.Sent(":TRAC:DATA? 2,0"), transporttest.Answer(block(`10,2,7,"0:6,1:6"`, 0.06, 2.4, 9.9e37, 9.91e37)), // a gap of 7
		transporttest.Sent(":TRAC:TOT?"), transporttest.Answer("12,7,1.234567890123E-03,2"),
		transporttest.Sent(":TRAC:FEED:CONT NEV"), transporttest.Sent(":SYST:ERR?"), transporttest.Answer(noError),
		transporttest.Sent(":TRAC:DATA? 1000,0"), transporttest.Answer(block(`12,1,7,"0:2"`, -3e-6, 2.4)), // the rest
		transporttest.Sent(":SENS:VOLT:RANG 2;:SENS:VOLT:APER 0.02"), transporttest.Sent(":SYST:ERR?"), transporttest.Answer(noError), // and readings again
		transporttest.Sent(":INIT"), transporttest.Sent(":FETC:VOLT?"), transporttest.Answer("1.5"))
	if s.IntervalSeconds != 20e-6 || s.Depth != 1000000 || len(s.Ranges[0]) != 6 || s.Ranges[0][5].Full != 0.1 || len(s.Ranges[1]) != 1 || s.Ranges[1][0].Full != 20 {
		t.Errorf("it started as %+v", s)
	}
	if want := [][]string{{"smu ch1 amps 1 uA", "smu ch1 amps 10 uA", "smu ch1 amps 100 uA", "smu ch1 amps 1 mA", "smu ch1 amps 10 mA", "smu ch1 amps 100 mA"}, {"smu ch1 volts 20 V"}}; !reflect.DeepEqual(s.Inputs, want) {
		t.Errorf("inputs %q", s.Inputs)
	}
	source, err := in.Source(1)
	must(t, err)
	meter, err := in.Meter(1)
	must(t, err)
	var got driver.Samples
	must(t, r.Fetch(ctx, 1000, 0, &got))
	want := driver.Samples{Count: 3, Values: [][]float32{{1e-6, 2e-6, 0.05}, {3, 2.99, 2.5}}, Runs: [][]driver.RangeRun{{{0, 0}, {2, 5}}, {{0, 0}}}}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got %+v, want %+v", got, want)
	}
	must(t, r.Fetch(ctx, 1000, 0, &got))
	if got.Start != 3 || got.Count != 0 || len(got.Values[0]) != 0 || len(got.Runs[0]) != 0 || len(got.Runs[1]) != 0 {
		t.Errorf("nothing is %+v", got)
	}
	if err := meter.Begin(ctx, driver.Request{Function: driver.Volts}); !errors.Is(err, driver.ErrBusy) {
		t.Errorf("a reading while it records gives %v", err)
	}
	if err := meter.Arm(ctx, driver.Request{Function: driver.Volts}); !errors.Is(err, driver.ErrBusy) {
		t.Errorf("to arm while it records gives %v", err)
	}
	if _, err := r.Start(ctx, bothFunctions); !errors.Is(err, driver.ErrBusy) {
		t.Errorf("a second start gives %v", err)
	}
	must(t, source.SetOhms(ctx, 15))
	must(t, r.Fetch(ctx, 2, 0, &got))
	if got.Start != 10 || got.Lost != 7 || got.Overloads != 2 || !math.IsInf(float64(got.Values[0][1]), 1) || !math.IsNaN(float64(got.Values[1][1])) || len(got.Runs[0]) != 1 {
		t.Errorf("overloads give %+v", got)
	}
	totals, err := r.Totals(ctx)
	must(t, err)
	if totals != (driver.Totals{Taken: 12, Lost: 7, Coulombs: 1.234567890123e-3, Handovers: 2}) {
		t.Errorf("totals %+v", totals)
	}
	must(t, r.Stop(ctx))
	must(t, r.Stop(ctx)) // once is enough
	must(t, r.Fetch(ctx, 1000, 0, &got))
	if got.Start != 12 || got.Runs[0][0].Range != 1 {
		t.Errorf("the rest is %+v", got)
	}
	must(t, meter.Begin(ctx, driver.Request{Function: driver.Volts, Expect: 1}))
	_, err = meter.End(ctx)
	must(t, err)
	must(t, link.Close())
}

// Each answer contradicts itself or what came before; its error says how, and the link is brought into step before the next question.
func TestAnswersThatAreNotBelieved(t *testing.T) {
	pair := []float32{1e-6, 3, 2e-6, 3}
	for _, c := range []struct{ name, answer, says string }{
		{"fewer bytes than announced", block(`5,3,0,"0:1"`, pair...), "3 samples of 2 functions are announced, and 16 bytes came"},
		{"half a pair", block(`5,1,0,"0:1"`, 1, 2, 3), "12 bytes came"},
		{"more than asked for", block(`5,2,0,"0:1"`, pair...), "2 samples came, at most 1 were asked for"},
		{"samples again", block(`4,1,0,"0:1"`, 1, 2), "it begins with sample 4, and those before 5 have come already"},
		{"a negative index", block(`-5,1,0,"0:1"`, 1, 2), "start is -5"},
		{"a negative count", block(`5,-1,0,"0:1"`, 1, 2), "count is -1"},
		{"a negative loss", block(`5,1,-1,"0:1"`, 1, 2), "lost is -1"},
		{"found again what was lost", block(`5,1,2,"0:1"`, 1, 2), "2 samples are lost, where it were 3 before"},
		{"no number for an index", block(`NAN,1,0,"0:1"`, 1, 2), "start:"},
		{"a broken index", block(`5.5,1,0,"0:1"`, 1, 2), "start:"},
		{"an element too few", block(`5,1,"0:1"`, 1, 2), "has 4 elements, 5 are wanted"},
		{"no block", `5,1,3,"0:1",12`, "invalid block"},
		{"a block cut short", `5,1,3,"0:1",#18abc`, "8 bytes are announced, 3 came"},
		{"no range for the first", block(`5,1,3,"1:1"`, 1, 2), "the first is that of sample 1"},
		{"a range that there is not", block(`5,1,3,"0:7"`, 1, 2), "sample 0 is of range 7, and the ranges are 1 to 6"},
		{"range 0", block(`5,1,3,"0:0"`, 1, 2), "sample 0 is of range 0"},
		{"a range beyond the samples", block(`5,1,3,"0:1,1:2"`, 1, 2), "a range is said of sample 1 of 1"},
		{"no ranges", block(`5,1,3,""`, 1, 2), "no list of ranges"},
		{"garbled ranges", block(`5,1,3,"0:1:2"`, 1, 2), "no list of ranges"},
		{"a sign in a range", block(`5,1,3,"0:+1"`, 1, 2), "no list of ranges"},
	} {
		ctx := context.Background()
		in, r, _, link := recorded(t, driver.Config{},
			transporttest.Sent(":TRAC:DATA? 5,0"), transporttest.Answer(block(`0,5,3,"0:1"`, make([]float32, 10)...)),
			transporttest.Sent(":TRAC:DATA? 1,0"), transporttest.Answer(c.answer),
			transporttest.Sent("*IDN?"), transporttest.Answer("Maker,Model,S1,1.0"),
			transporttest.Sent(":TRAC:DATA? 2,0"), transporttest.Answer(block(`6,2,3,"0:2,1:1"`, pair...)))
		var s driver.Samples
		must(t, r.Fetch(ctx, 5, 0, &s))
		err := r.Fetch(ctx, 1, 0, &s)
		var fault *ieee488.Fault
		if !errors.As(err, &fault) || !strings.Contains(err.Error(), c.says) || !errors.Is(err, ieee488.ErrUnreadable) {
			t.Errorf("%s: %v, want %q", c.name, err, c.says)
		}
		if err := r.Fetch(ctx, 2, 0, &s); err != nil || s.Start != 6 {
			t.Errorf("%s: the next gives %v, %+v", c.name, err, s)
		}
		if err := link.Close(); err != nil {
			t.Errorf("%s: %v", c.name, err)
		}
		_ = in
	}
	// ranges out of order need two samples and more
	_, r, _, _ := recorded(t, driver.Config{}, transporttest.Sent(":TRAC:DATA? 9,0"), transporttest.Answer(block(`0,3,0,"0:1,2:2,1:3"`, make([]float32, 6)...)))
	if err := r.Fetch(context.Background(), 9, 0, &driver.Samples{}); !errors.Is(err, driver.ErrSamples) || !strings.Contains(err.Error(), "1 behind 2") {
		t.Errorf("ranges out of order give %v", err)
	}
}

func TestRecordingsThatCannotBe(t *testing.T) {
	amps, volts := driver.Amps, driver.Volts
	ctx := context.Background()
	for _, c := range []struct {
		name string
		want driver.Recording
		says string
		is   error
	}{
		{"nothing", driver.Recording{IntervalSeconds: 1e-3}, "amps and volts in this order", nil},
		{"volts first", driver.Recording{Functions: []driver.Function{volts, amps}, IntervalSeconds: 1e-3}, "in this order", nil},
		{"volts alone", driver.Recording{Functions: []driver.Function{volts}, IntervalSeconds: 1e-3}, "recording volts alone", driver.ErrNoAbility},
		{"too fast", driver.Recording{Functions: []driver.Function{amps}, IntervalSeconds: 9e-6}, "an interval between samples of 9 us asked of smu channel 1, which takes 10 us..1 s", nil},
		{"too slow", driver.Recording{Functions: []driver.Function{amps}, IntervalSeconds: 2}, "interval", nil},
		{"no interval", driver.Recording{Functions: []driver.Function{amps}}, "interval", nil},
		{"no number", driver.Recording{Functions: []driver.Function{amps}, IntervalSeconds: math.NaN()}, "interval", nil},
		{"too much", driver.Recording{Functions: []driver.Function{amps}, IntervalSeconds: 1, MostAmps: 4}, "up to 4 A is expected, and the largest range is 3 A", nil},
	} {
		in, link := opened(t, libraryModel(t, "source-measure-unit"), driver.Config{Name: "smu"})
		r, err := in.Recorder(1)
		must(t, err)
		if _, err := r.Start(ctx, c.want); err == nil || !strings.Contains(err.Error(), c.says) || c.is != nil && !errors.Is(err, c.is) {
			t.Errorf("%s: %v", c.name, err)
		}
		if err := r.Fetch(ctx, 1, 0, &driver.Samples{}); !errors.Is(err, driver.ErrNoReading) {
			t.Errorf("%s: a fetch gives %v", c.name, err)
		}
		must(t, link.Close())
	}
	in, _ := opened(t, libraryModel(t, "meter"), driver.Config{})
	if _, err := in.Recorder(1); !errors.Is(err, driver.ErrNoAbility) {
		t.Errorf("a meter records: %v", err)
	}
	if _, err := in.Recorder(2); err == nil {
		t.Error("channel 2 of a meter records")
	}
	in, _ = opened(t, libraryModel(t, "dc-source"), driver.Config{})
	s, _ := in.Source(1)
	if err := s.SetOhms(ctx, 1); !errors.Is(err, driver.ErrNoAbility) || s.OhmsSpan().Set {
		t.Errorf("a plain source has an output resistance: %v", err)
	}
	var limit *driver.LimitError
	_, r, _, _ := recorded(t, driver.Config{})
	for _, c := range [][2]int{{0, 0}, {5, -1}, {5, 6}} {
		if err := r.Fetch(ctx, c[0], c[1], &driver.Samples{}); err == nil {
			t.Errorf("up to %d and at least %d samples were fetched", c[0], c[1])
		}
	}
	in, _ = opened(t, libraryModel(t, "source-measure-unit"), driver.Config{},
		transporttest.Sent(":OUTP:IMP 15"), transporttest.Sent(":SYST:ERR?"), transporttest.Answer(noError), transporttest.Sent(":OUTP:IMP?"), transporttest.Answer("0"))
	s, _ = in.Source(1)
	if err := s.SetOhms(ctx, 101); !errors.As(err, &limit) || s.OhmsSpan() != (quantity.Span{High: 100, Dim: quantity.Resistance, Set: true}) {
		t.Errorf("101 ohm gives %v of %v", err, s.OhmsSpan())
	}
	if err := s.SetOhms(ctx, 15); !errors.Is(err, driver.ErrNotTaken) {
		t.Errorf("an output resistance that is not taken gives %v", err)
	}
}

// What the instrument says it uses is looked at before it starts.
func TestARecordingThatIsNotTaken(t *testing.T) {
	for _, c := range []struct {
		name  string
		steps []transporttest.Step
		says  string
	}{
		{"refused", []transporttest.Step{transporttest.Sent(":SYST:ERR?"), transporttest.Answer(`-222,"Data out of range"`), transporttest.Sent(":SYST:ERR?"), transporttest.Answer(noError)}, "-222"},
		{"another interval", []transporttest.Step{transporttest.Sent(":SYST:ERR?"), transporttest.Answer(noError), transporttest.Sent(":TRAC:TINT?"), transporttest.Answer("4E-05")}, "20 us was sent, 40 us is used"},
		{"another top", []transporttest.Step{transporttest.Sent(":SYST:ERR?"), transporttest.Answer(noError), transporttest.Sent(":TRAC:TINT?"), transporttest.Answer("2E-05"),
			transporttest.Sent(":TRAC:RANG:ULIM?"), transporttest.Answer("1E-2")}, "100 mA was sent, 10 mA is set"},
	} {
		in, link := opened(t, libraryModel(t, "source-measure-unit"), driver.Config{Name: "smu"}, append(begun()[:1:1], c.steps...)...)
		r, err := in.Recorder(1)
		must(t, err)
		if _, err := r.Start(context.Background(), bothFunctions); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v", c.name, err)
		}
		must(t, r.Stop(context.Background())) // nothing runs, and nothing is said
		must(t, link.Close())
	}
}

// What a recording has left of the settings of readings is not known: they are set again.
func TestReadingsSetTheirRangesAgainBehindARecording(t *testing.T) {
	reading := []transporttest.Step{transporttest.Sent(":SENS:VOLT:RANG 2;:SENS:VOLT:APER 0.02"), transporttest.Sent(":SYST:ERR?"), transporttest.Answer(noError),
		transporttest.Sent(":INIT"), transporttest.Sent(":FETC:VOLT?"), transporttest.Answer("1.5")}
	steps := append(append([]transporttest.Step{}, reading...), begun(transporttest.Sent(":TRAC:FEED:CONT NEV"), transporttest.Sent(":SYST:ERR?"), transporttest.Answer(noError))...)
	in, link := opened(t, libraryModel(t, "source-measure-unit"), driver.Config{Name: "smu"}, append(steps, reading...)...)
	ctx := context.Background()
	m, err := in.Meter(1)
	must(t, err)
	r, err := in.Recorder(1)
	must(t, err)
	read := func() {
		t.Helper()
		must(t, m.Begin(ctx, driver.Request{Function: driver.Volts, Expect: 1}))
		if _, err := r.Start(ctx, bothFunctions); !errors.Is(err, driver.ErrBusy) {
			t.Errorf("a recording in the middle of a reading gives %v", err)
		}
		_, err := m.End(ctx)
		must(t, err)
	}
	read()
	_, err = r.Start(ctx, bothFunctions)
	must(t, err)
	must(t, r.Stop(ctx))
	read()
	must(t, link.Close())
}

// One abort stops all channels: a reading that has to be stopped waits for the recording of another.
func TestAReadingDoesNotStopTheRecordingOfAnotherChannel(t *testing.T) {
	m := modelOf(t, `fourwire: model/1
about: two channels that record, and one abort for both
channels:
  - measures: {amps: [{full: 1 A, gain: 0.1 %, offset: 1 mA}]}
    records: {functions: [amps], interval: 1 ms..1 s}
    copies: 2
dialect:
  say: {record amps: "WHAT{ch} I", record interval: "EVERY{ch} {seconds}", record start: "GO{ch}", record stop: "HALT{ch}", start: "READ{ch}", abort: "STOP"}
  ask: {identity: "*IDN?", read amps: "I{ch}?", record data: {send: "MORE{ch} {most}", read: {start: whole, values: singles}}}
`)
	in, link := opened(t, m, driver.Config{Name: "twin"}, transporttest.Sent("WHAT2 I"), transporttest.Sent("EVERY2 0.001"), transporttest.Sent("GO2"), transporttest.Sent("READ1"))
	ctx := context.Background()
	r, err := in.Recorder(2)
	must(t, err)
	_, err = r.Start(ctx, driver.Recording{Functions: []driver.Function{driver.Amps}, IntervalSeconds: 1e-3})
	must(t, err)
	meter, err := in.Meter(1)
	must(t, err)
	must(t, meter.Begin(ctx, driver.Request{Function: driver.Amps, Expect: 1}))
	if err := meter.Begin(ctx, driver.Request{Function: driver.Amps, Expect: 1}); !errors.Is(err, driver.ErrBusy) || !strings.Contains(err.Error(), "the recording of channel 2") {
		t.Errorf("a reading that is given up beside a recording gives %v", err)
	}
	must(t, link.Close())
}
