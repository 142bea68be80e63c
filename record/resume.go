package record

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sort"

	"fourwire/internal/clock"
	"fourwire/quantity/measured"
)

// earlierFolder keeps the manifests of a record from before its run went on.
const earlierFolder = "earlier"

// Continued is a record whose run goes on.
type Continued struct {
	Rows     []Point // whole ones, with their terms left out: see [ReadTerms]
	Verdicts []Verdict
	Held     []Point // what had been measured of points that are not whole, last state of each
	Log      []Event
	Cut      []string // what was cut off, in words
}

// Resume opens a record to go on where its run ended. Torn lines, and points that were broken off, are cut off and kept beside their files;
// verdicts of points that are not whole, and those over all points, count no more. A record that was altered is refused, and so is one that
// somebody still writes, or whose run came to its end.
func Resume(dir, tool string, c clock.Clock, ledger *measured.Ledger) (*Writer, *Continued, error) {
	w := &Writer{dir: dir, clock: clock.Or(c), ledger: ledger, open: openAppend, resumed: true}
	var err error
	if w.lock, err = lockRecord(dir); err != nil {
		return nil, nil, err
	}
	on, err := w.resume(tool)
	if err != nil {
		return nil, nil, errors.Join(err, w.closeFiles())
	}
	w.syncing = startSyncer(w)
	return w, on, nil
}

func (w *Writer) resume(tool string) (*Continued, error) {
	checked, err := Check(w.dir)
	if err != nil {
		return nil, err
	}
	for _, d := range checked.Differences {
		if d.Kind != Cut || !grows(d.File) || checked.Finished { // a cut in power takes an end away
			return nil, fmt.Errorf("the record cannot go on, because it was altered: %s", d.Text)
		}
	}
	on := &Continued{}
	for _, name := range []string{PointsFile, TermsFile, WireFile, LogFile} {
		cut, err := cutTorn(w.dir, name)
		if err != nil {
			return nil, err
		}
		if cut > 0 {
			on.Cut = append(on.Cut, fmt.Sprintf("%s: a torn last line of %d bytes", name, cut))
		}
	}
	recovered, err := recoverTraces(w.dir)
	if err != nil {
		return nil, err
	}
	on.Cut = append(on.Cut, recovered...)
	r, err := Open(w.dir)
	if err != nil {
		return nil, err
	}
	if r.Finished && r.Reason == "" {
		return nil, errors.New("the run of this record came to its end: there is nothing to go on with")
	}
	kept, err := w.cutBrokenOff(r, on)
	if err != nil {
		return nil, err
	}
	w.manifest = r.Manifest
	m := &w.manifest
	w.started = m.Started
	ended := Resumed{At: m.Started.Add(w.clock.Since(w.started)), Points: len(kept), Tool: tool, Ended: m.Ended, Because: m.Reason}
	on.Rows, on.Log = kept, r.Log
	on.Verdicts = onlyOf(m.Verdicts, kept)
	on.Held = heldPoints(r)
	if err := w.putAside(); err != nil {
		return nil, err
	}
	if err := w.reopen(checked, r); err != nil {
		return nil, err
	}
	m.Verdicts, m.Results, m.Points = on.Verdicts, nil, len(kept)
	m.End, m.Rebuilt, m.Files = End{}, nil, nil
	m.Resumed = append(m.Resumed, ended)
	return on, w.tellResumed(kept, ended)
}

// cutBrokenOff cuts the points that were broken off, which are the last ones, and gives the others.
func (w *Writer) cutBrokenOff(r *Record, on *Continued) ([]Point, error) {
	rows := r.Rows
	for len(rows) > 0 && isBrokenOff(rows[len(rows)-1]) {
		rows = rows[:len(rows)-1]
	}
	cut := len(r.Rows) - len(rows)
	if cut == 0 {
		return rows, nil
	}
	data, err := readInside(w.dir, PointsFile)
	if err != nil {
		return nil, fmt.Errorf("record: %w", err)
	}
	defer data.Close()
	// a row is one line; the last ones are at the end
	info, err := data.Stat()
	if err != nil {
		return nil, fmt.Errorf("record: %w", err)
	}
	end := info.Size()
	for range cut {
		if end, err = lastLine(data, end-1); err != nil {
			return nil, fmt.Errorf("record %s: %w", PointsFile, err)
		}
	}
	if _, err := cutBack(w.dir, PointsFile, end); err != nil {
		return nil, err
	}
	on.Cut = append(on.Cut, fmt.Sprintf("%s: %d points that were broken off; they are measured again", PointsFile, cut))
	return rows, nil
}

// onlyOf gives the verdicts of the given points.
func onlyOf(verdicts []Verdict, points []Point) []Verdict {
	have := map[int]bool{}
	for _, p := range points {
		have[p.Number] = true
	}
	var out []Verdict
	for _, v := range verdicts {
		if v.Point > 0 && have[v.Point] {
			out = append(out, v)
		}
	}
	return out
}

