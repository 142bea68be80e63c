package driver_test

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"strings"
	"testing"
	"time"

	"fourwire/driver"
	"fourwire/driver/ieee488"
	"fourwire/internal/clock"
	"fourwire/transport"
	"fourwire/transport/transporttest"
)

// feeder is a link to a unit that records: its samples are their own index, and it holds an answer as long as it has to. It does one
// thing after the other, as an instrument on one connection does.
type feeder struct {
	clock    clock.Clock
	interval time.Duration
	begun    time.Time
	slow     float64 // of its clock: 0.01 is 1 % slow
	next     int64
	running  bool
	answers  []string
	log      []string      // what was said, with the time
	held     time.Duration // longest that an answer was held
	jumps    bool          // its time jumps instead
	dead     bool          // holds an answer for ever
	ranOut   time.Time     // when that was first given up
	off      time.Time     // when its output was switched off
}

func (f *feeder) taken() int64 {
	return int64(float64(f.clock.Since(f.begun)) / (1 + f.slow) / float64(f.interval))
}

func (f *feeder) Send(ctx context.Context, msg []byte) error {
	for unit := range strings.SplitSeq(strings.TrimSpace(string(msg)), ";") {
		var most, least int64
		f.log = append(f.log, unit)
		switch n, _ := fmt.Sscanf(unit, ":TRAC:DATA? %d,%d", &most, &least); {
		case n == 2:
			f.answers = append(f.answers, fmt.Sprintf("%d %d", most, least))
		case unit == "*IDN?":
			f.answers = append(f.answers, "Maker,Model,S1,1.0")
		case unit == ":SYST:ERR?":
			f.answers = append(f.answers, noError)
		case unit == ":TRAC:TINT?":
			f.answers = append(f.answers, fmt.Sprint(f.interval.Seconds()))
		case unit == ":TRAC:RANG:ULIM?":
			f.answers = append(f.answers, "3")
		case unit == ":TRAC:BUFF?":
			f.answers = append(f.answers, "1000")
		case unit == ":OUTP?":
			f.answers = append(f.answers, "0")
		case unit == ":OUTP OFF":
			f.off = f.clock.Now()
		case unit == ":TRAC:FEED:CONT ALW":
			f.begun, f.running = f.clock.Now(), true
		case unit == ":ABOR", unit == ":TRAC:FEED:CONT NEV":
			f.running = false
		}
	}
	return nil
}

func (f *feeder) Receive(ctx context.Context, into []byte) ([]byte, error) {
	answer := f.answers[0]
	var most, least int64
	if n, _ := fmt.Sscanf(answer, "%d %d", &most, &least); n == 2 {
		if f.dead {
			_ = f.clock.Sleep(ctx, time.Hour)
			if f.ranOut.IsZero() {
				f.ranOut = f.clock.Now()
			}
			return into[:0], &transport.Error{Op: "receive", Address: "feeder", Err: transport.Interrupted(ctx, "no answer came")}
		}
		asked := f.clock.Now()
		if missing := f.next + least - f.taken(); f.jumps && missing > 0 {
			f.begun = f.begun.Add(-time.Duration(missing) * f.interval)
		}
		for f.running && f.taken() < f.next+least {
			if err := f.clock.Sleep(ctx, time.Millisecond); err != nil {
				return into[:0], err
			}
		}
		f.held = max(f.held, f.clock.Since(asked))
		var samples []float32
		for int64(len(samples)) < most && f.next+int64(len(samples)) < f.taken() {
			samples = append(samples, float32(f.next)+float32(len(samples)))
		}
		answer = block(fmt.Sprintf(`%d,%d,0,"0:1"`, f.next, len(samples)), samples...)
		f.next += int64(len(samples))
	}
	f.answers = f.answers[1:]
	return append(into[:0], answer...), nil
}

func (f *feeder) Close() error { return nil }

func feeding(t *testing.T, f *feeder, model string, hold time.Duration) (*driver.Instrument, *driver.Recorder) {
	t.Helper()
	if f.clock == nil {
		f.clock = clock.NewVirtual(time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC))
	}
	in, err := driver.Open(context.Background(), driver.Config{Name: "smu", Model: modelOf(t, model), Link: f, Clock: f.clock})
	must(t, err)
	r, err := in.Recorder(1)
	must(t, err)
	_, err = r.Start(context.Background(), driver.Recording{Functions: []driver.Function{driver.Amps}, IntervalSeconds: f.interval.Seconds(), LongestHold: hold})
	must(t, err)
	return in, r
}

