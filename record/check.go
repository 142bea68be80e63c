package record

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"sort"
	"strings"
)

// Difference is one way in which a record is not what its run left.
type Difference struct {
	File string `json:"file"`
	Kind string `json:"kind"`            // altered, reordered, cut, grown, missing, added, link
	From int    `json:"after,omitempty"` // number of the last seal before it that still fits
	To   int    `json:"before,omitempty"`
	Text string `json:"text"` // in words, the file first
}

// The kinds of difference.
const (
	Altered   = "altered"
	Reordered = "reordered"
	Cut       = "cut"
	Grown     = "grown"
	Missing   = "missing"
	Added     = "added"
	Linked    = "link"
)

// Checked is what a check of a record found.
type Checked struct {
	Record      string       `json:"record"`
	ID          string       `json:"id,omitempty"`
	Whole       bool         `json:"whole"`    // nothing differs
	Finished    bool         `json:"finished"` // the run wrote its manifest
	InUse       bool         `json:"in_use"`
	Seals       int          `json:"seals"`
	LastSeal    string       `json:"last_seal,omitempty"`
	Manifest    string       `json:"manifest_sha256,omitempty"` // to be kept elsewhere: who knows it can show that nothing was written anew
	Differences []Difference `json:"differences"`
	Notes       []string     `json:"notes"` // what no seal and no manifest covers

	seals []readSeal
	cuts  map[string]bool
}

// ErrNoRecord says that a folder holds no record.
var ErrNoRecord = errors.New("no record")

// Check holds every file of the record in dir against the seals of its log and the hashes of its manifest. A record that was cut off is
// checked up to its last seal. Nothing outside the folder is read. An error means that there is no record, or that it cannot be read.
func Check(dir string) (*Checked, error) {
	c := &Checked{Record: dir, Differences: []Difference{}, Notes: []string{}, cuts: map[string]bool{}, InUse: InUse(dir)}
	data, err := readManifestFile(dir)
	var link *NotAFileError
	if err != nil && !errors.As(err, &link) {
		return nil, err
	}
	var m *Manifest
	if data != nil {
		if m, err = c.manifest(data); err != nil {
			return nil, err
		}
	}
	log := &logCheck{Checked: c, sum: newTally(), inputs: map[string]File{}, expect: map[string][]expectation{}}
	if err := log.read(dir); err != nil {
		return nil, err
	}
	if !log.started && data == nil && link == nil {
		return nil, fmt.Errorf("%s: %w: neither %s nor the start of a run in %s", dir, ErrNoRecord, ManifestFile, LogFile)
	}
	for _, name := range []string{PointsFile, TermsFile, WireFile} {
		if err := c.against(dir, name, log.expect[name]); err != nil {
			return nil, err
		}
	}
	if err := c.list(dir, m, data != nil || link != nil, log); err != nil {
		return nil, err
	}
	sort.SliceStable(c.Differences, func(i, k int) bool { return c.Differences[i].File < c.Differences[k].File })
	c.Whole = len(c.Differences) == 0
	if m != nil {
		c.ID, c.Finished, c.Manifest = m.ID, m.Rebuilt == nil, m.Hash
	}
	return c, nil
}

func (c *Checked) differ(file, kind string, from, to int, format string, args ...any) {
	if len(c.Differences) >= 10*maxProblems {
		return
	}
	c.Differences = append(c.Differences, Difference{file, kind, from, to, file + " " + fmt.Sprintf(format, args...)})
}

func (c *Checked) has(file string) bool {
	for _, d := range c.Differences {
		if d.File == file {
			return true
		}
	}
	return false
}

// manifest judges record.json by itself; nil where it says nothing that can be relied on.
func (c *Checked) manifest(data []byte) (*Manifest, error) {
	m, err := parseManifest(data)
	var other *VersionError
	if _, right := ownHash(data); !right {
		c.differ(ManifestFile, Altered, 0, 0, "was changed after the run: its own hash does not fit")
		return nil, nil
	}
	if errors.As(err, &other) {
		return nil, fmt.Errorf("record %s: %w", c.Record, err)
	}
	if err != nil {
		c.differ(ManifestFile, Altered, 0, 0, "cannot be read: %v", err)
		return nil, nil
	}
	return m, nil
}

// expectation is what the seal of a number says of a file.
type expectation struct {
	seal int
	sealed
}

// logCheck reads the log of a record and collects what its seals say.
type logCheck struct {
	*Checked
	sum     tally
	inputs  map[string]File
	expect  map[string][]expectation // by file, in the order of the seals
	started bool
	ended   bool // the log has the end of the run
	closed  bool // and a seal behind it: the manifest is written next
	broken  bool // the log differs; what follows says nothing more about itself
	at      sealed
}

