package live_test

import (
	"context"
	"fmt"
	"runtime"
	"sync"
	"testing"

	"fourwire/daemon/live"
)

// A watcher takes events up from where it left off; the id of the last one tells where that is.
func ExampleStream() {
	s := live.New[string]("boot", 100)
	for _, text := range []string{"feed on", "point 1", "point 2"} {
		s.Publish(func(string) string { return text })
	}
	from, ok := s.From("boot-1")
	events, missed := s.Next(context.Background(), &from, 10)
	fmt.Println(ok, missed)
	for _, e := range events {
		fmt.Println(s.ID(e.Number), e.Value)
	}
	_, ok = s.From("earlier-3")
	fmt.Println(ok)
	// Output:
	// true false
	// boot-2 point 1
	// boot-3 point 2
	// false
}

// Whoever watches sees every event once and in order, or is told that some were missed: each at its own pace, while others publish.
func TestNothingIsMissedInSilence(t *testing.T) {
	const all, remembered = 5000, 64
	s := live.New[int]("b", remembered)
	var watching, ready sync.WaitGroup
	told := make([]int, 4)
	for pace := range told {
		ready.Add(1)
		watching.Go(func() {
			cursor, ok := s.From("")
			if ready.Done(); !ok {
				t.Error("the end is always known")
			}
			for last := 0; last < all; {
				list, missed := s.Next(t.Context(), &cursor, 1+10*pace)
				if missed {
					told[pace]++
					if len(list) > 0 {
						t.Error("events come with the news that some were missed")
					}
					last = -1 // anything may come next
					if s.Last() == fmt.Sprint("b-", all) {
						return
					}
					continue
				}
				for _, e := range list {
					if last >= 0 && e.Value != last+1 || e.Number != uint64(e.Value) {
						t.Errorf("event %d comes behind %d, as number %d", e.Value, last, e.Number)
					}
					last = e.Value
				}
				for range pace * 100 {
					runtime.Gosched()
				}
			}
		})
	}
	ready.Wait()
	for n := range all {
		s.Publish(func(id string) int {
			if id != fmt.Sprint("b-", n+1) {
				t.Errorf("event %d has the id %s", n+1, id)
			}
			return n + 1
		})
	}
	watching.Wait()
	t.Logf("told that something was missed: %v times", told)
}

// An event costs what it costs to remember it, however many watch.
func BenchmarkPublish(b *testing.B) {
	s := live.New[[]byte]("b", 4096)
	data := make([]byte, 600)
	b.ReportAllocs()
	for b.Loop() {
		s.Publish(func(string) []byte { return data })
	}
}
