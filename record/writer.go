package record

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/google/uuid"
	"github.com/rs/zerolog"

	"fourwire/internal/clock"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/record/trace"
)

// The names inside a record.
const (
	ManifestFile = "record.json"
	PointsFile   = "points.csv"
	WireFile     = "wire.jsonl"
	LogFile      = "log.jsonl"
	TermsFile    = "terms.jsonl"
	InputsFolder = "inputs"
)

// Writer appends to one record. Its methods may be called from several goroutines: instruments answer side by side. An
// error of Wire, which has nobody to hand it to, comes back from the next call that returns one.
//
// What a call has handed over survives the end of the process. A cut in power costs what the last second brought: a goroutine of the writer
// hands the files to the disk itself at most once a second, and Finish and Close do.
type Writer struct {
	dir     string
	clock   clock.Clock
	ledger  *measured.Ledger // nil: no error terms are kept
	open    opener
	started time.Time
	syncing *syncer

	mu       sync.Mutex // guards everything below
	manifest Manifest
	points   *appended // nil before Columns
	known    map[string]bool
	wire     *appended
	terms    *appended // nil before the first
	events   *appended
	lock     *os.File
	log      zerolog.Logger
	line     []byte               // reused for lines of messages and terms
	told     map[measured.ID]bool // inputs that have been described
	wireErr  error
	chain    chain
	traces   map[string]*trace.Writer // being recorded, by name
	resumed  bool                     // the run goes on
	unsealed bool                     // only the log is appended to, by somebody who did not start the run
	done     bool
}

// Create starts a record in dir, which is made, with its parents; a folder that has anything in it is refused. The start
// is written to the log at once, so that a run which never ends can still be read.
func Create(dir string, s Start) (*Writer, error) { return create(dir, s, openAppend) }

func create(dir string, s Start, open opener) (*Writer, error) {
	if err := os.MkdirAll(filepath.Join(dir, InputsFolder), 0o777); err != nil {
		return nil, fmt.Errorf("record %s cannot be made: %w", dir, err)
	}
	if err := mustBeFresh(dir); err != nil {
		return nil, err
	}
	w := &Writer{dir: dir, clock: clock.Or(s.Clock), ledger: s.Ledger, open: open}
	w.started = w.clock.Now()
	if s.ID == "" {
		id, err := newID(w.started)
		if err != nil {
			return nil, err
		}
		s.ID = id
	}
	w.manifest = Manifest{Format: Version, Start: s, Started: w.started.Round(0)}
	if err := w.openFiles(); err != nil {
		return nil, err
	}
	err := w.entry("info", kindStart, "run started", map[string]any{"start": w.manifest.Start, "started": w.manifest.Started})
	err = errors.Join(err, syncFolder(dir), syncFolder(filepath.Dir(filepath.Clean(dir))))
	if err != nil {
		w.closeFiles()
		return nil, err
	}
	w.syncing = startSyncer(w)
	return w, nil
}

// openFiles opens what every record has, and takes the record for this writer alone.
func (w *Writer) openFiles() (err error) {
	defer func() {
		if err != nil {
			w.closeFiles()
		}
	}()
	if w.events, err = openAppended(w.dir, LogFile, w.open); err != nil {
		return err
	}
	if w.lock, err = lockRecord(w.dir); err != nil {
		return err
	}
	return w.openLocked()
}

// openLocked opens the log and the wire log; the record has been taken.
func (w *Writer) openLocked() (err error) {
	if w.events == nil {
		if w.events, err = openAppended(w.dir, LogFile, w.open); err != nil {
			return err
		}
	}
	if w.wire, err = openAppended(w.dir, WireFile, w.open); err != nil {
		return err
	}
	w.log = zerolog.New(w.events)
	return nil
}

// growing is the files that only grow.
func (w *Writer) growing() []*appended {
	out := make([]*appended, 0, 4)
	for _, f := range []*appended{w.points, w.terms, w.wire, w.events} { // the log last: a seal on the disk has what it covers before it
		if f != nil {
			out = append(out, f)
		}
	}
	return out
}

// append appends whole lines to a file and has them synced soon.
func (w *Writer) append(f *appended, lines []byte) error {
	if _, err := f.Write(lines); err != nil {
		return err
	}
	w.syncing.soon()
	return nil
}

func mustBeFresh(dir string) error {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return fmt.Errorf("record %s cannot be read: %w", dir, err)
	}
	for _, e := range entries {
		if e.Name() != InputsFolder {
			return fmt.Errorf("record %s has %s in it already: records are never written over; name another folder", dir, e.Name())
		}
	}
	return nil
}

