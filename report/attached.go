package report

import (
	"encoding/json"
	"fmt"
	"io/fs"
	"os"
	"path"
	"slices"
	"strings"

	"fourwire/record"
)

// mostFile is the most bytes of a file of an analysis that are read.
const mostFile = 64 << 20

// readInside reads a file of a record, and nothing outside it, as JSON; fs.ErrNotExist where it is not there.
func readInside(dir, name string, into any) error {
	root, err := os.OpenRoot(dir)
	if err != nil {
		return err
	}
	defer root.Close()
	info, err := root.Lstat(name)
	switch {
	case err != nil:
		return err
	case !info.Mode().IsRegular():
		return fmt.Errorf("%s is no regular file", name)
	case info.Size() > mostFile:
		return fmt.Errorf("%s has %d bytes; up to %d are read", name, info.Size(), mostFile)
	}
	data, err := root.ReadFile(name)
	if err != nil {
		return err
	}
	if err := json.Unmarshal(data, into); err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	return nil
}

// kept reads the files of a folder of a record whose names end in suffix. One that cannot be read is left out: it is told as a problem of
// the record elsewhere, by its hash.
func kept[T any](rec *record.Record, folder, suffix string) []T {
	if rec.Dir == "" {
		return nil
	}
	root, err := os.OpenRoot(rec.Dir)
	if err != nil {
		return nil
	}
	defer root.Close()
	list, err := fs.ReadDir(root.FS(), folder)
	if err != nil {
		return nil
	}
	slices.SortStableFunc(list, func(a, b fs.DirEntry) int { // NAME before NAME-2
		return strings.Compare(strings.TrimSuffix(a.Name(), suffix), strings.TrimSuffix(b.Name(), suffix))
	})
	var out []T
	for _, f := range list {
		var one T
		if strings.HasSuffix(f.Name(), suffix) && readInside(rec.Dir, path.Join(folder, f.Name()), &one) == nil {
			out = append(out, one)
		}
	}
	return out
}

// emulations reads how played batteries were left.
func emulations(rec *record.Record) []record.Emulation {
	return kept[record.Emulation](rec, record.EmulationFolder, ".json")
}

// otherLives are those of currents that come from no trace.
func otherLives(rec *record.Record) []record.LifeResult {
	var out []record.LifeResult
	if rec.Dir == "" || readInside(rec.Dir, path.Join(record.AnalysisFolder, "lives.json"), &out) != nil {
		return nil
	}
	return out
}
