package run_test

import (
	"context"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"fourwire/driver"
	"fourwire/driver/model"
	"fourwire/internal/diag"
	"fourwire/record/trace"
	"fourwire/sequence"
	"fourwire/sequence/plan"
	"fourwire/sequence/run"
)

// fakeRecorder is the recording side of the fake source: it takes what flows, one sample a millisecond of virtual time.
type fakeRecorder struct {
	b       *fakeBench
	started time.Time
	stopped time.Time
	next    int64
	hides   int64                         // samples that it does not count
	value   func(index int64) float64     // nil: what flows now
	lose    func(index int64) (count int) // samples that are lost from there on
	charge  float64
	more    float64 // C that it counts beyond that
	skips   int64   // samples that it neither takes nor counts, from the 500th on
	garble  int64   // the block with this sample cannot be read; 0: none
	ahead   int64   // samples that it has before their time, as a unit has that is simulated faster than the clock goes
	most    int64   // that it gives at a time; 0: all that wait
	held    time.Duration
}

const fakeEvery = time.Millisecond

func (f *fakeRecorder) Start(ctx context.Context, want driver.Recording) (driver.Started, error) {
	if err := f.b.call(ctx, "feed-psu", "record %v every %g s", want.Functions, want.IntervalSeconds); err != nil {
		return driver.Started{}, err
	}
	f.started, f.stopped, f.next, f.charge = f.b.clock.Now(), time.Time{}, 0, 0
	ranges := []model.Range{{Full: 0.01, Accuracy: model.Accuracy{Gain: 1e-4}}, {Full: 1, Accuracy: model.Accuracy{Gain: 2e-4}}}
	return driver.Started{IntervalSeconds: want.IntervalSeconds, Depth: 1e6, Ranges: [][]model.Range{ranges}, Inputs: [][]string{{"psu amps 10 mA", "psu amps 1 A"}}, At: f.started}, nil
}

func (f *fakeRecorder) taken() int64 {
	end := f.b.clock.Now()
	if !f.stopped.IsZero() {
		end = f.stopped
	}
	n := int64(end.Sub(f.started)/fakeEvery) + f.ahead
	if n > 500 {
		n = max(500, n-f.skips)
	}
	return n
}

func (f *fakeRecorder) Fetch(ctx context.Context, most, least int, into *driver.Samples) error {
	if err := f.b.call(ctx, "feed-psu", "fetch"); err != nil {
		return err
	}
	asked := f.b.clock.Now()
	for f.taken()-f.next < int64(least) && f.stopped.IsZero() {
		if err := f.b.clock.Sleep(ctx, fakeEvery); err != nil {
			return err
		}
	}
	f.held = max(f.held, f.b.clock.Since(asked))
	if f.lose != nil {
		f.next += int64(f.lose(f.next))
	}
	n := max(0, min(int64(most), f.taken()-f.next))
	if f.most > 0 {
		n = min(n, f.most)
	}
	if f.garble > 0 && f.next+n > f.garble {
		f.next, f.garble = f.next+n, 0
		return fmt.Errorf("a block on the wire: %w", driver.ErrSamples)
	}
	into.Start, into.Count = f.next, int(n)
	into.Values, into.Runs = [][]float32{make([]float32, n)}, [][]driver.RangeRun{nil}
	if n > 0 {
		into.Runs[0] = []driver.RangeRun{{At: 0, Range: 1}}
	}
	for k := range into.Values[0] {
		x := f.b.takenIn()
		if f.value != nil {
			x = f.value(f.next + int64(k))
		}
		into.Values[0][k] = float32(x)
		f.charge += float64(float32(x)) * fakeEvery.Seconds()
	}
	f.next += n
	return nil
}

func (f *fakeRecorder) Totals(ctx context.Context) (driver.Totals, error) {
	return driver.Totals{Taken: f.next + f.hides, Coulombs: f.charge + f.more, Handovers: -1, Lost: -1}, f.b.call(ctx, "feed-psu", "totals")
}

func (f *fakeRecorder) Stop(ctx context.Context) error {
	err := f.b.call(ctx, "feed-psu", "record off")
	if err == nil && f.stopped.IsZero() {
		f.stopped = f.b.clock.Now()
	}
	return err
}

type recordingInstrument struct {
	fakeInstrument
	recorder *fakeRecorder
}

func (r recordingInstrument) Recorder(int) (run.Recorder, error) { return r.recorder, nil }

// keptTraces is a sink in memory that keeps traces in a folder.
type keptTraces struct {
	*kept
	dir string
}

