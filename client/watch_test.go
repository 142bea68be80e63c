package client_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"fourwire/client"
	"fourwire/daemon/access"
	"fourwire/daemon/api"
	"fourwire/internal/clock"
)

var whoever = access.Who{Name: "ada", Role: access.Operator}

// brief is the machine's clock with pauses that last a thousandth, and none above a second: those are noted.
type brief struct {
	clock.Clock
	mu     sync.Mutex
	paused []time.Duration
}

func newBrief() *brief { return &brief{Clock: clock.Real()} }

func (b *brief) Sleep(ctx context.Context, d time.Duration) error {
	if d == 45*time.Second { // nothing is heard for so long
		<-ctx.Done()
		return ctx.Err()
	}
	b.mu.Lock()
	b.paused = append(b.paused, d)
	b.mu.Unlock()
	return b.Clock.Sleep(ctx, d/1000)
}

// cutter passes a stream on and breaks it off when it is told.
type cutter struct {
	mu  sync.Mutex
	cut chan struct{}
}

func (c *cutter) now() {
	c.mu.Lock()
	defer c.mu.Unlock()
	close(c.cut)
	c.cut = make(chan struct{})
}

func (c *cutter) current() chan struct{} {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.cut
}

// cut gives a client that reaches a bench by something that breaks connections off.
func cut(t *testing.T, b *bench, options ...client.Option) (*client.Client, *cutter) {
	t.Helper()
	door, err := api.New(api.Options{Service: b, PerSecond: 1e6, Burst: 1e6})
	if err != nil {
		t.Fatal(err)
	}
	between := &cutter{cut: make(chan struct{})}
	t.Cleanup(door.Close)
	return answering(t, func(w http.ResponseWriter, r *http.Request) {
		ctx, cancel := context.WithCancel(r.Context())
		defer cancel()
		if strings.HasSuffix(r.URL.Path, "/events") {
			broken := between.current()
			go func() {
				select {
				case <-broken:
					cancel()
				case <-ctx.Done():
				}
			}()
		}
		door.ServeHTTP(w, r.WithContext(ctx))
	}, options...), between
}

func say(b *bench, n int) {
	api.Publish(b.stream, api.Event{Kind: "log", Text: fmt.Sprint("line ", n)})
}

// A watch that is broken off goes on behind the last event: nothing is missed and nothing comes twice.
func TestWatchGoesOn(t *testing.T) {
	b := newBench(1000)
	c, between := cut(t, b, client.Clock(newBrief()))
	const all, cuts = 300, 3
	n, opened := 0, make(chan struct{}, 10)
	w := client.Watching{Opened: func(context.Context) error { opened <- struct{}{}; return nil }}
	go func() {
		<-opened
		for i := range all {
			say(b, i+1)
			if i%(all/cuts) == all/cuts/2 {
				between.now()
				say(b, i+1000) // perhaps while nobody is there
				<-opened
			}
		}
	}()
	for e, err := range c.Watch(t.Context(), w) {
		if err != nil {
			t.Fatal(err)
		}
		if n++; e.ID != fmt.Sprint("life-", n) {
			t.Fatalf("event %d is %+v", n, e)
		}
		if n == all+cuts {
			break
		}
	}
}

// What was forgotten in between is told by "reset".
func TestWatchMissesSome(t *testing.T) {
	b := newBench(4)
	c, between := cut(t, b, client.Clock(newBrief()))
	var kinds []string
	opened := 0
	w := client.Watching{Opened: func(context.Context) error {
		if opened++; opened == 1 {
			say(b, 1)
		}
		return nil
	}}
	for e, err := range c.Watch(t.Context(), w) {
		if err != nil {
			t.Fatal(err)
		}
		kinds = append(kinds, e.Kind)
		if len(kinds) == 1 { // more than is remembered
			between.now()
			for i := range 9 {
				say(b, i+2)
			}
		}
		if e.Kind == "reset" || e.ID == "life-10" {
			break
		}
	}
	if !slices.Contains(kinds, "reset") && len(kinds) != 10 {
		t.Errorf("events are missing and nobody said so: %v", kinds)
	}
	for e, err := range c.Watch(t.Context(), client.Watching{After: "life-2"}) {
		if err != nil || e.Kind != "reset" {
			t.Errorf("behind what is forgotten: %+v %v", e, err)
		}
		break
	}
	for e, err := range c.Watch(t.Context(), client.Watching{After: "earlier-7"}) {
		if err != nil || e.Kind != "reset" || e.ID != "life-10" {
			t.Errorf("behind an event of an earlier life of the daemon: %+v %v", e, err)
		}
		break
	}
}

