package daemon_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"fourwire/client"
	"fourwire/daemon"
	"fourwire/daemon/api"
	"fourwire/daemon/queue"
	"fourwire/driver/guardian"
	"fourwire/internal/clock/clocktest"
)

// fakeRun is the first argument with which this test program is the process of a run.
const fakeRun = "fake-run"

func TestMain(m *testing.M) {
	if len(os.Args) > 1 && os.Args[1] == fakeRun {
		os.Exit(run(os.Args[2]))
	}
	os.Exit(m.Run())
}

// run does what a sequence says in its last line: "exit 4", or "hold", until the file beside the sequences folder tells its exit status, or the
// daemon is gone, as runs do.
func run(sequence string) int {
	text, err := os.ReadFile(sequence)
	if err != nil {
		return 3
	}
	fields := strings.Fields(string(text))
	if n := len(fields); fields[n-2] == "exit" {
		status, _ := strconv.Atoi(fields[n-1])
		fmt.Fprintf(os.Stderr, "fourwire: the run ends with %d\nfourwire: hint: look at the bench\n", status)
		return status
	}
	gone := make(chan struct{})
	go func() {
		_, _ = io.Copy(io.Discard, os.Stdin)
		close(gone)
	}()
	for {
		select {
		case <-gone:
			return 130
		case <-time.After(3 * time.Millisecond):
			if text, err := os.ReadFile(fields[len(fields)-1]); err == nil && len(text) > 0 {
				status, _ := strconv.Atoi(string(text))
				return status
			}
		}
	}
}

// desk is a bench of three instruments that are told what to answer. A sequence for it names what it needs in its second line.
type desk struct {
	real bool // not simulated in the process of each run

	mu     sync.Mutex // guards what follows
	probed map[string]int
	says   map[string]daemon.Probed
	guard  func() (guardian.Orders, guardian.Config)
	due    string
}

func (d *desk) Description() daemon.Description {
	d.mu.Lock()
	defer d.mu.Unlock()
	return daemon.Description{Name: "buoy", Simulated: !d.real, Instruments: []api.Instrument{
		{Name: "psu", Wired: []string{"source at dut.in"}, Due: d.due}, {Name: "load", Wired: []string{"load at dut.out"}}, {Name: "meter", Wired: []string{"voltmeter at dut.in"}}}}
}

func (d *desk) Check(o daemon.Order, text []byte, _ func(string) ([]byte, error)) daemon.Checked {
	lines := strings.Split(string(text), "\n")
	if len(lines) < 3 {
		return daemon.Checked{Failed: true, Wrong: true, Findings: []api.Finding{{Level: "error", Line: 1, Text: "it says nothing"}}}
	}
	return daemon.Checked{Title: "needs " + lines[1], Instruments: strings.Fields(lines[1]), Fit: "fits", Planned: 1, Params: []api.Param{}, Needs: []api.Need{}}
}

func (d *desk) Probe(ctx context.Context, name string) daemon.Probed {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.probed == nil {
		d.probed = map[string]int{}
	}
	d.probed[name]++
	if said, ok := d.says[name]; ok {
		return said
	}
	return daemon.Probed{Identity: "Lakeside," + name}
}

func (d *desk) Arguments(_ daemon.Order, sequence, _ string, _ bool) []string {
	return []string{fakeRun, sequence}
}

func (d *desk) Guard() (guardian.Orders, guardian.Config) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.guard == nil {
		return guardian.Orders{}, guardian.Config{}
	}
	return d.guard()
}

// house is a daemon at work, reached as everybody reaches it.
type house struct {
	*client.Client
	t     *testing.T
	dir   string
	url   string
	desk  *desk
	clock *clocktest.Ahead
	shelf *shelf
	stop  context.CancelFunc
	over  chan error
}

