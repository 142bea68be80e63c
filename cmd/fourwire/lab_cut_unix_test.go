//go:build unix

package main

import (
	"io"
	"net"
	"net/http"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"fourwire/daemon/api"
)

// cutter passes connections on to a message server until it is told to cut them, and takes none while they are cut.
type cutter struct {
	to       string
	listener net.Listener

	mu    sync.Mutex // guards what follows
	cut   bool
	conns []net.Conn
}

func newCutter(t *testing.T, server string) *cutter {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	c := &cutter{to: strings.TrimPrefix(server, "nats://"), listener: l}
	t.Cleanup(func() { l.Close(); c.set(true) })
	go func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			go c.pass(conn)
		}
	}()
	return c
}

func (c *cutter) address() string { return "nats://" + c.listener.Addr().String() }

func (c *cutter) pass(a net.Conn) {
	defer a.Close()
	b, err := net.Dial("tcp", c.to)
	if err != nil {
		return
	}
	defer b.Close()
	c.mu.Lock()
	if c.cut {
		c.mu.Unlock()
		return
	}
	c.conns = append(c.conns, a, b)
	c.mu.Unlock()
	go func() { _, _ = io.Copy(b, a); b.Close() }() // until it is cut
	_, _ = io.Copy(a, b)                            // likewise
}

func (c *cutter) set(cut bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.cut = cut
	if cut {
		for _, conn := range c.conns {
			conn.Close()
		}
		c.conns = nil
	}
}

// In labCut a bench is cut off from the cluster while it runs a job. The run goes on and nothing new starts; its own API works, outputs off too; when the cluster is
// reachable again the lab hears how the job ended, and the next one starts. Nothing is lost and nothing is run twice.
func labCut(t *testing.T, servers []string) {
	length := 3 * time.Second
	if os.Getenv("FOURWIRE_LONG") != "" {
		length = 30 * time.Second
	}
	cable := newCutter(t, servers[0])
	hub := member(t, "hub", t.TempDir(), servers, "--lab", "cut")
	strong := member(t, "strong", benchFolder(t, "10 A", "200 W"), []string{cable.address()}, "--lab", "cut")
	hub.sees(map[string]string{"strong": "here"})
	may := map[string][]string{}
	from := hub.watch("none", func(e api.Event) bool { return e.Kind == "reset" })[0].ID
	const points = 100
	running := hub.submit(atLoads("1 A", points))
	hub.watch(from, func(e api.Event) bool { return e.Kind == "job" && e.Job == running && e.State.State == api.Starting })
	cable.set(true)
	cutAt := time.Now()
	next := hub.submit(atLoads("1 A", 2)) // the hub can reach the cluster
	may[running], may[next] = []string{"strong"}, []string{"strong"}
	for !strings.HasPrefix(strong.lab().Cut, "cluster not reachable since ") {
		pause(t, 50*time.Millisecond)
	}
	var p api.Problem
	strong.ask("POST", "/api/jobs", atLoads("1 A", 2), &p, http.StatusServiceUnavailable)
	if !strings.HasPrefix(p.Detail, "cluster not reachable since ") {
		t.Errorf("%+v", p)
	}
	local := strong.until(running, over)
	ended := time.Since(cutAt)
	if local.State != api.Done || local.Points != points {
		t.Errorf("the run while cut off: %+v", local)
	}
	for time.Since(cutAt) < length {
		pause(t, 100*time.Millisecond)
		if j := hub.job(next); j.State != api.Queued {
			t.Fatalf("something starts while its bench is cut off: %+v", j)
		}
	}
	if j := hub.job(running); j.State != api.Running && j.State != api.Starting || j.Holder != "strong" {
		t.Errorf("the job at the hub: %+v", j)
	}
	cable.set(false)
	back := time.Now()
	j := hub.until(running, over)
	heard := time.Since(back)
	if j.State != api.Done || j.Record != local.Record || len(j.Attempts) != 1 {
		t.Errorf("%+v", j)
	}
	if j := hub.until(next, over); j.State != api.Done {
		t.Errorf("%+v", j)
	}
	hub.copied(j.Record, strong)
	ranOnce(t, may, strong)
	t.Logf("cut for %.1f s; the run ended %.1f s after the cut and was heard of %.2f s after it", length.Seconds(), ended.Seconds(), heard.Seconds())

	// cut off once more: outputs off works at once at the bench, and the hub says that it does not answer
	stopped := hub.submit(atLoads("1 A", 5000))
	hub.until(stopped, func(j api.Job) bool { return j.Points > 0 })
	cable.set(true)
	var report api.OffReport
	hub.ask("POST", "/api/lab/strong/outputs-off", nil, &report, http.StatusOK)
	if report.Safe || !strings.Contains(report.Text, "does not answer") {
		t.Errorf("%+v", report)
	}
	strong.ask("POST", "/api/outputs-off", nil, &report, http.StatusOK)
	if !report.Safe || !slices.Equal(report.Stopped, []string{stopped}) {
		t.Errorf("%+v", report)
	}
	cable.set(false)
	if j := hub.until(stopped, over); j.State != api.Cancelled {
		t.Errorf("%+v", j)
	}
}

