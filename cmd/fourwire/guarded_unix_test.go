//go:build unix

package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"fourwire/record"
)

// guarded is a simulated bench in a process of its own, on which runs are ended in every way there is. Its event log is the proof of what
// happened when.
type guarded struct {
	t      testing.TB
	dir    string
	bench  string // file with the real addresses
	events string
	runs   int
}

// guardedSetup changes the bench of the example.
type guardedSetup struct {
	pace     string                   // "" is 10
	scenario func(text string) string // the truth
	bench    func(text string) string // what the engineer believes
	files    map[string]string        // beside the bench
}

// self starts this program, as it is in the test binary.
func self(args ...string) *exec.Cmd {
	exe, err := os.Executable()
	if err != nil {
		panic(err)
	}
	return &exec.Cmd{Path: exe, Args: append([]string{"fourwire"}, args...)}
}

func newGuarded(t testing.TB, o guardedSetup) *guarded {
	t.Helper()
	g := &guarded{t: t, dir: t.TempDir()}
	if o.pace == "" {
		o.pace = "10"
	}
	write := func(name, text string) string {
		path := filepath.Join(g.dir, name)
		if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
		return path
	}
	example := func(name string) string {
		text, err := os.ReadFile(filepath.Join("..", "..", "examples", "buoy", name))
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	through := func(change func(string) string, text string) string {
		if change == nil {
			return text
		}
		return change(text)
	}
	for name, text := range o.files {
		write(name, text)
	}
	write("buoy.scenario.yaml", through(o.scenario, example("buoy.scenario.yaml")))
	address := regexp.MustCompile(`address: "[^"]*"`)
	text := through(o.bench, example("bench-lan.yaml"))
	served := write("served.yaml", address.ReplaceAllString(text, `address: "tcp://127.0.0.1:0"`))
	g.events = filepath.Join(g.dir, "events.jsonl")

	sim := self("sim", served, "--json", "--pace", o.pace, "--events", g.events)
	sim.Stderr = os.Stderr
	out, err := sim.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := sim.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = sim.Process.Signal(os.Interrupt); _ = sim.Wait() })
	var endpoints []struct{ Instrument, Address string }
	if err := json.NewDecoder(out).Decode(&endpoints); err != nil {
		t.Fatalf("the simulator does not say what it serves: %v", err)
	}
	options := regexp.MustCompile(`\?[^"]*`)
	for _, e := range endpoints {
		line := regexp.MustCompile(`(?m)^  ` + e.Instrument + `:.*$`)
		text = line.ReplaceAllStringFunc(text, func(l string) string {
			keep := options.FindString(address.FindString(l))
			if strings.Contains(l, "serial:") {
				keep = ""
			}
			return address.ReplaceAllString(l, fmt.Sprintf(`address: "%s%s"`, e.Address, keep))
		})
	}
	g.bench = write("bench.yaml", text)
	write("efficiency.yaml", example("efficiency.yaml"))
	write("notes.yaml", strings.Replace(example("efficiency.yaml"), "          - {load: sink, hold: iout}\n", "          - {load: sink, hold: iout}\n          - note: a new load, which is said at some length so that whoever does not read it holds the run up before long\n", 1))
	return g
}

// guardedRun is one run on a guarded bench.
type guardedRun struct {
	*guarded
	cmd    *exec.Cmd
	record string
	from   int // events before it
	over   chan struct{}
	stderr bytes.Buffer
}

// start starts a run in a process group of its own, as a shell does.
func (g *guarded) start(sequence string, stderr *os.File, more ...string) *guardedRun {
	g.t.Helper()
	g.runs++
	r := &guardedRun{guarded: g, record: filepath.Join(g.dir, fmt.Sprintf("record-%d", g.runs)), over: make(chan struct{}), from: len(g.log())}
	r.cmd = self(append([]string{"run", filepath.Join(g.dir, sequence), "--bench", g.bench, "--yes", "--out", r.record}, more...)...)
	r.cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	r.cmd.Stderr = &r.stderr
	if stderr != nil {
		r.cmd.Stderr = stderr
	}
	if err := r.cmd.Start(); err != nil {
		g.t.Fatal(err)
	}
	go func() { _ = r.cmd.Wait(); close(r.over) }()
	return r
}

