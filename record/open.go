package record

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"path/filepath"
	"sort"
	"strings"
	"time"
)

// What a reader takes at most; a record beyond that is read up to there and the rest is reported.
const (
	maxManifest = 64 << 20
	maxParts    = 8 << 20 // values of a manifest: each takes some bytes in the file and up to some 200 in memory
	maxFiles    = 10000
	maxHashed   = 256 << 30 // bytes of a file of any kind
	maxMemory   = 1 << 30   // what rows, or events, may take in memory, estimated
	maxFile     = 1 << 30   // bytes of points.csv, and of log.jsonl
	maxLine     = 4 << 20
	maxProblems = 50
)

// Record is a run read back.
type Record struct {
	Dir string
	Manifest
	Finished bool // the run wrote its manifest
	Rows     []Point
	Log      []Event
	Problems []string // what is torn, damaged or missing, in words

	listed bool // there is a manifest
}

// Open reads a record. Points come from points.csv alone; verdicts and the rest from the manifest, or from the log where
// the run ended without one. What is torn or damaged is left out and reported in Problems; an error means that the folder
// holds no record that can be read.
func Open(dir string) (*Record, error) {
	r := &Record{Dir: dir}
	var found problems
	if err := r.readManifest(&found); err != nil {
		return nil, err
	}
	logged, err := r.readLog(&found)
	if err != nil {
		return nil, err
	}
	if !r.listed {
		if !logged {
			return nil, fmt.Errorf("%s holds no record: neither %s nor the start of a run in %s", dir, ManifestFile, LogFile)
		}
		r.rebuild()
		found.add("the run has no %s: it was cut off, or is still going on; what follows was put together from its log", ManifestFile)
	}
	if err := r.readRows(&found); err != nil {
		return nil, err
	}
	if r.listed && r.Points != len(r.Rows) {
		found.add("the manifest counts %d points, %s has %d whole rows", r.Points, PointsFile, len(r.Rows))
	}
	r.Points = len(r.Rows)
	r.Problems = found.list()
	return r, nil
}

// memory is an account of what is kept while reading.
type memory int64

// take tells whether there is room for so many bytes more.
func (m *memory) take(bytes int) bool {
	*m -= memory(bytes)
	return *m >= 0
}

// problems collects what is wrong, a bounded number of it.
type problems struct {
	texts []string
	more  int
}

func (p *problems) add(format string, args ...any) {
	if len(p.texts) >= maxProblems {
		p.more++
		return
	}
	p.texts = append(p.texts, fmt.Sprintf(format, args...))
}

func (p *problems) list() []string {
	if p.more > 0 {
		return append(p.texts, fmt.Sprintf("and %d more of this kind", p.more))
	}
	return p.texts
}

func (r *Record) readManifest(found *problems) error {
	data, err := readManifestFile(r.Dir)
	var link *NotAFileError
	switch {
	case errors.As(err, &link):
		found.add("%v", err)
		return nil
	case err != nil || data == nil:
		return err
	}
	m, err := parseManifest(data)
	if err != nil {
		var other *VersionError
		if errors.As(err, &other) {
			return fmt.Errorf("record %s: %w", r.Dir, err)
		}
		found.add("%s cannot be read: %v", ManifestFile, err)
		return nil
	}
	r.Manifest, r.listed, r.Finished = *m, true, m.Rebuilt == nil
	if m.Rebuilt != nil {
		found.add("the run was cut off: its %s was put together from its log on %s", ManifestFile, m.Rebuilt.At.Format(time.RFC3339))
	}
	return nil
}

func (r *Record) readRows(found *problems) error {
	f, err := readInside(r.Dir, PointsFile)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("record: %w", err)
	}
	defer f.Close()
	t, err := readPoints(f, r.Columns, found)
	if err != nil {
		return fmt.Errorf("record %s: %w", PointsFile, err)
	}
	r.Columns, r.Parts, r.Rows = t.columns, t.parts, t.rows
	return nil
}

// readLog reads log.jsonl; logged is false where it does not hold the start of a run.
func (r *Record) readLog(found *problems) (logged bool, err error) {
	f, err := readInside(r.Dir, LogFile)
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	if err != nil {
		return false, fmt.Errorf("record: %w", err)
	}
	defer f.Close()
	lines, left := newLines(f), memory(maxMemory)
	for {
		line, whole, err := lines.next()
		if err == io.EOF {
			break
		}
		if err == nil && !left.take(200+8*len(line)) {
			lines.stopped = true
			break
		}
		if err != nil {
			return logged, fmt.Errorf("record %s: %w", LogFile, err)
		}
		if !whole {
			found.add("%s: the last line is torn and was left out", LogFile)
			break
		}
		if bytes.Contains(line, []byte(sealMark)) {
			continue // for Check
		}
		e, err := parseEvent(line)
		if err != nil {
			found.add("%s:%d: left out: %v", LogFile, lines.number, err)
			continue
		}
		r.Log = append(r.Log, e)
		logged = logged || e.Kind == kindStart
	}
	if lines.stopped {
		found.add("%s: only the first %d lines were read", LogFile, lines.number)
	}
	return logged, nil
}

