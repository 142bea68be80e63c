package daemon_test

import (
	"context"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"fourwire/client"
	"fourwire/daemon/api"
	"fourwire/daemon/queue"
	"fourwire/driver/guardian"
	"fourwire/driver/model"
	"fourwire/internal/diag"
	"fourwire/sim"
	"fourwire/transport"
)

// One job at a time has an instrument; jobs that share none run at once; of those that wait for the same, the one of higher priority goes first.
func TestOneJobForAnInstrument(t *testing.T) {
	t.Parallel()
	h := open(t, house{})
	both := h.submit("psu load", "hold", api.Submission{})
	apart := h.submit("meter", "hold", api.Submission{})
	h.until(both, in(api.Running))
	h.until(apart, in(api.Running))
	low := h.submit("psu", "hold", api.Submission{})
	high := h.submit("load psu", "exit 0", api.Submission{Priority: 5})
	if j := h.until(low, waits); !strings.Contains(j.Waits, "needed by a job before it") {
		t.Errorf("%q", j.Waits)
	}
	h.until(high, waits)
	b, err := h.Bench(t.Context())
	if err != nil || b.Queue != (api.Queue{Queued: 2, Running: 2}) || b.Instruments[0].Job != both || b.Instruments[1].Job != both || b.Instruments[2].Job != apart {
		t.Errorf("%+v %v", b, err)
	}
	h.let("psu load", 0)
	h.until(low, in(api.Running))
	if j := h.job(high); j.State != api.Done || !j.Ended.Before(h.job(low).Attempts[0].Started) {
		t.Errorf("the one of higher priority is %s, and ended at %v", j.State, j.Ended)
	}
	h.let("psu", 1)
	if j := h.until(low, client.Over); j.State != api.Done || *j.Exit != 1 {
		t.Errorf("%+v", j)
	}
	if j := h.job(apart); j.State != api.Running {
		t.Errorf("the one apart is %s", j.State)
	}
}

// A job for a later time waits for it, one that comes again and again is made up for once when its time has passed several times unnoticed.
func TestScheduledJobs(t *testing.T) {
	t.Parallel()
	h := open(t, house{})
	now := h.clock.Now().Truncate(time.Second)
	later := h.submit("psu", "exit 0", api.Submission{At: now.Add(time.Hour)})
	often := h.submit("load", "exit 0", api.Submission{At: now.Add(2 * time.Hour), Every: "6 h"})
	if j := h.until(later, in(api.Scheduled)); !j.At.Equal(now.Add(time.Hour)) {
		t.Errorf("%v", j.At)
	}
	h.clock.Forward(time.Hour + time.Second)
	h.until(later, in(api.Done))
	made := func() (list []api.Job) {
		for j, err := range h.Jobs(t.Context(), "") {
			if err != nil {
				t.Fatal(err)
			}
			if j.From == often {
				list = append(list, j)
			}
		}
		return list
	}
	if list := made(); len(list) > 0 {
		t.Errorf("before its time: %+v", list)
	}
	next := now.Add(2 * time.Hour)
	for i, ahead := range []time.Duration{time.Hour, 6 * time.Hour, 19 * time.Hour} { // the last time three of them have come
		h.clock.Forward(ahead)
		next = next.Add(6 * time.Hour)
		if i == 2 {
			next = next.Add(2 * 6 * time.Hour)
		}
		h.until(often, func(j api.Job) bool { return j.At.Equal(next) })
		list := made()
		if len(list) != i+1 {
			t.Fatalf("%d jobs were made, %d wanted", len(list), i+1)
		}
		for _, j := range list {
			h.until(j.ID, in(api.Done))
		}
	}
	if j, err := h.Cancel(t.Context(), often); err != nil || j.State != api.Cancelled {
		t.Errorf("%+v %v", j, err)
	}
}

