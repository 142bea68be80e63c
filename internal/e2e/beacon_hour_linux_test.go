package e2e

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"fourwire/record"
	"fourwire/record/trace"
)

const hourOfBeacon = `fourwire: sequence/1
title: Beacon node, every sample of its current
bench: bench.yaml
params:
  time: {about: how long is recorded, default: 1 h}
needs:
  cell: {role: source,   node: node-a.supply, volts: 2..3.3 V, amps: 0..200 mA}
  log:  {role: recorder, node: node-a.supply, amps: 0..200 mA, every: 20 us}
guard:
  node-a.supply: {volts: -0.3..3.6 V, amps: ..250 mA}
steps:
  - {source: cell, volts: 3 V, amps: 200 mA}
  - {wait: 1 s}
  - {record: hour, with: log, of: {i: i(node-a.supply)}, every: 20 us, for: time}
  - {drain: hour, gives: {mean: i_mean, charge: q}}
  - judge: {limit: i_mean <= 1 mA, clause: "budget"}
`

var unitErrors = regexp.MustCompile(`(gain|offset)_within: [\d.]+`)

// withoutErrors is a scenario whose units read without errors of gain and offset; their noise stays.
func withoutErrors(text string) string {
	return unitErrors.ReplaceAllString(text, "${1}_within: 0")
}

// Nanoamperes to amperes at 50 000 samples a second, over a socket, by the command as a process of its own: without a fault the charge is
// that of the simulator's engine, which integrates it over its own steps; with one, nothing that is missing passes unnoticed. The
// full size is an hour: 180 million samples.
func TestEverySampleOverASocket(t *testing.T) {
	span, seconds, dropped := "20 s", 20.0, "20 %"
	if long() {
		span, seconds, dropped = "1 h", 3600, "0.1 %"
	}
	for _, c := range []struct {
		name, fault string
		why         *regexp.Regexp // what is said of the point; nil: it is valid
		exit        int
	}{
		{name: "no fault"},
		{"blocks dropped", "{kind: drop-blocks, instrument: smu-a, fraction: " + dropped + "}", regexp.MustCompile(`\d+ m?s missing at [^,]+, \d+ samples`), 2},
		{"gap", "{kind: recording-gap, instrument: smu-a, into: 12.0042 s, for: 3 ms}", regexp.MustCompile(`3 ms missing at 12.0042 s, 150 samples`), 2},
		{"silent gap", "{kind: silent-gap, instrument: smu-a, into: 12 s, for: 3 ms}", regexp.MustCompile(`the unit took \d+ samples, and \d+ are accounted for: 3 ms missing at a place that is not known`), 2},
	} {
		t.Run(c.name, func(t *testing.T) {
			if !long() {
				t.Parallel() // most of it is waiting, in real time, for the device to boot and to discharge
			}
			dir := beaconCopy(t, map[string]func(string) string{"hour.yaml": func(string) string { return hourOfBeacon }})
			text, err := os.ReadFile(filepath.Join(dir, "beacon.scenario.yaml"))
			if err != nil {
				t.Fatal(err)
			}
			scenario := withoutErrors(string(text))
			if !long() {
				scenario = strings.ReplaceAll(scenario, "period: 60 s", "period: 4 s") // some reports in it, all the same
			}
			if c.fault != "" {
				scenario += "\nfaults:\n  - " + c.fault + "\n"
			}
			s := serveBeacon(t, dir, scenario)
			out := filepath.Join(dir, "record")
			d := fourwire(t, nil, "run", filepath.Join(dir, "hour.yaml"), "--bench", filepath.Join(dir, "lan.yaml"), "--set", "time="+span, "--out", out, "--yes", "--no-hookup")
			if d.exit != c.exit {
				t.Fatalf("exit %d, want %d\n%s\n%s", d.exit, c.exit, d.out, d.err)
			}
			rec, err := record.Open(out)
			if err != nil {
				t.Fatal(err)
			}
			tr, err := trace.Open(filepath.Join(out, record.TracesFolder), "hour")
			if err != nil {
				t.Fatal(err)
			}
			defer tr.Close()
			st, p := tr.Statement(), rec.Rows[0]
			if float64(tr.Len())*20e-6 < seconds {
				t.Errorf("%d samples", tr.Len())
			}
			if d.peak > 200e6 {
				t.Errorf("the run had %d MB of memory", d.peak/1e6)
			}
			t.Logf("%d samples in %v, peak memory %.0f MB, charge %.9g C, the engine's %.9g C: %+.2g", st.Received, d.took.Round(10*time.Millisecond), float64(d.peak)/1e6,
				st.CoulombsReceived, s.taken(), st.CoulombsReceived/s.taken()-1)
			if c.why == nil {
				if !p.Valid || !st.Complete || st.Lost != 0 || st.Received != st.Expected {
					t.Errorf("valid %v: %s; %+v", p.Valid, p.Why, st)
				}
				rest, err := tr.Span(0, int64(seconds/20e-6+0.5), tr.Len())
				if err != nil {
					t.Fatal(err)
				}
				truth := s.taken()
				if math.Abs(st.CoulombsReceived-truth) > 1e-4*truth || math.Abs(p.Cells["q"].SI+rest.Integral-truth) > 1e-4*truth {
					t.Errorf("the samples make %.9g C, the drain gives %.9g C and %.9g C behind it; in truth %.9g C", st.CoulombsReceived, p.Cells["q"].SI, rest.Integral, truth)
				}
				return
			}
			if p.Valid || st.Complete || !c.why.MatchString(p.Why) {
				t.Errorf("valid %v, complete %v: %s", p.Valid, st.Complete, p.Why)
			}
			if len(rec.Verdicts) > 0 && rec.Verdicts[0].Outcome == record.Pass {
				t.Errorf("an invalid point passes: %+v", rec.Verdicts)
			}
			place := c.why.FindString(p.Why)
			page, err := os.ReadFile(filepath.Join(out, "report.html"))
			if err != nil {
				t.Fatal(err)
			}
			document := fourwire(t, nil, "report", out, "--json")
			for where, said := range map[string]string{"the terminal": unfolded(d.out), "the progress": unfolded(d.err), "the page": string(page), "JSON": document.out} {
				if !strings.Contains(said, place) {
					t.Errorf("%s does not say %q", where, place)
					if where != "the page" {
						t.Log(said)
					}
				}
			}
			t.Log(fmt.Sprint("said: ", p.Why))
		})
	}
}