// newID is a UUIDv7 (RFC 9562, clause 5.7) of a moment of the run's own clock.
func newID(at time.Time) (string, error) {
	id, err := uuid.NewRandom()
	if err != nil {
		return "", fmt.Errorf("no identity for the record: %w", err)
	}
	ms := uint64(at.UnixMilli())
	for i := range 6 {
		id[i] = byte(ms >> (8 * (5 - i)))
	}
	id[6] = id[6]&0x0f | 0x70
	return id.String(), nil
}

// Dir is the record's folder.
func (w *Writer) Dir() string { return w.dir }

// ID is the record's identity, a UUIDv7.
func (w *Writer) ID() string { return w.manifest.ID }

// Input keeps a file exactly as it was used. name is its name inside inputs/; of a path only what lies below the folder is
// kept. A second file of the same name and other content gets a number.
func (w *Writer) Input(name string, data []byte) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	name = cleanName(name)
	stem, ext := strings.TrimSuffix(name, filepath.Ext(name)), filepath.Ext(name)
	for n := 2; ; n++ {
		path := filepath.Join(w.dir, InputsFolder, name)
		had, err := os.ReadFile(path)
		switch {
		case errors.Is(err, fs.ErrNotExist):
			if err := replace(path, data); err != nil {
				return err
			}
			sum := sha256.Sum256(data)
			return w.entry("info", kindInput, "input "+name, map[string]any{"path": InputsFolder + "/" + name, "bytes": len(data), "sha256": hex.EncodeToString(sum[:])})
		case err != nil:
			return fmt.Errorf("record input %s: %w", name, err)
		case string(had) == string(data):
			return nil
		}
		name = fmt.Sprintf("%s-%d%s", stem, n, ext)
	}
}

// cleanName keeps the last part of a path, without what could lead out of the folder or trouble another system.
func cleanName(name string) string {
	name = name[strings.LastIndexAny(name, `/\`)+1:]
	name = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || strings.ContainsRune(`<>:"|?*`, r) {
			return '_'
		}
		return r
	}, name)
	if strings.Trim(name, ". ") == "" {
		return "input"
	}
	return name
}

// Instruments sets who answered, once the identities are known; a second call replaces the list.
func (w *Writer) Instruments(list []Instrument) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.manifest.Instruments = append([]Instrument(nil), list...)
	return w.entry("info", kindInstruments, "instruments identified", map[string]any{"instruments": list})
}

// Columns fixes the columns of points.csv, in order; call it once, before the first point. A run that goes on has them, and the same are
// taken once more. parts says that points have a
// Part.
func (w *Writer) Columns(columns []Column, parts bool) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	columns = append([]Column(nil), columns...)
	for i := range columns {
		if columns[i].Unit == "" {
			columns[i].Unit = UnitOf(columns[i].Dim)
		}
	}
	if err := checkColumns(columns); err != nil {
		return err
	}
	if w.points != nil {
		if w.resumed && parts == w.manifest.Parts && slices.Equal(columns, w.manifest.Columns) {
			return nil
		}
		return errors.New("record: the columns are fixed already")
	}
	f, err := openAppended(w.dir, PointsFile, w.open)
	if err != nil {
		return err
	}
	w.points, w.manifest.Columns, w.manifest.Parts = f, columns, parts
	w.setKnown()
	if err := w.append(f, csvLine(header(columns, parts))); err != nil {
		return fmt.Errorf("record points: %w", err)
	}
	if err := w.entry("info", kindColumns, "columns fixed", map[string]any{"columns": columns, "parts": parts}); err != nil {
		return err
	}
	return errors.Join(w.seal(), syncFolder(filepath.Join(w.dir, InputsFolder)), syncFolder(w.dir))
}

func (w *Writer) setKnown() {
	w.known = map[string]bool{}
	for _, c := range w.manifest.Columns {
		w.known[c.Name] = true
	}
}

// UnitOf is the unit that a record writes values of a dimension in: coherent SI, "1" for ratios.
func UnitOf(d quantity.Dimension) string {
	if u := d.Unit(); u != "" {
		return u
	}
	return "1"
}