// wait waits for the run and, where its output is read, for its guardian.
func (r *guardedRun) wait() int {
	r.t.Helper()
	select {
	case <-r.over:
	case <-time.After(60 * time.Second):
		_ = r.cmd.Process.Kill()
		r.t.Fatalf("the run does not end:\n%s", r.stderr.String())
	}
	return r.cmd.ProcessState.ExitCode()
}

func (g *guarded) log() []simEvent {
	g.t.Helper()
	data, err := os.ReadFile(g.events)
	if err != nil {
		g.t.Fatal(err)
	}
	var all []simEvent
	lines := bufio.NewScanner(bytes.NewReader(data))
	for lines.Scan() {
		var e simEvent
		if json.Unmarshal(lines.Bytes(), &e) == nil { // the last line may be under way
			all = append(all, e)
		}
	}
	return all
}

// on tells whether an instrument was on after so many of its run's events.
func on(events []simEvent, instrument string) bool {
	is := false
	for _, e := range events {
		if e.Instrument == instrument && e.Kind == "switched" {
			is = e.Text == "on"
		}
	}
	return is
}

// flowing waits until current flows; false where the run has ended before.
func (r *guardedRun) flowing() bool {
	r.t.Helper()
	for range 6000 {
		if on(r.log()[r.from:], "sink") {
			return true
		}
		select {
		case <-r.over:
			return false
		case <-time.After(10 * time.Millisecond):
		}
	}
	r.t.Fatal("no current flows")
	return false
}

// guardian is the process number of the run's guardian.
func (r *guardedRun) guardian() int {
	r.t.Helper()
	out, err := exec.Command("ps", "-A", "-o", "pid=", "-o", "ppid=", "-o", "args=").Output()
	if err != nil {
		r.t.Skipf("ps cannot be run: %v", err)
	}
	for line := range strings.Lines(string(out)) {
		var pid, parent int
		if n, _ := fmt.Sscan(line, &pid, &parent); n == 2 && parent == r.cmd.Process.Pid && strings.Contains(line, "guardian") {
			return pid
		}
	}
	r.t.Fatal("the run has no guardian")
	return 0
}

// after is what became of the outputs after a moment.
type after struct {
	worst time.Duration // until the last output was off
	wrong []string
	// swapped says that the source went off before the load. A load that does not answer keeps the source on for a moment only, so that this
	// happens where the machine stands still for longer than that moment.
	swapped bool
}

// settled waits until everything is off, and looks how it went off.
func (r *guardedRun) settled(at time.Time) (a after) {
	r.t.Helper()
	var events []simEvent
	for range 600 {
		if events = r.log()[r.from:]; !on(events, "sink") && !on(events, "feed-psu") {
			break
		}
		time.Sleep(10 * time.Millisecond)
	}
	last := map[string]int{"sink": -1, "feed-psu": -1}
	for i, e := range events {
		if _, ours := last[e.Instrument]; ours && e.Kind == "switched" && e.Wall.After(at) {
			last[e.Instrument] = i
		}
	}
	for name, i := range last {
		if on(events, name) {
			a.wrong = append(a.wrong, name+" is still on")
		} else if i >= 0 {
			a.worst = max(a.worst, events[i].Wall.Sub(at))
		}
	}
	if last["sink"] >= 0 && last["feed-psu"] >= 0 && last["sink"] > last["feed-psu"] {
		a.swapped = true
	}
	return a
}

// quiet looks that nothing is on, or went on again.
func (r *guardedRun) quiet() (wrong []string) {
	events := r.log()[r.from:]
	off := 0
	for i, e := range events {
		if e.Kind == "switched" && e.Text == "off" {
			off = i
		}
	}
	for _, e := range events[off:] {
		if e.Kind == "switched" && e.Text == "on" {
			wrong = append(wrong, e.Instrument+" went on again")
		}
	}
	return wrong
}