// open starts a daemon for a desk. What is not given is new.
func open(t *testing.T, h house) *house {
	t.Helper()
	if h.desk == nil {
		h.desk = &desk{}
	}
	if h.clock == nil {
		h.clock = clocktest.New()
	}
	if h.shelf == nil {
		h.shelf = newShelf()
	}
	if h.dir == "" {
		h.dir = t.TempDir()
	}
	h.t, h.over = t, make(chan error, 1)
	program, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	for h.url == "" {
		var ctx context.Context
		ctx, h.stop = context.WithCancel(context.Background())
		ready := make(chan string, 1)
		config := daemon.Config{Desk: h.desk, Version: "test", Records: filepath.Join(h.dir, "records"), State: filepath.Join(h.dir, "state"), Listen: "127.0.0.1:0",
			Program: program, Clock: h.clock, Log: zerolog.Nop(), Ready: func(url string) { ready <- url },
			Store: func(context.Context, string) (queue.Store, func(), error) { return h.shelf, func() {}, nil }}
		go func() { h.over <- daemon.Run(ctx, config) }()
		select {
		case h.url = <-ready:
		case err := <-h.over:
			if h.stop(); !strings.Contains(err.Error(), "in use by another daemon") { // the lock lives on for a moment in what another test has forked
				t.Fatal(err)
			}
			time.Sleep(10 * time.Millisecond)
		}
	}
	t.Cleanup(func() { h.stop(); <-h.over; h.over <- nil })
	if h.Client, err = client.New(h.url); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(h.Close)
	return &h
}

// shut ends a daemon in order and gives what it ended with.
func (h *house) shut() error {
	h.stop()
	err := <-h.over
	h.over <- nil
	return err
}

// submit gives the id of a new job that needs some instruments and does something.
func (h *house) submit(needs, does string, s api.Submission) string {
	h.t.Helper()
	if does == "hold" {
		does += " " + h.tell(needs)
	}
	s.Text = "fourwire: sequence/1\n" + needs + "\n" + does
	j, err := h.Submit(h.t.Context(), s)
	if err != nil {
		h.t.Fatal(err)
	}
	return j.ID
}

// tell is the file by which runs that hold some instruments are told how to end.
func (h *house) tell(needs string) string {
	return filepath.Join(h.dir, strings.ReplaceAll(needs, " ", "-"))
}

// let ends the run that holds some instruments.
func (h *house) let(needs string, status int) {
	h.t.Helper()
	if err := os.WriteFile(h.tell(needs), []byte(strconv.Itoa(status)), 0o600); err != nil {
		h.t.Fatal(err)
	}
}

// until watches until a job is as wanted, and gives it.
func (h *house) until(id string, wanted func(api.Job) bool) api.Job {
	h.t.Helper()
	enough := errors.New("it is as wanted")
	var last api.Job
	see := func(j api.Job) bool { last = j; return wanted(j) }
	w := client.Watching{Job: id, Opened: func(ctx context.Context) error {
		j, err := h.Job(ctx, id)
		if err == nil && see(j) {
			err = enough
		}
		return err
	}}
	for e, err := range h.Watch(h.t.Context(), w) {
		if err == enough || err == nil && e.State != nil && e.Job == id && see(*e.State) {
			return last
		}
		if err != nil {
			h.t.Fatal(err)
		}
	}
	h.t.Fatalf("the stream ended while job %s was %+v", id, last)
	return last
}

func (h *house) job(id string) api.Job {
	h.t.Helper()
	j, err := h.Job(h.t.Context(), id)
	if err != nil {
		h.t.Fatal(err)
	}
	return j
}

// untilBench watches until the bench is as wanted, and gives it.
func (h *house) untilBench(wanted func(api.Bench) bool) api.Bench {
	h.t.Helper()
	enough := errors.New("it is as wanted")
	var last api.Bench
	w := client.Watching{Job: "none", Opened: func(ctx context.Context) error {
		b, err := h.Bench(ctx)
		if last = b; err == nil && wanted(b) {
			err = enough
		}
		return err
	}}
	for e, err := range h.Watch(h.t.Context(), w) {
		if err == enough {
			return last
		}
		if err != nil {
			h.t.Fatal(err)
		}
		if e.Bench != nil {
			if last = *e.Bench; wanted(last) {
				return last
			}
		}
	}
	h.t.Fatalf("the stream ended while the bench was %+v", last)
	return last
}

func in(states ...api.State) func(api.Job) bool {
	return func(j api.Job) bool {
		for _, s := range states {
			if j.State == s {
				return true
			}
		}
		return false
	}
}

func waits(j api.Job) bool { return j.State == api.Queued && j.Waits != "" }

// refused starts a daemon that must not start, and gives why.
func refused(t *testing.T, h house) error {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	return daemon.Run(ctx, daemon.Config{Desk: h.desk, Records: filepath.Join(h.dir, "records"), State: filepath.Join(h.dir, "state"), Listen: "127.0.0.1:0",
		Log: zerolog.Nop(), Ready: func(string) { cancel() }, Store: func(context.Context, string) (queue.Store, func(), error) { return h.shelf, func() {}, nil }})
}