// Where samples have to be waited for, the time passes on this side, but for the last 200 ms: a command that switches off must not
// wait behind an answer that is held.
func TestWaitingForSamplesLeavesTheConnectionFree(t *testing.T) {
	unit := libraryText(t, "source-measure-unit")
	unable := strings.Replace(unit, ":TRAC:DATA? {most},{least}", ":TRAC:DATA? {most},0", 1)
	for _, c := range []struct {
		name, model string
		unit        feeder
		fetched     [4]int // of 60, 60, 30 and 500 samples
		within      time.Duration
		hold        time.Duration
	}{
		{"held", unit, feeder{interval: 100 * time.Millisecond}, [4]int{60, 60, 30, 500}, 200 * time.Millisecond, 0},
		{"held, faster", unit, feeder{interval: time.Millisecond}, [4]int{60, 60, 30, 500}, 200 * time.Millisecond, 0},
		{"held, and the instrument's clock is slow", unit, feeder{interval: 100 * time.Millisecond, slow: 0.01}, [4]int{60, 60, 30, 500}, 900 * time.Millisecond, 0},
		{"held for as long as it takes", unit, feeder{interval: 100 * time.Millisecond}, [4]int{60, 60, 30, 500}, 50 * time.Second, time.Hour},
		{"cannot hold", unable, feeder{interval: 100 * time.Millisecond}, [4]int{60, 60, 30, 500}, 0, 0},
		{"cannot hold, and its clock is slow", unable, feeder{interval: 100 * time.Millisecond, slow: 0.01}, [4]int{59, 59, 30, 495}, 0, 0},
	} {
		f := c.unit
		_, r := feeding(t, &f, c.model, c.hold)
		var s driver.Samples
		for i, least := range []int{60, 60, 30, 500} {
			must(t, r.Fetch(context.Background(), 1000, least, &s))
			if s.Count != c.fetched[i] || s.Count > 0 && s.Values[0][s.Count-1] != float32(s.Start)+float32(s.Count-1) {
				t.Errorf("%s: fetch %d gives %d samples from %d on", c.name, i, s.Count, s.Start)
			}
		}
		if f.held > c.within || f.held < c.within/10 {
			t.Errorf("%s: an answer was held for %v", c.name, f.held)
		}
	}
}

// Behind a full block more may wait: nothing is slept for then, and the block behind is at once there.
func TestABacklogIsFetchedAtOnce(t *testing.T) {
	f := feeder{interval: time.Millisecond}
	_, r := feeding(t, &f, libraryText(t, "source-measure-unit"), 0)
	must(t, f.clock.Sleep(context.Background(), 2500*time.Millisecond))
	was, sizes := f.clock.Now(), []int{}
	var s driver.Samples
	for range 3 {
		must(t, r.Fetch(context.Background(), 1000, 1000, &s))
		sizes = append(sizes, s.Count)
	}
	if fmt.Sprint(sizes) != "[1000 1000 500]" || f.clock.Since(was) != 0 {
		t.Errorf("%v samples came in %v", sizes, f.clock.Since(was))
	}
}

func TestAnAnswerThatIsHeldForEverRunsOut(t *testing.T) {
	f := feeder{interval: time.Second}
	_, r := feeding(t, &f, libraryText(t, "source-measure-unit"), 0)
	f.dead = true
	was := f.clock.Now()
	if err := r.Fetch(context.Background(), 1000, 10, &driver.Samples{}); !errors.Is(err, ieee488.ErrNoAnswer) {
		t.Errorf("it gives %v", err)
	}
	// 10 s until the samples are there, the time of an ordinary answer, and 8 ms for 4000 bytes
	if took := f.ranOut.Sub(was); took != 12008*time.Millisecond {
		t.Errorf("it ran out after %v", took)
	}
}

