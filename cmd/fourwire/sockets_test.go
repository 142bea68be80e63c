package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"
	"syscall"
	"testing"
	"time"

	"fourwire/record"
)

// command is the program under test as another process.
func command(t *testing.T, args ...string) *exec.Cmd {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	c := exec.Command(self, args...)
	c.Env = append(os.Environ(), asCommand+"=1")
	return c
}

// buoyOverSockets serves the example bench on free ports and a pseudo-terminal in a process of its own, and gives the folder
// with a bench file, lan.yaml, that names the actual addresses.
func buoyOverSockets(t *testing.T, simArgs ...string) string {
	t.Helper()
	return changedBuoyOverSockets(t, func(string) {}, simArgs...)
}

// changedBuoyOverSockets does so with the files of the folder changed before.
func changedBuoyOverSockets(t *testing.T, change func(dir string), simArgs ...string) string {
	t.Helper()
	if runtime.GOOS != "linux" {
		t.Skip("the pseudo-terminal of this test needs Linux")
	}
	dir := t.TempDir()
	if err := os.CopyFS(dir, os.DirFS(filepath.Join("..", "..", "examples", "buoy"))); err != nil {
		t.Fatal(err)
	}
	change(dir)
	lan := filepath.Join(dir, "lan.yaml")
	text, err := os.ReadFile(filepath.Join(dir, "bench-lan.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	free := regexp.MustCompile(`127\.0\.0\.1:\d+`).ReplaceAllString(string(text), "127.0.0.1:0")
	if err := os.WriteFile(lan, []byte(free), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, e := range serveBench(t, lan, simArgs...) {
		if strings.HasPrefix(e.Address, "tcp:") {
			free = strings.Replace(free, "tcp://127.0.0.1:0", e.Address, 1)
		}
	}
	if err := os.WriteFile(lan, []byte(free), 0o644); err != nil {
		t.Fatal(err)
	}
	return dir
}

// serveBench serves a simulated bench in a process of its own until the end of the test, and tells where its instruments are.
func serveBench(t *testing.T, bench string, simArgs ...string) []served {
	t.Helper()
	sim := command(t, append([]string{"sim", bench, "--json"}, simArgs...)...)
	var complaints bytes.Buffer
	sim.Stderr = &complaints
	out, err := sim.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := sim.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = sim.Process.Signal(syscall.SIGTERM)
		if err := sim.Wait(); err != nil {
			t.Errorf("fourwire sim ended with %v\n%s", err, complaints.String())
		}
	})
	var endpoints []served
	if err := json.NewDecoder(bufio.NewReader(out)).Decode(&endpoints); err != nil {
		t.Fatalf("fourwire sim: %v\n%s", err, complaints.String())
	}
	return endpoints
}

// pointsOf runs a sequence and gives its points.
func pointsOf(t *testing.T, dir, out string, args ...string) []record.Point {
	t.Helper()
	c := command(t, append([]string{"run", filepath.Join(dir, "efficiency.yaml"), "--out", filepath.Join(dir, out), "--quiet"}, args...)...)
	if text, err := c.CombinedOutput(); err != nil {
		t.Fatalf("run: %v\n%s", err, text)
	}
	rec, err := record.Open(filepath.Join(dir, out))
	if err != nil {
		t.Fatal(err)
	}
	return rec.Rows
}

// The same sequence over real sockets and a serial line, in real time at a pace, and in process in virtual time, gives the
// same points within the uncertainty that both state.
func TestSocketsAndProcessAgree(t *testing.T) {
	t.Parallel()
	dir := buoyOverSockets(t, "--pace", "max")
	few := []string{"--set", "vin=[9 V, 16 V]", "--set", "iout={from: 50 mA, to: 3 A, points: 5, spacing: log}"}
	remote := pointsOf(t, dir, "remote", append(few, "--bench", filepath.Join(dir, "lan.yaml"), "--yes")...)
	inside := pointsOf(t, dir, "inside", few...)
	if len(remote) != 10 || len(inside) != 10 {
		t.Fatalf("%d points over sockets, %d in process, want 10", len(remote), len(inside))
	}
	for i := range remote {
		for _, name := range []string{"vi", "ii", "vo", "io", "efficiency", "loss"} {
			a, b := remote[i].Cells[name], inside[i].Cells[name]
			// one seed, so one set of instrument errors: what differs is noise, far below U
			if !(math.Abs(a.SI-b.SI) <= a.U+b.U) {
				t.Errorf("point %d, %s: %v over sockets, %v in process, U %v", i+1, name, a.SI, b.SI, a.U)
			}
		}
		if !remote[i].Valid || !remote[i].Settled {
			t.Errorf("point %d over sockets: %s", i+1, remote[i].Why)
		}
	}
}

// Real instruments are not energised without a yes.
func TestAsksBeforeEnergising(t *testing.T) {
	t.Parallel()
	dir := buoyOverSockets(t, "--pace", "max")
	run := func(reply string) (string, int) {
		c := command(t, "run", filepath.Join(dir, "no-load.yaml"), "--bench", filepath.Join(dir, "lan.yaml"), "--out", filepath.Join(dir, "asked-"+strings.TrimSpace(reply)), "--quiet")
		c.Stdin = strings.NewReader(reply)
		text, _ := c.CombinedOutput() // the exit status is looked at below
		return string(text), c.ProcessState.ExitCode()
	}
	text, status := run("no\n")
	if status != exitBench || !strings.Contains(text, "feed-psu") || !strings.Contains(text, "nothing was switched on") {
		t.Errorf("after no: exit %d\n%s", status, text)
	}
	if text, status = run("y\n"); status != exitPass {
		t.Errorf("after yes: exit %d\n%s", status, text)
	}
}

// A wrong instrument stops the run before anything is set.
func TestWrongInstrument(t *testing.T) {
	t.Parallel()
	dir := buoyOverSockets(t, "--pace", "max")
	lan := filepath.Join(dir, "lan.yaml")
	text, err := os.ReadFile(lan)
	if err != nil {
		t.Fatal(err)
	}
	text = bytes.Replace(text, []byte("{model: dc-source,"), []byte(`{model: dc-source, identity: {serial: "NOT-THIS"},`), 1)
	if err := os.WriteFile(lan, text, 0o644); err != nil {
		t.Fatal(err)
	}
	c := command(t, "run", filepath.Join(dir, "no-load.yaml"), "--bench", lan, "--out", filepath.Join(dir, "wrong"), "--yes", "--quiet")
	said, _ := c.CombinedOutput() // the exit status is looked at below
	if c.ProcessState.ExitCode() != exitBench || !bytes.Contains(said, []byte("NOT-THIS")) {
		t.Errorf("exit %d\n%s", c.ProcessState.ExitCode(), said)
	}
	wire, err := os.ReadFile(filepath.Join(dir, "wrong", record.WireFile))
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range strings.Split(string(wire), "\n") {
		if strings.Contains(line, "VOLT") || strings.Contains(line, "OUTP") {
			t.Errorf("something was set: %s", line)
		}
	}
}

func TestAsk(t *testing.T) {
	t.Parallel()
	dir := buoyOverSockets(t, "--pace", "max")
	text, err := os.ReadFile(filepath.Join(dir, "lan.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	address := regexp.MustCompile(`tcp://127\.0\.0\.1:\d+`).FindString(string(text))
	answer, err := command(t, "ask", address, "*IDN?").Output()
	if err != nil || strings.Count(string(answer), ",") != 3 {
		t.Errorf("*IDN? gives %q, %v", answer, err)
	}
	if said, err := command(t, "ask", address, "VOLT 3").CombinedOutput(); err != nil {
		t.Errorf("a command: %v\n%s", err, said)
	}
	if answer, err := command(t, "ask", address, "VOLT?").Output(); err != nil || !strings.HasPrefix(string(answer), "3") && !strings.HasPrefix(string(answer), "+3") {
		t.Errorf("VOLT? gives %q, %v", answer, err)
	}
	var took struct{ LeastSeconds, MedianSeconds, MostSeconds float64 }
	timed, err := command(t, "ask", "--json", "--time", "20", address, "*IDN?").Output()
	if err == nil {
		err = json.Unmarshal(timed, &took)
	}
	if err != nil || !(0 < took.LeastSeconds && took.LeastSeconds <= took.MedianSeconds && took.MedianSeconds <= took.MostSeconds) {
		t.Errorf("20 answers took %+v, %v\n%s", took, err, timed)
	}
	c := command(t, "ask", address, "VOLT 9999")
	if said, _ := c.CombinedOutput(); c.ProcessState.ExitCode() != exitBench || !strings.Contains(string(said), "-222") {
		t.Errorf("a refused command: exit %d\n%s", c.ProcessState.ExitCode(), said)
	}
	serial, err := command(t, "ask", "serial:"+filepath.Join(dir, "dmm-out.pty")+"?backend=plain", "*IDN?").CombinedOutput()
	if err != nil {
		t.Errorf("over the pseudo-terminal: %v\n%s", err, serial)
	}
}

// Ctrl-C in the middle: exit 130, outputs off in order, the points so far kept.
func TestInterrupted(t *testing.T) {
	t.Parallel()
	dir := buoyOverSockets(t)
	c := command(t, "run", filepath.Join(dir, "efficiency.yaml"), "--bench", filepath.Join(dir, "lan.yaml"), "--out", filepath.Join(dir, "cut"), "--yes")
	var progress bytes.Buffer
	c.Stderr = &progress
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	ended := make(chan struct{})
	go func() {
		_ = c.Wait() // the exit status is looked at below
		close(ended)
	}()
	points := filepath.Join(dir, "cut", record.PointsFile)
	for n := 0; n < 5; {
		select {
		case <-ended:
			t.Fatalf("the run ended before it could be interrupted:\n%s", progress.String())
		case <-time.After(5 * time.Millisecond):
		}
		text, _ := os.ReadFile(points) // not there yet is no line yet
		n = bytes.Count(text, []byte("\n"))
	}
	if err := c.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	<-ended
	if c.ProcessState.ExitCode() != exitInterrupted {
		t.Errorf("exit %d, want %d", c.ProcessState.ExitCode(), exitInterrupted)
	}
	rec, err := record.Open(filepath.Join(dir, "cut"))
	if err != nil {
		t.Fatal(err)
	}
	if len(rec.Rows) < 4 || len(rec.Rows) >= 60 || rec.Manifest.Exit != exitInterrupted {
		t.Errorf("%d points, exit %d in the record", len(rec.Rows), rec.Manifest.Exit)
	}
	loadOff, sourceOff := -1, -1
	for i, e := range rec.Log {
		if strings.Contains(e.Text, "sink off") {
			loadOff = i
		}
		if strings.Contains(e.Text, "feed off") {
			sourceOff = i
		}
	}
	if loadOff < 0 || sourceOff < loadOff {
		t.Errorf("load off is event %d, source off event %d", loadOff, sourceOff)
	}
}
