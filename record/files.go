package record

import (
	"crypto/sha256"
	"encoding/hex"
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
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		name, err := filepath.Rel(dir, path)
		if err != nil || !d.Type().IsRegular() || name == ManifestFile || strings.HasSuffix(name, besideSuffix) {
			return err
		}
		f, err := hashFile(path)
		if err != nil {
			return err
		}
		f.Path = filepath.ToSlash(name)
		files = append(files, f)
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("record hashes: %w", err)
	}
	sort.Slice(files, func(i, j int) bool { return files[i].Path < files[j].Path })
	return files, nil
}

func hashFile(path string) (File, error) {
	f, err := os.Open(path)
	if err != nil {
		return File{}, err
	}
	defer f.Close()
	h := sha256.New()
	n, err := io.Copy(h, f)
	if err != nil {
		return File{}, err
	}
	return File{Bytes: n, SHA256: hex.EncodeToString(h.Sum(nil))}, nil
}

// besideSuffix marks a file that is being written beside the one it will replace.
const besideSuffix = ".part"

// WriteWhole writes a file beside its place and renames it, so that a reader sees the old file or the new one, never half.
func WriteWhole(path string, data []byte) error {
	beside := path + besideSuffix
	if err := os.WriteFile(beside, data, 0o666); err != nil {
		return fmt.Errorf("record: %w", err)
	}
	if err := os.Rename(beside, path); err != nil {
		os.Remove(beside)
		return fmt.Errorf("record: %w", err)
	}
	return nil
}