func (c *logCheck) read(dir string) error {
	f, err := readInside(dir, LogFile)
	if errors.Is(err, fs.ErrNotExist) {
		c.differ(LogFile, Missing, 0, 0, "is missing")
		return nil
	}
	var link *NotAFileError
	if errors.As(err, &link) {
		return nil // told with the list of files
	}
	if err != nil {
		return fmt.Errorf("record: %w", err)
	}
	defer f.Close()
	lines := newLines(f)
	for {
		line, whole, err := lines.next()
		if err == io.EOF {
			break
		}
		if err != nil {
			return fmt.Errorf("record %s: %w", LogFile, err)
		}
		if !whole && line == nil {
			c.differ(LogFile, Altered, c.Seals, 0, "has a line %d that is too long to be one of a run", lines.number)
			return nil
		}
		if !whole {
			c.Notes = append(c.Notes, fmt.Sprintf("%s ends in a torn line of %d bytes", LogFile, len(line)))
			break
		}
		c.line(line)
		c.sum.Write(line)
		c.sum.Write([]byte{'\n'})
		if len(c.seals) > maxSeals {
			return fmt.Errorf("record %s: there are more than %d seals", LogFile, maxSeals)
		}
	}
	if lines.stopped {
		return fmt.Errorf("record %s is larger than %d bytes", LogFile, maxFile)
	}
	if left := c.sum.bytes - c.at.Bytes; left > 0 && c.Seals == 0 {
		c.Notes = append(c.Notes, "the run was cut off before its first seal: nothing in its log can be verified")
	}
	return nil
}

const maxSeals = 1 << 20

// line looks at one line, which begins where the tally stands.
func (c *logCheck) line(line []byte) {
	if strings.Contains(string(line), sealMark) {
		c.seal(line)
		return
	}
	if c.started && !strings.Contains(string(line), `"kind":"`+kindInput+`"`) && !strings.Contains(string(line), `"kind":"`+kindCut+`"`) &&
		!strings.Contains(string(line), `"kind":"`+kindKept+`"`) && !strings.Contains(string(line), `"kind":"`+kindEnd+`"`) && !strings.Contains(string(line), `"kind":"`+kindResumed+`"`) {
		return
	}
	var l struct {
		Kind   string `json:"kind"`
		Path   string `json:"path"`
		Bytes  int64  `json:"bytes"`
		SHA256 string `json:"sha256"`
		File   string `json:"file"`
		Start  struct {
			ID string `json:"id"`
		} `json:"start"`
	}
	if json.Unmarshal(line, &l) != nil {
		return
	}
	switch l.Kind {
	case kindStart:
		c.started = true
		c.ID = l.Start.ID
	case kindInput:
		if len(c.inputs) < maxFiles {
			c.inputs[l.Path] = File{Path: l.Path, Bytes: l.Bytes, SHA256: l.SHA256}
		}
	case kindKept:
		if l.SHA256 == "" { // it is being replaced
			delete(c.inputs, l.Path)
		} else if len(c.inputs) < maxFiles {
			c.inputs[l.Path] = File{Path: l.Path, Bytes: l.Bytes, SHA256: l.SHA256}
		}
	case kindCut: // what earlier seals say of what was behind it cannot be held against the file any more
		had := c.expect[l.File]
		for len(had) > 0 && had[len(had)-1].Bytes > l.Bytes {
			had = had[:len(had)-1]
		}
		c.expect[l.File] = had
	case kindEnd:
		c.ended = true
	case kindResumed:
		c.ended, c.closed = false, false
	}
}

func (c *logCheck) seal(line []byte) {
	s, own := parseSeal(line)
	number := c.Seals + 1
	switch {
	case c.broken && !own:
		return
	case !own:
		c.differ(LogFile, Altered, c.Seals, number, "was changed: it differs in seal %d itself", number)
		c.broken = true
		return
	case !c.broken && (s.Number != number || s.Previous != c.LastSeal):
		c.differ(LogFile, Altered, c.Seals, s.Number, "has seal %d where seal %d was to come: lines were taken out or put in another order", s.Number, number)
		c.broken = true
	case !c.broken && s.Files[LogFile] != c.sum.state():
		c.differ(LogFile, kindOf(s.Files[LogFile], c.sum.state()), c.Seals, number, "%s", between(c.Seals, number, s.Files[LogFile], c.sum.state()))
		c.broken = true
	}
	c.closed = c.closed || c.ended
	c.Seals, c.LastSeal, c.at = s.Number, s.SHA256, s.Files[LogFile]
	c.seals = append(c.seals, readSeal{Number: s.Number})
	for name, said := range s.Files {
		if name != LogFile {
			c.expect[name] = append(c.expect[name], expectation{s.Number, said})
		}
	}
}

func kindOf(want, got sealed) string {
	if want.Lines == got.Lines && want.Mix == got.Mix && want.Bytes == got.Bytes {
		return Reordered
	}
	return Altered
}

