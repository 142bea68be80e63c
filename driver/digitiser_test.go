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
	"fourwire/quantity/measured"
	"fourwire/transport/transporttest"
)

// samples is a block alone, as the library's models answer it: REAL,32 with the lowest byte first (IEEE 488.2 clause 8.7.9).
func samples(numbers ...float32) string { return block("", numbers...)[1:] }

// says is one exchange of a script without an answer that counts: words, and a look at the error queue.
func says(words string) []transporttest.Step {
	return []transporttest.Step{transporttest.Sent(words), transporttest.Sent(":SYST:ERR?"), transporttest.Answer(noError)}
}

// asks is one question with its answer.
func asks(question, answer string) []transporttest.Step {
	return []transporttest.Step{transporttest.Sent(question), transporttest.Answer(answer)}
}

func steps(parts ...[]transporttest.Step) (out []transporttest.Step) {
	for _, p := range parts {
		out = append(out, p...)
	}
	return out
}

const (
	edgeWords = `:FORM REAL,32;:FORM:BORD SWAP;:SENS:VOLT:RANG 20;:SENS:CURR:RANG 1;:SENS:SWE:TINT 1E-06;:SENS:SWE:POIN 4;:SENS:SWE:OFFS:POIN -1;:TRIG:SEQ2:COUN 1;:TRIG:SEQ2:DEL 0;` +
		`:TRIG:SEQ2:SOUR CURR;:TRIG:SEQ2:LEV 0.5;:TRIG:SEQ2:SLOP POS;:TRIG:SEQ2:HYST 0.05`
	edgeLook = ":SENS:SWE:TINT?;:SENS:SWE:POIN?;:SENS:SWE:OFFS:POIN?;:SENS:BAND?"
)

func edge() driver.Capture {
	return driver.Capture{Functions: []driver.Function{driver.Volts, driver.Amps}, IntervalSeconds: 1.1e-6, Points: 4, Before: 1, VoltsFull: 5, AmpsFull: 0.8,
		Trigger: driver.Trigger{On: driver.OnAmps, Level: 0.5, Hysteresis: 0.05, Slope: 1}}
}

// armedEdge opens a unit whose link plays these steps behind the arming of the capture of an edge.
func armedEdge(t *testing.T, c driver.Config, more ...transporttest.Step) (*driver.Instrument, *driver.Digitiser, driver.Armed, *transporttest.Script) {
	t.Helper()
	if c.Clock == nil {
		c.Clock = clock.NewVirtual(time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC))
	}
	c.Name = "smu"
	in, link := opened(t, libraryModel(t, "source-measure-unit"), c, steps(says(edgeWords), asks(edgeLook, "1.00000000E-06;4;-1;9.8E+04"), says(":INIT:SEQ2"), more)...)
	d, err := in.Digitiser(1)
	must(t, err)
	a, err := d.Arm(context.Background(), edge())
	must(t, err)
	return in, d, a, link
}