// readable looks that the record can be read, with every point that was there at the moment.
func (r *guardedRun) readable(points []byte) (wrong []string) {
	rec, err := record.Open(r.record)
	if err != nil {
		return []string{err.Error()}
	}
	now, err := os.ReadFile(filepath.Join(r.record, record.PointsFile))
	if err != nil || !bytes.HasPrefix(now, points) {
		wrong = append(wrong, fmt.Sprintf("points were lost or changed: %v", err))
	}
	if whole := bytes.Count(points, []byte("\n")) - 1; len(rec.Rows) < whole {
		wrong = append(wrong, fmt.Sprintf("%d points are read, there were %d", len(rec.Rows), whole))
	}
	for i, p := range rec.Rows {
		if p.Number != i+1 {
			wrong = append(wrong, fmt.Sprintf("point %d stands in row %d", p.Number, i+1))
			break
		}
	}
	return wrong
}

// told looks for a kind of event in the record's log.
func (r *guardedRun) told(kind, text string) bool {
	rec, err := record.Open(r.record)
	return err == nil && slices.ContainsFunc(rec.Log, func(e record.Event) bool { return e.Kind == kind && strings.Contains(e.Text, text) })
}

// lag measures how late this machine wakes a process up: where it is busy with other work, no guardian can be faster than that.
type lag struct {
	mu    sync.Mutex
	worst time.Duration
	stop  chan struct{}
}

func measureLag() *lag {
	l := &lag{stop: make(chan struct{})}
	go func() {
		for {
			begun := time.Now()
			select {
			case <-l.stop:
				return
			case <-time.After(time.Millisecond):
			}
			l.mu.Lock()
			l.worst = max(l.worst, time.Since(begun)-time.Millisecond)
			l.mu.Unlock()
		}
	}()
	return l
}

func (l *lag) most() time.Duration {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.worst
}

// outcome is one ended run.
type outcome struct {
	after
	lag time.Duration
}

// many ends runs at random moments, some at a time, and collects how they ended.
func many(t *testing.T, times, workers int, one func(g *guarded, random *rand.Rand) (outcome, bool)) []outcome {
	t.Helper()
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	left := make(chan int, times)
	for i := range times {
		left <- i
	}
	close(left)
	var mu sync.Mutex
	var all []outcome
	early := 0
	var running sync.WaitGroup
	for range workers {
		g := newGuarded(t, guardedSetup{})
		running.Go(func() {
			for i := range left {
				random := rand.New(rand.NewPCG(seed, uint64(i)))
				for range 5 {
					o, ok := one(g, random)
					mu.Lock()
					if ok {
						all = append(all, o)
					} else {
						early++ // it had ended before its moment came
					}
					mu.Unlock()
					if ok {
						break
					}
				}
			}
		})
	}
	running.Wait()
	if len(all) < times || t.Failed() {
		t.Fatalf("%d of %d runs came to their moment", len(all), times)
	}
	slices.SortFunc(all, func(a, b outcome) int { return int(a.worst - b.worst) })
	at := func(part float64) time.Duration {
		return all[min(len(all)-1, int(part*float64(len(all))))].worst.Round(100 * time.Microsecond)
	}
	most := time.Duration(0)
	for _, o := range all {
		most = max(most, o.lag)
		for _, w := range o.wrong {
			t.Error(w)
		}
		if o.swapped && o.lag < 75*time.Millisecond {
			t.Errorf("the source went off before the load; the machine was late by %v only", o.lag)
		}
		if limit := 500*time.Millisecond + 5*o.lag; o.worst > limit {
			t.Errorf("off after %v; the machine was late by %v itself", o.worst, o.lag)
		}
	}
	t.Logf("%d runs (%d ended before their moment): off after median %v, p99 %v, max %v; the machine itself was late by up to %v",
		len(all), early, at(0.5), at(0.99), at(1), most.Round(100*time.Microsecond))
	return all
}

// ends is how often runs are ended in a test: a few times, or as often as FOURWIRE_ENDS says.
func ends(t *testing.T, usual int) int {
	t.Helper()
	if testing.Short() {
		t.Skip("real processes and sockets")
	}
	n := usual
	if text := os.Getenv("FOURWIRE_ENDS"); text != "" {
		if _, err := fmt.Sscan(text, &n); err != nil {
			t.Fatal(err)
		}
	}
	return n
}

