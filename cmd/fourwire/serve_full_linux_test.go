package main

import (
	"bytes"
	"encoding/json"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"fourwire/daemon/api"
	"fourwire/record"
)

// A disk that is really full, of a few megabytes: nothing that was answered is lost, what cannot be kept is refused, the record of what ran is whole, and once
// there is room the daemon goes on, without being started anew.
func TestDaemonOnAFullDisk(t *testing.T) {
	if os.Getenv("FOURWIRE_LONG") == "" {
		t.Skip("waits for time-outs of the store; with FOURWIRE_LONG=1")
	}
	_, dir := simulatedDaemon(t, "buoy", "--state", t.TempDir())
	disk := filepath.Join(dir, "disk")
	if err := os.Mkdir(disk, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := syscall.Mount("none", disk, "tmpfs", 0, "size=12m"); err != nil {
		t.Skipf("a disk of its own needs rights that this process has not: %v", err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(disk, syscall.MNT_DETACH); err != nil {
			t.Error(err)
		}
	})
	bench := filepath.Join(dir, "bench.yaml")
	start := func() *daemonProcess {
		return startCommand(t, command(t, "serve", "--bench", bench, "--records", filepath.Join(disk, "records"), "--listen", "127.0.0.1:0", "--json"))
	}
	d := start()
	before := d.until(d.submit(shortSweep), over)
	if before.State != api.Done {
		t.Fatalf("with room: %+v", before)
	}
	running := d.submit(api.Submission{Sequence: "efficiency.yaml"})
	d.watch("none", func(e api.Event) bool { return e.Kind == "point" && e.Job == running })
	filler, err := os.Create(filepath.Join(disk, "filler"))
	if err != nil {
		t.Fatal(err)
	}
	for block := make([]byte, 4096); err == nil; {
		_, err = filler.Write(block)
	}
	filler.Close()
	j := d.until(running, over)
	t.Logf("the run that was under way: %s after %d points: %s", j.State, j.Points, j.Reason)
	later, err := json.Marshal(api.Submission{Sequence: "efficiency.yaml", At: time.Now().Add(time.Hour)})
	if err != nil {
		t.Fatal(err)
	}
	accepted, refused := 0, 0
	for n := 0; refused < 3 && n < 200; n++ {
		answer, err := http.Post(d.url+"/api/jobs", "application/json", bytes.NewReader(later))
		if err != nil {
			t.Fatal(err)
		}
		answer.Body.Close()
		switch answer.StatusCode {
		case http.StatusCreated:
			accepted++
		case http.StatusInsufficientStorage:
			refused++
		default:
			t.Fatalf("%d after %d", answer.StatusCode, accepted)
		}
	}
	if refused == 0 {
		t.Errorf("%d jobs were accepted by a full disk", accepted)
	}
	var report api.OffReport
	d.ask("POST", "/api/outputs-off", nil, &report, http.StatusOK)
	d.ask("GET", "/api/health", nil, nil, http.StatusOK)
	for _, job := range []api.Job{before, j} {
		checked, err := record.Check(filepath.Join(disk, "records", job.Record))
		if err != nil || !checked.Whole || checked.InUse {
			t.Errorf("the record of %s: %+v %v", job.State, checked, err)
		}
	}
	if err := os.Remove(filler.Name()); err != nil {
		t.Fatal(err)
	}
	d.ask("POST", "/api/arm", api.Arming{Armed: true}, nil, http.StatusOK)
	for n := 0; ; n++ { // the store looks for room now and then
		answer, err := http.Post(d.url+"/api/jobs", "application/json", bytes.NewReader(later))
		if err != nil {
			t.Fatal(err)
		}
		answer.Body.Close()
		if answer.StatusCode == http.StatusCreated {
			accepted++
			break
		}
		if n == 100 {
			t.Fatalf("there is room, and the daemon still answers %d\n%s", answer.StatusCode, tailOf(d.log.String()))
		}
		pause(t, 200*time.Millisecond)
	}
	if again := d.until(d.submit(shortSweep), over); again.State != api.Done {
		t.Errorf("with room again: %+v", again)
	}
	d.kill()
	d = start()
	var b api.Bench
	d.ask("GET", "/api/bench", nil, &b, http.StatusOK)
	if b.Queue.Scheduled != accepted {
		t.Errorf("%d jobs were accepted, %d are there", accepted, b.Queue.Scheduled)
	}
	t.Logf("%d jobs accepted, %d refused", accepted, refused)
}

func tailOf(text string) string {
	lines := strings.Split(strings.TrimSpace(text), "\n")
	return strings.Join(lines[max(0, len(lines)-8):], "\n")
}
