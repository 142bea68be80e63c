package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"fourwire/record"
)

// runSitesOf runs the fixture of the examples in this process; edit changes its files.
func runSitesOf(t *testing.T, args []string, edit ...string) (status int, said string, records map[string]*record.Record) {
	t.Helper()
	dir := t.TempDir()
	if err := os.CopyFS(dir, os.DirFS(filepath.Join("..", "..", "examples", "sites"))); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"bench.yaml", "sites.scenario.yaml", "end-of-line.yaml"} {
		path := filepath.Join(dir, name)
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(strings.NewReplacer(edit...).Replace(string(text))), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	var out bytes.Buffer
	status = program(append([]string{"run", filepath.Join(dir, "end-of-line.yaml"), "--out", filepath.Join(dir, "out"), "--quiet"}, args...), strings.NewReader(""), &out, &out)
	records = map[string]*record.Record{}
	for _, site := range []string{"east", "west"} {
		if rec, err := record.Open(filepath.Join(dir, "out", site)); err == nil {
			records[site] = rec
		}
	}
	return status, out.String(), records
}

// The end of one site is its own, unless what stands there can hurt somebody, or what all use is at fault. The exit status is the gravest.
func TestHowSitesEnd(t *testing.T) {
	breaks := []string{"set: 4.968 V", "set: 5.75 V"} // above the guard of dut.out, 5.6 V
	fault := func(what string) []string {
		return []string{"\nwiring:\n  - {channel: supplies.1, node: east.in", "\nfaults:\n  - " + what + "\n\nwiring:\n  - {channel: supplies.1, node: east.in"}
	}
	for _, c := range []struct {
		name       string
		long       bool // only with FOURWIRE_LONG
		edit       []string
		status     int
		east, west int // exit statuses
		points     int // of east
	}{
		{"all is well", true, nil, exitPass, exitPass, exitPass, 8},
		{"a verdict of one fails", true, []string{"set: 4.968 V", "set: 4.7 V"}, exitFail, exitPass, exitFail, 8},
		{"a guard is broken", true, breaks, exitSafety, exitPass, exitSafety, 8},
		{"a guard is broken where voltages are a caution", false, append([]string{"\nnodes:\n", "\ntouch: {caution: 10 V, warn: 60 V}\nnodes:\n"}, breaks...), exitSafety, exitSafety, exitSafety, 0},
		{"the load of one hangs with its input on", true, fault("{kind: hangs, instrument: sink-west, at: 1.5 s}"), exitSafety, exitSafety, exitSafety, 0},
		{"the shared meter is lost", false, fault("{kind: link-refused, instrument: dmm, at: 1.5 s}"), exitBench, exitBench, exitBench, 0},
		{"the shared supply restarts", true, fault("{kind: reboots, link: kept, instrument: supplies, at: 1.5 s}"), exitBench, exitBench, exitBench, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			if c.long && os.Getenv("FOURWIRE_LONG") == "" {
				t.Skip("with FOURWIRE_LONG")
			}
			args := []string{"--site", "all"}
			if strings.Contains(c.name, "hangs") { // it takes some seconds until that is known
				args = append(args, "--set", "iout={from: 100 mA, to: 2 A, points: 50}")
			}
			status, said, records := runSitesOf(t, args, c.edit...)
			east, west := records["east"], records["west"]
			if east == nil || west == nil {
				t.Fatalf("a record is missing:\n%s", said)
			}
			if status != c.status || east.Exit != c.east || west.Exit != c.west {
				t.Errorf("status %d, east %d (%s), west %d (%s)\n%s", status, east.Exit, east.Reason, west.Exit, west.Reason, said)
			}
			if c.points > 0 && len(east.Rows) != c.points || c.points == 0 && len(east.Rows) >= east.Planned {
				t.Errorf("%d points of east", len(east.Rows))
			}
		})
	}
}

func TestGravestOfSites(t *testing.T) {
	for _, c := range []struct {
		of   []int
		want int
	}{{nil, 0}, {[]int{0, 2}, 2}, {[]int{2, 1, 0}, 1}, {[]int{1, 3}, 3}, {[]int{4, 3}, 4}, {[]int{130, 4}, 130}, {[]int{130, 5}, 5}} {
		if got := gravest(c.of...); got != c.want {
			t.Errorf("%v: %d, want %d", c.of, got, c.want)
		}
	}
}