// Pauses between attempts grow and are not the same for everybody; what lasts ends the watch.
func TestWatchTriesAgain(t *testing.T) {
	asked := 0
	pauses := newBrief()
	c := answering(t, func(w http.ResponseWriter, r *http.Request) {
		switch asked++; {
		case asked == 1:
			w.Header().Set("Content-Type", "text/event-stream; charset=utf-8")
			_, _ = io.WriteString(w, "retry: 2000\n\nid: x-1\nevent: log\ndata: {\"kind\":\"log\",\ndata: \"id\":\"x-1\"}\n\nid: x-2\nevent: log\ndata: {\"torn\n")
		case asked < 8:
			w.WriteHeader([]int{502, 503, 429}[asked%3])
		default:
			if r.Header.Get("Last-Event-ID") != "x-1" {
				t.Errorf("it goes on behind %q", r.Header.Get("Last-Event-ID"))
			}
			w.WriteHeader(401)
		}
	}, client.Clock(pauses))
	events := 0
	var last error
	for e, err := range c.Watch(t.Context(), client.Watching{}) {
		if last = err; err == nil {
			events++
			if e.ID != "x-1" {
				t.Errorf("%+v", e)
			}
		}
	}
	if events != 1 || !errors.Is(last, client.ErrUnauthorized) || asked != 8 {
		t.Errorf("%d events, asked %d times, %v", events, asked, last)
	}
	for i, nominal := range []time.Duration{2, 4, 8, 16, 30, 30, 30} {
		if got := pauses.paused[i]; got < nominal*time.Second/2 || got > nominal*time.Second*3/2 {
			t.Errorf("pause %d is %v, about %d s wanted", i+1, got, nominal)
		}
	}
}

// An error of the function that is called on opening is the caller's own and ends the watch.
func TestOpenedFails(t *testing.T) {
	c := connect(t, newBench(4))
	own := errors.New("the list cannot be loaded")
	n := 0
	for _, err := range c.Watch(t.Context(), client.Watching{Opened: func(context.Context) error { return own }}) {
		if n++; err != own {
			t.Errorf("%v", err)
		}
	}
	if n != 1 {
		t.Errorf("%d results", n)
	}
}

// silent is a clock on which nothing has been heard for long as soon as somebody asks.
type silent struct{ clock.Clock }

func (s silent) Sleep(ctx context.Context, d time.Duration) error {
	return s.Clock.Sleep(ctx, time.Millisecond)
}

// A connection from which nothing comes is given up and made anew.
func TestWatchHearsNothing(t *testing.T) {
	var mu sync.Mutex
	asked := 0
	c := answering(t, func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "text/event-stream")
		mu.Lock()
		asked++
		second := asked == 2
		mu.Unlock()
		w.WriteHeader(200)
		if second {
			_, _ = io.WriteString(w, "data: {\"kind\":\"log\",\"text\":\"back\"}\n\n")
		}
		_ = http.NewResponseController(w).Flush()
		if !second {
			<-r.Context().Done()
		}
	}, client.Clock(silent{clock.Real()}))
	for e, err := range c.Watch(t.Context(), client.Watching{}) {
		if err != nil || e.Text != "back" {
			t.Errorf("%+v %v", e, err)
		}
		break
	}
}

// Wait gives a job as it is in the end: whether that came while it watched, before, or while the connection was broken.
func TestWait(t *testing.T) {
	b := newBench(4)
	c, between := cut(t, b, client.Clock(newBrief()))
	submit := func() string {
		j, err := c.Submit(t.Context(), api.Submission{Sequence: "efficiency.yaml"})
		if err != nil {
			t.Fatal(err)
		}
		return j.ID
	}
	end := func(j *api.Job) { j.State, j.Outcome, j.Record = api.Done, "pass", "r1" }
	id := submit()
	go func() {
		b.set(id, func(j *api.Job) { j.State = api.Running })
		b.set(id, end)
	}()
	if j, err := c.Wait(t.Context(), id); err != nil || j.State != api.Done || j.Outcome != "pass" {
		t.Errorf("%+v %v", j, err)
	}
	if j, err := c.Wait(t.Context(), id); err != nil || j.State != api.Done {
		t.Errorf("over before: %+v %v", j, err)
	}
	lost := submit()
	go func() {
		b.quietly(lost, end) // and the events that say so are forgotten
		for i := range 20 {
			say(b, i)
		}
		between.now()
	}()
	if j, err := c.Wait(t.Context(), lost); err != nil || j.State != api.Done {
		t.Errorf("the end was missed: %+v %v", j, err)
	}
	missed := submit()
	before := b.asked()
	go func() {
		for b.asked() == before { // until it watches, and has looked
			_ = clock.Real().Sleep(t.Context(), time.Millisecond)
		}
		b.quietly(missed, end)
		api.Publish(b.stream, api.Event{Kind: "reset"}) // as one is told who does not keep up
	}()
	if j, err := c.Wait(t.Context(), missed); err != nil || j.State != api.Done {
		t.Errorf("the end was among what was missed: %+v %v", j, err)
	}
	if _, err := c.Wait(t.Context(), "none"); !errors.Is(err, client.ErrNotFound) {
		t.Error(err)
	}
	ctx, cancel := context.WithCancelCause(t.Context())
	stopped := errors.New("enough")
	waiting := submit()
	go func() {
		b.set(waiting, func(j *api.Job) { j.State = api.Running })
		cancel(stopped)
	}()
	if j, err := c.Wait(ctx, waiting); !errors.Is(err, stopped) && !errors.Is(err, context.Canceled) || client.Over(j) {
		t.Errorf("%+v %v", j, err)
	}
}
