package e2e

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"fourwire/internal/clock"
	"fourwire/record"
	"fourwire/sequence/run"
)

// matrixSequence goes through everything that a fault can hit: two settings of the source, each with a settling and two points of a sweep, each
// judged. Switching off is left to the way out.
const matrixSequence = `fourwire: sequence/1
title: everything that a fault can hit
needs:
  feed: {role: source, node: dut.in, volts: 9..16 V, amps: 0..2.5 A}
  sink: {role: load, node: dut.out, amps: 0..3 A, at_volts: 4.5 V}
guard:
  dut.in:  {volts: ..18 V, amps: ..2.8 A}
  dut.out: {volts: ..5.6 V, amps: ..3.3 A}
steps:
  - sweep: {vin: [9 V, 12 V]}
    steps:
      - {source: feed, volts: vin, amps: 2.5 A}
      - settle: {until: v(dut.in) within 0.1 % for 5 ms, at_most: 1 s}
      - sweep: {iout: [500 mA, 2 A]}
        steps:
          - {load: sink, hold: iout}
          - measure: {vi: v(dut.in), ii: i(dut.in), vo: v(dut.out), io: i(dut.out)}
          - derive: {efficiency: vo * io / (vi * ii)}
          - judge: {limit: efficiency >= 70 %}
`

// phase is a part of the run in which a fault happens: at a message that is sent there, in the second pass, when two points are finished.
type phase struct {
	name, heardBy, heard string
	nth                  int
	points               int // finished before
}

func phases() []phase {
	return []phase{
		{"set", "feed-psu", ":SOUR1:VOLT 12", 1, 2},
		{"settle", "dmm-in", ":SENS:VOLT:APER 0.001", 2, 2},
		{"measure", "dmm-in", ":SENS:VOLT:APER 0.02", 2, 2},
		{"sweep", "sink", ":SOUR:CURR 2", 2, 3},
		{"shutdown", "sink", ":INP OFF", 3, 4}, // the first two are in the preparation
	}
}

// cell is what one fault in one phase must come to.
type cell struct {
	victim string
	exit   int
	says   string // in the message, or why the points after it are not valid; empty: nothing need be said
}

// row is one fault. Its words are those of a scenario, without instrument and moment.
type row struct {
	name, fault string
	cells       [5]cell
	on          bool // the victim may be left on: it cannot be reached
	clockBy     time.Duration
	full        bool
}

const feed, sink, dmmIn, dmmOut, ammIn, ammOut = "feed-psu", "sink", "dmm-in", "dmm-out", "amm-in", "amm-out"

