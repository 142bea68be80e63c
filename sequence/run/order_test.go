package run_test

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"fourwire/sequence/run"
)

var update = flag.Bool("update", false, "rewrite the golden files")

// smallSweep has every kind of step that touches an instrument.
const smallSweep = `
steps:
  - sweep: {vin: [9 V, 12 V]}
    steps:
      - {load: sink, input: off}
      - {source: feed, volts: vin, amps: 2.5 A}
      - settle: {until: v(dut.out) within 0.2 % for 10 ms, at_most: 1 s}
      - sweep: {iout: [100 mA, 1 A]}
        steps:
          - {load: sink, hold: iout}
          - measure: {vi: v(dut.in), ii: i(dut.in), vo: v(dut.out), io: i(dut.out)}
          - derive: {efficiency: vo * io / (vi * ii)}
          - judge: {limit: efficiency >= 80 %, when: io >= 500 mA, clause: "4.2"}
  - {load: sink, input: off}
  - {source: feed, output: off}
`

// The log of every call of a run, in order: what DEVELOPERS can be shown, and what a reviewer reads as a difference.
func TestCallsOfAWholeRun(t *testing.T) {
	b := newFakeBench()
	if _, _, err := walk(t, context.Background(), b, smallSweep); err != nil {
		t.Fatal(err)
	}
	got := strings.Join(b.calls, "\n") + "\n"
	golden := filepath.Join("testdata", "calls.golden")
	if *update {
		if err := os.WriteFile(golden, []byte(got), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(strings.ReplaceAll(string(want), "\r\n", "\n"), got); d != "" {
		t.Errorf("the calls differ (-golden +got); look, then run with -update:\n%s", d)
	}
}

// mustBeInOrder proves from the log that nothing went on before its protection, no load before the source, and that in the
// end each load was told to go off before each source. Order: common practice of power test, no source.
func mustBeInOrder(t *testing.T, b *fakeBench) {
	t.Helper()
	first := func(text string) int {
		for i, c := range b.calls {
			if strings.HasPrefix(c, text) {
				return i
			}
		}
		return -1
	}
	last := func(text string) int {
		for i := len(b.calls) - 1; i >= 0; i-- {
			if strings.HasPrefix(b.calls[i], text) {
				return i
			}
		}
		return -1
	}
	if on := first("feed-psu: output true"); on >= 0 {
		for _, before := range []string{"feed-psu: prepare", "sink: prepare", "feed-psu: protection", "sink: protection", "feed-psu: limit", "feed-psu: remote sense true"} {
			if at := first(before); at < 0 || at > on {
				t.Errorf("%q comes at %d, the source goes on at %d", before, at, on)
			}
		}
		if loadOn := first("sink: input true"); loadOn >= 0 && loadOn < on {
			t.Errorf("the load goes on at %d, before the source at %d", loadOn, on)
		}
	}
	loadOff, sourceOff := last("sink: input false"), last("feed-psu: output false")
	if sourceOff < 0 || loadOff < 0 {
		t.Errorf("no word of off: load at %d, source at %d", loadOff, sourceOff)
	}
	// the first word of off to the source after it went on last comes after one to the load
	if on := last("feed-psu: output true"); on >= 0 && b.load.b == b {
		for i := on; i < len(b.calls); i++ {
			if strings.HasPrefix(b.calls[i], "sink: input false") {
				break
			}
			if strings.HasPrefix(b.calls[i], "feed-psu: output false") {
				t.Errorf("the source goes off at %d, before the load", i)
				break
			}
		}
	}
}

// mustBeOff: whatever is still on has been reported, by name, as what may still be on.
func mustBeOff(t *testing.T, b *fakeBench, s run.Summary, err error) {
	t.Helper()
	var live *run.NotSafe
	on := map[string]bool{"feed": b.source.on, "sink": b.load.on}
	for role, on := range on {
		if on && (err == nil || !strings.Contains(err.Error(), role+" (")) {
			t.Errorf("%s is on and nobody says so: %v", role, err)
		}
		if on && (!errors.As(err, &live) || run.ExitStatus(s, err) != 5) {
			t.Errorf("%s is on, the exit status is %d", role, run.ExitStatus(s, err))
		}
	}
}

// breakEverywhere runs the small sweep with the k-th call broken, for every k until nothing breaks any more.
func breakEverywhere(t *testing.T, arm func(b *fakeBench, k int, cancel context.CancelCauseFunc), check func(t *testing.T, b *fakeBench, k *kept, s run.Summary, err error)) {
	for k := 1; ; k++ {
		b := newFakeBench()
		ctx, cancel := context.WithCancelCause(context.Background())
		arm(b, k, cancel)
		kept, s, err := walk(t, ctx, b, smallSweep)
		if !b.fired {
			cancel(nil)
			if err != nil {
				t.Fatalf("undisturbed: %v", err)
			}
			if k < 60 {
				t.Fatalf("only %d calls were there to break", k)
			}
			return
		}
		t.Run(fmt.Sprintf("call %d", k), func(t *testing.T) {
			if err == nil && context.Cause(ctx) == nil {
				// only what comes after the last point may break without ending the run: looking at the nodes afterwards
				if !kept.said("cannot be measured") && !kept.said("second attempt") {
					t.Errorf("call %d (%s) broke and nobody says so", k, b.calls[k-1])
				}
			}
			mustBeInOrder(t, b)
			mustBeOff(t, b, s, err)
			for _, p := range kept.points[:max(0, len(kept.points)-1)] {
				if !p.Valid {
					t.Errorf("point %d, which is not the last, is invalid: %s", p.Number, p.Why)
				}
			}
			check(t, b, kept, s, err)
			cancel(nil)
		})
	}
}

func TestAnyCallFails(t *testing.T) {
	breakEverywhere(t, func(b *fakeBench, k int, _ context.CancelCauseFunc) {
		b.failAt, b.failWith = k, func(string) error { return errBroken }
	}, func(t *testing.T, b *fakeBench, _ *kept, s run.Summary, err error) {
		if b.source.on || b.load.on {
			t.Error("one failed call left something on")
		}
		if err != nil && (!errors.Is(err, errBroken) || run.ExitStatus(s, err) != 4) {
			t.Errorf("exit status %d of %v", run.ExitStatus(s, err), err)
		}
	})
}

func TestAnyInstrumentIsLostForGood(t *testing.T) {
	breakEverywhere(t, func(b *fakeBench, k int, _ context.CancelCauseFunc) { b.lostFrom = k },
		func(t *testing.T, b *fakeBench, _ *kept, s run.Summary, err error) {
			if b.lost != "feed-psu" && b.source.on || b.lost != "sink" && b.load.on {
				t.Errorf("%s is lost, and something else was left on", b.lost)
			}
		})
}

func TestAnyCallPanics(t *testing.T) {
	breakEverywhere(t, func(b *fakeBench, k int, _ context.CancelCauseFunc) {
		b.failAt, b.failWith = k, func(call string) error { panic("in " + call) }
	}, func(t *testing.T, b *fakeBench, _ *kept, s run.Summary, err error) {
		if b.source.on || b.load.on {
			t.Error("a panic left something on")
		}
		var stop *run.Stop
		if errors.As(err, &stop) && (stop.Kind != run.Fault || run.ExitStatus(s, err) != 5) {
			t.Errorf("exit status %d of %v", run.ExitStatus(s, err), err)
		}
	})
}

func TestInterruptedAtAnyCall(t *testing.T) {
	stopped := errors.New("stopped by Ctrl-C")
	breakEverywhere(t, func(b *fakeBench, k int, cancel context.CancelCauseFunc) {
		b.failAt, b.failWith = k, func(string) error { cancel(stopped); return nil }
	}, func(t *testing.T, b *fakeBench, k *kept, s run.Summary, err error) {
		if b.source.on || b.load.on {
			t.Error("an interruption left something on")
		}
		// one that comes while everything is being switched off after the last point changes nothing
		if err == nil && s.Points == 4 && strings.HasSuffix(k.events[len(k.events)-1], "every output is off") {
			return
		}
		if !errors.Is(err, stopped) || run.ExitStatus(s, err) != 130 {
			t.Errorf("exit status %d of %v", run.ExitStatus(s, err), err)
		}
	})
}

// A record that can no longer be written ends the run, safely.
func TestAnyWriteOfTheRecordFails(t *testing.T) {
	for _, how := range []string{"error", "panic"} {
		for k := 1; ; k++ {
			b, n, fired, calls := newFakeBench(), 0, false, 0
			sink := &kept{fail: func(what string) error {
				n++
				if n != k {
					return nil
				}
				fired, calls = true, len(b.calls)
				if how == "panic" {
					panic(what)
				}
				return fmt.Errorf("%s: disk full", what)
			}}
			s, err := run.Run(context.Background(), run.Config{Plan: bound(t, smallSweep), Instruments: b.instruments(), Clock: b.clock, Sink: sink})
			if !fired {
				break
			}
			mustBeInOrder(t, b)
			mustBeOff(t, b, s, err)
			// the step under way ends, then everything goes off and the nodes are looked at
			if more := len(b.calls) - calls; more > 30 {
				t.Errorf("%s at write %d: %d more calls", how, k, more)
			}
			if err == nil || b.source.on || b.load.on {
				t.Errorf("%s at write %d: error %v, source on %v, load on %v", how, k, err, b.source.on, b.load.on)
			}
		}
	}
}

func TestAWatcherThatPanicsChangesNothing(t *testing.T) {
	b := newFakeBench()
	s, err := run.Run(context.Background(), run.Config{Plan: bound(t, smallSweep), Instruments: b.instruments(), Clock: b.clock, Observe: func(run.Event) { panic("watcher") }})
	if err != nil || s.Points != 4 {
		t.Errorf("%d points, %v", s.Points, err)
	}
}

// A load that hangs must not keep the source on for long: each instrument has its own time.
func TestAnInstrumentThatHangsDoesNotKeepTheOthers(t *testing.T) {
	b := newFakeBench()
	hang := &hanging{fakeLoad: &b.load}
	all := b.instruments()
	all["sink"] = hangingInstrument{fakeInstrument{b, "sink"}, hang}
	var sourceOff time.Duration
	start := b.clock.Now()
	ctx, cancel := context.WithCancelCause(context.Background())
	var interrupted time.Time
	s, err := run.Run(ctx, run.Config{Plan: bound(t, smallSweep), Instruments: all, Clock: b.clock, Observe: func(e run.Event) {
		switch {
		case e.Kind == "point" && interrupted.IsZero():
			hang.hangs, interrupted = true, b.clock.Now()
			cancel(errors.New("stopped"))
		case e.Kind == "output" && e.Text == "feed off" && sourceOff == 0:
			sourceOff = b.clock.Since(interrupted)
		}
	}})
	_ = start
	if sourceOff == 0 || sourceOff > 6*time.Second {
		t.Errorf("the source went off %s after the interruption", sourceOff)
	}
	var live *run.NotSafe
	if !errors.As(err, &live) || live.Role != "sink" || run.ExitStatus(s, err) != 5 {
		t.Errorf("the load hangs: %v", err)
	}
}

type hanging struct {
	*fakeLoad
	hangs bool
}

func (h *hanging) Input(ctx context.Context, on bool) error {
	if h.hangs {
		return h.b.clock.Sleep(ctx, time.Hour)
	}
	return h.fakeLoad.Input(ctx, on)
}

type hangingInstrument struct {
	fakeInstrument
	load *hanging
}

func (h hangingInstrument) Load(int) (run.Sinker, error) { return h.load, nil }
func (h hangingInstrument) Abort(ctx context.Context) error {
	if h.load.hangs {
		return h.b.clock.Sleep(ctx, time.Hour)
	}
	return h.fakeInstrument.Abort(ctx)
}
