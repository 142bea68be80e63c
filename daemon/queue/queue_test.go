package queue_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"fourwire/daemon/queue"
	"fourwire/internal/clock"
)

// embedded is a store on a message server of its own in a folder.
func embedded(t testing.TB, dir string) (*queue.JetStream, func()) {
	t.Helper()
	s, err := queue.Embed(queue.ServerOptions{Dir: dir, Name: "test"})
	if err != nil {
		t.Fatal(err)
	}
	store, err := queue.NewJetStream(t.Context(), s.Conn(), "bench", 1)
	if err != nil {
		t.Fatal(err)
	}
	store.OnFailure(s.Doubt)
	var once sync.Once
	end := func() { once.Do(s.Close) }
	t.Cleanup(end)
	return store, end
}

// house is a queue at work, with runs that end when they are told.
type house struct {
	*queue.Queue
	mu      sync.Mutex
	started []string
	ends    map[string]chan queue.Result
	begun   chan string
	over    chan struct{}
	stop    context.CancelFunc
	found   []queue.Job // by Recover
	changed []queue.Job
}

func open(t testing.TB, store queue.Store, c clock.Clock, ready func(queue.Job) string) *house {
	t.Helper()
	h := &house{ends: map[string]chan queue.Result{}, begun: make(chan string, 100), over: make(chan struct{})}
	q, err := queue.Open(t.Context(), queue.Config{
		Store: store, Clock: c, Ready: ready,
		Run: func(ctx context.Context, j queue.Job) queue.Result {
			end := make(chan queue.Result, 1)
			h.mu.Lock()
			h.started = append(h.started, j.ID)
			h.ends[j.ID] = end
			h.mu.Unlock()
			if err := h.Running(ctx, j.ID); err != nil {
				t.Error(err)
			}
			h.begun <- j.ID
			select {
			case r := <-end:
				return r
			case <-ctx.Done():
				return queue.Result{State: queue.Cancelled, Reason: context.Cause(ctx).Error(), Exit: 130}
			}
		},
		Recover: func(_ context.Context, j queue.Job) queue.Result {
			h.found = append(h.found, j)
			return queue.Result{State: queue.Interrupted, Reason: "cut off", Resumable: true}
		},
		RecordName: func(j queue.Job, _ time.Time) string { return fmt.Sprint("record-", j.ID, "-", len(j.Attempts)) },
		Changed: func(j queue.Job) {
			h.mu.Lock()
			h.changed = append(h.changed, j)
			h.mu.Unlock()
		},
		Failed: func(err error) { t.Log(err) },
	})
	if err != nil {
		t.Fatal(err)
	}
	h.Queue = q
	ctx, stop := context.WithCancel(context.Background())
	h.stop = stop
	go func() { defer close(h.over); _ = q.Run(ctx) }()
	t.Cleanup(h.close)
	return h
}

func (h *house) close() { h.stop(); <-h.over }

func (h *house) end(id string, r queue.Result) {
	h.mu.Lock()
	end := h.ends[id]
	h.mu.Unlock()
	end <- r
}

func (h *house) submit(t testing.TB, j queue.Job) string {
	t.Helper()
	if j.Order == nil {
		j.Order = []byte(`{}`)
	}
	got, err := h.Submit(t.Context(), j, []byte("input"))
	if err != nil {
		t.Fatal(err)
	}
	return got.ID
}

// wait waits until a job is in a state, told by the changes that the queue tells of.
func (h *house) wait(t testing.TB, id string, s queue.State) queue.Job {
	t.Helper()
	for {
		j, err := h.Job(id)
		if err != nil {
			t.Fatal(err)
		}
		if j.State == s {
			return j
		}
		if err := clock.Real().Sleep(t.Context(), time.Millisecond); err != nil {
			t.Fatal(err)
		}
	}
}

var done = queue.Result{State: queue.Done, Outcome: "pass"}

