//go:build unix

package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"testing"
	"time"

	"fourwire/driver/guardian"
	"fourwire/driver/model"
	"fourwire/record"
)

// coverage reads what the record says of the ends that are covered.
func (r *guardedRun) coverage() (c guardian.Coverage) {
	r.t.Helper()
	rec, err := record.Open(r.record)
	if err != nil {
		r.t.Fatal(err)
	}
	for _, e := range rec.Log {
		if e.Kind == "coverage" {
			data, err := json.Marshal(e.Fields)
			if err != nil || json.Unmarshal(data, &c) != nil {
				r.t.Fatalf("the coverage cannot be read: %v", e.Fields)
			}
		}
	}
	return c
}

// With an interrupt to the whole process group, as a terminal sends it, the run ends by itself; the guardian neither dies nor acts.
func TestInterruptIsTheRunsOwnBusiness(t *testing.T) {
	t.Parallel()
	ends(t, 1)
	g := newGuarded(t, guardedSetup{})
	r := g.start("efficiency.yaml", nil)
	if !r.flowing() {
		t.Fatal(errEarly)
	}
	at := time.Now()
	if err := syscall.Kill(-r.cmd.Process.Pid, syscall.SIGINT); err != nil {
		t.Fatal(err)
	}
	if status := r.wait(); status != exitInterrupted {
		t.Errorf("exit status %d, want %d", status, exitInterrupted)
	}
	if a := r.settled(at); a.wrong != nil {
		t.Error(a.wrong)
	}
	if strings.Contains(r.stderr.String(), "guardian:") || r.told("guardian", "") {
		t.Errorf("the guardian has acted:\n%s", r.stderr.String())
	}
	c := r.coverage()
	for _, e := range []string{guardian.NormalEnd, guardian.EndByError, guardian.Interrupted, guardian.Killed, guardian.Hung} {
		if !c.Covered(e) {
			t.Errorf("%q is not covered", e)
		}
	}
	if c.Covered(guardian.ComputerFails) || c.Covered(guardian.CablePulled) || !strings.Contains(strings.Join(strings.Fields(r.stderr.String()), " "), "NOT COVERED: computer fails, cable pulled") {
		t.Errorf("no instrument has a watchdog, but: %+v\n%s", c, r.stderr.String())
	}
}

// fill fills a pipe to its last byte.
func fill(fd int) (bytesWritten int, err error) {
	defer func() { err = errors.Join(err, syscall.SetNonblock(fd, false)) }() // it holds for all who write into this pipe
	if err := syscall.SetNonblock(fd, true); err != nil {
		return 0, err
	}
	for junk := bytes.Repeat([]byte{'.'}, 1024); len(junk) > 0; {
		n, err := syscall.Write(fd, junk)
		bytesWritten += max(n, 0)
		switch {
		case errors.Is(err, syscall.EAGAIN):
			junk = junk[:len(junk)/2]
		case err != nil:
			return bytesWritten, err
		}
	}
	return bytesWritten, nil
}

// A run that hangs in a step still has a goroutine that could beat; it must not. Here nobody reads what it prints.
func TestHungRunsAreRelieved(t *testing.T) {
	ends(t, 1)
	g := newGuarded(t, guardedSetup{})
	read, write, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	defer read.Close()
	r := g.start("notes.yaml", write)
	if !r.flowing() {
		t.Fatal(errEarly)
	}
	full, err := fill(int(write.Fd()))
	if err != nil {
		t.Fatal(err)
	}
	_ = write.Close()
	at := time.Now()
	a := r.settled(at)
	if a.wrong != nil {
		t.Error(a.wrong)
	}
	if limit := guardian.Slack + 2*time.Second; a.worst > limit {
		t.Errorf("off %v after the pipe was full, want less than %v", a.worst, limit)
	}
	t.Logf("off %v after the pipe of %d bytes was full", a.worst.Round(time.Millisecond), full)
	select {
	case <-r.over:
		t.Error("the run has ended although nobody reads: it did not hang")
	default:
	}
	go func() { _, _ = io.Copy(io.Discard, read) }()
	if status := r.wait(); status != exitSafety {
		t.Errorf("exit status %d, want %d", status, exitSafety)
	}
	if wrong := r.quiet(); wrong != nil || !r.told("guardian", "no beat for") {
		t.Errorf("%v", wrong)
	}
}

// Where an instrument takes one connection, the guardian has it as soon as the run is gone, and ends a run that stands still to get it.
func TestOneConnectionIsTakenOver(t *testing.T) {
	ends(t, 1)
	single := guardedSetup{
		scenario: func(text string) string {
			text = strings.Replace(text, "    kind: source\n", "    kind: source\n    quirks: {one_connection: yes}\n", 1)
			return strings.Replace(text, "    kind: load\n", "    kind: load\n    quirks: {one_connection: yes}\n", 1)
		},
	}
	stated := single
	stated.bench = func(text string) string {
		text = strings.Replace(text, `55025"`, `55025?single=yes"`, 1)
		return strings.Replace(text, `55026"`, `55026?single=yes"`, 1)
	}
	for _, c := range []struct {
		name   string
		setup  guardedSetup
		signal syscall.Signal
		limit  time.Duration
	}{
		{"killed, the bench says so", stated, syscall.SIGKILL, 500 * time.Millisecond},
		{"killed, nobody has said so", single, syscall.SIGKILL, 500 * time.Millisecond},
		{"stopped, the bench says so", stated, syscall.SIGSTOP, 500 * time.Millisecond},
		{"stopped, nobody has said so", single, syscall.SIGSTOP, 500 * time.Millisecond},
	} {
		t.Run(c.name, func(t *testing.T) {
			late := measureLag()
			defer close(late.stop)
			g := newGuarded(t, c.setup)
			r := g.start("efficiency.yaml", nil)
			if !r.flowing() {
				t.Fatalf("%v\n%s", errEarly, r.stderr.String())
			}
			time.Sleep(200 * time.Millisecond)
			at := time.Now()
			if err := syscall.Kill(r.cmd.Process.Pid, c.signal); err != nil {
				t.Fatal(err)
			}
			r.wait() // a stopped one, too: it is ended
			a := r.settled(at)
			if a.wrong = append(a.wrong, r.quiet()...); a.wrong != nil {
				t.Error(a.wrong)
			}
			if a.swapped && late.most() < 75*time.Millisecond {
				t.Error("the source went off before the load")
			}
			if a.worst > c.limit+5*late.most() {
				t.Errorf("off after %v", a.worst)
			}
			t.Logf("off after %v", a.worst.Round(100*time.Microsecond))
			if r.told("guardian", "is ended") != (c.signal == syscall.SIGSTOP) {
				t.Errorf("whether the run was ended:\n%s", r.stderr.String())
			}
		})
	}
}