func checkColumns(columns []Column) error {
	seen := map[string]bool{}
	for _, c := range columns {
		if c.Name == "" || strings.ContainsAny(c.Name, "[](),;= \r\n\"") || fixedColumns[c.Name] {
			return fmt.Errorf("record: %q cannot be the name of a column", c.Name)
		}
		if strings.ContainsAny(c.Unit, "[]\r\n\"") {
			return fmt.Errorf("record: %q cannot be the unit of column %s", c.Unit, c.Name)
		}
		if seen[c.Name] {
			return fmt.Errorf("record: column %s is there twice", c.Name)
		}
		if c.Kind != Coordinate && c.Kind != Measured && c.Kind != Derived {
			return fmt.Errorf("record: column %s has the unknown kind %q", c.Name, c.Kind)
		}
		seen[c.Name] = true
	}
	return nil
}

// Point appends one row to points.csv; the row has been handed to the file when Point returns. Values under names that are
// no columns are an error, missing ones are left empty.
func (w *Writer) Point(p Point) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.points == nil {
		return errors.New("record: a point came before the columns were fixed")
	}
	for name := range p.Cells {
		if !w.known[name] {
			return fmt.Errorf("record: point %d has a value for %q, which is no column", p.Number, name)
		}
	}
	if err := w.keepTerms(p); err != nil {
		return fmt.Errorf("record terms: %w", err)
	}
	if err := w.append(w.points, csvLine(row(w.manifest.Columns, w.manifest.Parts, p))); err != nil {
		return fmt.Errorf("record points: %w", err)
	}
	w.manifest.Points++
	w.chain.points++
	return errors.Join(w.sealWhenDue(), w.takeWireErr())
}

// Verdict keeps one comparison with a limit.
func (w *Writer) Verdict(v Verdict) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.manifest.Verdicts = append(w.manifest.Verdicts, v)
	level := "info"
	if v.Outcome == Fail || v.Outcome == Undecided {
		level = "warn"
	}
	return w.entry(level, kindVerdict, v.Limit+": "+string(v.Outcome), map[string]any{"verdict": v})
}

// Result keeps one value worked out over all points.
func (w *Writer) Result(r Result) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.manifest.Results = append(w.manifest.Results, r)
	return w.entry("info", kindResult, r.Name, map[string]any{"result": r})
}

// Event is one line of the log.
type Event struct {
	Time   time.Time      // set by the writer
	At     time.Duration  // since the start of the run; set by the writer
	Level  string         // debug, info, warn, error; empty is info
	Kind   string         // one word for scripts: "note", "output", "trip"; empty: none
	Text   string         //
	Fields map[string]any // what else belongs to it; names that the line uses itself are left out
}

// Event appends one line to log.jsonl.
func (w *Writer) Event(e Event) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	return errors.Join(w.entry(e.Level, e.Kind, e.Text, e.Fields), w.sealWhenDue())
}

// Finish writes the manifest, with the hash of every file, and closes the record. Calling it again is an error.
func (w *Writer) Finish(end End) error {
	traces := w.finishTraces()
	w.syncing.stop()
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.done {
		return errors.New("record: finished already")
	}
	level, text := "info", "run ended"
	if end.Reason != "" {
		level, text = "error", "run ended early: "+end.Reason
	}
	err := w.entry(level, kindEnd, text, map[string]any{"end": end})
	err = errors.Join(err, w.seal())
	w.done = true
	m := &w.manifest
	m.End = end
	m.DurationSeconds = w.clock.Since(w.started).Seconds()
	m.Ended = m.Started.Add(w.clock.Since(w.started))
	m.Counts = Count(m.Verdicts)
	m.Seals, m.LastSeal = w.chain.number, w.chain.hash
	err = errors.Join(err, traces, w.wireErr, w.closeFiles(), writeManifest(w.dir, m))
	var full *FullError
	if errors.As(err, &full) {
		return full // what else failed, failed for that
	}
	return err
}

// Close closes the files without a manifest, for a run that cannot be finished. After Finish it does nothing.
func (w *Writer) Close() error {
	w.syncing.stop()
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.done {
		return nil
	}
	w.done = true
	return w.closeFiles()
}

// closeFiles hands everything to the disk and closes it.
func (w *Writer) closeFiles() error {
	var all error
	for _, t := range w.traces {
		all = errors.Join(all, t.Close())
	}
	for _, f := range w.growing() {
		all = errors.Join(all, f.sync(), f.f.Close())
	}
	if w.lock != nil {
		all = errors.Join(all, w.lock.Close())
	}
	return all
}

// writeManifest takes the hashes and writes record.json.
func writeManifest(dir string, m *Manifest) error {
	files, err := hashAll(dir)
	if err != nil {
		return err
	}
	m.Files = files
	return saveManifest(dir, m)
}

func orEmpty[T any](list []T) []T {
	if list == nil {
		return []T{}
	}
	return list
}
