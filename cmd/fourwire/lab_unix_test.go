//go:build unix

package main

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"fourwire/daemon/api"
	rec "fourwire/record"
)

// natsCluster starts three message servers that form a cluster, as a lab would have them, and gives their addresses.
func natsCluster(t *testing.T) []string {
	t.Helper()
	_, addresses := natsServers(t)
	return addresses
}

func natsServers(t *testing.T) (all []*server.Server, addresses []string) {
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
	for n, r := range routes {
		port := 0
		if _, err := fmt.Sscanf(r.Port(), "%d", &port); err != nil {
			t.Fatal(err)
		}
		s, err := server.NewServer(&server.Options{ServerName: fmt.Sprint("nats-", n+1), Host: "127.0.0.1", Port: -1, NoSigs: true, NoLog: true, JetStream: true, StoreDir: t.TempDir(),
			Cluster: server.ClusterOpts{Name: "lab", Host: "127.0.0.1", Port: port, NoAdvertise: true}, Routes: routes, JetStreamMaxMemory: 256 << 20, JetStreamMaxStore: 4 << 30})
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
	return all, addresses
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

// atLoads needs as much current of its source as is given, and measures so many times.
func atLoads(amps string, points int) api.Submission {
	return api.Submission{Bench: "any", NoHookup: true, Name: "loads.yaml", Text: fmt.Sprintf(`fourwire: sequence/1
title: Converter from a source of %[1]s
params:
  n: {about: counts, default: {from: 1, to: %[2]d, points: %[2]d}}
needs:
  feed: {role: source, node: dut.in, volts: 12 V, amps: 0..%[1]s}
  sink: {role: load, node: dut.out, amps: 0..1 A, at_volts: 4.5 V}
guard:
  dut.in: {volts: ..18 V, amps: ..20 A}
  dut.out: {volts: ..5.6 V, amps: ..3.3 A}
steps:
  - {source: feed, volts: 12 V, amps: %[1]s}
  - sweep: {n: n}
    steps:
      - {load: sink, hold: 100 mA}
      - settle: {until: v(dut.out) within 0.2 %% for 5 ms, at_most: 2 s}
      - measure: {vo: v(dut.out), io: i(dut.out)}
        aperture: 20 ms
`, amps, points)}
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

// until asks for a job until it is as wanted, less often than others do: three daemons and three servers want the processor, too.
func (m *labMember) until(id string, wanted func(api.Job) bool) api.Job {
	m.t.Helper()
	for {
		j := m.job(id)
		if wanted(j) {
			return j
		}
		pause(m.t, 50*time.Millisecond)
	}
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
		pause(m.t, 50*time.Millisecond)
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

// labOf starts a hub and two benches, of which one has a weak source, each a process of its own.
func labOf(t *testing.T, servers []string, args ...string) (hub, strong, weak *labMember) {
	t.Helper()
	hub = member(t, "hub", t.TempDir(), servers, args...)
	strong = member(t, "strong", benchFolder(t, "10 A", "200 W"), servers, args...)
	weak = member(t, "weak", benchFolder(t, "500 mA", "10 W"), servers, args...)
	hub.sees(map[string]string{"strong": "here", "weak": "here", "hub": "here"})
	return hub, strong, weak
}

// ranOnce checks, by what the benches keep and the cluster does not know of, that each job was run once and where it may run: a line in the audit log
// of one bench, and one record in the folder of the same.
func ranOnce(t *testing.T, may map[string][]string, benches ...*labMember) {
	t.Helper()
	lines := energised(t, benches...)
	records := map[string][]string{} // benches by the end of the job's id
	for _, m := range benches {
		for _, r := range m.folders() {
			records[r[len(r)-12:]] = append(records[r[len(r)-12:]], m.name)
		}
	}
	for id, where := range may {
		if got := lines[id]; len(got) != 1 || !slices.Contains(where, got[0]) {
			t.Errorf("job %s was energised for at %v, want once at one of %v", id, got, where)
		}
		if got := records[id[len(id)-12:]]; !slices.Equal(got, lines[id]) {
			t.Errorf("job %s was energised for at %v and has records at %v", id, lines[id], got)
		}
	}
	if len(lines) != len(may) || len(records) != len(may) {
		t.Errorf("%d jobs were energised for and %d have records, of %d", len(lines), len(records), len(may))
	}
}

// copied waits until the hub has the record of a job, and checks that it is whole and as its bench has it.
func (m *labMember) copied(record string, from *labMember) {
	m.t.Helper()
	want, err := os.ReadFile(filepath.Join(from.records, record, "points.csv"))
	if err != nil {
		m.t.Fatal(err)
	}
	for {
		if got, err := os.ReadFile(filepath.Join(m.records, record, "points.csv")); err == nil && bytes.Equal(got, want) { // one that went on comes a second time
			break
		}
		pause(m.t, 50*time.Millisecond)
	}
	if checked, err := rec.Check(filepath.Join(m.records, record)); err != nil || !checked.Whole {
		m.t.Errorf("the copy of %s: %+v %v", record, checked, err)
	}
	status, _, csv := m.get("/api/records/" + record + "/points.csv")
	if status != http.StatusOK || !bytes.Equal(csv, want) {
		m.t.Errorf("points of %s at the hub: %d, %d bytes; at its bench %d bytes", record, status, len(csv), len(want))
	}
}

// Two benches and a hub, each a process of its own, share work over a cluster of three. Each part is a lab of its own there.
func TestLab(t *testing.T) {
	t.Parallel()
	servers := natsCluster(t)
	t.Run("shared", func(t *testing.T) { labShared(t, servers) })
	t.Run("cut off", func(t *testing.T) { labCut(t, servers) })
	t.Run("killed", func(t *testing.T) { labBenchKilled(t, servers) })
}

// labShared shows that a job runs once, where it fits, and that the hub has all of it.
func labShared(t *testing.T, servers []string) {
	hub, strong, weak := labOf(t, servers, "--lab", "shared", "--lease", "4s")
	benches := map[string]*labMember{"strong": strong, "weak": weak}
	may := map[string][]string{}
	from := hub.watch("none", func(e api.Event) bool { return e.Kind == "reset" })
	none := hub.submit(atLoads("12 A", 2))
	atWeak := atLoads("1 A", 2) // which does not fit there
	atWeak.Bench = "weak"
	var p api.Problem
	weak.ask("POST", "/api/jobs", atWeak, &p, http.StatusUnprocessableEntity)
	if len(p.Findings) == 0 {
		t.Errorf("%+v", p)
	}
	for range 2 {
		may[hub.submit(atLoads("1 A", 2))] = []string{"strong"}
	}
	may[hub.submit(atLoads("300 mA", 2))] = []string{"strong", "weak"}
	byName := atLoads("300 mA", 2)
	byName.Bench = "weak"
	may[strong.submit(byName)] = []string{"weak"}
	hostile := hostileEntries(t, servers[0], "shared")
	cancelled := hub.submit(atLoads("11 A", 2))
	hub.ask("DELETE", "/api/jobs/"+cancelled, nil, nil, http.StatusOK)
	hub.watch(from[0].ID, func(e api.Event) bool {
		return may[e.Job] != nil && (e.Kind == "point" || e.State != nil && e.State.State == api.Done)
	})
	for id, where := range may {
		j := hub.until(id, over)
		if j.State != api.Done || !slices.Contains(where, j.Holder) || j.Planned != 2 {
			t.Errorf("%+v", j)
			continue
		}
		hub.copied(j.Record, benches[j.Holder])
		if local := benches[j.Holder].job(id); local.Record != j.Record || local.State != api.Done {
			t.Errorf("at its bench: %+v", local)
		}
	}
	ranOnce(t, may, strong, weak)
	j := hub.until(none, func(j api.Job) bool { return strings.Count(j.Waits, "does not fit") == 2 })
	if j.State != api.Queued || !strings.Contains(j.Waits, "strong: does not fit: ") || !strings.Contains(j.Waits, "weak: does not fit: ") {
		t.Errorf("%+v", j)
	}
	t.Log(j.Waits)
	for id, why := range hostile {
		j := hub.until(id, func(j api.Job) bool { return strings.Count(j.Waits, "does not fit") == 2 })
		if !strings.Contains(j.Waits, why) || j.State != api.Queued {
			t.Errorf("%s: %+v", why, j)
		}
	}
	if j := weak.job(cancelled); j.State != api.Cancelled {
		t.Errorf("%+v", j)
	}

	// another daemon does not get the name of one that is here
	twin := &labMember{name: "strong", dir: strong.dir, records: filepath.Join(t.TempDir(), "records")}
	out, err := twin.command(t, servers, "--lab", "shared", "--lease", "4s").CombinedOutput()
	var exit *exec.ExitError
	if !errors.As(err, &exit) || exit.ExitCode() != exitBench || !strings.Contains(string(out), "is called strong") {
		t.Errorf("a second daemon called strong: %v\n%s", err, out)
	}

	// outputs off: at one bench, then at all of them, one of which does not answer
	var report api.OffReport
	hub.ask("POST", "/api/lab/weak/outputs-off", nil, &report, http.StatusOK)
	if !report.Safe || len(report.Off) != 2 {
		t.Errorf("%+v", report)
	}
	var b api.Bench
	weak.ask("GET", "/api/bench", nil, &b, http.StatusOK)
	if b.Armed || !strings.Contains(b.Held, "switched off by local at hub") {
		t.Errorf("%+v", b)
	}
	weak.kill()
	hub.ask("POST", "/api/outputs-off", nil, &report, http.StatusOK)
	if report.Safe || !strings.Contains(report.Text, "weak does not answer") || !strings.Contains(report.Text, "strong: ") || len(report.Off) != 2 {
		t.Errorf("%+v", report)
	}
	t.Log(report.Text)
}

// hostileEntries puts jobs into the store of a lab as somebody could who is let into the cluster and is no daemon, and says why each must be refused.
func hostileEntries(t *testing.T, server, lab string) map[string]string {
	t.Helper()
	conn, err := nats.Connect(server)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	js, err := jetstream.New(conn)
	if err != nil {
		t.Fatal(err)
	}
	state, err := js.KeyValue(t.Context(), lab+"-state")
	if err != nil {
		t.Fatal(err)
	}
	inputs, err := js.KeyValue(t.Context(), lab+"-inputs")
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]string{}
	for _, h := range []struct {
		order map[string]any
		files map[string]string
		why   string
	}{
		{map[string]any{"sequence": "../out.yaml"}, map[string]string{"../out.yaml": "x"}, "names no sequence"},
		{map[string]any{"sequence": "--out.yaml"}, map[string]string{"--out.yaml": "x"}, "names no sequence"},
		{map[string]any{"sequence": "a.yaml", "settings": []string{"--out=/x"}}, map[string]string{"a.yaml": "x"}, "cannot be set so"},
		{map[string]any{"sequence": "a.yaml", "accept_fit": "--bench=/x"}, map[string]string{"a.yaml": "x"}, "not as a submission is"},
		{map[string]any{"sequence": "a.yaml"}, map[string]string{"a.yaml": "x", "../../b": "x"}, "no name of a file"},
		{map[string]any{"sequence": "a.yaml"}, nil, "not in the lab's store"},
	} {
		id, err := uuid.NewV7()
		if err != nil {
			t.Fatal(err)
		}
		out[id.String()] = h.why
		if h.files != nil {
			files := map[string][]byte{}
			for name, text := range h.files {
				files[name] = []byte(text)
			}
			text, err := json.Marshal(map[string]any{"files": files})
			if err != nil {
				t.Fatal(err)
			}
			sum := sha256.Sum256(text)
			b := bytes.NewBufferString("\x00" + hex.EncodeToString(sum[:])) // as daemon/fleet keeps them: no further part, the hash, the text compressed
			z := gzip.NewWriter(b)
			_, err = z.Write(text)
			if err := errors.Join(err, z.Close()); err != nil {
				t.Fatal(err)
			}
			if _, err := inputs.Put(t.Context(), id.String()+".0", b.Bytes()); err != nil {
				t.Fatal(err)
			}
		}
		entry, err := json.Marshal(map[string]any{"id": id, "state": "queued", "bench": "any", "submitted": time.Now(), "order": h.order})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := state.Create(t.Context(), "job."+id.String(), entry); err != nil {
			t.Fatal(err)
		}
	}
	return out
}
