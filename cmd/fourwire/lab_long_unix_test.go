//go:build unix

package main

import (
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"fourwire/daemon/api"
)

// Two hundred jobs, submitted by four people at once, on two benches of which one cannot do all of them. One of the three message servers goes down. The strong
// bench is killed in the middle and comes back ten seconds later. Each job has run once on a bench that fits, but for those that were under way when the bench was killed: these are reported,
// and have run once, too.
func TestLabTwoHundredJobs(t *testing.T) {
	if os.Getenv("FOURWIRE_LONG") == "" {
		t.Skip("takes a minute; with FOURWIRE_LONG=1")
	}
	const jobs, submitters = 200, 4
	nodes, servers := natsServers(t)
	hub, strong, weak := labOf(t, servers, "--lease", "3s")
	may := map[string][]string{}
	submitted := map[string]time.Time{}
	var mu sync.Mutex // guards both, and took
	var took []time.Duration
	var all sync.WaitGroup
	begun := time.Now()
	for s := range submitters {
		all.Go(func() {
			for n := range jobs / submitters {
				amps, where := "300 mA", []string{"strong", "weak"}
				if (n+s)%3 == 0 {
					amps, where = "1 A", []string{"strong"}
				}
				from := time.Now()
				id := hub.submit(atLoads(amps, 2+n%20))
				mu.Lock()
				took = append(took, time.Since(from))
				may[id], submitted[id] = where, from
				mu.Unlock()
			}
		})
	}
	all.Wait()
	sent := time.Since(begun)
	count := func() (ended int, list []api.Job) {
		var page api.Jobs
		for after := ""; ; after = page.Next {
			page = api.Jobs{}
			hub.ask("GET", "/api/jobs?limit=1000&after="+after, nil, &page, http.StatusOK)
			for _, j := range page.Jobs {
				if over(j) {
					ended++
				}
			}
			list = append(list, page.Jobs...)
			if page.Next == "" {
				return ended, list
			}
		}
	}
	await := func(ended int) {
		for n := 0; n < ended; n, _ = count() {
			pause(t, 50*time.Millisecond)
		}
	}
	await(jobs / 6)
	nodes[0].Shutdown() // one of the three message servers goes down for good
	await(jobs / 3)
	long := hub.submit(atLoads("1 A", 5000)) // something that is surely under way
	may[long] = []string{"strong"}
	for hub.job(long).Points == 0 {
		pause(t, 10*time.Millisecond)
	}
	strong.kill()
	killed := time.Now()
	j := hub.until(long, over)
	reported := time.Since(killed)
	if j.State != api.Interrupted {
		t.Errorf("%+v", j)
	}
	for time.Since(killed) < 10*time.Second {
		pause(t, 100*time.Millisecond)
	}
	strong.daemonProcess = startCommand(t, strong.command(t, servers, "--lease", "3s"))
	var list []api.Job
	for {
		var n int
		if n, list = count(); n == jobs+1 {
			break
		}
		pause(t, 50*time.Millisecond)
	}
	whole := time.Since(begun)
	interrupted, byBench := 0, map[string]int{}
	var waited []time.Duration
	for _, j := range list {
		byBench[j.Holder]++
		switch j.State {
		case api.Done:
			if from, ok := submitted[j.ID]; ok {
				waited = append(waited, j.Ended.Sub(from))
			}
		case api.Interrupted:
			interrupted++
			if j.Holder != "strong" {
				t.Errorf("%+v", j)
			}
		default:
			t.Errorf("%+v", j)
		}
	}
	if interrupted != 1 {
		t.Errorf("%d jobs were interrupted by one kill of a bench that runs one at a time", interrupted)
	}
	ranOnce(t, may, strong, weak)
	copied := time.Now()
	for len(hub.folders()) < len(may) {
		pause(t, 50*time.Millisecond)
	}
	for _, j := range list {
		hub.copied(j.Record, map[string]*labMember{"strong": strong, "weak": weak}[j.Holder])
	}
	slices.Sort(took)
	slices.Sort(waited)
	at := func(d []time.Duration, part float64) float64 { return d[int(part*float64(len(d)-1))].Seconds() }
	t.Logf("%d jobs in %.1f s, 10 s of them with one bench: %.1f jobs/s; strong %d, weak %d, interrupted %d, reported %.1f s after the kill", jobs+1, whole.Seconds(),
		float64(jobs)/whole.Seconds(), byBench["strong"], byBench["weak"], interrupted, reported.Seconds())
	t.Logf("submitting: %.1f jobs/s, median %.1f ms, p99 %.1f ms; from submission to the end: median %.1f s, p99 %.1f s; copies at the hub complete %.1f s after the last job",
		float64(jobs)/sent.Seconds(), at(took, 0.5)*1000, at(took, 0.99)*1000, at(waited, 0.5), at(waited, 0.99), time.Since(copied).Seconds())
}

// A bench of instruments in another process is killed in the middle of a job, armed. When its daemon is back, nothing is on, that has been verified, and what waits for it
// waits until somebody arms it there: the hub does not.
func TestLabInstrumentsKilled(t *testing.T) {
	if os.Getenv("FOURWIRE_LONG") == "" {
		t.Skip("waits for a lease; with FOURWIRE_LONG=1")
	}
	events := filepath.Join(t.TempDir(), "events.jsonl")
	dir := buoyOverSockets(t, "--pace", "5", "--events", events)
	lan, err := os.ReadFile(filepath.Join(dir, "lan.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	put(t, filepath.Join(dir, "bench.yaml"), string(lan))
	servers := natsCluster(t)
	hub := member(t, "hub", t.TempDir(), servers, "--lease", "3s")
	real := member(t, "real", dir, servers, "--lease", "3s", "--armed")
	hub.sees(map[string]string{"real": "here"})
	from := hub.watch("none", func(e api.Event) bool { return e.Kind == "reset" })[0].ID
	victim := hub.submit(atLoads("1 A", 500))
	hub.watch(from, func(e api.Event) bool { return e.Kind == "point" && e.Job == victim })
	if on := switches(t, events); !on["feed-psu.1"] {
		t.Fatalf("nothing is on: %v", on)
	}
	next := hub.submit(atLoads("1 A", 2))
	real.kill()
	if j := hub.until(victim, over); j.State != api.Interrupted || j.Resumable {
		t.Errorf("%+v", j)
	}
	var b api.Bench
	hub.ask("GET", "/api/bench", nil, &b, http.StatusOK)
	if b.Outputs != "not verified" {
		t.Errorf("the hub says that outputs are %s", b.Outputs)
	}
	real.daemonProcess = startCommand(t, real.command(t, servers, "--lease", "3s"))
	hub.until(victim, func(j api.Job) bool { return j.Resumable && strings.Contains(j.Reason, "every output is off") })
	mustBeOff(t, events, "once the hub says so")
	real.ask("GET", "/api/bench", nil, &b, http.StatusOK)
	if b.LastOff == nil || !b.LastOff.Safe || b.Armed {
		t.Errorf("%+v", b)
	}
	hub.until(next, func(j api.Job) bool { return j.Waits == "real: the bench is not armed" })
	hub.ask("POST", "/api/arm", api.Arming{Armed: true}, nil, http.StatusConflict)
	real.ask("POST", "/api/arm", api.Arming{Armed: true}, nil, http.StatusOK)
	if j := hub.until(next, over); j.State != api.Done {
		t.Errorf("%+v", j)
	}
	mustBeOff(t, events, "at the end")
	ranOnce(t, map[string][]string{victim: {"real"}, next: {"real"}}, real)
}
