package e2e

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"fourwire/internal/clock"
	"fourwire/internal/diag"
	"fourwire/sim"
	"fourwire/sim/serve"
)

// program builds the command once, as it is used: without the race detector, which multiplies time and memory.
var program = sync.OnceValues(func() (string, error) {
	path := filepath.Join(os.Getenv(programDir), "fourwire")
	if said, err := exec.Command("go", "build", "-o", path, "fourwire/cmd/fourwire").CombinedOutput(); err != nil {
		return "", errors.New(string(said))
	}
	return path, nil
})

// programDir names the folder that the command is built in, which goes with the tests.
const programDir = "FOURWIRE_E2E_PROGRAM"

func TestMain(m *testing.M) {
	dir, err := os.MkdirTemp("", "fourwire-e2e")
	if err == nil {
		err = os.Setenv(programDir, dir)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	status := m.Run()
	_ = os.RemoveAll(dir)
	os.Exit(status)
}

// done is how a process ended.
type done struct {
	exit     int
	out, err string
	took     time.Duration
	peak     int64 // bytes: the most memory that it had resident, as the kernel counts it (VmHWM)
	lines    []saidLine
}

// saidLine is a line that a process said while it went on.
type saidLine struct {
	text  string
	after time.Duration
}

// saidAt gives when something was said first.
func (d done) saidAt(t testing.TB, what string) time.Duration {
	t.Helper()
	for _, l := range d.lines {
		if strings.Contains(l.text, what) {
			return l.after
		}
	}
	t.Fatalf("nothing was said of %q:\n%s", what, d.err)
	return 0
}

// fourwire runs the command as a process. watch sees each line of its progress; nil: nobody.
func fourwire(t testing.TB, watch func(line string, p *os.Process), args ...string) done {
	t.Helper()
	path, err := program()
	if err != nil {
		t.Fatalf("the command cannot be built: %v", err)
	}
	c := exec.Command(path, args...)
	c.Env = append(os.Environ(), "NO_COLOR=1", "GOMAXPROCS=2")
	var out, said bytes.Buffer
	c.Stdout = &out
	progress, err := c.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	now := clock.Real()
	begun := now.Now()
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	var d done
	for lines := bufio.NewScanner(progress); lines.Scan(); {
		text := lines.Text()
		d.lines = append(d.lines, saidLine{text, now.Since(begun)})
		said.WriteString(text + "\n")
		if watch != nil {
			watch(text, c.Process)
		}
	}
	_ = c.Wait() // the exit status is looked at by whoever called
	d.exit, d.took, d.out, d.err = c.ProcessState.ExitCode(), now.Since(begun), out.String(), said.String()
	if use, ok := c.ProcessState.SysUsage().(*syscall.Rusage); ok {
		d.peak = use.Maxrss * 1024
	}
	return d
}

// unfolded is text of a terminal as one line.
func unfolded(text string) string { return strings.Join(strings.Fields(text), " ") }

// beaconCopy is the folder of the beacon's examples, with the files of it changed.
func beaconCopy(t testing.TB, change map[string]func(string) string) string {
	t.Helper()
	dir := t.TempDir()
	if err := os.CopyFS(dir, os.DirFS(beaconExamples)); err != nil {
		t.Fatal(err)
	}
	for file, f := range change {
		text, err := os.ReadFile(filepath.Join(dir, file))
		if err != nil && !errors.Is(err, os.ErrNotExist) {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, file), []byte(f(string(text))), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// servedBeacon is the beacon's bench on a socket of this process, which knows the truth of it.
type servedBeacon struct {
	bench *sim.Bench
	dir   string // of the examples, with lan.yaml, which names the actual address

	mu            sync.Mutex // guards what follows
	before, after sim.Truth  // as the recording begins, and as it ends
}

// serveBeacon serves unit A of a scenario, as fast as it goes.
func serveBeacon(t testing.TB, dir, scenario string) *servedBeacon {
	t.Helper()
	var found diag.Findings
	scene := sim.Read("beacon.scenario.yaml", []byte(scenario), &found)
	if scene == nil || found.Failed() {
		t.Fatal(found.List())
	}
	b, err := sim.New(scene, sim.Options{})
	if err != nil {
		t.Fatal(err)
	}
	s := &servedBeacon{bench: b, dir: dir}
	ctx, cancel := context.WithCancel(context.Background())
	ready, over := make(chan []serve.Endpoint, 1), make(chan error, 1)
	go func() {
		over <- serve.Serve(ctx, b, serve.Options{Endpoints: []serve.Endpoint{{Instrument: "smu-a", Address: "tcp://127.0.0.1:0"}}, Ready: func(e []serve.Endpoint) { ready <- e }})
	}()
	var beyond string
	select {
	case e := <-ready:
		beyond = strings.TrimPrefix(e[0].Address, "tcp://")
	case err := <-over:
		t.Fatal(err)
	}
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var going sync.WaitGroup
	going.Go(func() {
		for {
			c, err := listener.Accept()
			if err != nil {
				return
			}
			going.Go(func() { s.hand(c, beyond) })
		}
	})
	t.Cleanup(func() {
		cancel()
		if err := <-over; err != nil {
			t.Error(err)
		}
		_ = listener.Close()
		going.Wait()
	})
	lan := "fourwire: bench/1\ntitle: Beacon bench\nambient: 23 degC\ninstruments:\n  smu-a: {model: source-measure-unit, address: \"tcp://" + listener.Addr().String() +
		"\"}\nwiring:\n  - {channel: smu-a, node: node-a.supply, as: source, sense: local, lead: 15 mohm}\nnodes:\n  node-a.supply: {nominal: 3 V, capacitance: 15 uF}\n"
	if err := os.WriteFile(filepath.Join(dir, "lan.yaml"), []byte(lan), 0o644); err != nil {
		t.Fatal(err)
	}
	return s
}

// hand hands messages and answers on, and notes the truth when a recording begins and ends. Between these messages and what they do
// simulated time does not jump: it jumps only while an answer is waited for.
func (s *servedBeacon) hand(c net.Conn, beyond string) {
	defer c.Close()
	real, err := net.Dial("tcp", beyond)
	if err != nil {
		return
	}
	defer real.Close()
	go func() {
		_, _ = io.Copy(c, real)
		_ = c.Close()
	}()
	for in := bufio.NewReader(c); ; {
		line, err := in.ReadBytes('\n')
		if i := bytes.Index(line, []byte(":TRAC:FEED:CONT ")); i >= 0 {
			truth := s.bench.Truth()
			s.mu.Lock()
			if bytes.HasPrefix(line[i:], []byte(":TRAC:FEED:CONT ALW")) {
				s.before = truth
			} else if s.after.Taken == nil {
				s.after = truth
			}
			s.mu.Unlock()
		}
		if _, werr := real.Write(line); err != nil || werr != nil {
			return
		}
	}
}

// taken is what the recording's span has taken out of unit A, by the engine.
func (s *servedBeacon) taken() float64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.after.Taken["smu-a.1"].Coulombs - s.before.Taken["smu-a.1"].Coulombs
}