// putAside moves the manifest of the earlier run away: a record that goes on has none until it ends.
func (w *Writer) putAside() error {
	if _, err := os.Lstat(filepath.Join(w.dir, ManifestFile)); errors.Is(err, os.ErrNotExist) {
		return nil
	}
	folder := filepath.Join(w.dir, earlierFolder)
	if err := os.MkdirAll(folder, 0o777); err != nil {
		return fmt.Errorf("record: %w", err)
	}
	for n := 1; n < maxFiles; n++ {
		to := filepath.Join(folder, fmt.Sprintf("record-%d.json", n))
		if _, err := os.Lstat(to); err == nil {
			continue
		}
		if err := os.Rename(filepath.Join(w.dir, ManifestFile), to); err != nil {
			return fmt.Errorf("record: %w", err)
		}
		return errors.Join(syncFolder(folder), syncFolder(w.dir))
	}
	return errors.New("record: there are too many earlier manifests")
}

// reopen opens the files of a record to append to them.
func (w *Writer) reopen(checked *Checked, r *Record) error {
	if err := w.openLocked(); err != nil {
		return err
	}
	w.chain.number, w.chain.hash = checked.Seals, checked.LastSeal
	if len(r.Columns) > 0 {
		var err error
		if w.points, err = openAppended(w.dir, PointsFile, w.open); err != nil {
			return err
		}
		if w.points.sum.bytes == 0 { // the header went with a cut in power
			if err := w.append(w.points, csvLine(header(r.Columns, r.Parts))); err != nil {
				return fmt.Errorf("record points: %w", err)
			}
		}
		w.setKnown()
	}
	if _, err := os.Lstat(filepath.Join(w.dir, TermsFile)); err == nil {
		if w.terms, err = openAppended(w.dir, TermsFile, w.open); err != nil {
			return err
		}
	}
	return nil
}

// tellResumed writes into the log where the run goes on. Lines of the kind "cut" say up to where each file counts: what earlier seals say of
// more is void.
func (w *Writer) tellResumed(kept []Point, ended Resumed) error {
	var err error
	for _, f := range w.growing() {
		if f != w.events {
			err = errors.Join(err, w.entry("info", kindCut, f.name+" goes on", map[string]any{"file": f.name, "bytes": f.sum.bytes}))
		}
	}
	last, have := 0, map[int]bool{}
	for _, p := range kept {
		last = max(last, p.Number)
		have[p.Number] = true
	}
	open := []int{}
	for n := 1; n < last; n++ {
		if !have[n] {
			open = append(open, n)
		}
	}
	err = errors.Join(err, w.entry("warn", kindResumed, fmt.Sprintf("the run goes on after %d points", len(kept)),
		map[string]any{"resumed": ended, "last": last, "open": open}))
	return errors.Join(err, w.seal())
}

// takeResumed makes a manifest that is put together from the log forget what a run that went on has forgotten.
func (m *Manifest) takeResumed(e Event) {
	var one Resumed
	var last int
	var open []int
	if !again(e.Fields["resumed"], &one) || !again(e.Fields["last"], &last) || !again(e.Fields["open"], &open) {
		return
	}
	m.Resumed = append(m.Resumed, one)
	m.Results, m.End = nil, End{}
	not := map[int]bool{0: true}
	for _, n := range open {
		not[n] = true
	}
	var keep []Verdict
	for _, v := range m.Verdicts {
		if !not[v.Point] && v.Point <= last {
			keep = append(keep, v)
		}
	}
	m.Verdicts = keep
}

// Hold keeps what has been measured of a point so far, before steps below it begin. Should the run end among them, it can go on without
// measuring this again.
func (w *Writer) Hold(p Point) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	if err := w.keepTerms(p); err != nil {
		return fmt.Errorf("record terms: %w", err)
	}
	line := csvLine(row(w.manifest.Columns, w.manifest.Parts, p))
	return w.entry("debug", kindHeld, fmt.Sprintf("point %d so far", p.Number), map[string]any{"point": p.Number, "row": string(bytes.TrimRight(line, "\n"))})
}

// heldPoints reads back what Hold kept.
func heldPoints(r *Record) []Point {
	t := table{columns: r.Columns}
	fields, err := t.readHeader(header(r.Columns, r.Parts))
	if err != nil || len(r.Columns) == 0 {
		return nil
	}
	byNumber := map[int]Point{}
	for _, e := range r.Log {
		if e.Kind != kindHeld {
			continue
		}
		text, _ := e.Fields["row"].(string)
		if p, err := t.readRow(fields, []byte(text)); err == nil {
			byNumber[p.Number] = p
		}
	}
	var out []Point
	for _, p := range byNumber {
		out = append(out, p)
	}
	sort.Slice(out, func(i, k int) bool { return out[i].Number < out[k].Number })
	return out
}