func TestCaptureAroundATrigger(t *testing.T) {
	var l measured.Ledger
	ctx := context.Background()
	in, d, a, link := armedEdge(t, driver.Config{Ledger: &l}, steps(
		asks(":STAT:OPER:COND?", "16"), asks(":STAT:OPER:COND?", "32"), // its samples from before the trigger are there now
		asks(":STAT:OPER:COND?", "32"),
		says(":SOUR:FUNC VOLT;:SOUR:VOLT 5"), // the source obeys meanwhile
		asks(":STAT:OPER:COND?", "16"), asks(":STAT:OPER:COND?", "16"), asks(":STAT:OPER:COND?", "0"),
		asks(":FETC:ARR:VOLT?", samples(5, 4.5, 9.9e37, 4.9)), asks(":FETC:ARR:CURR?", samples(0, 0.6, -9.9e37, 9.91e37)),
		asks(":FETC:ARR:VOLT?", samples(1, 2, 3, 4)), asks(":FETC:ARR:CURR?", samples(5, 6, 7, 8)),
		asks(":FETC:ARR:VOLT?", samples(1, 2, 3, 4)), asks(":FETC:ARR:CURR?", samples(5, 6, 7, 8)),
		says(":SENS:VOLT:RANG 2;:SENS:VOLT:APER 0.02"), // readings set their range again
		[]transporttest.Step{transporttest.Sent(":INIT"), transporttest.Sent(":FETC:VOLT?"), transporttest.Answer("1.5")})...)
	if a.IntervalSeconds != 1e-6 || a.BandwidthHertz != 9.8e4 || math.Abs(a.SkewSeconds-50e-9) > 1e-18 || a.Points != 4 || a.Before != 1 || a.Count != 1 || a.Ranges[0].Full != 20 || a.Ranges[1].Full != 1 {
		t.Errorf("armed as %+v", a)
	}
	if want := []string{"smu ch1 volts 20 V", "smu ch1 amps 1 A"}; !reflect.DeepEqual(a.Inputs, want) {
		t.Errorf("inputs %q", a.Inputs)
	}
	var got driver.Samples
	meter, err := in.Meter(1)
	must(t, err)
	source, err := in.Source(1)
	must(t, err)
	must(t, d.Await(ctx, driver.CaptureWaits, time.Second))
	if err := meter.Begin(ctx, driver.Request{Function: driver.Volts}); !errors.Is(err, driver.ErrBusy) {
		t.Errorf("a reading meanwhile: %v", err)
	}
	if err := meter.Arm(ctx, driver.Request{Function: driver.Volts}); !errors.Is(err, driver.ErrBusy) {
		t.Errorf("a range meanwhile: %v", err)
	}
	if err := d.Fetch(ctx, &got); !errors.Is(err, driver.ErrNotTriggered) {
		t.Errorf("without a trigger: %v", err)
	}
	must(t, source.SetVolts(ctx, 5))
	must(t, d.Fetch(ctx, &got))
	if got.Start != -1 || got.Count != 4 || got.Lost != 0 || got.Overloads != 3 || got.Values[0][1] != 4.5 || got.Values[1][1] != 0.6 ||
		!math.IsInf(float64(got.Values[0][2]), 1) || !math.IsInf(float64(got.Values[1][2]), -1) || !math.IsNaN(float64(got.Values[1][3])) || len(got.Runs[0]) != 0 {
		t.Errorf("got %+v", got)
	}
	must(t, d.Fetch(ctx, &got)) // from now on blocks are read to where their numbers lie
	first := &got.Values[0][0]
	must(t, d.Fetch(ctx, &got))
	if got.Overloads != 0 || !reflect.DeepEqual(got.Values, [][]float32{{1, 2, 3, 4}, {5, 6, 7, 8}}) || first != &got.Values[0][0] {
		t.Errorf("again it is %+v", got)
	}
	must(t, meter.Begin(ctx, driver.Request{Function: driver.Volts, Expect: 1}))
	_, err = meter.End(ctx)
	must(t, err)
	must(t, link.Close())
}

