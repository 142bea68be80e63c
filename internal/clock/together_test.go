package clock_test

import (
	"context"
	"errors"
	"fmt"
	"sync/atomic"
	"testing"
	"time"

	"fourwire/internal/clock"
)

func ExampleTogether() {
	c := clock.NewVirtual(time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC))
	begin := c.Now()
	course := func(name string, every time.Duration) func(context.Context) {
		return func(ctx context.Context) {
			for range 2 {
				_ = c.Sleep(ctx, every)
				fmt.Println(name, c.Since(begin))
			}
		}
	}
	clock.Together(context.Background(), c, course("east", 2*time.Second), course("west", 3*time.Second))
	fmt.Println("all", c.Since(begin))
	// Output:
	// east 2s
	// west 3s
	// east 4s
	// west 6s
	// all 6s
}

// One at a time goes on, in an order that is the same every time; time stops at deadlines on the way, as for one alone.
func TestCoursesTakeTurns(t *testing.T) {
	var first []string
	for n := range 20 {
		c := clock.NewVirtual(start)
		var log []string
		var busy atomic.Int32
		course := func(name string, pauses ...time.Duration) func(context.Context) {
			return func(ctx context.Context) {
				for _, d := range pauses {
					if busy.Add(1) != 1 {
						t.Error("two at one time")
					}
					log = append(log, fmt.Sprint(name, c.Since(start)))
					busy.Add(-1)
					own, cancel := c.WithTimeout(ctx, 4*time.Second)
					if err := c.Sleep(own, d); err != nil {
						log = append(log, fmt.Sprint(name, " cut off at ", c.Since(start)))
					}
					cancel()
				}
			}
		}
		clock.Together(t.Context(), c, course("a", 1*time.Second, 10*time.Second, 0), course("b", 1*time.Second, 1*time.Second), course("c"))
		if n == 0 {
			first = log
			want := "[a0s b0s a1s b1s a cut off at 5s a5s]"
			if fmt.Sprint(log) != want {
				t.Errorf("got  %v\nwant %v", log, want)
			}
		} else if fmt.Sprint(log) != fmt.Sprint(first) {
			t.Fatalf("not the same: %v and %v", first, log)
		}
	}
}

func TestASignalIsWaitedForInVirtualTime(t *testing.T) {
	c := clock.NewVirtual(start)
	var s *clock.Signal
	clock.Together(t.Context(), c,
		func(ctx context.Context) {
			s = clock.NewSignal(ctx)
			if err := s.Wait(ctx); err != nil || c.Since(start) != 7*time.Second {
				t.Errorf("%v at %v", err, c.Since(start))
			}
			late, cancel := c.WithTimeout(ctx, time.Second)
			defer cancel()
			if err := clock.NewSignal(ctx).Wait(late); !errors.Is(err, context.DeadlineExceeded) || c.Since(start) != 8*time.Second {
				t.Errorf("%v at %v", err, c.Since(start))
			}
		},
		func(ctx context.Context) {
			_ = c.Sleep(ctx, 7*time.Second)
			s.Give()
			_ = c.Sleep(ctx, time.Minute)
		})
	if c.Since(start) != 67*time.Second {
		t.Errorf("ended at %v", c.Since(start))
	}
}

// What would stand still for ever ends with an error that says so; a cancel that comes meanwhile ends a wait.
func TestWaitsThatNobodyEnds(t *testing.T) {
	c := clock.NewVirtual(start)
	ended := 0
	wait := func(ctx context.Context) {
		if err := clock.NewSignal(ctx).Wait(ctx); errors.Is(err, clock.ErrNobody) {
			ended++
		}
	}
	clock.Together(t.Context(), c, wait, wait)
	if ended != 2 {
		t.Errorf("%d ended", ended)
	}
	ctx, cancel := context.WithCancel(t.Context())
	clock.Together(ctx, c, func(ctx context.Context) {
		if err := clock.NewSignal(ctx).Wait(ctx); err != context.Canceled {
			t.Error(err)
		}
	}, func(ctx context.Context) { _ = c.Sleep(ctx, time.Second); cancel() })
}

func TestTogetherOnTheMachinesClock(t *testing.T) {
	signals := make(chan *clock.Signal, 1)
	clock.Together(t.Context(), clock.Real(), func(ctx context.Context) {
		s := clock.NewSignal(ctx)
		signals <- s
		if err := s.Wait(ctx); err != nil {
			t.Error(err)
		}
	}, func(context.Context) { (<-signals).Give() })
}
