package clocktest_test

import (
	"context"
	"testing"
	"time"

	"fourwire/internal/clock/clocktest"
)

// Hours pass when they are told to, for those who sleep and for contexts; a context that is cancelled by hand did not run out.
func TestAhead(t *testing.T) {
	a := clocktest.New()
	begun := a.Now()
	late, cancel := a.WithTimeout(t.Context(), 3*time.Hour)
	defer cancel()
	byHand, stop := a.WithTimeout(t.Context(), 3*time.Hour)
	stop()
	a.Forward(time.Hour)
	if late.Err() != nil {
		t.Error("an hour was enough for three")
	}
	a.Forward(2 * time.Hour)
	<-late.Done()
	slept := make(chan error, 1)
	go func() { slept <- a.Sleep(t.Context(), 2*time.Hour) }()
	for waiting := true; waiting; {
		select {
		case err := <-slept:
			if waiting = false; err != nil {
				t.Error(err)
			}
		default:
			a.Forward(10 * time.Minute)
		}
	}
	if late.Err() != context.DeadlineExceeded || byHand.Err() != context.Canceled {
		t.Error(late.Err(), byHand.Err())
	}
	if d := a.Since(begun); d < 5*time.Hour {
		t.Error(d)
	}
	if err := a.Sleep(byHand, time.Hour); err != context.Canceled {
		t.Error(err)
	}
}