// One reading for each trigger on a line, fetched as one block.
func TestReadingsAtTriggers(t *testing.T) {
	ctx := context.Background()
	in, link := opened(t, libraryModel(t, "meter"), driver.Config{Name: "dmm", Clock: clock.NewVirtual(time.Unix(0, 0))}, steps(
		says(`:SENS:FUNC "VOLT";:FORM REAL,32;:FORM:BORD SWAP;:SENS:VOLT:RANG 10;:SENS:VOLT:APER 0.0002;:SENS:SWE:POIN 1;:SENS:SWE:OFFS:POIN 0;:TRIG:SEQ2:COUN 3;:TRIG:SEQ2:DEL 0.0005;:TRIG:SEQ2:SOUR TTLT2`),
		asks(":SENS:SWE:POIN?", "1"), says(":INIT:SEQ2"),
		asks(":STAT:OPER:COND?", "32"), asks(":STAT:OPER:COND?", "0"),
		asks(":FETC:ARR:VOLT?", samples(1, 2, 3)),
		says(":OUTP:TTLT4:SOUR SEQ2;:OUTP:TTLT4:STAT ON"), says(":OUTP:TTLT4:STAT OFF"))...)
	d, err := in.Digitiser(1)
	must(t, err)
	a, err := d.Arm(ctx, driver.Capture{Functions: []driver.Function{driver.Volts}, ApertureSeconds: 200e-6, Count: 3, DelaySeconds: 500e-6, VoltsFull: 6, Trigger: driver.Trigger{On: driver.OnLine, Line: 2}})
	must(t, err)
	if a.Points != 1 || a.Count != 3 || a.ApertureSeconds != 200e-6 || a.IntervalSeconds != 0 || a.BandwidthHertz != 0 || a.Ranges[0].Full != 10 {
		t.Errorf("armed as %+v", a)
	}
	must(t, d.Await(ctx, driver.CaptureEnded, time.Second))
	var got driver.Samples
	must(t, d.Fetch(ctx, &got))
	if got.Start != 0 || got.Count != 3 || !reflect.DeepEqual(got.Values, [][]float32{{1, 2, 3}}) {
		t.Errorf("got %+v", got)
	}
	must(t, in.TriggerOut(ctx, 4, "capture"))
	must(t, in.TriggerOut(ctx, 4, ""))
	for _, c := range []struct {
		line int
		on   string
		says string
	}{{5, "capture", "the model meter has 4 lines"}, {0, "", "trigger line 0"}, {1, "steps", "instrument cannot do this"}, {1, "noon", `not at "noon"`}} {
		if err := in.TriggerOut(ctx, c.line, c.on); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("line %d on %q: %v", c.line, c.on, err)
		}
	}
	must(t, link.Close())
}

// What the model does not allow is refused before a word is sent.
func TestCapturesThatAreNotAsked(t *testing.T) {
	both := []driver.Function{driver.Amps, driver.Volts}
	for _, c := range []struct {
		name, model string
		change      func(*driver.Capture)
		says        string
	}{
		{"nothing", "source-measure-unit", func(c *driver.Capture) { c.Functions = nil }, "what is captured is amps, volts, or both"},
		{"volts twice", "source-measure-unit", func(c *driver.Capture) { c.Functions = []driver.Function{driver.Volts, driver.Volts} }, "what is captured is"},
		{"an unknown function", "source-measure-unit", func(c *driver.Capture) { c.Functions = []driver.Function{7} }, "cannot do this"},
		{"both on a meter", "meter", func(c *driver.Capture) {}, "capturing amps and volts together"},
		{"too fast", "source-measure-unit", func(c *driver.Capture) { c.IntervalSeconds = 4e-7 }, "an interval between samples of"},
		{"no interval", "source-measure-unit", func(c *driver.Capture) { c.IntervalSeconds = math.NaN() }, "an interval between samples of"},
		{"too slow", "source-measure-unit", func(c *driver.Capture) { c.IntervalSeconds = 2 }, "an interval between samples of"},
		{"one sample", "source-measure-unit", func(c *driver.Capture) { c.Points, c.Before = 1, 0 }, "for single readings state an aperture"},
		{"too many", "source-measure-unit", func(c *driver.Capture) { c.Points = 65537 }, "the buffer holds 65536"},
		{"too many at several triggers", "source-measure-unit", func(c *driver.Capture) { c.Points, c.Count = 32769, 2 }, "the buffer holds 65536"},
		{"all before", "source-measure-unit", func(c *driver.Capture) { c.Before = 101 }, "101 samples before the trigger are asked for, of 100 in all"},
		{"negative", "source-measure-unit", func(c *driver.Capture) { c.Before = -1 }, "are not negative"},
		{"a delay that is none", "source-measure-unit", func(c *driver.Capture) { c.DelaySeconds = math.NaN() }, "are not negative"},
		{"too many volts", "source-measure-unit", func(c *driver.Capture) { c.VoltsFull = 30 }, "up to 30 V is expected, and the largest range is 20 V"},
		{"a level beyond the range", "source-measure-unit", func(c *driver.Capture) {
			c.AmpsFull, c.Trigger = 0.1, driver.Trigger{On: driver.OnAmps, Level: 0.2}
		}, "a trigger at 200 mA with a hysteresis of 0 A is beyond the range of 100 mA"},
		{"a level that is none", "source-measure-unit", func(c *driver.Capture) { c.Trigger = driver.Trigger{On: driver.OnVolts, Level: math.NaN()} }, "is beyond the range of 20 V"},
		{"a negative hysteresis", "source-measure-unit", func(c *driver.Capture) { c.Trigger = driver.Trigger{On: driver.OnVolts, Hysteresis: -1} }, "is beyond the range of 20 V"},
		{"a line that there is not", "source-measure-unit", func(c *driver.Capture) { c.Trigger = driver.Trigger{On: driver.OnLine, Line: 5} }, "trigger line 5: the model source-measure-unit has 4 lines"},
		{"an event that there is not", "source-measure-unit", func(c *driver.Capture) { c.Trigger.On = "full moon" }, `waiting for "full moon": the instrument cannot do this`},
		{"a level on a source", "dc-source", func(c *driver.Capture) { c.IntervalSeconds, c.Trigger.On = 20e-6, driver.OnVolts }, `waiting for "volts"`},
		{"samples and an aperture", "source-measure-unit", func(c *driver.Capture) { c.ApertureSeconds = 1e-3 }, "one reading at each trigger, or samples at an interval"},
		{"too many readings", "source-measure-unit", func(c *driver.Capture) {
			*c = driver.Capture{Functions: both, ApertureSeconds: 1e-3, Count: 10001}
		}, "the buffer holds 10000"},
		{"too long an aperture", "source-measure-unit", func(c *driver.Capture) { *c = driver.Capture{Functions: both, ApertureSeconds: 3} }, "an aperture of 3s is asked"},
	} {
		in, link := opened(t, libraryModel(t, c.model), driver.Config{Name: "unit"})
		d, err := in.Digitiser(1)
		must(t, err)
		want := driver.Capture{Functions: both, IntervalSeconds: 10e-6, Points: 100, Before: 10}
		c.change(&want)
		if _, err := d.Arm(context.Background(), want); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v", c.name, err)
		}
		must(t, link.Close())
	}
	in, _ := opened(t, libraryModel(t, "dc-source-dual"), driver.Config{})
	if _, err := in.Digitiser(1); !errors.Is(err, driver.ErrNoAbility) {
		t.Errorf("a source without: %v", err)
	}
}

