//go:build unix

package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"fourwire/daemon/api"
	"fourwire/record"
)

// daemonProcess is a daemon in a process of its own.
type daemonProcess struct {
	t   *testing.T
	cmd *exec.Cmd
	url string
	log *bytes.Buffer
}

// startDaemon starts a daemon for a bench file, with its records beside it.
func startDaemon(t *testing.T, benchFile string, args ...string) *daemonProcess {
	t.Helper()
	dir := filepath.Dir(benchFile)
	return startCommand(t, command(t, append([]string{"serve", "--bench", benchFile, "--records", filepath.Join(dir, "records"), "--listen", "127.0.0.1:0", "--json"}, args...)...))
}

// startCommand starts a daemon by a command.
func startCommand(t *testing.T, c *exec.Cmd) *daemonProcess {
	t.Helper()
	d := &daemonProcess{t: t, cmd: c, log: &bytes.Buffer{}}
	d.cmd.Env = append(os.Environ(), asCommand+"=1")
	d.cmd.Stderr = d.log
	out, err := d.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := d.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(d.kill)
	var ready struct{ URL string }
	if err := json.NewDecoder(bufio.NewReader(out)).Decode(&ready); err != nil {
		d.kill()
		t.Fatalf("the daemon does not get ready: %v\n%s", err, d.log)
	}
	d.url = ready.URL
	return d
}

func (d *daemonProcess) kill() {
	_ = d.cmd.Process.Kill() // it may be gone
	_ = d.cmd.Wait()         // it was killed
}

// ask sends a request and decodes the answer, which must have the status.
func (d *daemonProcess) ask(method, path string, body, into any, status int) {
	d.t.Helper()
	var sent io.Reader
	if body != nil {
		data, err := json.Marshal(body)
		if err != nil {
			d.t.Fatal(err)
		}
		sent = bytes.NewReader(data)
	}
	r, err := http.NewRequestWithContext(d.t.Context(), method, d.url+path, sent)
	if err != nil {
		d.t.Fatal(err)
	}
	r.Header.Set("Content-Type", "application/json")
	answer, err := http.DefaultClient.Do(r)
	if err != nil {
		d.t.Fatalf("%s %s: %v", method, path, err)
	}
	defer answer.Body.Close()
	data, err := io.ReadAll(answer.Body)
	if err != nil || answer.StatusCode != status {
		d.t.Fatalf("%s %s: %d, want %d, %v\n%s", method, path, answer.StatusCode, status, err, data)
	}
	if into != nil {
		if err := json.Unmarshal(data, into); err != nil {
			d.t.Fatalf("%s %s: %v\n%s", method, path, err, data)
		}
	}
}

func (d *daemonProcess) submit(s api.Submission) string {
	d.t.Helper()
	var j api.Job
	d.ask("POST", "/api/jobs", s, &j, http.StatusCreated)
	return j.ID
}

func (d *daemonProcess) job(id string) api.Job {
	d.t.Helper()
	var j api.Job
	d.ask("GET", "/api/jobs/"+id, nil, &j, http.StatusOK)
	return j
}

// until asks for a job until it is as wanted.
func (d *daemonProcess) until(id string, wanted func(api.Job) bool) api.Job {
	d.t.Helper()
	for {
		j := d.job(id)
		if wanted(j) {
			return j
		}
		pause(d.t, 10*time.Millisecond)
	}
}

func pause(t *testing.T, d time.Duration) {
	select {
	case <-t.Context().Done():
		t.Fatal("the test is over")
	case <-time.After(d):
	}
}

func over(j api.Job) bool {
	return j.State == api.Done || j.State == api.Failed || j.State == api.Interrupted || j.State == api.Cancelled
}

// switches reads from the log of the simulated bench what is on: each channel as it was switched last.
func switches(t *testing.T, events string) map[string]bool {
	t.Helper()
	data, err := os.ReadFile(events)
	if err != nil {
		t.Fatal(err)
	}
	on := map[string]bool{}
	for _, line := range bytes.Split(data, []byte("\n")) {
		var e simEvent
		if json.Unmarshal(line, &e) == nil && e.Kind == "switched" && e.Channel > 0 {
			on[fmt.Sprint(e.Instrument, ".", e.Channel)] = e.Value != 0
		}
	}
	return on
}

