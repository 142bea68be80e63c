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
	"path/filepath"
	"strings"
)

// saveManifest writes record.json with its own hash in it.
func saveManifest(dir string, m *Manifest) error {
	m.Columns, m.Verdicts, m.Results = orEmpty(m.Columns), orEmpty(m.Verdicts), orEmpty(m.Results)
	m.Hash = noHash
	data, err := json.MarshalIndent(m, "", "  ")
	if err != nil {
		return fmt.Errorf("record manifest: %w", err)
	}
	data = append(data, '\n')
	at := hashAt(data)
	if at < 0 {
		return errors.New("record manifest: there is no place for its hash")
	}
	sum := sha256.Sum256(data)
	m.Hash = hex.EncodeToString(sum[:])
	copy(data[at:], m.Hash)
	return WriteWhole(filepath.Join(dir, ManifestFile), data)
}

// noHash stands in the place of a manifest's own hash while the hash is taken.
var noHash = strings.Repeat("0", 2*sha256.Size)

// hashAt is where a manifest's own hash begins; -1 where it has none. Quotes inside texts are escaped, so what is looked for is a field.
func hashAt(data []byte) int {
	const field = "\n  \"manifest_sha256\": \""
	at := bytes.LastIndex(data, []byte(field))
	if at < 0 || len(data) < at+len(field)+len(noHash) {
		return -1
	}
	return at + len(field)
}

// ownHash tells whether a manifest is as it was written; what is its hash.
func ownHash(data []byte) (what string, right bool) {
	at := hashAt(data)
	if at < 0 {
		return "", false
	}
	stated := string(data[at : at+len(noHash)])
	blank := bytes.Clone(data)
	copy(blank[at:], noHash)
	sum := sha256.Sum256(blank)
	what = hex.EncodeToString(sum[:])
	return what, what == stated
}

// readManifestFile reads record.json, bounded; nil where there is none.
func readManifestFile(dir string) ([]byte, error) {
	f, err := readInside(dir, ManifestFile)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("record: %w", err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, fmt.Errorf("record: %w", err)
	}
	if info.Size() > maxManifest {
		return nil, fmt.Errorf("record %s: %s is larger than %d bytes", dir, ManifestFile, maxManifest)
	}
	data, err := io.ReadAll(io.LimitReader(f, maxManifest))
	if err != nil {
		return nil, fmt.Errorf("record: %w", err)
	}
	// an object takes much less room in a file than in memory
	if n := bytes.Count(data, []byte("{")) + bytes.Count(data, []byte(",")); n > maxParts {
		return nil, fmt.Errorf("record %s: %s has %d parts, more than %d", dir, ManifestFile, n, maxParts)
	}
	return data, nil
}

// VersionError says that a record was written in a form that this version does not know.
type VersionError struct{ Format string }

func (e *VersionError) Error() string {
	return fmt.Sprintf("%s says %q, this version reads %q; use the version that wrote it, or a newer one", ManifestFile, e.Format, Version)
}

func parseManifest(data []byte) (*Manifest, error) {
	var m Manifest
	if err := json.Unmarshal(data, &m); err != nil {
		return nil, err
	}
	if m.Format != Version {
		return nil, &VersionError{m.Format}
	}
	for i := range m.Columns {
		m.Columns[i].Dim = DimensionOf(m.Columns[i].Unit)
	}
	if err := checkColumns(m.Columns); err != nil {
		return nil, err
	}
	return &m, nil
}