// The order of jobs: common practice of print and batch queues, no source. Higher priority first, then first come; an instrument that the
// first in line waits for is not given to one behind it; jobs that share nothing run at once.
func TestOrderAndInstruments(t *testing.T) {
	store, _ := embedded(t, t.TempDir())
	h := open(t, store, nil, nil)
	first := h.submit(t, queue.Job{Needs: []string{"psu", "load"}})
	if got := <-h.begun; got != first {
		t.Fatal(got)
	}
	low := h.submit(t, queue.Job{Needs: []string{"load"}})
	high := h.submit(t, queue.Job{Needs: []string{"load", "meter"}, Priority: 5})
	behind := h.submit(t, queue.Job{Needs: []string{"meter"}})
	apart := h.submit(t, queue.Job{Needs: []string{"other"}})
	if got := <-h.begun; got != apart {
		t.Fatalf("%s began, only the one that shares nothing could", got)
	}
	if j, _ := h.Job(behind); j.State != queue.Queued {
		t.Errorf("the meter that the first in line needs was given away: %s", j.State)
	}
	var order []string
	for _, j := range h.Jobs() {
		if j.State == queue.Queued {
			order = append(order, j.ID)
		}
	}
	if want := []string{high, low, behind}; !slices.Equal(order, want) {
		t.Errorf("in line are %v, want %v", order, want)
	}
	if h.Holder("psu") != first || !h.Idle("meter") {
		t.Error("who has which instrument")
	}
	h.end(first, done)
	if got := <-h.begun; got != high {
		t.Fatalf("%s began, want the one of higher priority", got)
	}
	h.end(high, done)
	second, third := <-h.begun, <-h.begun
	if !slices.Contains([]string{second, third}, low) || !slices.Contains([]string{second, third}, behind) {
		t.Error("the other two")
	}
	h.end(low, done)
	h.end(behind, queue.Result{State: queue.Failed, Exit: 4, Reason: "no answer"})
	h.end(apart, done)
	if j := h.wait(t, behind, queue.Failed); j.Reason != "no answer" || j.Attempts[0].Exit != 4 || j.Ended.IsZero() {
		t.Errorf("%+v", j)
	}
}

// What was under way when the process ended is seen to before anything else starts, and every job is there again.
func TestRestart(t *testing.T) {
	dir := t.TempDir()
	store, shut := embedded(t, dir)
	h := open(t, store, nil, nil)
	running := h.submit(t, queue.Job{Needs: []string{"psu"}})
	<-h.begun
	waiting := h.submit(t, queue.Job{Needs: []string{"psu"}, Priority: 3, Owner: "ada"})
	ended := h.submit(t, queue.Job{Needs: []string{"x"}})
	<-h.begun
	h.end(ended, done)
	h.wait(t, ended, queue.Done)
	shut() // as if the process were gone: what the queue does from here on is not kept
	store, _ = embedded(t, dir)
	again := open(t, store, nil, nil)
	if got := <-again.begun; got != waiting {
		t.Fatalf("%s began", got)
	}
	if len(again.found) != 1 || again.found[0].ID != running || again.found[0].State != queue.Running {
		t.Fatalf("found under way: %+v", again.found)
	}
	if j, _ := again.Job(running); j.State != queue.Interrupted || !j.Resumable || j.Reason != "cut off" {
		t.Errorf("%+v", j)
	}
	if j, _ := again.Job(waiting); j.Owner != "ada" || j.Priority != 3 {
		t.Errorf("%+v", j)
	}
	if j, _ := again.Job(ended); j.State != queue.Done || j.Outcome != "pass" {
		t.Errorf("%+v", j)
	}
	on, err := again.Resume(t.Context(), running, "ada")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := again.Resume(t.Context(), running, "ada"); err == nil {
		t.Error("it went on twice")
	}
	again.end(waiting, done)
	<-again.begun
	if j, _ := again.Job(on.ID); j.Record() != "record-"+running+"-0" || j.Resumes != running {
		t.Errorf("it goes on in %q", j.Record())
	}
	again.end(on.ID, done)
	again.wait(t, on.ID, queue.Done)
}