// The interval that counts is the one that the instrument uses; samples from before a trigger need the ability.
func TestTheIntervalThatIsUsed(t *testing.T) {
	in, link := opened(t, libraryModel(t, "source-measure-unit"), driver.Config{Name: "smu"}, steps(says(edgeWords), asks(edgeLook, "1.004E-06;4;-1;0"), says(":INIT:SEQ2"))...)
	d, err := in.Digitiser(1)
	must(t, err)
	a, err := d.Arm(context.Background(), edge())
	must(t, err)
	if a.IntervalSeconds != 1.004e-6 || a.BandwidthHertz != 100e3 {
		t.Errorf("armed as %+v", a)
	}
	must(t, link.Close())
	in, link = opened(t, modelOf(t, strings.Replace(libraryText(t, "source-measure-unit"), "before: yes, ", "", 1)), driver.Config{Name: "smu"})
	d, err = in.Digitiser(1)
	must(t, err)
	if _, err := d.Arm(context.Background(), edge()); !errors.Is(err, driver.ErrNoAbility) {
		t.Errorf("samples before the trigger: %v", err)
	}
	must(t, link.Close())
}

// What the instrument refuses, or takes otherwise than it was sent, is the error of Arm, and nothing is armed.
func TestCapturesThatAreNotTaken(t *testing.T) {
	refusal := []transporttest.Step{transporttest.Sent(edgeWords), transporttest.Sent(":SYST:ERR?"), transporttest.Answer(`-222,"Data out of range"`), transporttest.Sent(":SYST:ERR?"), transporttest.Answer(noError)}
	for _, c := range []struct {
		name  string
		steps []transporttest.Step
		says  string
		is    error
	}{
		{"refused", refusal, `-222 "Data out of range"`, nil},
		{"slower", steps(says(edgeWords), asks(edgeLook, "2.0E-06;4;-1;9.8E+04")), "1 us was sent, 2 us is used", driver.ErrNotTaken},
		{"fewer", steps(says(edgeWords), asks(edgeLook, "1.0E-06;3;-1;9.8E+04")), "4 was sent, 3 is used", driver.ErrNotTaken},
		{"none before", steps(says(edgeWords), asks(edgeLook, "1.0E-06;4;0;9.8E+04")), "1 was sent, 0 is used", driver.ErrNotTaken},
		{"no answer that counts", steps(says(edgeWords), asks(edgeLook, "9.91E37;4;-1;9.8E+04")), "capture interval: the instrument answers not a number", nil},
		{"an element too few", steps(says(edgeWords), asks(edgeLook, "1.0E-06;4;-1")), "elements", nil},
		{"not armed", steps(says(edgeWords), asks(edgeLook, "1.0E-06;4;-1;9.8E+04"), []transporttest.Step{transporttest.Sent(":INIT:SEQ2"), transporttest.Sent(":SYST:ERR?"), transporttest.Answer(`-213,"Init ignored"`), transporttest.Sent(":SYST:ERR?"), transporttest.Answer(noError)}), "-213", nil},
	} {
		in, link := opened(t, libraryModel(t, "source-measure-unit"), driver.Config{Name: "smu"}, c.steps...)
		d, err := in.Digitiser(1)
		must(t, err)
		_, err = d.Arm(context.Background(), edge())
		if err == nil || !strings.Contains(err.Error(), c.says) || c.is != nil && !errors.Is(err, c.is) {
			t.Errorf("%s: %v", c.name, err)
		}
		must(t, d.Abort(context.Background())) // nothing is armed: nothing is sent
		must(t, link.Close())
	}
}