// watchdogModel is the library's source with the words for the simulated watchdog.
func watchdogModel(t *testing.T) string {
	t.Helper()
	text, ok := model.FromLibrary("dc-source")
	if !ok {
		t.Fatal("the library has no dc-source")
	}
	return strings.Replace(string(text), "    abort: \":ABOR\"\n", `    abort: ":ABOR"
    arm watchdog: [":SYST:WATC:TIM {seconds}", ":SYST:WATC:STAT ON"]
    disarm watchdog: ":SYST:WATC:STAT OFF"
`, 1)
}

// When the computer fails nothing of it runs any more, neither run nor guardian: the watchdog of the source alone switches off.
func TestWatchdogCoversAFailingComputer(t *testing.T) {
	ends(t, 1)
	g := newGuarded(t, guardedSetup{
		pace: "1",
		scenario: func(text string) string {
			return strings.Replace(text, "    kind: source\n", "    kind: source\n    watchdog: yes\n", 1)
		},
		bench: func(text string) string {
			return strings.Replace(text, "model: dc-source", "model: ./watched.model.yaml", 1)
		},
		files: map[string]string{"watched.model.yaml": watchdogModel(t)},
	})
	armed := func() string {
		t.Helper()
		bench, err := os.ReadFile(g.bench)
		if err != nil {
			t.Fatal(err)
		}
		_, address, _ := strings.Cut(string(bench), `watched.model.yaml, address: "`)
		address, _, _ = strings.Cut(address, `"`)
		out, err := self("ask", address, "SYST:WATC:STAT?").Output()
		if err != nil {
			t.Fatal(err)
		}
		return strings.TrimSpace(string(out))
	}
	short := []string{"--set", "vin=12 V", "--set", "iout=[0.5 A, 1 A]"}
	r := g.start("efficiency.yaml", nil, short...)
	if status := r.wait(); status != exitPass || armed() != "0" {
		t.Errorf("an undisturbed run: exit status %d, and afterwards the watchdog is %s\n%s", status, armed(), r.stderr.String())
	}
	c := r.coverage()
	if c.Covered(guardian.CablePulled) || !strings.Contains(c.Ends[len(c.Ends)-1].How, "the watchdogs of feed-psu alone") {
		t.Errorf("the load has no watchdog: %+v", c)
	}

	r = g.start("efficiency.yaml", nil)
	if !r.flowing() {
		t.Fatalf("%v\n%s", errEarly, r.stderr.String())
	}
	time.Sleep(guardian.WatchdogAfter + time.Second) // longer than it waits: it is fed
	if state := armed(); state != "1" || !on(r.log()[r.from:], "feed-psu") {
		t.Fatalf("the watchdog is %s, and the source is on: %v", state, on(r.log()[r.from:], "feed-psu"))
	}
	keeper := r.guardian()
	at := time.Now()
	for _, pid := range []int{keeper, r.cmd.Process.Pid} {
		if err := syscall.Kill(pid, syscall.SIGKILL); err != nil {
			t.Fatal(err)
		}
	}
	r.wait()
	for range 600 {
		if !on(r.log()[r.from:], "feed-psu") {
			break
		}
		time.Sleep(10 * time.Millisecond)
	}
	tripped := false
	for _, e := range r.log()[r.from:] {
		if e.Kind == "tripped" && e.Text == "watchdog" {
			tripped = true
			t.Logf("the watchdog acted %v after everything was gone", e.Wall.Sub(at).Round(time.Millisecond))
		}
	}
	if !tripped || on(r.log()[r.from:], "feed-psu") {
		t.Error("the source is still on")
	}
}

// Without confirmation nothing goes on, and the question says which ends are covered.
func TestConfirmationSaysWhatIsCovered(t *testing.T) {
	t.Parallel()
	ends(t, 1)
	g := newGuarded(t, guardedSetup{})
	cmd := self("run", g.dir+"/efficiency.yaml", "--bench", g.bench, "--out", g.dir+"/refused")
	cmd.Stdin = strings.NewReader("n\n")
	out, err := cmd.CombinedOutput()
	var exit *exec.ExitError
	if !errors.As(err, &exit) || exit.ExitCode() != exitBench {
		t.Errorf("%v", err)
	}
	for _, want := range []string{"killed          covered", "cable pulled    NOT COVERED  no instrument here has a watchdog", "not confirmed"} {
		if !strings.Contains(string(out), want) {
			t.Errorf("%q is not said:\n%s", want, out)
		}
	}
	if on(g.log(), "feed-psu") || strings.Contains(string(out), "guardian:") {
		t.Errorf("something happened:\n%s", out)
	}
}