func TestCancel(t *testing.T) {
	store, _ := embedded(t, t.TempDir())
	h := open(t, store, nil, nil)
	running := h.submit(t, queue.Job{Needs: []string{"psu"}})
	<-h.begun
	waiting := h.submit(t, queue.Job{Needs: []string{"psu"}})
	if j, err := h.Cancel(t.Context(), waiting, "ada"); err != nil || j.State != queue.Cancelled || j.Reason != "cancelled by ada" {
		t.Errorf("%+v %v", j, err)
	}
	if _, err := h.Cancel(t.Context(), running, "bo"); err != nil {
		t.Fatal(err)
	}
	if j := h.wait(t, running, queue.Cancelled); j.StoppedBy != "bo" || j.Attempts[0].Exit != 130 {
		t.Errorf("%+v", j)
	}
	if _, err := h.Cancel(t.Context(), running, "bo"); err == nil {
		t.Error("what is over can be cancelled")
	}
	if _, err := h.Cancel(t.Context(), "none", "bo"); err != queue.ErrNotFound {
		t.Error(err)
	}
}

// Times are those of a virtual clock: a recurring job makes one job at a time, and times that passed unnoticed are made up for once.
func TestSchedule(t *testing.T) {
	store, _ := embedded(t, t.TempDir())
	start := time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)
	c := clock.NewVirtual(start)
	h := open(t, store, c, nil)
	pass := func(d time.Duration) {
		if err := c.Sleep(context.Background(), d); err != nil {
			t.Fatal(err)
		}
		h.Wake()
	}
	later := h.submit(t, queue.Job{At: start.Add(time.Hour), Needs: []string{"a"}})
	every := h.submit(t, queue.Job{Every: 10 * time.Minute, At: start.Add(20 * time.Minute), Needs: []string{"b"}})
	if j, _ := h.Job(later); j.State != queue.Scheduled {
		t.Fatal(j.State)
	}
	pass(21 * time.Minute)
	one := <-h.begun
	if j, _ := h.Job(one); j.From != every || j.Record() == "" {
		t.Fatalf("%+v", j)
	}
	pass(20 * time.Minute) // 08:41: 08:30 and 08:40 find the first one still running
	h.wait(t, every, queue.Scheduled)
	h.end(one, done)
	h.wait(t, one, queue.Done)
	pass(10 * time.Minute) // 08:51
	two := <-h.begun
	if j, _ := h.Job(every); !j.At.Equal(start.Add(time.Hour)) {
		t.Errorf("the next time is %s", j.At)
	}
	pass(10 * time.Minute) // 09:01
	if got := <-h.begun; got != later {
		t.Errorf("%s began", got)
	}
	h.end(two, done)
	h.end(later, done)
	if _, err := h.Cancel(t.Context(), every, "ada"); err != nil {
		t.Error(err)
	}
}

func TestRetry(t *testing.T) {
	store, _ := embedded(t, t.TempDir())
	c := clock.NewVirtual(time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC))
	h := open(t, store, c, nil)
	bad := queue.Result{State: queue.Failed, Exit: 4, Reason: "no answer", Again: true}
	id := h.submit(t, queue.Job{Needs: []string{"a"}, Retry: queue.Retry{Attempts: 2, After: time.Minute}})
	<-h.begun
	h.end(id, bad)
	if j := h.wait(t, id, queue.Scheduled); len(j.Attempts) != 1 || j.Attempts[0].Reason != "no answer" {
		t.Fatalf("%+v", j)
	}
	if err := c.Sleep(context.Background(), 61*time.Second); err != nil {
		t.Fatal(err)
	}
	h.Wake()
	<-h.begun
	h.end(id, bad)
	if j := h.wait(t, id, queue.Failed); len(j.Attempts) != 2 || j.Attempts[0].Record == j.Attempts[1].Record {
		t.Errorf("%+v", j)
	}
	wrong := h.submit(t, queue.Job{Needs: []string{"a"}, Retry: queue.Retry{Attempts: 2}})
	<-h.begun
	h.end(wrong, queue.Result{State: queue.Failed, Exit: 3}) // the job itself is wrong
	h.wait(t, wrong, queue.Failed)
}

// A job that must not start waits and says why; nothing behind it waits for its instruments.
func TestNotReady(t *testing.T) {
	store, _ := embedded(t, t.TempDir())
	var mu sync.Mutex
	why := "the bench is not armed"
	h := open(t, store, nil, func(j queue.Job) string {
		mu.Lock()
		defer mu.Unlock()
		return why
	})
	id := h.submit(t, queue.Job{Needs: []string{"a"}})
	for {
		if j, _ := h.Job(id); j.Waits == why {
			break
		}
	}
	mu.Lock()
	why = ""
	mu.Unlock()
	h.Wake()
	<-h.begun
	h.end(id, done)
	h.wait(t, id, queue.Done)
}

