//go:build unix

package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"testing"

	"fourwire/record"
)

var printedPoints = regexp.MustCompile(`: (\d+) points in `)

// A runner that is killed loses no point that it has printed. The run goes on from there, and the record is as if nothing had happened: every
// point once, and no load of an earlier point was set again.
func TestKilledRunGoesOn(t *testing.T) {
	t.Parallel()
	dir := buoyOverSockets(t, "--pace", "max")
	lan, rec := filepath.Join(dir, "lan.yaml"), filepath.Join(dir, "killed")
	sequence := filepath.Join(dir, "efficiency.yaml")
	c := command(t, "run", sequence, "--bench", lan, "--out", rec, "--yes")
	progress, err := c.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	printed := 0
	for lines := bufio.NewScanner(progress); lines.Scan(); { // up to the end of the guardian, which has the same pipe
		if m := printedPoints.FindStringSubmatch(lines.Text()); m != nil && printed == 0 {
			printed, _ = strconv.Atoi(m[1])
			if err := c.Process.Kill(); err != nil {
				t.Fatal(err)
			}
		}
	}
	_ = c.Wait() // it was killed
	if printed < 20 {
		t.Fatalf("only %d points were printed", printed)
	}
	before, err := record.Open(rec)
	if err != nil {
		t.Fatal(err)
	}
	if len(before.Rows) < printed || before.Finished {
		t.Fatalf("%d points were printed, %d are in the record; finished %v", printed, len(before.Rows), before.Finished)
	}
	if record.InUse(rec) || !guardianIsDone(before) {
		t.Error("the guardian has not said that it is done")
	}
	if text, err := command(t, "verify", rec).CombinedOutput(); err != nil {
		t.Errorf("verify: %v\n%s", err, text)
	}
	wire, err := os.ReadFile(filepath.Join(rec, record.WireFile))
	if err != nil {
		t.Fatal(err)
	}
	if text, err := command(t, "run", "--resume", rec, "--yes", "--quiet").CombinedOutput(); err != nil {
		t.Fatalf("resume: %v\n%s", err, text)
	}
	after, err := record.Open(rec)
	if err != nil {
		t.Fatal(err)
	}
	if len(after.Rows) != 60 || !after.Finished || after.Exit != 0 || len(after.Resumed) != 1 || after.Resumed[0].Points != len(before.Rows) {
		t.Errorf("%d points, finished %v, exit %d, resumed %+v", len(after.Rows), after.Finished, after.Exit, after.Resumed)
	}
	once := map[string]bool{}
	for i, p := range after.Rows {
		key := fmt.Sprint(p.Cells["vin"].SI, p.Cells["iout"].SI)
		if p.Number != i+1 || once[key] || p.Status() != record.StatusOK {
			t.Errorf("row %d: point %d at %s: %s", i+1, p.Number, key, p.Why)
		}
		once[key] = true
		if i < len(before.Rows) && (p.At != before.Rows[i].At || p.Cells["vo"].SI != before.Rows[i].Cells["vo"].SI) {
			t.Errorf("point %d is another one than before", p.Number)
		}
	}
	noStimulusAgain(t, rec, wire, after.Rows[:len(before.Rows)], after.Rows[len(before.Rows):])
	if text, err := command(t, "verify", rec).CombinedOutput(); err != nil {
		t.Errorf("verify: %v\n%s", err, text)
	}
}

// guardianIsDone tells whether the guardian of a killed run has said that it is.
func guardianIsDone(rec *record.Record) bool {
	for _, e := range rec.Log {
		if e.Kind == "guardian" {
			return true
		}
	}
	return false
}

// noStimulusAgain reads from the wire log which loads were set since the run went on.
func noStimulusAgain(t *testing.T, dir string, before []byte, done, fresh []record.Point) {
	t.Helper()
	wire, err := os.ReadFile(filepath.Join(dir, record.WireFile))
	if err != nil || !bytes.HasPrefix(wire, before) {
		t.Fatalf("the wire log was changed: %v", err)
	}
	set := regexp.MustCompile(`:?CURR(?:ENT)?(?::LEV\w*)? ([-+.\dE]+)`)
	n := 0
	for _, line := range bytes.Split(wire[len(before):], []byte("\n")) {
		var m struct{ Instrument, Dir, Text string }
		if json.Unmarshal(line, &m) != nil || m.Instrument != "sink" || m.Dir != "out" {
			continue
		}
		for _, found := range set.FindAllStringSubmatch(m.Text, -1) {
			amps, err := strconv.ParseFloat(found[1], 64)
			if err != nil || amps == 0 {
				continue
			}
			n++
			if !among(fresh, amps) && among(done, amps) {
				t.Errorf("the load was set to %v A again: %s", amps, m.Text)
			}
		}
	}
	if n < len(fresh)/2 {
		t.Errorf("only %d settings of the load are in the wire log", n)
	}
}

func among(points []record.Point, amps float64) bool {
	for _, p := range points {
		if math.Abs(p.Cells["iout"].SI-amps) < 1e-6*amps {
			return true
		}
	}
	return false
}
