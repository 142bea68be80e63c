//go:build unix

package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"

	"fourwire/daemon/api"
)

// natsCluster starts three message servers that form a cluster, as a lab would have them, and gives their addresses.
func natsCluster(t *testing.T) []string {
	t.Helper()
	var routes []*url.URL
	for range 3 {
		free, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		defer free.Close()
		routes = append(routes, &url.URL{Scheme: "nats", Host: free.Addr().String()})
		free.Close() // another may take it before the server does: then the test fails
	}
	var all []*server.Server
	var addresses []string
	for n, r := range routes {
		port := 0
		if _, err := fmt.Sscanf(r.Port(), "%d", &port); err != nil {
			t.Fatal(err)
		}
		s, err := server.NewServer(&server.Options{ServerName: fmt.Sprint("nats-", n+1), Host: "127.0.0.1", Port: -1, NoSigs: true, NoLog: true, JetStream: true, StoreDir: t.TempDir(),
			Cluster: server.ClusterOpts{Name: "lab", Host: "127.0.0.1", Port: port}, Routes: routes, JetStreamMaxMemory: 256 << 20, JetStreamMaxStore: 4 << 30})
		if err != nil {
			t.Fatal(err)
		}
		s.Start()
		t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
		all = append(all, s)
	}
	for _, s := range all {
		if !s.ReadyForConnections(10 * time.Second) {
			t.Fatal("a message server does not get ready")
		}
		addresses = append(addresses, "nats://"+s.Addr().String())
	}
	for !slices.ContainsFunc(all, func(s *server.Server) bool { return s.JetStreamIsLeader() && len(s.JetStreamClusterPeers()) == 3 }) {
		pause(t, 20*time.Millisecond)
	}
	return addresses
}

// benchFolder is the example bench under a name of its own, with a source that is as given.
func benchFolder(t *testing.T, amps, watts string) string {
	t.Helper()
	dir := t.TempDir()
	if err := os.CopyFS(dir, os.DirFS(filepath.Join("..", "..", "examples", "buoy"))); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(filepath.Join("..", "..", "driver", "model", "library", "dc-source.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	weak := strings.NewReplacer("amps: 0..10 A", "amps: 0.."+amps, "watts: 200 W", "watts: "+watts).Replace(string(text))
	put(t, filepath.Join(dir, "weak.model.yaml"), weak)
	bench, err := os.ReadFile(filepath.Join(dir, "bench.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	put(t, filepath.Join(dir, "bench.yaml"), strings.Replace(string(bench), "model: dc-source,", "model: ./weak.model.yaml,", 1))
	return dir
}

func put(t *testing.T, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

// atLoads needs as much current of its source as is given, and measures at several loads.
func atLoads(amps string, loads ...string) api.Submission {
	return api.Submission{Bench: "any", NoHookup: true, Name: "loads.yaml", Text: `fourwire: sequence/1
title: Converter at ` + amps + `
params:
  iout: {about: load current, default: [` + strings.Join(loads, ", ") + `]}
needs:
  feed: {role: source, node: dut.in, volts: 12 V, amps: 0..` + amps + `}
  sink: {role: load, node: dut.out, amps: 0..1 A, at_volts: 4.5 V}
guard:
  dut.in: {volts: ..18 V, amps: ..5 A}
  dut.out: {volts: ..5.6 V, amps: ..3.3 A}
steps:
  - {source: feed, volts: 12 V, amps: ` + amps + `}
  - sweep: {iout: iout}
    steps:
      - {load: sink, hold: iout}
      - settle: {until: v(dut.out) within 0.2 % for 5 ms, at_most: 2 s}
      - measure: {vo: v(dut.out), io: i(dut.out)}
        aperture: 20 ms
`}
}

// labMember is a bench or a hub of a lab in a process of its own.
type labMember struct {
	*daemonProcess
	name, dir, records string
}

func member(t *testing.T, name, dir string, servers []string, args ...string) *labMember {
	t.Helper()
	m := &labMember{name: name, dir: dir, records: filepath.Join(dir, "records")}
	m.daemonProcess = startCommand(t, m.command(t, servers, args...))
	return m
}

func (m *labMember) command(t *testing.T, servers []string, args ...string) *exec.Cmd {
	all := []string{"serve", "--name", m.name, "--records", m.records, "--listen", "127.0.0.1:0", "--json", "--join", strings.Join(servers, ",")}
	if m.name == "hub" {
		all = append(all, "--hub")
	} else {
		all = append(all, "--bench", filepath.Join(m.dir, "bench.yaml"))
	}
	return command(t, append(all, args...)...)
}

func (m *labMember) lab() api.Lab {
	m.t.Helper()
	var l api.Lab
	m.ask("GET", "/api/lab", nil, &l, http.StatusOK)
	return l
}

// sees waits until a member sees the others, each in the state as given.
func (m *labMember) sees(states map[string]string) {
	m.t.Helper()
	for {
		l := m.lab()
		found := 0
		for _, one := range l.Members {
			if states[one.Name] == one.State {
				found++
			}
		}
		if l.Cut == "" && found == len(states) {
			return
		}
		pause(m.t, 20*time.Millisecond)
	}
}

// energised counts, for each job, how often a bench has noted that it energises for it: lines of a log that only grows, each on the disk before
// anything is switched on.
func energised(t *testing.T, members ...*labMember) map[string][]string {
	t.Helper()
	out := map[string][]string{}
	for _, m := range members {
		data, err := os.ReadFile(filepath.Join(m.records, ".state", "audit.jsonl"))
		if err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewScanner(bytes.NewReader(data))
		for lines.Scan() {
			var e struct{ Did, What string }
			if json.Unmarshal(lines.Bytes(), &e) == nil && e.Did == "energise" {
				out[e.What] = append(out[e.What], m.name)
			}
		}
	}
	return out
}

// folders lists the records of a member.
func (m *labMember) folders() []string {
	m.t.Helper()
	entries, err := os.ReadDir(m.records)
	if err != nil {
		m.t.Fatal(err)
	}
	var out []string
	for _, e := range entries {
		if !strings.HasPrefix(e.Name(), ".") {
			out = append(out, e.Name())
		}
	}
	return out
}

// Two benches and a hub, each a process of its own, share work over a cluster of three: a job runs where it fits, once.
func TestLab(t *testing.T) {
	servers := natsCluster(t)
	hub := member(t, "hub", t.TempDir(), servers)
	strong := member(t, "strong", benchFolder(t, "10 A", "200 W"), servers)
	weak := member(t, "weak", benchFolder(t, "500 mA", "10 W"), servers)
	hub.sees(map[string]string{"strong": "here", "weak": "here", "hub": "here"})
	var jobs sync.Map
	submit := func(s api.Submission) string {
		id := hub.submit(s)
		jobs.Store(id, s)
		return id
	}
	id := submit(atLoads("1 A", "100 mA", "300 mA"))
	j := hub.until(id, over)
	t.Logf("%+v %v %v", j, strong.name, weak.name)
}

// cutter passes connections on to a server until it is told to cut them, and takes none while they are cut.
type cutter struct {
	to       string
	listener net.Listener

	mu    sync.Mutex // guards what follows
	cut   bool
	conns []net.Conn
}
