package record

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"sort"
	"strings"
)

// hashAll lists every regular file of the record but the manifest, sorted by path.
func hashAll(dir string) ([]File, error) {
	var files []File
	err := walkInside(dir, func(name string, regular bool) error {
		if !regular || name == ManifestFile || strings.HasSuffix(name, besideSuffix) {
			return nil
		}
		f, err := hashFile(dir, name, -1)
		files = append(files, f)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("record hashes: %w", err)
	}
	sort.Slice(files, func(i, j int) bool { return files[i].Path < files[j].Path })
	return files, nil
}

// hashFile hashes a file. One that has not the wanted size is not read; a negative size means that any is right.
func hashFile(dir, name string, wantBytes int64) (File, error) {
	f, err := readInside(dir, name)
	if err != nil {
		return File{}, err
	}
	defer f.Close()
	info, err := f.Stat()
	switch {
	case err != nil:
		return File{}, err
	case wantBytes >= 0 && info.Size() != wantBytes:
		return File{Path: name, Bytes: info.Size()}, nil
	case info.Size() > maxHashed:
		return File{}, fmt.Errorf("%s is larger than %d bytes", name, int64(maxHashed))
	}
	h := sha256.New()
	n, err := io.Copy(h, f)
	return File{Path: name, Bytes: n, SHA256: hex.EncodeToString(h.Sum(nil))}, err
}

// besideSuffix marks a file that is being written beside the one it will replace.
const besideSuffix = ".part"

// WriteWhole writes a file beside its place and renames it, so that a reader sees the old file or the new one, never half; after a cut in
// power, too.
func WriteWhole(path string, data []byte) error {
	if err := replace(path, data); err != nil {
		return err
	}
	return syncFolder(filepath.Dir(path))
}

// replace is WriteWhole without the folder being synced.
func replace(path string, data []byte) error {
	beside := path + besideSuffix
	if err := writeSynced(beside, data); err != nil {
		os.Remove(beside)
		return fmt.Errorf("record: %w", full(err))
	}
	if err := os.Rename(beside, path); err != nil {
		os.Remove(beside)
		return fmt.Errorf("record: %w", err)
	}
	return nil
}

func writeSynced(path string, data []byte) error {
	// made anew: what is there may be a link to somewhere else
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o666)
	if err != nil {
		return err
	}
	_, err = f.Write(data)
	if err == nil {
		err = dataSync(f)
	}
	return errors.Join(err, f.Close())
}