// In labBenchKilled a bench is killed in the middle of a job. When its lease has run out the lab says so and does not run the job again; what other benches can do goes on
// there. When the bench is back it says how far the job came, and the job can go on from the hub.
func labBenchKilled(t *testing.T, servers []string) {
	hub, strong, weak := labOf(t, servers, "--lab", "killed", "--lease", "4s")
	may := map[string][]string{}
	from := hub.watch("none", func(e api.Event) bool { return e.Kind == "reset" })[0].ID
	victim := hub.submit(atLoads("1 A", 5000))
	hub.watch(from, func(e api.Event) bool { return e.Kind == "point" && e.Job == victim })
	onlyThere := hub.submit(atLoads("1 A", 2))
	anywhere := hub.submit(atLoads("300 mA", 2))
	strong.kill()
	killed := time.Now()
	may[victim], may[onlyThere] = []string{"strong"}, []string{"strong"}
	may[anywhere] = []string{"weak"}
	if j := hub.until(anywhere, over); j.State != api.Done || j.Holder != "weak" {
		t.Errorf("%+v", j)
	}
	j := hub.until(victim, over)
	reported := time.Since(killed)
	if j.State != api.Interrupted || j.Holder != "strong" || !strings.Contains(j.Reason, "has not been heard of since its lease ran out") || j.Resumable {
		t.Errorf("%+v", j)
	}
	t.Logf("reported %.1f s after the kill, with a lease of 4 s: %s", reported.Seconds(), j.Reason)
	if j := hub.until(onlyThere, func(j api.Job) bool { return strings.Contains(j.Waits, "strong: not heard of since") }); j.State != api.Queued {
		t.Errorf("%+v", j)
	}
	strong.daemonProcess = startCommand(t, strong.command(t, servers, "--lab", "killed", "--lease", "4s"))
	j = hub.until(victim, func(j api.Job) bool { return j.Resumable })
	if j.State != api.Interrupted || !strings.Contains(j.Reason, "the daemon went away in the middle") || !strings.Contains(j.Reason, "every output is off") || len(j.Attempts) != 1 {
		t.Errorf("%+v", j)
	}
	if j := hub.until(onlyThere, over); j.State != api.Done || j.Holder != "strong" {
		t.Errorf("%+v", j)
	}
	hub.copied(j.Record, strong)
	ranOnce(t, may, strong, weak)
	var on api.Job
	hub.ask("POST", "/api/jobs/"+victim+"/resume", nil, &on, http.StatusCreated)
	hub.until(on.ID, func(j api.Job) bool { return j.State == api.Running && j.Holder == "strong" })
	hub.ask("DELETE", "/api/jobs/"+on.ID, nil, nil, http.StatusOK)
	if j := hub.until(on.ID, over); j.State != api.Cancelled || j.Record != hub.job(victim).Record {
		t.Errorf("%+v", j)
	}
	hub.copied(hub.job(on.ID).Record, strong)
}
