//go:build linux

package main

import (
	"bufio"
	"encoding/json"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"fourwire/daemon/api"
)

// resident is how much memory of a process is in use, in MB.
func resident(t *testing.T, pid int) float64 {
	t.Helper()
	text, err := os.ReadFile("/proc/" + strconv.Itoa(pid) + "/status")
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range strings.Split(string(text), "\n") {
		if fields := strings.Fields(line); len(fields) > 1 && fields[0] == "VmRSS:" {
			kB, err := strconv.ParseFloat(fields[1], 64)
			if err != nil {
				t.Fatal(err)
			}
			return kB / 1024
		}
	}
	t.Fatal("no VmRSS")
	return 0
}

// perPoint is the time that the process of a run spends on a point, from the log of what it did.
func perPoint(t *testing.T, d *daemonProcess, id string) time.Duration {
	t.Helper()
	j := d.until(id, over)
	if j.State != api.Done {
		t.Fatalf("%+v", j)
	}
	a := j.Attempts[0]
	return a.Ended.Sub(a.Started) / time.Duration(j.Points)
}

// Load: 50 who watch and 20 who submit. The times of calls and of points are printed, with those of the same run alone beside them; what is checked is
// that everything is answered. Short here; for a minute with FOURWIRE_LONG.
func TestLoad(t *testing.T) {
	watchers, submitters, lasting := 10, 4, 2*time.Second
	if os.Getenv("FOURWIRE_LONG") != "" {
		watchers, submitters, lasting = 50, 20, time.Minute
	}
	d, _ := simulatedDaemon(t, "buoy")
	alone := perPoint(t, d, d.submit(api.Submission{Sequence: "efficiency.yaml"}))
	alone = min(alone, perPoint(t, d, d.submit(api.Submission{Sequence: "efficiency.yaml"})))
	client := &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: 100}}
	var mu sync.Mutex
	events, calls := 0, []time.Duration{}
	stop := make(chan struct{})
	var all sync.WaitGroup
	for range watchers {
		all.Go(func() {
			answer, err := client.Get(d.url + "/api/events")
			if err != nil {
				t.Error(err)
				return
			}
			defer answer.Body.Close()
			go func() { <-stop; answer.Body.Close() }()
			lines := bufio.NewScanner(answer.Body)
			lines.Buffer(nil, 1<<20)
			n := 0
			for lines.Scan() {
				if strings.HasPrefix(lines.Text(), "event: ") {
					n++
				}
			}
			mu.Lock()
			events += n
			mu.Unlock()
		})
	}
	later, err := json.Marshal(api.Submission{Sequence: "no-load.yaml", At: time.Now().Add(time.Hour)}) // taken in, not run: the runs are not what is measured
	if err != nil {
		t.Fatal(err)
	}
	for n := range submitters {
		all.Go(func() {
			for i := 0; ; i++ {
				select {
				case <-stop:
					return
				case <-time.After(200 * time.Millisecond):
				}
				begun := time.Now()
				var answer *http.Response
				var err error
				switch (i + n) % 4 {
				case 0:
					answer, err = client.Post(d.url+"/api/jobs", "application/json", strings.NewReader(string(later)))
				case 1:
					answer, err = client.Get(d.url + "/api/jobs?limit=20")
				case 2:
					answer, err = client.Get(d.url + "/api/bench")
				case 3:
					answer, err = client.Get(d.url + "/api/records?q=buoy&limit=20")
				}
				if err != nil {
					t.Error(err)
					return
				}
				var any json.RawMessage
				if err := json.NewDecoder(answer.Body).Decode(&any); err != nil || answer.StatusCode > 299 {
					t.Errorf("%d %v %.200s", answer.StatusCode, err, any)
				}
				answer.Body.Close()
				mu.Lock()
				calls = append(calls, time.Since(begun))
				mu.Unlock()
			}
		})
	}
	loaded := time.Hour
	for begun := time.Now(); time.Since(begun) < lasting; {
		loaded = min(loaded, perPoint(t, d, d.submit(api.Submission{Sequence: "efficiency.yaml", Priority: 10})))
	}
	close(stop)
	all.Wait()
	slices.Sort(calls)
	at := func(part float64) time.Duration { return calls[min(len(calls)-1, int(part*float64(len(calls))))] }
	t.Logf("%d watch, %d submit, %v: %d calls, median %v, p99 %v, most %v; %d events; a point takes %v alone, %v under load (%.2f times)", watchers, submitters, lasting,
		len(calls), at(0.5), at(0.99), at(1), events, alone, loaded, float64(loaded)/float64(alone))
	if events < watchers || len(calls) < submitters {
		t.Errorf("%d events, %d calls", events, len(calls))
	}
}

// Memory stays flat over many jobs: printed, and bounded so that a leak of a job's files would be seen.
func TestMemoryOverManyJobs(t *testing.T) {
	many := 12
	if os.Getenv("FOURWIRE_LONG") != "" {
		many = 1000
	}
	d, dir := simulatedDaemon(t, "buoy")
	small := api.Submission{Sequence: "no-load.yaml"}
	run := func(n int) {
		var last string
		for range n {
			last = d.submit(small)
		}
		d.until(last, over)
	}
	run(many / 4)
	before := resident(t, d.cmd.Process.Pid)
	run(many - many/4)
	after := resident(t, d.cmd.Process.Pid)
	t.Logf("%d jobs: %.1f MB after a quarter of them, %.1f MB after all", many, before, after)
	if after > 2*before+50 {
		t.Errorf("memory grows: %.1f MB, then %.1f MB", before, after)
	}
	left, err := os.ReadDir(filepath.Join(dir, "records", ".state", "jobs"))
	if err != nil || len(left) > 0 {
		t.Errorf("%d folders of jobs are left, %v", len(left), err)
	}
}