// A job is run again by itself where the bench was at fault, exit status 4, and never after a stop for safety or for a file that is wrong.
func TestRetryForTheBenchOnly(t *testing.T) {
	t.Parallel()
	h := open(t, house{})
	retry := api.Submission{Retry: api.Retry{Attempts: 3, After: "1 h"}}
	for does, status := range map[string]int{"exit 3": 3, "exit 5": 5} {
		j := h.until(h.submit("load", does, retry), client.Over)
		if j.State != api.Failed || len(j.Attempts) != 1 || *j.Exit != status || j.Hint != "look at the bench" || !strings.Contains(j.Reason, "the run ends with") {
			t.Errorf("%s: %+v", does, j)
		}
	}
	id := h.submit("psu", "exit 4", retry)
	for n := 1; n < 3; n++ {
		if j := h.until(id, func(j api.Job) bool { return j.State == api.Scheduled && len(j.Attempts) == n }); *j.Attempts[n-1].Exit != 4 {
			t.Errorf("%+v", j)
		}
		h.clock.Forward(time.Hour)
	}
	j := h.until(id, client.Over)
	if j.State != api.Failed || len(j.Attempts) != 3 || j.Attempts[0].Record == j.Attempts[1].Record {
		t.Errorf("%+v", j)
	}
}

// underWay puts a job on a shelf as a daemon leaves it that lost its power.
func underWay(t *testing.T, s *shelf, dir string) string {
	t.Helper()
	order, err := json.Marshal(map[string]any{"title": "needs psu", "sequence": "sequence.yaml"})
	if err != nil {
		t.Fatal(err)
	}
	j := queue.Job{ID: "01900000-0000-7000-8000-000000000001", State: queue.Running, Owner: "ada", Needs: []string{"psu"}, Order: order,
		Attempts: []queue.Attempt{{Record: "20260301-080000-needs-psu", Started: time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)}}}
	if err := s.Save(t.Context(), &j); err != nil {
		t.Fatal(err)
	}
	return j.ID
}

