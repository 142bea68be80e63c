package clock_test

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"fourwire/internal/clock"
)

var start = time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)

func ExampleVirtual() {
	c := clock.NewVirtual(time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC))
	begin := c.Now()
	_ = c.Sleep(context.Background(), 10*time.Hour)
	ctx, cancel := c.WithTimeout(context.Background(), 20*time.Millisecond)
	defer cancel()
	err := c.Sleep(ctx, time.Second)
	fmt.Println(c.Since(begin), err)
	// Output: 10h0m0.02s context deadline exceeded
}

func TestVirtualSleepStopsAtItsOwnDeadline(t *testing.T) {
	c := clock.NewVirtual(start)
	ctx, cancel := c.WithTimeout(context.Background(), 3*time.Second)
	defer cancel()
	if err := c.Sleep(ctx, 3*time.Second-1); err != nil || ctx.Err() != nil {
		t.Fatalf("a nanosecond before the deadline: %v, context %v", err, ctx.Err())
	}
	if err := c.Sleep(ctx, time.Hour); err != context.DeadlineExceeded {
		t.Fatalf("past the deadline: %v", err)
	}
	if got := c.Since(start); got != 3*time.Second {
		t.Errorf("the clock stands at %v, want the deadline", got)
	}
	if d, ok := ctx.Deadline(); !ok || !d.Equal(start.Add(3*time.Second)) {
		t.Errorf("Deadline %v %v", d, ok)
	}
	select {
	case <-ctx.Done():
	default:
		t.Error("the context is not done")
	}
}

func TestVirtualArrivalAtDeadlineIsTooLate(t *testing.T) {
	c := clock.NewVirtual(start)
	ctx, cancel := c.WithTimeout(context.Background(), time.Second)
	defer cancel()
	if err := c.Sleep(ctx, time.Second); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("sleeping exactly to the deadline: %v", err)
	}
}

func TestVirtualFiresInOrderAndHookComesFirst(t *testing.T) {
	c := clock.NewVirtual(start)
	var log []string
	note := func(format string, args ...any) { log = append(log, fmt.Sprintf(format, args...)) }
	c.OnAdvance(func(to time.Time) { note("world %v", to.Sub(start)) })
	follow := func(name string, d time.Duration) context.Context {
		ctx, cancel := c.WithTimeout(context.Background(), d)
		t.Cleanup(cancel)
		ctx.(interface{ AfterFunc(func()) func() bool }).AfterFunc(func() { note("%s done at %v", name, c.Since(start)) })
		return ctx
	}
	follow("late", 5*time.Second)
	follow("first of two", 2*time.Second)
	follow("second of two", 2*time.Second)
	follow("never", time.Minute)
	if err := c.Sleep(context.Background(), 10*time.Second); err != nil {
		t.Fatal(err)
	}
	want := []string{"world 2s", "first of two done at 2s", "second of two done at 2s", "world 5s", "late done at 5s", "world 10s"}
	if fmt.Sprint(log) != fmt.Sprint(want) {
		t.Errorf("got  %q\nwant %q", log, want)
	}
}

func TestVirtualChildrenEndWithTheRightError(t *testing.T) {
	c := clock.NewVirtual(start)
	outer, cancelOuter := c.WithTimeout(context.Background(), time.Second)
	defer cancelOuter()
	plain, cancelPlain := context.WithCancel(outer) // a standard context between two virtual ones
	defer cancelPlain()
	inner, cancelInner := c.WithTimeout(plain, time.Hour)
	defer cancelInner()
	if d, _ := inner.Deadline(); !d.Equal(start.Add(time.Second)) {
		t.Errorf("the inner deadline is %v, want the outer one", d)
	}
	if err := c.Sleep(inner, time.Minute); err != context.DeadlineExceeded {
		t.Errorf("sleep: %v", err)
	}
	if got := c.Since(start); got != time.Second {
		t.Errorf("stopped at %v, want 1 s", got)
	}
	for name, ctx := range map[string]context.Context{"outer": outer, "plain": plain, "inner": inner} {
		if ctx.Err() != context.DeadlineExceeded || context.Cause(ctx) != context.DeadlineExceeded {
			t.Errorf("%s: %v, cause %v", name, ctx.Err(), context.Cause(ctx))
		}
		<-ctx.Done()
	}
}