// A wait ends when the run is given up, and the output goes off behind nothing.
func TestGivingUpAWaitSwitchesOffAtOnce(t *testing.T) {
	f := feeder{interval: time.Second}
	in, r := feeding(t, &f, libraryText(t, "source-measure-unit"), 0)
	ctx, cancel := f.clock.WithTimeout(context.Background(), 1500*time.Millisecond)
	defer cancel()
	if err := r.Fetch(ctx, 1000, 100, &driver.Samples{}); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("it gives %v", err)
	}
	was := f.clock.Now()
	must(t, in.Abort(context.Background()))
	if f.running || !f.off.Equal(was) {
		t.Errorf("recording %v, switched off after %v", f.running, f.off.Sub(was))
	}
	var s driver.Samples
	must(t, r.Fetch(context.Background(), 1000, 5, &s)) // what it had taken; nothing is waited for
	if s.Count != 1 {
		t.Errorf("%d samples were left", s.Count)
	}
	if _, err := in.Recorder(1); err != nil {
		t.Error(err)
	}
}

// recorderWithoutAbort is a drain recorder that knows neither abort nor reset, with one range at a time.
const recorderWithoutAbort = `fourwire: model/1
about: a recorder of current that is spoken to in words of its own
channels:
  - measures: {amps: [{full: 10 mA, gain: 0.1 %, offset: 10 uA}, {full: 1 A, gain: 0.1 %, offset: 1 mA}]}
    records: {functions: [amps], interval: 1 ms..1 s}
  - source: {volts: 0..5 V, amps: 0..1 A}
dialect:
  say: {range amps: "RANGE{ch} {range}", record amps: "WHAT{ch} I", record interval: "EVERY{ch} {seconds NR2.3}", record start: "GO{ch}", record stop: "HALT{ch}",
        set volts: "V{ch} {volts}", set amps: "I{ch} {amps}", switch on: "ON{ch}", switch off: "OFF{ch}"}
  ask:
    identity: "*IDN?"
    switch: "ON{ch}?"
    read amps: "I{ch}?"
    record data: {send: "MORE{ch} {most}", read: {begins: skip, start: whole, values: singles}}
`

func TestARecordingIsStoppedInItsOwnWords(t *testing.T) {
	off := []transporttest.Step{transporttest.Sent("OFF2"), transporttest.Sent("ON2?"), transporttest.Answer("0")}
	start := []transporttest.Step{transporttest.Sent("WHAT1 I"), transporttest.Sent("EVERY1 0.050"), transporttest.Sent("RANGE1 1"), transporttest.Sent("GO1")}
	steps := append([]transporttest.Step{}, off...)
	steps = append(steps, transporttest.Sent("HALT1")) // Prepare: that of somebody else
	steps = append(steps, start...)
	steps = append(steps, transporttest.Sent("MORE1 10"), transporttest.Answer("?,0,#18\x3f\x80\x00\x00\xbf\x00\x00\x00"))
	steps = append(append(steps, off...), transporttest.Sent("HALT1")) // Abort: outputs first
	steps = append(append(steps, off...), transporttest.Sent("HALT1")) // TakeOver, whoever started it
	in, link := opened(t, modelOf(t, recorderWithoutAbort), driver.Config{Name: "drain"}, steps...)
	ctx := context.Background()
	must(t, in.Prepare(ctx))
	r, err := in.Recorder(1)
	must(t, err)
	started, err := r.Start(ctx, driver.Recording{Functions: []driver.Function{driver.Amps}, IntervalSeconds: 0.05, MostAmps: 0.5})
	must(t, err)
	if len(started.Ranges[0]) != 1 || started.Ranges[0][0].Full != 1 || started.Inputs[0][0] != "" || started.Depth != 0 {
		t.Errorf("started as %+v", started)
	}
	var s driver.Samples
	must(t, r.Fetch(ctx, 10, 0, &s))
	if s.Count != 2 || s.Values[0][0] != 1 || s.Values[0][1] != -0.5 || s.Lost != -1 || len(s.Runs[0]) != 1 || s.Runs[0][0] != (driver.RangeRun{}) { // 3F800000 and BF000000: IEEE 754
		t.Errorf("got %+v", s)
	}
	if _, err := r.Totals(ctx); !errors.Is(err, driver.ErrNoAbility) {
		t.Errorf("totals give %v", err)
	}
	must(t, in.Abort(ctx))
	must(t, in.TakeOver(ctx))
	must(t, link.Close())
}