// between says where a file differs.
func between(from, to int, want, got sealed) string {
	text := fmt.Sprintf("was changed: it differs between seal %d and seal %d", from, to)
	if from == 0 {
		text = fmt.Sprintf("was changed: it differs before seal %d", to)
	}
	if kindOf(want, got) == Reordered {
		text += ": the same lines are there in another order"
	}
	return text
}

// against holds a file that only grows against what the seals say of it.
func (c *Checked) against(dir, name string, wants []expectation) error {
	f, err := readInside(dir, name)
	var link *NotAFileError
	switch {
	case errors.As(err, &link):
		return nil // told with the list of files
	case errors.Is(err, fs.ErrNotExist):
		if len(wants) > 0 {
			c.differ(name, Missing, 0, 0, "is missing")
		}
		return nil
	case err != nil:
		return fmt.Errorf("record: %w", err)
	}
	defer f.Close()
	sum, good := newTally(), 0
	for _, want := range wants {
		if want.Bytes < sum.bytes {
			c.differ(name, Altered, good, want.seal, "is said to be shorter by seal %d than by the one before", want.seal)
			return nil
		}
		if _, err := io.CopyN(&sum, f, want.Bytes-sum.bytes); err == io.EOF {
			c.differ(name, Cut, good, want.seal, "is cut short: it has %d bytes, seal %d covers %d", sum.bytes, want.seal, want.Bytes)
			return nil
		} else if err != nil {
			return fmt.Errorf("record %s: %w", name, err)
		}
		if got := sum.state(); got != want.sealed {
			c.differ(name, kindOf(want.sealed, got), good, want.seal, "%s", between(good, want.seal, want.sealed, got))
			return nil
		}
		good = want.seal
	}
	info, err := f.Stat()
	if err != nil {
		return fmt.Errorf("record %s: %w", name, err)
	}
	if left := info.Size() - sum.bytes; left > 0 {
		c.Notes = append(c.Notes, fmt.Sprintf("%s has %d bytes behind what the last seal covers", name, left))
	}
	return nil
}

// list holds the names in the folder against the manifest, or against the log where there is none.
func (c *Checked) list(dir string, m *Manifest, listed bool, log *logCheck) error {
	want := map[string]File{}
	if m != nil {
		for _, f := range m.Files {
			want[f.Path] = f
		}
		if !log.broken && (m.Seals != c.Seals || m.LastSeal != c.LastSeal) {
			c.differ(LogFile, Cut, c.Seals, m.Seals, "ends with seal %d, the manifest was written after seal %d", c.Seals, m.Seals)
		}
	} else {
		for name, f := range log.inputs {
			want[name] = f
		}
		switch {
		case listed || c.InUse:
		case log.closed:
			c.differ(ManifestFile, Missing, 0, 0, "is missing, although the log has the end of the run")
		case log.ended:
			c.Notes = append(c.Notes, "the run ended, but could not write "+ManifestFile+": its disk was full, or it was cut off then")
		}
	}
	seen := map[string]bool{}
	err := walkInside(dir, func(name string, regular bool) error {
		seen[name] = true
		f, known := want[name]
		switch {
		case !regular:
			c.differ(name, Linked, 0, 0, "is no regular file; it was not looked into")
		case name == ManifestFile:
		case known:
			return c.same(dir, f)
		case m == nil && notListed(name):
		case strings.HasSuffix(name, besideSuffix):
			c.Notes = append(c.Notes, name+" was being written when something was cut off; it belongs to nothing")
		case m != nil:
			c.differ(name, Added, 0, 0, "is not in the manifest")
		default:
			c.differ(name, Added, 0, 0, "is not in the log")
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("record: %w", err)
	}
	for name := range want {
		if !seen[name] && !c.has(name) {
			c.differ(name, Missing, 0, 0, "is missing")
		}
	}
	return nil
}

// notListed tells which files a record without a manifest may have beside its inputs.
func notListed(name string) bool {
	return path.Dir(name) != InputsFolder
}

// same compares one file with its hash.
func (c *Checked) same(dir string, want File) error {
	got, err := hashFile(dir, want.Path, want.Bytes)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("record: %w", err)
	}
	if strings.EqualFold(got.SHA256, want.SHA256) || c.has(want.Path) {
		return nil
	}
	switch {
	case got.Bytes < want.Bytes:
		c.differ(want.Path, Cut, 0, 0, "was changed after the run: it has %d bytes, the manifest says %d", got.Bytes, want.Bytes)
	case got.Bytes > want.Bytes:
		c.differ(want.Path, Grown, 0, 0, "was changed after the run: it has %d bytes, the manifest says %d", got.Bytes, want.Bytes)
	case grows(want.Path):
		c.differ(want.Path, Altered, c.Seals, 0, "was changed after the run: it differs after seal %d", c.Seals)
	default:
		c.differ(want.Path, Altered, 0, 0, "was changed after the run: its hash is not the manifest's")
	}
	return nil
}

func grows(name string) bool {
	return name == PointsFile || name == TermsFile || name == WireFile || name == LogFile
}