func rows() []row {
	lost, refused := "connection is lost", "may still be on"
	marker := "kind: byte-by-byte" // harmless: it marks the moment
	return []row{
		{name: "drop link", fault: "kind: link-drops", cells: [5]cell{{feed, 4, lost}, {dmmIn, 4, lost}, {ammIn, 4, lost}, {sink, 4, lost}, {feed, 0, "second attempt"}}},
		{name: "refuse reconnect", fault: "kind: link-refused", on: true, cells: [5]cell{{feed, 5, refused}, {dmmIn, 4, lost}, {sink, 5, refused}, {feed, 5, refused}, {feed, 5, refused}}},
		{name: "stall", fault: "kind: hangs", on: true, cells: [5]cell{{feed, 5, refused}, {feed, 5, refused}, {dmmOut, 4, "no answer came"}, {sink, 5, refused}, {feed, 5, refused}}},
		{name: "one byte at a time", fault: "kind: byte-by-byte", cells: [5]cell{{feed, 0, ""}, {dmmIn, 0, ""}, {ammIn, 0, ""}, {sink, 0, ""}, {feed, 0, ""}}},
		{name: "garbage reply", fault: "kind: garbage", cells: [5]cell{{feed, 4, "makes no sense"}, {dmmIn, 4, "makes no sense"}, {ammIn, 4, "makes no sense"}, {sink, 4, "makes no sense"}, {feed, 0, "second attempt"}}},
		{name: "wrong-length block", fault: "kind: wrong-block", cells: [5]cell{{feed, 4, "bytes had come"}, {dmmIn, 4, "bytes had come"}, {ammIn, 4, "bytes had come"}, {sink, 4, "bytes had come"}, {feed, 0, "second attempt"}}},
		{name: "reply to an earlier query", fault: "kind: earlier-answer", cells: [5]cell{{feed, 4, "makes no sense"}, {dmmIn, 4, "makes no sense"}, {ammIn, 4, "makes no sense"}, {sink, 4, "makes no sense"}, {feed, 0, "second attempt"}}},
		{name: "spontaneous error in queue", fault: "kind: spontaneous-error, code: -310, text: System error", cells: [5]cell{{feed, 4, "-310"}, {dmmIn, 4, "-310"}, {ammIn, 4, "-310"}, {sink, 4, "-310"}, {feed, 0, ""}}},
		{name: "over-voltage trip", fault: "kind: over-voltage", cells: [5]cell{{feed, 5, "over-voltage"}, {feed, 5, "over-voltage"}, {feed, 5, "over-voltage"}, {feed, 5, "over-voltage"}, {feed, 5, "over-voltage"}}},
		{name: "source falling into current limit", fault: "kind: current-limit, amps: 1 mA", cells: [5]cell{{feed, 2, "current limit"}, {feed, 2, "current limit"}, {feed, 2, "current limit"}, {feed, 2, "current limit"}, {feed, 0, ""}}},
		{name: "load unregulated", fault: "kind: unregulated, resistance: 100 ohm", cells: [5]cell{{sink, 2, "does not hold"}, {sink, 2, "does not hold"}, {sink, 2, "does not hold"}, {sink, 2, "does not hold"}, {sink, 0, ""}}},
		{name: "identity changed after reconnect", fault: "kind: other-identity", on: true, cells: [5]cell{{feed, 5, "another instrument answers now"}, {dmmIn, 4, lost}, {ammIn, 4, lost}, {sink, 5, "another instrument answers now"}, {feed, 5, "another instrument answers now"}}},
		{name: "instrument rebooted with defaults", fault: "kind: reboots, link: kept", cells: [5]cell{{feed, 4, "restarted"}, {dmmIn, 4, "restarted"}, {ammIn, 4, "restarted"}, {sink, 4, "restarted"}, {feed, 0, ""}}},
		{name: "disk full", fault: marker, full: true, cells: [5]cell{{dmmOut, 4, "no space left"}, {dmmOut, 4, "no space left"}, {dmmOut, 4, "no space left"}, {dmmOut, 4, "no space left"}, {dmmOut, 4, "no space left"}}},
		{name: "clock jumps an hour ahead", fault: marker, clockBy: time.Hour, cells: [5]cell{{dmmOut, 0, ""}, {dmmOut, 0, ""}, {dmmOut, 0, ""}, {dmmOut, 0, ""}, {dmmOut, 0, ""}}},
		{name: "clock jumps an hour back", fault: marker, clockBy: -time.Hour, cells: [5]cell{{dmmOut, 0, ""}, {dmmOut, 0, ""}, {dmmOut, 0, ""}, {dmmOut, 0, ""}, {dmmOut, 0, ""}}},
		{name: "set value changed at the front panel", fault: "kind: front-panel, volts: 11 V", cells: [5]cell{{feed, 0, ""}, {feed, 4, "11 V is set"}, {feed, 4, "11 V is set"}, {feed, 4, "11 V is set"}, {feed, 0, ""}}},
		{name: "stale reading", fault: "kind: stale-reading", cells: [5]cell{{ammOut, 4, "stale"}, {ammOut, 4, "stale"}, {ammOut, 4, "stale"}, {ammOut, 4, "stale"}, {ammOut, 0, ""}}},
	}
}

// atOnce is how many runs are under way together: most of their time is spent waiting for answers that do not come.
const atOnce = 10

