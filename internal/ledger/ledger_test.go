package ledger_test

import (
	"context"
	"fmt"
	"math"
	"testing"
	"time"

	"fourwire/internal/clock"
	"fourwire/internal/ledger"
)

func pass(c clock.Clock, d time.Duration) { _ = c.Sleep(context.Background(), d) }

func Example() {
	c := clock.NewVirtual(time.Time{})
	l := ledger.New(c)
	l.Step("sweep.yaml:4:3")
	query := l.Enter(ledger.Processing, "dmm")
	pass(c, 5*time.Millisecond)
	query.LeaveFirst(ledger.Transfer, time.Millisecond)
	settle := l.EnterWhole(ledger.Settle, "")
	inside := l.Enter(ledger.Aperture, "dmm") // a reading that shows whether it has settled
	pass(c, 20*time.Millisecond)
	inside.Leave()
	settle.Leave()
	pass(c, time.Millisecond)
	for _, s := range l.Spans() {
		fmt.Printf("%s %s %.0f ms\n", s.Kind, s.Instrument, s.Seconds*1e3)
	}
	// Output:
	// settle  20 ms
	// processing dmm 4 ms
	// host  1 ms
	// transfer dmm 1 ms
}

// Whatever is entered and left, in whatever order of lengths: the spans add up to the time that has passed.
func TestSpansAddUp(t *testing.T) {
	c := clock.NewVirtual(time.Time{})
	l := ledger.New(c)
	var open []ledger.Entry
	state := uint64(1)
	for range 5000 {
		state = state*6364136223846793005 + 1442695040888963407
		pass(c, time.Duration(state>>54)*time.Microsecond)
		kind := ledger.Kinds()[state>>33%uint64(len(ledger.Kinds()))]
		switch {
		case len(open) > 0 && state>>40&1 == 0:
			e := open[len(open)-1]
			open = open[:len(open)-1]
			if state>>41&1 == 0 {
				e.LeaveFirst(kind, time.Duration(state>>55)*time.Microsecond)
			} else {
				e.Leave()
			}
		case state>>42&7 == 0:
			l.Step(fmt.Sprint("step ", state>>60))
		case state>>45&3 == 0:
			open = append(open, l.EnterWhole(kind, "unit"))
		default:
			open = append(open, l.Enter(kind, "meter"))
		}
	}
	sum := 0.0
	for _, s := range l.Spans() {
		if s.Seconds < 0 {
			t.Errorf("a span of negative length: %+v", s)
		}
		sum += s.Seconds
	}
	if whole := l.Elapsed().Seconds(); math.Abs(sum-whole) > 1e-9*whole || whole == 0 {
		t.Errorf("the spans add up to %v s of %v s", sum, whole)
	}
}

// Time goes to the innermost span, and to the outer one again when that has ended.
func TestNesting(t *testing.T) {
	c := clock.NewVirtual(time.Time{})
	l := ledger.New(c)
	outer := l.Enter(ledger.OutputUp, "psu")
	pass(c, 3*time.Second)
	inner := l.Enter(ledger.Range, "psu")
	pass(c, 2*time.Second)
	inner.Leave()
	pass(c, 4*time.Second)
	outer.Leave()
	got := map[ledger.Kind]ledger.Span{}
	for _, s := range l.Spans() {
		got[s.Kind] = s
	}
	if got[ledger.OutputUp].Seconds != 7 || got[ledger.Range].Seconds != 2 || got[ledger.OutputUp].Count != 1 || len(got) != 2 {
		t.Errorf("got %+v", got)
	}
}

// What is entered inside a span that is whole is no span of its own: it is not counted, and its time is the outer one's.
func TestWholeSpansAreCountedOnce(t *testing.T) {
	c := clock.NewVirtual(time.Time{})
	l := ledger.New(c)
	for range 2 {
		settle := l.EnterWhole(ledger.Settle, "")
		for range 5 {
			e := l.Enter(ledger.Processing, "dmm")
			pass(c, time.Second)
			deep := l.EnterWhole(ledger.Range, "dmm")
			pass(c, time.Second)
			deep.Leave()
			e.LeaveFirst(ledger.Transfer, time.Second)
		}
		settle.Leave()
	}
	if got := l.Spans(); len(got) != 1 || got[0].Kind != ledger.Settle || got[0].Count != 2 || got[0].Seconds != 20 {
		t.Errorf("%+v", got)
	}
}

// The first part of a whole span may be another kind: of a list that runs, the time between the readings is settling.
func TestFirstPartOfAWholeSpan(t *testing.T) {
	c := clock.NewVirtual(time.Time{})
	l := ledger.New(c)
	list := l.EnterWhole(ledger.Aperture, "")
	for range 3 {
		e := l.Enter(ledger.Processing, "smu")
		pass(c, time.Second)
		e.Leave()
	}
	list.LeaveFirst(ledger.Settle, 2*time.Second)
	got := l.Spans()
	if len(got) != 2 || got[0].Kind != ledger.Settle || got[0].Seconds != 2 || got[1].Kind != ledger.Aperture || got[1].Seconds != 1 {
		t.Errorf("%+v", got)
	}
}

// Without an account nothing is kept and nothing breaks.
func TestNone(t *testing.T) {
	var l *ledger.Ledger
	l.Step("x")
	defer l.Enter(ledger.Host, "").Leave()
	l.EnterWhole(ledger.Settle, "").LeaveFirst(ledger.Host, time.Second)
	if l.Spans() != nil || l.Elapsed() != 0 {
		t.Error("a ledger that is not there has kept something")
	}
}

func BenchmarkEnter(b *testing.B) {
	l := ledger.New(clock.NewVirtual(time.Time{}))
	l.Step("sweep.yaml:4:3")
	b.ReportAllocs()
	for b.Loop() {
		l.Enter(ledger.Processing, "dmm").LeaveFirst(ledger.Transfer, time.Microsecond)
	}
}

// A span that is apart is no part of the whole one around it, and neither is what is entered inside of it; afterwards the whole one goes on.
func TestApartFromAWholeSpan(t *testing.T) {
	c := clock.NewVirtual(time.Time{})
	l := ledger.New(c)
	settle := l.EnterWhole(ledger.Settle, "")
	pass(c, time.Second)
	inner := l.Enter(ledger.Processing, "dmm")
	pass(c, time.Second)
	wait := l.EnterApart(ledger.InUse, "dmm")
	pass(c, 4*time.Second)
	deep := l.Enter(ledger.Transfer, "dmm")
	pass(c, time.Second)
	deep.Leave()
	wait.Leave()
	pass(c, time.Second)
	inner.Leave()
	pass(c, time.Second)
	settle.Leave()
	pass(c, 2*time.Second)
	l.Close()
	pass(c, time.Hour)
	got := map[ledger.Kind]ledger.Span{}
	for _, s := range l.Spans() {
		got[s.Kind] = s
	}
	if got[ledger.Settle].Seconds != 4 || got[ledger.Settle].Count != 1 || got[ledger.InUse].Seconds != 5 || got[ledger.InUse].Instrument != "dmm" || got[ledger.Host].Seconds != 2 || len(got) != 3 || l.Elapsed() != 11*time.Second {
		t.Errorf("%+v in %v", got, l.Elapsed())
	}
}