func TestCaptureTimeOutsAndTriggers(t *testing.T) {
	ctx := context.Background()
	waits := asks(":STAT:OPER:COND?", "32")
	c := clock.NewVirtual(time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC))
	var looks []transporttest.Step
	for range 5 { // at 0, 1, 3, 7 and 10 ms
		looks = append(looks, waits...)
	}
	_, d, _, link := armedEdge(t, driver.Config{Clock: c}, steps(looks, waits,
		says(":TRIG:SEQ2:IMM"), says(":ABOR"))...)
	begun := c.Now()
	if err := d.Await(ctx, driver.CaptureEnded, 10*time.Millisecond); !errors.Is(err, driver.ErrNotTriggered) || !strings.Contains(err.Error(), "in 10ms") || c.Since(begun) != 10*time.Millisecond {
		t.Errorf("after %v: %v", c.Since(begun), err)
	}
	if _, err := d.Arm(ctx, edge()); !errors.Is(err, driver.ErrBusy) {
		t.Errorf("armed twice: %v", err)
	}
	must(t, d.Trigger(ctx))
	must(t, d.Abort(ctx))
	must(t, d.Abort(ctx)) // once is enough
	var s driver.Samples
	if err := d.Fetch(ctx, &s); !errors.Is(err, driver.ErrNoReading) {
		t.Errorf("what was aborted gives %v", err)
	}
	if err := d.Trigger(ctx); !errors.Is(err, driver.ErrOrder) {
		t.Errorf("a trigger for nothing: %v", err)
	}
	must(t, link.Close())
}