// real makes a desk of real instruments, which is a simulated bench with its outputs on; reachable says whether they answer.
func real(t *testing.T) (d *desk, b *sim.Bench, reachable *atomic.Bool) {
	t.Helper()
	text, err := os.ReadFile("../examples/buoy/buoy.scenario.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var found diag.Findings
	s := sim.Read("buoy.scenario.yaml", text, &found)
	if s == nil {
		t.Fatal(found.List())
	}
	if b, err = sim.New(s, sim.Options{}); err != nil {
		t.Fatal(err)
	}
	for _, say := range [][2]string{{"feed-psu", ":CURR 2.5;:VOLT 12;:OUTP ON"}, {"sink", ":CURR 2;:INP ON"}} {
		l, err := b.Link(say[0])
		if err != nil {
			t.Fatal(err)
		}
		if err := l.Send(t.Context(), []byte(say[1])); err != nil {
			t.Fatal(err)
		}
		_ = b.Clock().Sleep(t.Context(), 200*time.Millisecond)
	}
	orders := guardian.Orders{Nodes: []guardian.Node{{Node: "dut.out", Instrument: "dmm-out", Channel: 1}}}
	for _, in := range []struct {
		name, model string
		turn        guardian.Turn
	}{{"feed-psu", "dc-source", guardian.Second}, {"sink", "electronic-load", guardian.First}, {"dmm-out", "meter", guardian.Never}} {
		text, ok := model.FromLibrary(in.model)
		if !ok {
			t.Fatal(in.model)
		}
		orders.Instruments = append(orders.Instruments, guardian.Instrument{Name: in.name, Address: "sim:" + in.name, Model: in.model, Text: string(text), Turn: in.turn})
	}
	reachable = &atomic.Bool{}
	config := guardian.Config{Clock: b.Clock(), Dial: func(_ context.Context, a transport.Address, _ string) (transport.Link, error) {
		if !reachable.Load() {
			return nil, errors.New("no route to host")
		}
		return b.Link(a.Path)
	}}
	return &desk{real: true, guard: func() (guardian.Orders, guardian.Config) { return orders, config }}, b, reachable
}

// A job that was under way when the power failed counts as interrupted once every output is verified to be off; before that nothing starts, and the
// bench says why. After it, the bench has to be armed before the next job starts.
func TestRestartAfterPowerLoss(t *testing.T) {
	t.Parallel()
	h := house{dir: t.TempDir(), shelf: newShelf()}
	id := underWay(t, h.shelf, h.dir)
	d, bench, reachable := real(t)
	h.desk = d
	daemon := open(t, h)
	b := daemon.untilBench(func(b api.Bench) bool { return b.LastOff != nil })
	if b.Outputs != "not verified" || b.LastOff.Safe || b.Held == "" {
		t.Errorf("while nobody can reach the bench: outputs %s, held %q, %+v", b.Outputs, b.Held, b.LastOff)
	}
	next := daemon.submit("load", "exit 0", api.Submission{})
	armed, err := daemon.Arm(t.Context(), 0)
	if err != nil || armed.Held != "it is not verified that the outputs are off" {
		t.Errorf("armed while nothing is verified: %q %v", armed.Held, err)
	}
	if j := daemon.job(next); j.State != api.Queued {
		t.Errorf("the next job is %s", j.State)
	}
	if j := daemon.job(id); j.State != api.Running || j.Waits != "the outputs are being verified" {
		t.Errorf("%+v", j)
	}
	if _, err := daemon.Disarm(t.Context()); err != nil {
		t.Fatal(err)
	}
	reachable.Store(true)
	j := daemon.until(id, func(j api.Job) bool { daemon.clock.Forward(time.Second); return client.Over(j) })
	if j.State != api.Interrupted || !strings.Contains(j.Reason, "the daemon went away in the middle") || len(j.Attempts) != 1 {
		t.Errorf("%+v", j)
	}
	for _, name := range []string{"feed-psu", "sink"} {
		events := bench.Events()
		last := slices.IndexFunc(events, func(e sim.Event) bool { return e.Instrument == name && e.Value == 0 && e.Channel > 0 })
		if last < 0 {
			t.Errorf("%s was not switched off", name)
		}
	}
	b = daemon.untilBench(func(b api.Bench) bool { return b.Outputs == "off" })
	if !b.LastOff.Safe || b.Armed {
		t.Errorf("armed %v, %+v", b.Armed, b.LastOff)
	}
	if j := daemon.until(next, waits); j.Waits != "the bench is not armed" {
		t.Errorf("%q", j.Waits)
	}
	if _, err := daemon.Arm(t.Context(), 2*time.Hour); err != nil {
		t.Fatal(err)
	}
	daemon.until(next, in(api.Done))
	daemon.clock.Forward(3 * time.Hour)
	after := daemon.submit("load", "exit 0", api.Submission{})
	if j := daemon.until(after, waits); j.Waits != "the bench is not armed any more" {
		t.Errorf("armed for two hours, three hours later: %q", j.Waits)
	}
}

// "Outputs off" ends what runs, and nothing starts until somebody arms the bench.
func TestOutputsOffHoldsTheQueue(t *testing.T) {
	t.Parallel()
	h := open(t, house{})
	running := h.submit("psu load", "hold", api.Submission{Retry: api.Retry{Attempts: 3}})
	waiting := h.submit("psu", "exit 0", api.Submission{})
	h.until(running, in(api.Running))
	report, err := h.OutputsOff(t.Context())
	if err != nil || !report.Safe || !slices.Equal(report.Stopped, []string{running}) || len(report.Off) != 2 || report.By != "local" {
		t.Fatalf("%+v %v", report, err)
	}
	if j := h.job(running); j.State != api.Cancelled || len(j.Attempts) != 1 {
		t.Errorf("what ran is %s: %s", j.State, j.Reason)
	}
	if j := h.until(waiting, waits); !strings.HasPrefix(j.Waits, "the outputs were switched off by local") {
		t.Errorf("%q", j.Waits)
	}
	if b, err := h.Bench(t.Context()); err != nil || b.Armed || b.LastOff == nil || b.Outputs != "off" {
		t.Errorf("%+v %v", b, err)
	}
	if _, err := h.Arm(t.Context(), 0); err != nil {
		t.Fatal(err)
	}
	h.until(waiting, in(api.Done))
}

// A job can be cancelled while it waits and stopped while it runs, once.
func TestCancelJobs(t *testing.T) {
	t.Parallel()
	h := open(t, house{})
	running := h.submit("psu", "hold", api.Submission{})
	waiting := h.submit("psu", "exit 0", api.Submission{})
	later := h.submit("load", "exit 0", api.Submission{At: h.clock.Now().Add(time.Hour)})
	h.until(running, in(api.Running))
	for _, id := range []string{waiting, later} {
		if j, err := h.Cancel(t.Context(), id); err != nil || j.State != api.Cancelled || j.Reason != "cancelled by local" || len(j.Attempts) > 0 {
			t.Errorf("%+v %v", j, err)
		}
	}
	if j, err := h.Cancel(t.Context(), running); err != nil || j.Progress != "being stopped by local" && j.State != api.Cancelled {
		t.Errorf("%+v %v", j, err)
	}
	if j := h.until(running, client.Over); j.State != api.Cancelled || j.Reason != "stopped by local" {
		t.Errorf("%+v", j)
	}
	if _, err := h.Cancel(t.Context(), running); !errors.Is(err, client.ErrConflict) {
		t.Errorf("a second time: %v", err)
	}
	if _, err := h.Resume(t.Context(), running); !errors.Is(err, client.ErrConflict) {
		t.Errorf("without a record: %v", err)
	}
}

// A daemon that is stopped ends its runs in order and keeps what waits for the next one. Whoever watches goes on behind a "reset".
func TestStopInOrder(t *testing.T) {
	t.Parallel()
	h := open(t, house{dir: t.TempDir(), shelf: newShelf()})
	running := h.submit("psu", "hold", api.Submission{})
	waiting := h.submit("psu", "exit 0", api.Submission{Priority: -3})
	h.until(running, in(api.Running))
	var seen string
	for e, err := range h.Watch(t.Context(), client.Watching{Opened: func(context.Context) error {
		go func() { _, _ = h.Arm(context.Background(), time.Hour) }()
		return nil
	}}) {
		if err != nil {
			t.Fatal(err)
		}
		seen = e.ID
		break
	}
	if err := h.shut(); err != nil {
		t.Fatal(err)
	}
	left := filepath.Join(h.dir, "state", "jobs", "of-a-job-that-was-forgotten", "deeper")
	if err := os.MkdirAll(left, 0o700); err != nil {
		t.Fatal(err)
	}
	again := open(t, house{dir: h.dir, shelf: h.shelf})
	again.until(waiting, in(api.Done))
	if _, err := os.Stat(filepath.Dir(left)); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the folder of a job that nobody knows is still there: %v", err)
	}
	if j := again.job(running); j.State != api.Interrupted || j.Reason != "the daemon was shut down" || len(j.Attempts) != 1 || *j.Exit != 130 {
		t.Errorf("%+v", j)
	}
	for e, err := range again.Watch(t.Context(), client.Watching{After: seen}) {
		if err != nil || e.Kind != "reset" {
			t.Errorf("behind an event of the daemon before: %+v %v", e, err)
		}
		break
	}
}

// A second daemon for the same state folder is refused.
func TestOneDaemonForAFolder(t *testing.T) {
	t.Parallel()
	h := open(t, house{})
	other := *h
	if err := refused(t, other); err == nil || !strings.Contains(err.Error(), "in use by another daemon") {
		t.Errorf("%v", err)
	}
}

// What is wrong with a sequence is told before anything is taken in.
func TestWrongSequenceIsNotTakenIn(t *testing.T) {
	t.Parallel()
	h := open(t, house{})
	_, err := h.Submit(t.Context(), api.Submission{Text: "nothing"})
	var wrong *client.Error
	if !errors.As(err, &wrong) || !errors.Is(err, client.ErrWrong) || len(wrong.Findings()) != 1 {
		t.Errorf("%v", err)
	}
	for j := range h.Jobs(t.Context(), "") {
		t.Errorf("%+v", j)
	}
}