var errEarly = errors.New("the run ended before its moment")

// moment starts a run, lets current flow, waits for a random moment and ends the run with a signal.
func moment(g *guarded, random *rand.Rand, signal syscall.Signal, whom func(*guardedRun) int) (r *guardedRun, at time.Time, points []byte, err error) {
	r = g.start("efficiency.yaml", nil)
	if !r.flowing() {
		g.t.Logf("ended early:\n%s", r.stderr.String())
		return r, at, nil, errEarly
	}
	target := whom(r)
	time.Sleep(time.Duration(random.Int64N(int64(1200 * time.Millisecond))))
	points, _ = os.ReadFile(filepath.Join(r.record, record.PointsFile))
	at = time.Now()
	if err := syscall.Kill(target, signal); err != nil {
		return r, at, nil, errEarly
	}
	return r, at, points, nil
}

// The user's requirement: whatever kills the run, outputs are off within half a second, the load first, and the record keeps what was measured.
func TestKilledRunsLeaveTheBenchOff(t *testing.T) {
	many(t, ends(t, 12), 2, func(g *guarded, random *rand.Rand) (outcome, bool) {
		late := measureLag()
		defer close(late.stop)
		r, at, points, err := moment(g, random, syscall.SIGKILL, func(r *guardedRun) int { return -r.cmd.Process.Pid }) // its whole process group
		if err != nil {
			r.wait()
			return outcome{}, false
		}
		r.wait()
		o := outcome{after: r.settled(at), lag: late.most()}
		for range 1000 { // the guardian measures the discharge, then it goes
			if r.told("guardian", "has made the bench safe") {
				break
			}
			time.Sleep(10 * time.Millisecond)
		}
		o.wrong = append(o.wrong, r.readable(points)...)
		o.wrong = append(o.wrong, r.quiet()...)
		if !r.told("guardian", "has made the bench safe") || !r.told("guardian", "dut.in: discharged") {
			o.wrong = append(o.wrong, "the record does not say what the guardian did")
		}
		return o, true
	})
}

// A run that stands still is relieved; when it wakes up it ends with status 5 and switches nothing on.
func TestStoppedRunsAreRelieved(t *testing.T) {
	many(t, ends(t, 4), 2, func(g *guarded, random *rand.Rand) (outcome, bool) {
		late := measureLag()
		defer close(late.stop)
		r, at, points, err := moment(g, random, syscall.SIGSTOP, func(r *guardedRun) int { return r.cmd.Process.Pid })
		if err != nil {
			r.wait()
			return outcome{}, false
		}
		o := outcome{after: r.settled(at), lag: late.most()}
		time.Sleep(time.Duration(random.Int64N(int64(300 * time.Millisecond))))
		if err := syscall.Kill(r.cmd.Process.Pid, syscall.SIGCONT); err != nil {
			return outcome{}, false
		}
		if status := r.wait(); status != exitSafety {
			o.wrong = append(o.wrong, fmt.Sprintf("exit status %d, want %d:\n%s", status, exitSafety, r.stderr.String()))
		}
		o.wrong = append(o.wrong, r.readable(points)...)
		o.wrong = append(o.wrong, r.quiet()...)
		return o, true
	})
}

// A run whose guardian is gone stops by itself.
func TestRunsWithoutGuardianStop(t *testing.T) {
	many(t, ends(t, 3), 2, func(g *guarded, random *rand.Rand) (outcome, bool) {
		late := measureLag()
		defer close(late.stop)
		r, at, points, err := moment(g, random, syscall.SIGKILL, (*guardedRun).guardian)
		if err != nil {
			r.wait()
			return outcome{}, false
		}
		status := r.wait()
		o := outcome{after: r.settled(at), lag: late.most()}
		if status != exitSafety {
			o.wrong = append(o.wrong, fmt.Sprintf("exit status %d, want %d:\n%s", status, exitSafety, r.stderr.String()))
		}
		o.wrong = append(o.wrong, r.readable(points)...)
		o.wrong = append(o.wrong, r.quiet()...)
		return o, true
	})
}