func (k *keptTraces) Dir() string { return k.dir }
func (k *keptTraces) Trace(h trace.Head) (*trace.Writer, error) {
	return trace.Create(filepath.Join(k.dir, "traces"), h)
}
func (k *keptTraces) FinishTrace(w *trace.Writer, s trace.Statement) error { return w.Finish(s) }
func (k *keptTraces) Put(string, []byte) error                             { return nil }
func (k *keptTraces) PutFrom(_ string, write func(io.Writer) error) error  { return write(io.Discard) }

// recorded runs steps with a recorder at the input of the converter.
func recorded(t testing.TB, ctx context.Context, b *fakeBench, f *fakeRecorder, text string) (*keptTraces, run.Summary, error) {
	t.Helper()
	var found diag.Findings
	seq := sequence.Read("test.yaml", []byte(strings.Replace(head, "guard:", "  log: {role: recorder, node: dut.in, amps: 0..1 A, every: 1 ms}\nguard:", 1)+text), nil, &found)
	if found.Failed() {
		t.Fatalf("%v", found.List())
	}
	wires, models := testBench()
	models["feed-psu"].Channels[0].Amps = []model.Range{{Full: 0.01}, {Full: 1}}
	models["feed-psu"].Channels[0].Records = &model.Records{Least: 10 * time.Microsecond, Most: time.Second, Grid: time.Microsecond, Depth: 1e6, Amps: true}
	p := plan.Bind(seq, wires, models, &found)
	if found.Failed() {
		t.Fatalf("%v", found.List())
	}
	f.b = b
	all := b.instruments()
	all["feed-psu"] = recordingInstrument{fakeInstrument{b, "feed-psu"}, f}
	k := &keptTraces{&kept{}, t.TempDir()}
	s, err := run.Run(ctx, run.Config{Plan: p, Instruments: all, Clock: b.clock, Ledger: &b.ledger, Sink: k})
	return k, s, err
}

func statement(t testing.TB, k *keptTraces, name string) trace.Statement {
	t.Helper()
	tr, err := trace.Open(filepath.Join(k.dir, "traces"), name)
	if err != nil {
		t.Fatal(err)
	}
	defer tr.Close()
	return tr.Statement()
}

const twoSeconds = `steps:
  - {source: feed, volts: 12 V, amps: 1 A}
  - {record: hunt, with: log, of: {i: i(dut.in)}, every: 1 ms, for: 20 s}
  - {source: feed, output: off}
`

// What is missing is said in plain sentences: by the index, by the unit's count of samples, and by the clock, each alone.
func TestWhatIsMissingIsSaid(t *testing.T) {
	for _, c := range []struct {
		name string
		f    fakeRecorder
		says string
	}{
		{name: "nothing"},
		{name: "one sample", f: fakeRecorder{lose: lossAt(4000, 1)}, says: "1 ms missing at "},
		{name: "a stretch", f: fakeRecorder{lose: lossAt(4000, 150)}, says: "150 ms missing at "},
		{name: "the unit counted more charge", f: fakeRecorder{more: 1e-3}, says: "uC are missing"},
		{name: "the clock", f: fakeRecorder{skips: 30}, says: "s went by from start to stop, and the samples fill"},
		{name: "a block that cannot be read", f: fakeRecorder{garble: 5000}, says: "missing at "},
		{name: "the unit took more", f: fakeRecorder{hides: 3}, says: "3 ms missing at a place that is not known"},
		{name: "the unit took fewer", f: fakeRecorder{hides: -3}, says: "the numbers of the samples cannot be relied on"},
	} {
		t.Run(c.name, func(t *testing.T) {
			k, s, err := recorded(t, context.Background(), newFakeBench(), &c.f, twoSeconds)
			if err != nil || len(k.points) != 1 {
				t.Fatalf("%v, %d points", err, len(k.points))
			}
			p, st := k.points[0], statement(t, k, "hunt")
			if strings.HasSuffix(c.says, "missing at ") && strings.Contains(p.Why, "the unit took") {
				t.Errorf("what the index tells is told twice: %s", p.Why)
			}
			if p.Valid != (c.says == "") || st.Complete != p.Valid || !strings.Contains(p.Why, c.says) || s.Invalid != map[bool]int{true: 0, false: 1}[p.Valid] {
				t.Errorf("valid %v, complete %v: %s", p.Valid, st.Complete, p.Why)
			}
			if math.Abs(st.CoulombsReceived-0.005*float64(st.Received)*1e-3) > 1e-9 {
				t.Errorf("%g C in %d samples of 5 mA", st.CoulombsReceived, st.Received)
			}
		})
	}
}

func lossAt(index int64, count int) func(int64) int {
	done := false
	return func(next int64) int {
		if done || next < index {
			return 0
		}
		done = true
		return count
	}
}