// A block that is not what was captured is a fault, and the link is brought into step before the next question.
func TestBlocksThatAreNotBelieved(t *testing.T) {
	for _, c := range []struct{ answer, says string }{
		{samples(1, 2, 3), "3 samples came, and the capture has 4"},
		{samples(1, 2, 3, 4, 5), "5 samples came, and the capture has 4"},
		{"1,2,3,4", "invalid block"},
		{"#216aaaabbbb", "16 bytes are announced, 8 came"},
		{"#15aaaab", "no whole number of 4-byte numbers"},
	} {
		_, d, _, link := armedEdge(t, driver.Config{}, steps(asks(":STAT:OPER:COND?", "0"), asks(":FETC:ARR:VOLT?", c.answer),
			asks("*IDN?", "Maker,Model,S1,1.0"), asks(":FETC:ARR:VOLT?", samples(1, 2, 3, 4)), asks(":FETC:ARR:CURR?", samples(1, 2, 3, 4)))...)
		var s driver.Samples
		err := d.Fetch(context.Background(), &s)
		var fault *ieee488.Fault
		if !errors.As(err, &fault) || !strings.Contains(err.Error(), c.says) || s.Count != 0 {
			t.Errorf("%q: %v, %d samples", c.answer, err, s.Count)
		}
		must(t, d.Fetch(context.Background(), &s))
		must(t, link.Close())
	}
}

// Abort and Prepare stop captures and lists before anything is switched off.
func TestAbortStopsACaptureBeforeTheOutput(t *testing.T) {
	in, _, _, link := armedEdge(t, driver.Config{}, steps([]transporttest.Step{transporttest.Sent(":ABOR"), transporttest.Sent(":OUTP OFF")}, asks(":OUTP?", "0"),
		[]transporttest.Step{transporttest.Sent("*CLS"), transporttest.Sent(":ABOR"), transporttest.Sent(":OUTP OFF")}, asks(":OUTP?", "0"),
		[]transporttest.Step{transporttest.Sent("*RST")}, asks("*ESR?", "0"), []transporttest.Step{transporttest.Sent("*OPC")}, asks("*ESR?", "1"),
		[]transporttest.Step{transporttest.Sent(":OUTP OFF")}, asks(":OUTP?", "0"), asks(":SYST:ERR?", noError))...)
	must(t, in.Abort(context.Background()))
	must(t, in.Prepare(context.Background()))
	must(t, link.Close())
}

// BenchmarkFetchCapture reads blocks of 65536 samples of two functions from a link that only copies: what this side adds to the wire.
func BenchmarkFetchCapture(b *testing.B) {
	const n = 65536
	data := make([]byte, 4*n)
	for i := range n {
		binary.LittleEndian.PutUint32(data[4*i:], math.Float32bits(float32(i)*1e-5))
	}
	answer := append(fmt.Appendf(nil, "#6%d", len(data)), data...)
	link := &canned{answers: map[string][]byte{
		"*IDN?": []byte("M,D,1,1"), ":SYST:ERR?": []byte(noError), ":STAT:OPER:COND?": []byte("0"), ":SENS:SWE:TINT?;:SENS:SWE:POIN?;:SENS:SWE:OFFS:POIN?;:SENS:BAND?": []byte("1E-6;65536;0;1E5"),
		":FETC:ARR:VOLT?": answer, ":FETC:ARR:CURR?": answer,
	}}
	ctx := context.Background()
	in, err := driver.Open(ctx, driver.Config{Name: "smu", Model: modelOf(b, libraryText(b, "source-measure-unit")), Link: link})
	if err != nil {
		b.Fatal(err)
	}
	d, err := in.Digitiser(1)
	if err != nil {
		b.Fatal(err)
	}
	if _, err := d.Arm(ctx, driver.Capture{Functions: []driver.Function{driver.Amps, driver.Volts}, IntervalSeconds: 1e-6, Points: n}); err != nil {
		b.Fatal(err)
	}
	var s driver.Samples
	b.SetBytes(8 * n)
	b.ReportAllocs()
	for b.Loop() {
		if err := d.Fetch(ctx, &s); err != nil || s.Count != n || s.Values[1][n-1] != float32(float32(n-1)*1e-5) {
			b.Fatal(err, s.Count)
		}
	}
}

// canned is a link that answers each question in the same way, and takes everything else.
type canned struct {
	answers map[string][]byte
	asked   []byte
}

func (c *canned) Send(_ context.Context, message []byte) error {
	c.asked = c.answers[string(message)]
	return nil
}

func (c *canned) Receive(_ context.Context, into []byte) ([]byte, error) {
	return append(into[:0], c.asked...), nil
}

func (c *canned) Close() error { return nil }
