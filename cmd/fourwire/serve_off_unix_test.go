//go:build unix

package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"net/http"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"fourwire/daemon/api"
)

// watch reads the events of a daemon until one is as wanted.
func (d *daemonProcess) watch(after string, wanted func(api.Event) bool) []api.Event {
	d.t.Helper()
	r, err := http.NewRequestWithContext(d.t.Context(), "GET", d.url+"/api/events", nil)
	if err != nil {
		d.t.Fatal(err)
	}
	r.Header.Set("Last-Event-ID", after)
	answer, err := http.DefaultClient.Do(r)
	if err != nil {
		d.t.Fatal(err)
	}
	defer answer.Body.Close()
	var seen []api.Event
	lines := bufio.NewScanner(answer.Body)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		data, ok := bytes.CutPrefix(lines.Bytes(), []byte("data: "))
		if !ok {
			continue
		}
		var e api.Event
		if err := json.Unmarshal(data, &e); err != nil {
			d.t.Fatal(err)
		}
		seen = append(seen, e)
		if wanted(e) {
			return seen
		}
	}
	d.t.Fatalf("the events ended: %v\n%s", lines.Err(), d.log)
	return nil
}

// The control "outputs off" works while a job runs: the run is stopped, everything is verified to be off, the report says so, and nothing else starts
// until the bench is armed again.
func TestOutputsOffWhileRunning(t *testing.T) {
	events := filepath.Join(t.TempDir(), "events.jsonl")
	dir := buoyOverSockets(t, "--pace", "5", "--events", events)
	d := startDaemon(t, filepath.Join(dir, "lan.yaml"), "--armed")
	var before api.Bench
	d.ask("GET", "/api/bench", nil, &before, http.StatusOK)
	long := api.Submission{Sequence: "efficiency.yaml", NoHookup: true}
	running, waiting := d.submit(long), d.submit(long)
	points := 0
	seen := d.watch("none", func(e api.Event) bool {
		if e.Kind == "point" && e.Job == running {
			points++
		}
		return points == 3
	})
	if seen[0].Kind != "reset" {
		t.Errorf("who comes from another life is not told to load everything anew: %+v", seen[0])
	}
	var during api.Bench
	d.ask("GET", "/api/bench", nil, &during, http.StatusOK)
	var feed api.Instrument
	for _, in := range during.Instruments {
		if in.Name == "feed-psu" {
			feed = in
		}
	}
	if during.Outputs != "on" || feed.Job != running || len(feed.Outputs) != 1 || !feed.Outputs[0].On || !strings.Contains(feed.Outputs[0].Text, "9 V") {
		t.Errorf("the bench at a glance: outputs %s, %+v", during.Outputs, feed)
	}
	if on := switches(t, events); !on["feed-psu.1"] || !on["sink.1"] {
		t.Fatalf("nothing is on: %v", on)
	}
	var report api.OffReport
	d.ask("POST", "/api/outputs-off", nil, &report, http.StatusOK)
	mustBeOff(t, events, "when the answer came")
	if !report.Safe || report.By != "local" || len(report.Stopped) != 1 || report.Stopped[0] != running || len(report.Off) != 2 || !report.Off[0].Off || !report.Off[1].Off {
		t.Errorf("the report: %+v", report)
	}
	if len(report.Nodes) != 2 || !report.Nodes[0].Discharged || report.Nodes[0].Volts == nil {
		t.Errorf("the nodes: %+v", report.Nodes)
	}
	if !strings.HasPrefix(report.Text, "the run asks for it: outputs off was asked for by local") {
		t.Errorf("the report says %q", report.Text)
	}
	t.Logf("off and verified after %.3f s: %s", report.Seconds, report.Text)
	j := d.until(running, over)
	if j.State != api.Cancelled || j.Points < 3 || !j.Resumable {
		t.Errorf("the job that ran: %+v", j)
	}
	if w := d.job(waiting); w.State != api.Queued || !strings.Contains(w.Waits, "switched off by local") {
		t.Errorf("the one behind it: %+v", w)
	}
	d.watch(seen[len(seen)-1].ID, func(e api.Event) bool { return e.Kind == "off" && e.Off.Safe }) // whoever comes back is told what was missed
	var after api.Bench
	d.ask("GET", "/api/bench", nil, &after, http.StatusOK)
	if after.Armed || after.Outputs != "off" || after.LastOff == nil || after.Held == "" {
		t.Errorf("afterwards: %+v", after)
	}
	d.ask("DELETE", "/api/jobs/"+waiting, nil, nil, http.StatusOK)
	var again api.Bench
	d.ask("POST", "/api/arm", api.Arming{Armed: true, For: "1 h"}, &again, http.StatusOK)
	if !again.Armed || again.Held != "" || time.Until(again.ArmedUntil) > time.Hour {
		t.Errorf("armed again: %+v", again)
	}
}

// A daemon that is asked to stop stops what runs in order; the job can go on afterwards, in the same record.
func TestDaemonStopsInOrder(t *testing.T) {
	t.Parallel()
	events := filepath.Join(t.TempDir(), "events.jsonl")
	dir := buoyOverSockets(t, "--pace", "5", "--events", events)
	lan := filepath.Join(dir, "lan.yaml")
	d := startDaemon(t, lan, "--armed")
	id := d.submit(shortSweep)
	d.watch("none", func(e api.Event) bool { return e.Kind == "point" })
	if err := d.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := d.cmd.Wait(); err != nil {
		t.Errorf("it ended with %v\n%s", err, d.log)
	}
	mustBeOff(t, events, "after the daemon has ended")
	d = startDaemon(t, lan, "--armed")
	j := d.job(id)
	if j.State != api.Interrupted || !j.Resumable || j.Reason != "the daemon was shut down" {
		t.Fatalf("%+v", j)
	}
	var on api.Job
	d.ask("POST", "/api/jobs/"+id+"/resume", nil, &on, http.StatusCreated)
	d.ask("POST", "/api/jobs/"+id+"/resume", nil, nil, http.StatusConflict)
	if j = d.until(on.ID, over); j.State != api.Done {
		t.Fatalf("%+v", j)
	}
	var points api.Points
	d.ask("GET", "/api/records/"+j.Record+"/points", nil, &points, http.StatusOK)
	if len(points.Points) != 16 || !points.Finished {
		t.Errorf("%d points, finished %v", len(points.Points), points.Finished)
	}
	whole(t, filepath.Join(dir, "records", j.Record))
}
