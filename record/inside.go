package record

import (
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// readInside opens a file of a record for reading. Only a regular file below dir is opened: what a symbolic link, a pipe or a device would
// give is no part of the record.
func readInside(dir, name string) (*os.File, error) {
	root, err := os.OpenRoot(dir)
	if err != nil {
		return nil, err
	}
	defer root.Close()
	return readIn(root, name)
}

func readIn(root *os.Root, name string) (*os.File, error) {
	name = filepath.FromSlash(name)
	for at := filepath.Dir(name); at != "."; at = filepath.Dir(at) {
		if info, err := root.Lstat(at); err == nil && !info.IsDir() {
			return nil, &NotAFileError{Name: filepath.ToSlash(name)}
		}
	}
	info, err := root.Lstat(name)
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() {
		return nil, &NotAFileError{Name: filepath.ToSlash(name)}
	}
	return root.Open(name)
}

// mkdirInside makes a folder of a record and those above it. A link in its way is refused: what it leads to is no part of the record.
func mkdirInside(dir, name string) error {
	root, err := os.OpenRoot(dir)
	if err != nil {
		return err
	}
	defer root.Close()
	made := root.MkdirAll(filepath.FromSlash(name), 0o777)
	for at := filepath.FromSlash(name); at != "."; at = filepath.Dir(at) {
		if info, err := root.Lstat(at); err == nil && !info.IsDir() {
			return &NotAFileError{Name: filepath.ToSlash(at)}
		}
	}
	return made
}

// NotAFileError says that something in a record is no regular file: a link, a pipe, a folder. It is not looked into.
type NotAFileError struct{ Name string }

func (e *NotAFileError) Error() string {
	return fmt.Sprintf("%s is no regular file, and links out of a record are not followed", e.Name)
}

// walkInside gives every file of a record, by its name with forward strokes, without following links.
func walkInside(dir string, visit func(name string, regular bool) error) error {
	root, err := os.OpenRoot(dir)
	if err != nil {
		return err
	}
	defer root.Close()
	seen := 0
	return fs.WalkDir(root.FS(), ".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		if seen++; seen > maxFiles {
			return fmt.Errorf("there are more than %d files", maxFiles)
		}
		return visit(path, d.Type().IsRegular())
	})
}