// Two writers of one job: the second is told.
func TestStoreConflict(t *testing.T) {
	store, _ := embedded(t, t.TempDir())
	a := queue.Job{ID: "one", State: queue.Queued, Order: []byte(`{}`)}
	if err := store.Save(t.Context(), &a); err != nil {
		t.Fatal(err)
	}
	b := a
	a.State = queue.Starting
	if err := store.Save(t.Context(), &a); err != nil {
		t.Fatal(err)
	}
	b.State = queue.Cancelled
	if err := store.Save(t.Context(), &b); !isConflict(err) {
		t.Errorf("the second writer got %v", err)
	}
	fresh := queue.Job{ID: "one", Order: []byte(`{}`)}
	if err := store.Save(t.Context(), &fresh); !isConflict(err) {
		t.Errorf("a second job of one id got %v", err)
	}
	list, err := store.Load(t.Context())
	if err != nil || len(list) != 1 || list[0].State != queue.Starting {
		t.Errorf("%+v %v", list, err)
	}
	if _, err := store.Input(t.Context(), "one"); err != queue.ErrNotFound {
		t.Error(err)
	}
}

// silent is a store whose answer to a write does not come, although the write is done.
type silent struct {
	queue.Store
	mu   sync.Mutex
	left int // writes without an answer
}

var errSilent = errors.New("no answer")

func (s *silent) Save(ctx context.Context, j *queue.Job) error {
	before := j.Revision
	err := s.Store.Save(ctx, j)
	s.mu.Lock()
	defer s.mu.Unlock()
	if err == nil && s.left > 0 {
		s.left--
		j.Revision = before
		return errSilent
	}
	return err
}

func (s *silent) quiet(n int) {
	s.mu.Lock()
	s.left = n
	s.mu.Unlock()
}

// A write whose answer is lost does not block a job for ever, is not taken for somebody else's, and a job that was refused does not turn up.
func TestLostAnswers(t *testing.T) {
	dir := t.TempDir()
	inner, shut := embedded(t, dir)
	store := &silent{Store: inner}
	h := open(t, store, nil, nil)
	store.quiet(1)
	if _, err := h.Submit(t.Context(), queue.Job{Order: []byte(`{}`)}, nil); !errors.Is(err, errSilent) {
		t.Fatalf("a job that may not be kept was accepted: %v", err)
	}
	id := h.submit(t, queue.Job{At: time.Now().Add(time.Hour), Needs: []string{"a"}})
	store.quiet(1)
	if _, err := h.Cancel(t.Context(), id, "ada"); !errors.Is(err, errSilent) {
		t.Fatal(err)
	}
	if j, err := h.Cancel(t.Context(), id, "ada"); err != nil || j.State != queue.Cancelled {
		t.Fatalf("it cannot be cancelled any more: %+v %v", j, err)
	}
	run := h.submit(t, queue.Job{Needs: []string{"a"}})
	<-h.begun
	store.quiet(2)
	h.end(run, done)
	h.wait(t, run, queue.Done)
	h.close()
	shut()
	inner, _ = embedded(t, dir)
	list, err := inner.Load(t.Context())
	if err != nil || len(list) != 2 {
		t.Fatalf("%+v %v", list, err)
	}
	for _, j := range list {
		if j.ID == run && j.State != queue.Done || j.ID == id && j.State != queue.Cancelled {
			t.Errorf("%+v", j)
		}
	}
}

func isConflict(err error) bool { return errors.Is(err, queue.ErrConflict) }

// What a look at the queue costs while many jobs wait for their time, as each submission and each end of a run has it looked at.
func BenchmarkJobs(b *testing.B) {
	store, _ := embedded(b, b.TempDir())
	h := open(b, store, nil, nil)
	for range 300 {
		h.submit(b, queue.Job{At: time.Now().Add(time.Hour), Needs: []string{"psu", "load"}})
	}
	for b.Loop() {
		if len(h.Jobs()) != 300 {
			b.Fatal("jobs are missing")
		}
	}
}