// Every kind of fault in every part of a run, over real sockets: the outputs end off, the load before the source, by the simulator's own log; the
// message names the instrument; the exit status is right; and the points that were finished before are kept. What is harmless ends as an
// undisturbed run.
func TestFaultMatrix(t *testing.T) {
	first := newChain(t, "matrix.yaml", options{sequence: matrixSequence})
	calm := &servedRun{}
	serveAndRun(t, first.plan, first, calm)
	if calm.err != nil || calm.summary.Points != 4 || calm.summary.Outcome != record.Pass || len(calm.left()) > 0 {
		t.Fatalf("undisturbed: %+v, %v", calm.summary, calm.err)
	}
	list := rows()
	results := make([][5]*servedRun, len(list))
	room := make(chan struct{}, atOnce)
	var all sync.WaitGroup
	for i := range list {
		for j := range phases() {
			all.Go(func() {
				room <- struct{}{}
				defer func() { <-room }()
				results[i][j] = list[i].run(t, j, first)
			})
		}
	}
	all.Wait()
	for i, row := range list {
		for j, p := range phases() {
			if row.overran(j, results[i][j]) {
				results[i][j] = row.run(t, j, first)
			}
			t.Run(row.name+"/"+p.name, func(t *testing.T) { row.check(t, j, results[i][j], calm) })
		}
	}
	table := matrixTable(list, results)
	t.Log("\n" + table)
	const page = "../../docs/fault-matrix.md"
	if *update {
		if err := os.WriteFile(page, []byte(table), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	had, err := os.ReadFile(page)
	before, _, _ := bytes.Cut(had, []byte(said)) // what is said differs: a line that was cut while sending or while waiting
	if now, _, _ := strings.Cut(table, said); err != nil || string(before) != now {
		t.Errorf("docs/fault-matrix.md is not what came out (%v): look at the difference, then run with -update", err)
	}
}

// run is one cell.
func (w row) run(t *testing.T, j int, first *chain) *servedRun {
	p := phases()[j]
	r := &servedRun{faults: fmt.Sprintf("  - {%s, instrument: %s, heard: %q, heard_by: %s, nth: %d}\n", w.fault, w.cells[j].victim, p.heard, p.heardBy, p.nth)}
	if w.full {
		r.sink = func(s run.Sink, hit *atomic.Bool) run.Sink { return fullDisk{s, hit} }
	}
	if w.clockBy != 0 {
		r.clock = func(hit *atomic.Bool) clock.Clock { return jumping{clock.Real(), hit, w.clockBy} }
	}
	serveAndRun(t, first.plan, first, r)
	return r
}

// overran tells whether the load of the other cells, and not the fault, used up a time limit: time is real here. Such a cell is tried once
// more, alone.
func (w row) overran(j int, r *servedRun) bool {
	c := w.cells[j]
	if r == nil || !strings.Contains(r.message(), "before the time ran out") {
		return false
	}
	return run.ExitStatus(r.summary, r.err) != c.exit || !strings.Contains(r.everything(), c.says)
}

func (w row) check(t *testing.T, j int, r, calm *servedRun) {
	c, p := w.cells[j], phases()[j]
	if t.Failed() || r == nil {
		return
	}
	complain := func(format string, args ...any) {
		t.Helper()
		t.Errorf(format+"\nfaults: %s\nmessage: %s\nsaid:\n  %s", append(args, r.faults, r.message(), strings.Join(r.said, "\n  "))...)
	}
	if !r.hit.Load() {
		complain("the fault did not happen")
	}
	if got := run.ExitStatus(r.summary, r.err); got != c.exit {
		complain("exit status %d, want %d", got, c.exit)
	}
	for name := range r.left() {
		if !w.on || name != c.victim || !strings.Contains(r.message(), name) || !strings.Contains(r.message(), "may still be on") {
			complain("%s is still on", name)
		}
	}
	unreachable := ""
	if w.on {
		unreachable = c.victim
	}
	if e := r.wrongOrder(unreachable); e != "" {
		complain("source off while the load was on: %s", e)
	}
	whole := 0
	for i, had := range r.record.Rows {
		if had.Valid && had.Settled {
			whole++
		}
		if i < p.points && !(had.Valid && alikeRow(had, calm.record.Rows[i])) {
			complain("point %d from before is %+v", i+1, had)
		}
	}
	if whole < p.points {
		complain("%d whole points kept, %d were finished before", whole, p.points)
	}
	if p.name == "measure" && c.exit >= 4 && !w.full {
		// the point under way is kept, too, and says why it is not valid
		if last := r.record.Rows[len(r.record.Rows)-1]; len(r.record.Rows) <= p.points || last.Valid || !strings.Contains(last.Why, "broken off") {
			complain("the point that was broken off: %+v", last)
		}
	}
	if all := r.everything(); c.says != "" && (!strings.Contains(all, c.says) || !w.full && !strings.Contains(all, c.victim) && !strings.Contains(all, roleOf(c.victim))) {
		complain("nobody says %q of %s", c.says, c.victim)
	}
	if c.exit == 0 && (len(r.record.Rows) != 4 || whole != 4) {
		complain("%d points, %d whole, of a run that ends well", len(r.record.Rows), whole)
	}
	if r.record.Manifest.Exit != c.exit || !r.record.Finished {
		complain("the record says exit %d, finished %v", r.record.Manifest.Exit, r.record.Finished)
	}
}

// everything is all that was said to people: the message, what went over the screen, and why points are not valid.
func (r *servedRun) everything() string {
	all := r.message() + "\n" + strings.Join(r.said, "\n")
	for _, p := range r.record.Rows {
		all += "\n" + p.Why
	}
	return all
}

func roleOf(instrument string) string {
	if instrument == feed {
		return "feed"
	}
	return instrument
}

// alikeRow compares a point with that of another run of the same bench: within the uncertainty of both.
func alikeRow(a, b record.Point) bool {
	for name, cell := range b.Cells {
		got := a.Cells[name]
		if !(math.Abs(got.SI-cell.SI) <= 1e-9+orZero(got.U)+orZero(cell.U)) {
			return false
		}
	}
	return true
}

func orZero(x float64) float64 {
	if math.IsNaN(x) {
		return 0
	}
	return x
}

// said is the heading behind the table.
const said = "## What is said of it"

// matrixTable is the page: what each fault in each part of a run came to.
func matrixTable(list []row, results [][5]*servedRun) string {
	var b strings.Builder
	b.WriteString(`# What becomes of a run when something goes wrong

Made by ` + "`go test ./internal/e2e -run TestFaultMatrix -update`" + `: the simulated bench on real sockets, one run for each cell, the fault in the second of
two passes. A cell shows which instrument has the fault, the exit status (0 all well, 2 points not valid and so undecided, 4 bench, 5 safety) and
what is left on, by the simulator's own log. In every cell the load goes off before the source wherever both are on and can be
reached, and every point that was finished before is kept.

| fault |`)
	for _, p := range phases() {
		b.WriteString(" " + p.name + " |")
	}
	b.WriteString("\n|---|---|---|---|---|---|\n")
	for i, w := range list {
		b.WriteString("| " + w.name + " |")
		for j := range phases() {
			r := results[i][j]
			if r == nil {
				b.WriteString(" - |")
				continue
			}
			left := "all off"
			for name := range r.left() {
				left = name + " may be on, and is said to be"
			}
			fmt.Fprintf(&b, " %s: %d, %s |", w.cells[j].victim, run.ExitStatus(r.summary, r.err), left)
		}
		b.WriteString("\n")
	}
	b.WriteString("\n" + said + "\n\nThe cause as the run states it, of a fault while measuring; where the run goes on, why the point is not valid.\n\n")
	for i, w := range list {
		if r := results[i][2]; r != nil {
			fmt.Fprintf(&b, "- **%s**: %s\n", w.name, r.stated())
		}
	}
	return b.String()
}

// stated is what the run says of its fault, in one sentence that is the same in every run.
func (r *servedRun) stated() string {
	text := r.summary.Cause.String()
	if r.summary.Cause == (run.Cause{}) {
		text = "nothing: the run ends as an undisturbed one"
		for _, p := range r.record.Rows {
			if !p.Valid {
				text = p.Why
			}
		}
	}
	return sameEveryTime(text)
}