func mustBeOff(t *testing.T, events, when string) {
	t.Helper()
	for channel, on := range switches(t, events) {
		if on {
			t.Errorf("%s: %s is on", when, channel)
		}
	}
}

var shortSweep = api.Submission{Sequence: "efficiency.yaml", NoHookup: true,
	Set: map[string]string{"vin": "[9 V, 12 V]", "iout": "{from: 50 mA, to: 3 A, points: 8, spacing: log}"}}

// The daemon is killed at random moments while it runs jobs on a bench in another process. After it has been started again nothing is on before the bench
// is armed, no job is lost, none is run twice, and every record is whole.
func TestDaemonKilled(t *testing.T) {
	times := 2
	if os.Getenv("FOURWIRE_LONG") != "" {
		times = 50
	}
	if testing.Short() {
		times = 1
	}
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 1))
	events := filepath.Join(t.TempDir(), "events.jsonl")
	dir := buoyOverSockets(t, "--pace", "max", "--events", events)
	lan := filepath.Join(dir, "lan.yaml")
	attempted := map[string]bool{} // records of all attempts
	interrupted, inTheMiddle, relieved := 0, 0, 0
	for n := range times {
		d := startDaemon(t, lan, "--armed")
		var ids []string
		for range 3 {
			ids = append(ids, d.submit(shortSweep))
		}
		if n > 0 || times == 1 { // the first one is killed at once
			pause(t, time.Duration(random.IntN(1500))*time.Millisecond)
		}
		_ = d.cmd.Process.Kill() // Wait tells
		_ = d.cmd.Wait()         // it was killed
		d = startDaemon(t, lan)
		for _, id := range ids {
			d.until(id, func(j api.Job) bool { return over(j) || j.State == api.Queued && j.Waits == "the bench is not armed" })
		}
		mustBeOff(t, events, fmt.Sprintf("after kill %d", n+1))
		var b api.Bench
		d.ask("GET", "/api/bench", nil, &b, http.StatusOK)
		if b.Outputs != "off" || b.Armed {
			t.Errorf("the bench says: outputs %s, armed %v", b.Outputs, b.Armed)
		}
		d.ask("POST", "/api/arm", api.Arming{Armed: true}, nil, http.StatusOK)
		for _, id := range ids {
			j := d.until(id, over)
			switch {
			case j.State == api.Interrupted && j.Resumable:
				inTheMiddle++
				var on api.Job
				d.ask("POST", "/api/jobs/"+id+"/resume", nil, &on, http.StatusCreated)
				if r := d.until(on.ID, over); r.State != api.Done && !strings.Contains(r.Reason, "the guardian") || r.Record != j.Record {
					t.Errorf("it did not go on: %+v", r)
				}
				interrupted++
			case j.State == api.Interrupted:
				interrupted++
			case j.State == api.Failed && strings.Contains(j.Reason, "the guardian"):
				relieved++ // a computer that is overloaded makes a run late for its guardian, which then does what it is for
			case j.State != api.Done || *j.Exit > exitUndecided:
				t.Errorf("job %s: %s, %s", id, j.State, j.Reason)
			}
			if len(j.Attempts) != 1 {
				t.Errorf("job %s was run %d times", id, len(j.Attempts))
			}
			for _, a := range j.Attempts {
				if attempted[a.Record] {
					t.Errorf("the record %s is that of two jobs", a.Record)
				}
				attempted[a.Record] = true
			}
		}
		mustBeOff(t, events, "at the end")
		if err := d.cmd.Process.Signal(syscall.SIGTERM); err != nil {
			t.Fatal(err)
		}
		if err := d.cmd.Wait(); err != nil {
			t.Fatalf("the daemon ended with %v\n%s", err, d.log)
		}
	}
	entries, err := os.ReadDir(filepath.Join(dir, "records"))
	if err != nil {
		t.Fatal(err)
	}
	records := 0
	for _, e := range entries {
		if strings.HasPrefix(e.Name(), ".") {
			continue
		}
		records++
		if !attempted[e.Name()] {
			t.Errorf("nobody knows of the record %s: something was run twice", e.Name())
		}
		whole(t, filepath.Join(dir, "records", e.Name()))
	}
	t.Logf("%d kills, %d jobs interrupted, %d of them in the middle and gone on with, %d ended by their guardian, %d records", times, interrupted, inTheMiddle, relieved, records)
}