// On the machine's clock it is the same.
func TestWaitingInRealTime(t *testing.T) {
	f := feeder{interval: time.Millisecond, clock: clock.Real()}
	_, r := feeding(t, &f, libraryText(t, "source-measure-unit"), 5*time.Millisecond)
	var s driver.Samples
	for range 2 {
		if must(t, r.Fetch(context.Background(), 1000, 20, &s)); s.Count < 20 {
			t.Errorf("%d samples came", s.Count)
		}
	}
	must(t, r.Stop(context.Background()))
}

// echoing gives the same block again and again, in the memory that it is handed.
type echoing struct {
	transport.Link
	block string
	next  int
	count int
}

func (e *echoing) Send(ctx context.Context, msg []byte) error {
	if strings.HasPrefix(string(msg), ":TRAC:DATA?") {
		return nil
	}
	return e.Link.Send(ctx, msg)
}

func (e *echoing) Receive(ctx context.Context, into []byte) ([]byte, error) {
	if e.block == "" {
		return e.Link.Receive(ctx, into)
	}
	into = append(fmt.Appendf(into[:0], "%d,%d,0,", e.next, e.count), e.block...)
	e.next += e.count
	return into, nil
}

// Memory that has been used for a block is used for the next: whoever records for days needs no more than for a minute.
func TestAFetchNeedsNoFreshMemory(t *testing.T) {
	const samples = 50_000
	link := &echoing{Link: transporttest.NewScript(append([]transporttest.Step{transporttest.Sent("*IDN?"), transporttest.Answer("M,D,1,1")}, begun()...)...), count: samples}
	ctx := context.Background()
	bytes := 0
	tapped := transport.WithTap(link, nil, time.Time{}, func(_ time.Time, _ time.Duration, _ byte, message []byte) { bytes += len(message) })
	in, err := driver.Open(ctx, driver.Config{Name: "smu", Model: libraryModel(t, "source-measure-unit"), Link: tapped})
	must(t, err)
	r, err := in.Recorder(1)
	must(t, err)
	_, err = r.Start(ctx, bothFunctions)
	must(t, err)
	link.block = block(`"0:1,20000:5"`, make([]float32, 2*samples)...)
	var s driver.Samples
	must(t, r.Fetch(ctx, samples, 0, &s))
	const fetches = 100
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	for range fetches {
		must(t, r.Fetch(ctx, samples, 0, &s))
	}
	runtime.ReadMemStats(&after)
	if each := (after.TotalAlloc - before.TotalAlloc) / fetches; each > 4096 {
		t.Errorf("each fetch of %d bytes takes %d bytes of fresh memory", len(link.block), each)
	}
	if bytes < fetches*len(link.block) {
		t.Errorf("the tap saw %d bytes", bytes)
	}
}

// A simulator that need not wait lets its own time jump while it holds an answer. It is made to hold for longer then, twice as long each
// time, and at last nothing is waited for here. The clock of a real unit may run a little fast: that teaches nothing, or for one answer.
func TestHoldingForLongerWhereItTakesNoTime(t *testing.T) {
	f := feeder{interval: time.Millisecond, jumps: true}
	_, r := feeding(t, &f, libraryText(t, "source-measure-unit"), 0)
	was, pauses := f.clock.Now(), []time.Duration{}
	var s driver.Samples
	for range 8 {
		must(t, r.Fetch(context.Background(), 5000, 3000, &s))
		pauses = append(pauses, f.clock.Since(was).Round(time.Millisecond))
		was = f.clock.Now()
	}
	if got, want := fmt.Sprint(pauses), "[2.8s 2.6s 2.2s 1.4s 0s 0s 0s 0s]"; got != want {
		t.Errorf("it waited %s, want %s", got, want)
	}
	for _, fast := range []float64{50e-6, 0.001, 0.01} {
		f := feeder{interval: time.Millisecond, slow: -fast}
		_, r := feeding(t, &f, libraryText(t, "source-measure-unit"), 0)
		for range 20 {
			must(t, r.Fetch(context.Background(), 50_000, 20_000, &s))
		}
		if f.held > 400*time.Millisecond {
			t.Errorf("a unit whose clock is %v fast held an answer for %v", fast, f.held)
		}
	}
}