// One sample of many beyond the guard ends the run; what was recorded is kept.
func TestOneSampleBeyondTheGuard(t *testing.T) {
	f := &fakeRecorder{value: func(index int64) float64 {
		if index == 1234 {
			return 2.9 // the guard is 2.8 A
		}
		return 0.005
	}}
	b := newFakeBench()
	k, s, err := recorded(t, context.Background(), b, f, twoSeconds)
	if run.ExitStatus(s, err) != 5 || !strings.Contains(err.Error(), "i(dut.in) was 2.9 A at 1.234 s of hunt, which is outside its guard") {
		t.Fatalf("%v", err)
	}
	if st := statement(t, k, "hunt"); st.Complete || st.Received < 1234 || b.source.on || !strings.Contains(k.points[0].Why, "outside its guard") {
		t.Errorf("on %v, %+v, %s", b.source.on, st, k.points[0].Why)
	}
}

// Whatever call fails, and from wherever the instrument is lost: the output ends off, or the error says that it may not; and the trace is
// finished, as complete only where nothing failed.
func TestABrokenCallDuringARecording(t *testing.T) {
	for _, lost := range []bool{false, true} {
		for n := 1; ; n++ {
			b, f := newFakeBench(), &fakeRecorder{}
			b.failAt, b.failWith = n, func(string) error { return errBroken }
			if lost {
				b.failAt, b.lostFrom = 0, n
			}
			k, s, err := recorded(t, context.Background(), b, f, twoSeconds)
			if !b.fired {
				if err != nil {
					t.Fatal(err)
				}
				break
			}
			name := fmt.Sprintf("call %d, lost %v", n, lost)
			status := run.ExitStatus(s, err)
			if b.source.on && status != 5 {
				t.Errorf("%s: still on, and %v", name, err)
			}
			if !f.started.IsZero() {
				if _, err := os.Stat(filepath.Join(k.dir, "traces", "hunt.raw")); err == nil {
					t.Errorf("%s: the trace is not finished", name)
				}
			}
			if err == nil && !lost && len(k.points) == 1 && k.points[0].Valid && !statement(t, k, "hunt").Complete {
				t.Errorf("%s: a valid point with a trace that is not complete", name)
			}
		}
	}
}

// What is measured of a recorded node comes from the recording, and other instruments read beside it.
func TestReadingsWhileSomethingIsRecorded(t *testing.T) {
	b, f := newFakeBench(), &fakeRecorder{}
	b.extraIn = 0.02
	k, _, err := recorded(t, context.Background(), b, f, `steps:
  - {source: feed, volts: 12 V, amps: 1 A}
  - record: hunt
    with: log
    of: {i: i(dut.in)}
    every: 1 ms
    steps:
      - {wait: 30 s}
      - {measure: {vi: v(dut.in), ii: i(dut.in)}, aperture: 100 ms}
      - {settle: {until: v(dut.in) within 1 % for 1 s, at_most: 5 s}}
`)
	if err != nil {
		t.Fatal(err)
	}
	p, st := k.points[0], statement(t, k, "hunt")
	if math.Abs(p.Cells["vi"].SI-12) > 1e-9 || math.Abs(p.Cells["ii"].SI-0.025) > 1e-6 || !st.Complete || st.Received < 31_000 {
		t.Errorf("%+v, %+v", p.Cells, st)
	}
	fetches := 0
	for _, c := range b.calls {
		if c == "feed-psu: fetch" {
			fetches++
		}
	}
	if fetches < 8 || fetches > 100 { // a block of 4096 samples is 4.1 s
		t.Errorf("%d fetches", fetches)
	}
}

// A unit that is ahead of the clock is not waited for. One that keeps its pace is, and so is one that is ahead by less than an answer is held:
// its answers are not held for longer, since an interruption ends a wait of the runner, and no answer.
func TestAUnitAheadOfTheClockIsNotWaitedFor(t *testing.T) {
	for _, c := range []struct {
		ahead       int64
		least, most time.Duration // until the recording is over
	}{{0, 19 * time.Second, 21 * time.Second}, {40, 19 * time.Second, 21 * time.Second}, {60_000, 4 * time.Second, 5 * time.Second}} { // the first block of 4.1 s is waited for
		b, f := newFakeBench(), &fakeRecorder{ahead: c.ahead, most: 4096}
		k, _, err := recorded(t, context.Background(), b, f, twoSeconds)
		if err != nil || len(k.points) != 1 {
			t.Fatalf("%v, %d points", err, len(k.points))
		}
		if took := f.stopped.Sub(f.started); took < c.least || took > c.most || f.held > 200*time.Millisecond {
			t.Errorf("%d samples ahead: 20 s took %v, want %v to %v; an answer was held for %v", c.ahead, took, c.least, c.most, f.held)
		}
		if st := statement(t, k, "hunt"); !st.Complete || st.Received < 20_000 {
			t.Errorf("%d samples ahead: %+v", c.ahead, st)
		}
	}
}