// whole checks a record, and that it has every point once.
func whole(t *testing.T, dir string) {
	t.Helper()
	checked, err := record.Check(dir)
	if err != nil || !checked.Whole || checked.InUse {
		t.Errorf("%s: %+v %v", filepath.Base(dir), checked, err)
		return
	}
	rec, err := record.Open(dir)
	if err != nil {
		t.Error(err)
		return
	}
	if rec.Finished && rec.Reason == "" && len(rec.Rows) != 16 {
		t.Errorf("%s has %d points", filepath.Base(dir), len(rec.Rows))
	}
	for i, p := range rec.Rows {
		if p.Number != i+1 {
			t.Errorf("%s: point %d stands at place %d", filepath.Base(dir), p.Number, i+1)
		}
	}
}

// A disk without room: what cannot be kept is refused, what was accepted is there after a kill, a run ends with its outputs off, and the daemon goes on
// answering. The limit on the size of files stands for the disk, since both are errors of a write (POSIX: EFBIG, ENOSPC).
func TestDaemonWithoutRoom(t *testing.T) {
	if os.Getenv("FOURWIRE_LONG") == "" {
		t.Skip("waits for time-outs of the store; with FOURWIRE_LONG=1")
	}
	_, dir := simulatedDaemon(t, "buoy", "--state", t.TempDir())
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	bench := filepath.Join(dir, "bench.yaml")
	d := startCommand(t, exec.Command("sh", "-c", `ulimit -f 300; exec "$0" "$@"`, self, "serve", "--bench", bench, "--records", filepath.Join(dir, "full"), "--listen", "127.0.0.1:0", "--json"))
	running := d.submit(api.Submission{Sequence: "efficiency.yaml"})
	j := d.until(running, over)
	if j.State != api.Failed || *j.Exit != exitBench || !strings.Contains(j.Reason, "no room") {
		t.Errorf("the run: %+v", j)
	}
	cut := filepath.Join(dir, "full", j.Record)
	checked, err := record.Check(cut)
	if err != nil || !checked.Whole || checked.InUse {
		t.Errorf("the record of what broke off: %+v %v", checked, err)
	}
	kept, err := record.Open(cut)
	if err != nil || len(kept.Rows) == 0 || kept.Reason == "" {
		t.Errorf("it has %d points, and says %q; %v", len(kept.Rows), kept.Reason, err)
	}
	later := api.Submission{Sequence: "efficiency.yaml", At: time.Now().Add(time.Hour)}
	body, err := json.Marshal(later)
	if err != nil {
		t.Fatal(err)
	}
	accepted := 0
	for {
		answer, err := http.Post(d.url+"/api/jobs", "application/json", bytes.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		answer.Body.Close()
		if answer.StatusCode == http.StatusInsufficientStorage {
			break
		}
		if answer.StatusCode != http.StatusCreated || accepted > 1000 {
			t.Fatalf("%d after %d", answer.StatusCode, accepted)
		}
		accepted++
	}
	var report api.OffReport
	d.ask("POST", "/api/outputs-off", nil, &report, http.StatusOK)
	d.ask("GET", "/api/health", nil, nil, http.StatusOK)
	d.kill()
	d = startCommand(t, command(t, "serve", "--bench", bench, "--records", filepath.Join(dir, "full"), "--listen", "127.0.0.1:0", "--json"))
	var b api.Bench
	d.ask("GET", "/api/bench", nil, &b, http.StatusOK)
	if b.Queue.Scheduled != accepted {
		t.Errorf("%d jobs were accepted, %d are there", accepted, b.Queue.Scheduled)
	}
	if again := d.job(running); again.State != api.Failed {
		t.Errorf("the run that failed is %s now", again.State)
	}
	var on api.Job
	d.ask("POST", "/api/jobs/"+running+"/resume", nil, &on, http.StatusCreated) // there is room now
	if on = d.until(on.ID, over); on.State != api.Done || on.Record != j.Record {
		t.Errorf("it did not go on: %+v", on)
	}
	t.Logf("%d jobs accepted before the store was full; the run broke off after %d points and went on to its end", accepted, len(kept.Rows))
}