func parseEvent(line []byte) (Event, error) {
	var fields map[string]any
	if err := json.Unmarshal(line, &fields); err != nil {
		return Event{}, err
	}
	text := func(name string) string { s, _ := fields[name].(string); return s }
	e := Event{Level: text("level"), Kind: text("kind"), Text: text("message")}
	e.Time, _ = time.Parse(time.RFC3339Nano, text("time"))
	if t, ok := fields["t"].(float64); ok {
		e.At = seconds(t)
	}
	for name := range lineNames {
		delete(fields, name)
	}
	if len(fields) > 0 {
		e.Fields = fields
	}
	return e, nil
}

// rebuild puts a manifest together from the log.
func (r *Record) rebuild() {
	m := &r.Manifest
	*m = Manifest{Format: Version}
	ended := false
	for _, e := range r.Log {
		switch e.Kind {
		case kindStart:
			again(e.Fields["start"], &m.Start)
			again(e.Fields["started"], &m.Started)
		case kindInstruments:
			again(e.Fields["instruments"], &m.Instruments)
		case kindColumns:
			again(e.Fields["columns"], &m.Columns)
			again(e.Fields["parts"], &m.Parts)
		case kindVerdict:
			var v Verdict
			if again(e.Fields["verdict"], &v) {
				m.Verdicts = append(m.Verdicts, v)
			}
		case kindResult:
			var v Result
			if again(e.Fields["result"], &v) {
				m.Results = append(m.Results, v)
			}
		case kindResumed:
			m.takeResumed(e)
			ended = false
		case kindEnd:
			ended = again(e.Fields["end"], &m.End)
		}
		m.Ended, m.DurationSeconds = e.Time, e.At.Seconds()
	}
	if checkColumns(m.Columns) != nil {
		m.Columns = nil // the header of points.csv says enough
	}
	for i := range m.Columns {
		m.Columns[i].Dim = DimensionOf(m.Columns[i].Unit)
	}
	if m.Outcome == "" {
		m.Outcome = Overall(m.Verdicts)
	}
	if m.Reason == "" && !ended {
		m.Reason = "the run was cut off before it could end"
	}
	m.Counts = Count(m.Verdicts)
}

// again reads a value, which came out of JSON, as the type it was written from.
func again(from, into any) bool {
	data, err := json.Marshal(from)
	return err == nil && json.Unmarshal(data, into) == nil
}

// Verify compares every file with the manifest's hashes and says, in words, which are missing, changed or not listed.
// Nothing is found in a record without a manifest, which has no hashes. [Check] says more.
func (r *Record) Verify() ([]string, error) {
	if !r.listed {
		return nil, nil
	}
	c, err := Check(r.Dir)
	if err != nil {
		return nil, err
	}
	var out []string
	for _, d := range c.Differences {
		out = append(out, d.Text)
	}
	return out, nil
}

func attach(dir string, f Attachment) error {
	below, inReport := strings.CutPrefix(f.Name, reportFolder+"/")
	clean := f.Name == cleanName(f.Name)
	if inReport {
		clean = true
		for _, part := range strings.Split(below, "/") {
			clean = clean && part == cleanName(part)
		}
	}
	if !clean || f.Name == ManifestFile || grows(f.Name) {
		return fmt.Errorf("record: %q cannot be attached", f.Name)
	}
	if inReport {
		if err := mkdirInside(dir, path.Dir(f.Name)); err != nil {
			return fmt.Errorf("record: %w", full(err))
		}
	}
	return replace(filepath.Join(dir, filepath.FromSlash(f.Name)), f.Data)
}

// reportFolder is where reports keep files of their own.
const reportFolder = "report"

// Attachment is a file that was made from a record and is kept in it.
type Attachment struct {
	Name string
	Data []byte
}

// Attach writes files into a record and enters their hashes into the manifest, where there is one. A name is that of a file beside the
// manifest, or begins with "report/" and has more folders below. The files of the run itself cannot be attached, and their hashes stay as
// they were.
func Attach(dir string, files ...Attachment) error {
	for _, f := range files {
		if err := attach(dir, f); err != nil {
			return err
		}
	}
	data, err := readManifestFile(dir)
	if err != nil || data == nil {
		return err
	}
	m, err := parseManifest(data)
	if _, right := ownHash(data); err != nil || !right {
		return nil // it was altered: with new hashes in it nobody would see that any more
	}
	now := make([]File, 0, len(files))
	fresh := map[string]bool{}
	for _, f := range files {
		fresh[f.Name] = true
		sum := sha256.Sum256(f.Data)
		now = append(now, File{Path: f.Name, Bytes: int64(len(f.Data)), SHA256: hex.EncodeToString(sum[:])})
	}
	var list []File
	for _, f := range m.Files {
		if !fresh[f.Path] {
			list = append(list, f)
		}
	}
	list = append(list, now...)
	sort.Slice(list, func(i, k int) bool { return list[i].Path < list[k].Path })
	m.Files = list
	return saveManifest(dir, m)
}
