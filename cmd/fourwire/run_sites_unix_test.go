//go:build unix

package main

import (
	"bufio"
	"cmp"
	"encoding/json"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"fourwire/record"
)

// sitesOverSockets serves the fixture of the examples on free ports in a process of its own, and gives the folder with a bench file, lan.yaml, that names them,
// and the addresses by instrument.
func sitesOverSockets(t *testing.T, pace string, edit ...string) (dir string, addresses map[string]string) {
	t.Helper()
	dir = t.TempDir()
	if err := os.CopyFS(dir, os.DirFS(filepath.Join("..", "..", "examples", "sites"))); err != nil {
		t.Fatal(err)
	}
	scenario := filepath.Join(dir, "sites.scenario.yaml")
	truth, err := os.ReadFile(scenario)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(scenario, []byte(strings.NewReplacer(edit...).Replace(string(truth))), 0o644); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(filepath.Join(dir, "bench.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	free := regexp.MustCompile(`"sim:[^"]*"`).ReplaceAllString(string(text), `"tcp://127.0.0.1:0"`)
	lan := filepath.Join(dir, "lan.yaml")
	if err := os.WriteFile(lan, []byte(free), 0o644); err != nil {
		t.Fatal(err)
	}
	addresses = map[string]string{}
	for _, e := range serveBench(t, lan, "--pace", pace) {
		addresses[e.Instrument] = e.Address
		free = strings.Replace(free, "tcp://127.0.0.1:0", e.Address, 1)
	}
	if err := os.WriteFile(lan, []byte(free), 0o644); err != nil {
		t.Fatal(err)
	}
	return dir, addresses
}

// sitesCommand is a run at sites of the fixture.
func sitesCommand(t *testing.T, dir, out string, args ...string) *exec.Cmd {
	t.Helper()
	return command(t, append([]string{"run", filepath.Join(dir, "end-of-line.yaml"), "--bench", filepath.Join(dir, "lan.yaml"), "--out", filepath.Join(dir, out), "--yes", "--no-hookup"}, args...)...)
}

// wireOf reads what both sites have said to shared instruments, in the order of time.
func wireOf(t *testing.T, dir string, sites ...string) []wireLine {
	t.Helper()
	var all []wireLine
	for _, site := range sites {
		file, err := os.Open(filepath.Join(dir, site, "wire.jsonl"))
		if err != nil {
			t.Fatal(err)
		}
		defer file.Close()
		lines := json.NewDecoder(file)
		for {
			var one wireLine
			if err := lines.Decode(&one); err == io.EOF {
				break
			} else if err != nil {
				t.Fatal(err)
			}
			one.site = site
			if one.Section > 0 {
				all = append(all, one)
			}
		}
	}
	slices.SortStableFunc(all, func(a, b wireLine) int { return cmp.Or(a.Time.Compare(b.Time), cmp.Compare(a.Section, b.Section)) })
	return all
}

type wireLine struct {
	Time       time.Time `json:"time"`
	Instrument string    `json:"instrument"`
	Section    int64     `json:"section"`
	Dir        string    `json:"dir"`
	Text       string    `json:"text"`
	site       string
}

// inTurnOnTheWire looks whether no section goes on after another one has begun on the same instrument, and every answer is of the section of its question.
func inTurnOnTheWire(t *testing.T, lines []wireLine) (changes int) {
	t.Helper()
	last, asked := map[string]wireLine{}, map[string]wireLine{}
	over := map[string]map[int64]bool{}
	for _, l := range lines {
		was, ok := last[l.Instrument]
		if !ok {
			over[l.Instrument] = map[int64]bool{}
		}
		if ok && was.Section != l.Section {
			over[l.Instrument][was.Section] = true
			if was.site != l.site {
				changes++
			}
		}
		if over[l.Instrument][l.Section] {
			t.Errorf("%s: %s goes on with section %d after another one: %q", l.Instrument, l.site, l.Section, l.Text)
		}
		last[l.Instrument] = l
		if l.Dir == "out" && strings.Contains(l.Text, "?") {
			asked[l.Instrument] = l
		}
		if q := asked[l.Instrument]; l.Dir == "in" && q.Section != l.Section {
			t.Errorf("%s: the answer to %q of %s went to %s", l.Instrument, q.Text, q.site, l.site)
		}
	}
	return changes
}

// outputs asks the fixture itself which outputs are on.
func outputs(t *testing.T, addresses map[string]string) string {
	t.Helper()
	var all []string
	for _, q := range []struct{ instrument, question string }{{"supplies", ":OUTP1?;:OUTP2?"}, {"sink-east", ":INP?"}, {"sink-west", ":INP?"}, {"mux", ":ROUT:CLOS? (@1,2)"}} {
		text, err := command(t, "ask", addresses[q.instrument], q.question).Output()
		if err != nil {
			t.Fatalf("%s: %v", q.instrument, err)
		}
		all = append(all, q.instrument+" "+strings.TrimSpace(string(text)))
	}
	return strings.Join(all, ", ")
}

const allOff = "supplies 0;0, sink-east 0, sink-west 0, mux 0,0"

// Two sites over sockets: results as of one site alone, nobody in between, everything off; at the pace of the instruments, with the ratio of the times.
func TestSitesOverSockets(t *testing.T) {
	t.Parallel()
	if os.Getenv("FOURWIRE_LONG") == "" {
		t.Skip("with FOURWIRE_LONG; TestInterruptedSites looks at the wire always")
	}
	pace, few := "1", []string{}
	dir, addresses := sitesOverSockets(t, pace)
	took := map[string]time.Duration{}
	for _, sites := range [][]string{{"east"}, {"west"}, {"east", "west"}} {
		name := strings.Join(sites, "+")
		args := slices.Clone(few)
		for _, s := range sites {
			args = append(args, "--site", s)
		}
		begun := time.Now()
		if text, err := sitesCommand(t, dir, name, append(args, "--quiet")...).CombinedOutput(); err != nil {
			t.Fatalf("%s: %v\n%s", name, err, text)
		}
		took[name] = time.Since(begun)
		if got := outputs(t, addresses); got != allOff {
			t.Errorf("after %s: %s", name, got)
		}
	}
	for _, site := range []string{"east", "west"} {
		rec, err := record.Open(filepath.Join(dir, "east+west", site))
		if err != nil {
			t.Fatal(err)
		}
		if rec.Site != site || len(rec.Together) != 1 || rec.Outcome != record.Pass || rec.Exit != 0 {
			t.Errorf("%s: site %q with %v, %v", site, rec.Site, rec.Together, rec.Outcome)
		}
		alone, err := record.Open(filepath.Join(dir, site))
		if err != nil {
			t.Fatal(err)
		}
		for i, p := range rec.Rows {
			for _, column := range []string{"vi", "ii", "vo", "io", "efficiency"} {
				a, b := p.Cells[column], alone.Rows[i].Cells[column]
				if off := a.SI - b.SI; !(off <= a.U+b.U && -off <= a.U+b.U) || !p.Valid || !p.Settled {
					t.Errorf("%s: point %d, %s: %g at once, %g alone, U %g; %s", site, p.Number, column, a.SI, b.SI, a.U, p.Why)
				}
			}
		}
	}
	lines := wireOf(t, filepath.Join(dir, "east+west"), "east", "west")
	if changes := inTurnOnTheWire(t, lines); changes < 10 {
		t.Errorf("the sites took turns %d times only", changes)
	}
	ratio := took["east+west"].Seconds() / (took["east"] + took["west"]).Seconds()
	t.Logf("east %v, west %v, both at once %v: ratio %.3f", took["east"], took["west"], took["east+west"], ratio)
	if ratio > 0.6 {
		t.Errorf("ratio %.3f, at most 0.6 is wanted", ratio)
	}
}

// sitesBegun waits until both sites have a point.
func sitesBegun(t *testing.T, from io.Reader) {
	t.Helper()
	seen := map[string]bool{}
	lines := bufio.NewScanner(from)
	for lines.Scan() {
		if site, rest, _ := strings.Cut(lines.Text(), ": "); strings.HasSuffix(rest, " points") {
			seen[site] = true
		}
		if len(seen) == 2 {
			go func() { _, _ = io.Copy(io.Discard, from) }()
			return
		}
	}
	t.Fatal("the run ended before both sites had a point")
}

// sitesUnderWay starts a run at all sites and waits until each has a point.
func sitesUnderWay(t *testing.T, dir string) *exec.Cmd {
	t.Helper()
	c := sitesCommand(t, dir, "out", "--site", "all")
	said, err := c.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	sitesBegun(t, said)
	return c
}

// Ctrl-C ends all sites in order: everything off, both records whole.
func TestInterruptedSites(t *testing.T) {
	t.Parallel()
	dir, addresses := sitesOverSockets(t, "10")
	c := sitesUnderWay(t, dir)
	_ = c.Process.Signal(os.Interrupt)
	_ = c.Wait()
	if got := c.ProcessState.ExitCode(); got != exitInterrupted {
		t.Errorf("exit status %d", got)
	}
	if got := outputs(t, addresses); got != allOff {
		t.Error(got)
	}
	for _, site := range []string{"east", "west"} {
		rec, err := record.Open(filepath.Join(dir, "out", site))
		if err != nil {
			t.Fatal(err)
		}
		if !rec.Finished || rec.Exit != exitInterrupted || len(rec.Rows) == 0 {
			t.Errorf("%s: finished %v, %d points, %q", site, rec.Finished, len(rec.Rows), rec.Reason)
		}
		if text, err := command(t, "verify", filepath.Join(dir, "out", site)).CombinedOutput(); err != nil {
			t.Errorf("%s: %v\n%s", site, err, text)
		}
	}
	inTurnOnTheWire(t, wireOf(t, filepath.Join(dir, "out"), "east", "west"))
}

// A run that is killed leaves both sites to its guardian, whose account is in both records; each goes on by itself.
func TestKilledSites(t *testing.T) {
	t.Parallel()
	dir, addresses := sitesOverSockets(t, "10")
	c := sitesUnderWay(t, dir)
	_ = c.Process.Kill()
	_ = c.Wait()
	noted := func(site string) bool {
		text, _ := os.ReadFile(filepath.Join(dir, "out", site, "log.jsonl"))
		return strings.Contains(string(text), "the guardian has made the bench safe")
	}
	for n := 0; n < 100 && !(noted("east") && noted("west")); n++ {
		time.Sleep(100 * time.Millisecond)
	}
	if !noted("east") || !noted("west") {
		t.Fatalf("east %v, west %v", noted("east"), noted("west"))
	}
	if got := outputs(t, addresses); !strings.HasPrefix(got, "supplies 0;0, sink-east 0, sink-west 0") {
		t.Error(got)
	}
	if os.Getenv("FOURWIRE_LONG") == "" {
		return
	}
	text, err := command(t, "run", "--resume", filepath.Join(dir, "out", "east"), "--yes", "--no-hookup", "--quiet").CombinedOutput()
	if err != nil {
		t.Errorf("going on: %v\n%s", err, text)
	}
	rec, err := record.Open(filepath.Join(dir, "out", "east"))
	if err != nil || len(rec.Rows) != 8 || rec.Outcome != record.Pass {
		t.Errorf("%d points, %v, %v", len(rec.Rows), rec.Outcome, err)
	}
}