func TestVirtualCancelByHand(t *testing.T) {
	c := clock.NewVirtual(start)
	parent, cancelParent := context.WithCancel(context.WithValue(context.Background(), key{}, "kept"))
	ctx, cancel := c.WithTimeout(parent, time.Second)
	defer cancel()
	other, cancelOther := c.WithTimeout(context.Background(), time.Second)
	cancelOther()
	if other.Err() != context.Canceled {
		t.Errorf("after its cancel function: %v", other.Err())
	}
	cancelParent()
	if ctx.Err() != context.Canceled {
		t.Errorf("at once after the parent's cancel: %v", ctx.Err())
	}
	if ctx.Value(key{}) != "kept" {
		t.Error("the parent's value is lost")
	}
	<-ctx.Done()
	if err := c.Sleep(ctx, time.Second); err != context.Canceled {
		t.Errorf("sleep with a cancelled context: %v", err)
	}
	if got := c.Since(start); got != 0 {
		t.Errorf("a cancelled sleep moved the clock by %v", got)
	}
	zero, cancelZero := c.WithTimeout(context.Background(), 0)
	defer cancelZero()
	if zero.Err() != context.DeadlineExceeded {
		t.Errorf("a time-out of zero: %v", zero.Err())
	}
}

type key struct{}

func TestVirtualSleepEndsWhenAHookCancels(t *testing.T) {
	c := clock.NewVirtual(start)
	ctx, cancel := context.WithCancel(context.Background())
	c.OnAdvance(func(to time.Time) {
		if to.Sub(start) >= time.Second {
			cancel()
		}
	})
	tick, stop := c.WithTimeout(context.Background(), time.Second)
	defer stop()
	if err := c.Sleep(ctx, time.Hour); err != context.Canceled {
		t.Errorf("got %v", err)
	}
	if got := c.Since(start); got != time.Second {
		t.Errorf("stopped at %v, want 1 s", got)
	}
	if tick.Err() != context.DeadlineExceeded {
		t.Errorf("the context due at that time: %v", tick.Err())
	}
}

func TestVirtualFromSeveralGoroutines(t *testing.T) {
	c := clock.NewVirtual(start)
	var all sync.WaitGroup
	for range 8 {
		all.Go(func() {
			for range 200 {
				ctx, cancel := c.WithTimeout(context.Background(), time.Millisecond)
				_ = c.Sleep(ctx, 2*time.Millisecond)
				if ctx.Err() == nil {
					t.Error("slept past a deadline with a live context")
				}
				cancel()
			}
		})
	}
	all.Wait()
	if c.Since(start) <= 0 {
		t.Error("no time has passed")
	}
}

func TestRealSleepObeysItsContext(t *testing.T) {
	c := clock.Real()
	ctx, cancel := c.WithTimeout(context.Background(), time.Millisecond)
	defer cancel()
	if err := c.Sleep(ctx, time.Hour); err != context.DeadlineExceeded {
		t.Errorf("past the deadline: %v", err)
	}
	if err := c.Sleep(ctx, 0); err != context.DeadlineExceeded {
		t.Errorf("no pause, context done: %v", err)
	}
	begin := c.Now()
	if err := c.Sleep(context.Background(), time.Millisecond); err != nil {
		t.Error(err)
	}
	if got := c.Since(begin); got < time.Millisecond {
		t.Errorf("slept %v, want at least 1 ms", got)
	}
	if !clock.IsReal(nil) || !clock.IsReal(c) || clock.IsReal(clock.NewVirtual(start)) || clock.Or(nil) != c {
		t.Error("the real clock is not told from the virtual one")
	}
}
