package record

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"hash/crc32"
	"io"
	"os"
	"path/filepath"
	"syscall"
)

// appended is a file of a record that only grows, by whole lines. It knows the hash of what it holds, so that a seal costs no reading. The
// owner's lock guards it, except for sync.
type appended struct {
	name  string
	f     store
	sum   tally
	dirty bool // something was written since the last time it was synced
}

// store is what an appended file needs of the system's.
type store interface {
	io.Writer
	Truncate(size int64) error
	Stat() (os.FileInfo, error)
	Close() error
}

// tally is what is known of the first bytes of a file.
type tally struct {
	hash  hash.Hash // SHA-256 of them
	bytes int64
	lines int64
	// mix is the sum of the CRC-32 (IEEE) of every line, without its end: the same for the same lines in another order.
	mix     uint64
	partial uint32 // CRC of the line under way
}

func newTally() tally { return tally{hash: sha256.New()} }

func (t *tally) Write(p []byte) (int, error) {
	t.hash.Write(p)
	t.bytes += int64(len(p))
	for rest := p; len(rest) > 0; {
		line, after, ended := bytes.Cut(rest, []byte{'\n'})
		t.partial = crc32.Update(t.partial, crc32.IEEETable, line)
		if ended {
			t.mix += uint64(t.partial)
			t.lines++
			t.partial = 0
		}
		rest = after
	}
	return len(p), nil
}

func (t *tally) state() sealed {
	return sealed{Bytes: t.bytes, Lines: t.lines, Mix: t.mix, SHA256: hex.EncodeToString(t.hash.Sum(nil))}
}

// opener opens a file of a record for appending. Tests put a disk that fails in its place.
type opener func(path string) (store, error)

func openAppend(path string) (store, error) {
	return os.OpenFile(path, os.O_CREATE|os.O_WRONLY|os.O_APPEND, 0o666)
}

// openAppended opens name in dir and takes account of what it holds already.
func openAppended(dir, name string, open opener) (*appended, error) {
	a := &appended{name: name, sum: newTally()}
	had, err := readInside(dir, name)
	switch {
	case err == nil:
		_, err = io.Copy(&a.sum, had)
		err = errors.Join(err, had.Close())
	case errors.Is(err, os.ErrNotExist):
		err = nil
	}
	if err != nil {
		return nil, fmt.Errorf("record: %w", err)
	}
	if a.f, err = open(filepath.Join(dir, name)); err != nil {
		return nil, fmt.Errorf("record: %w", err)
	}
	return a, nil
}

// Write appends p, or nothing: what part of it was written before an error is taken back.
func (a *appended) Write(p []byte) (int, error) {
	n, err := a.f.Write(p)
	if err == nil && n < len(p) {
		err = io.ErrShortWrite
	}
	if err != nil {
		if n > 0 {
			err = errors.Join(err, a.takeBack(n))
		}
		return 0, full(err)
	}
	a.dirty = true
	a.sum.Write(p)
	return len(p), nil
}

// takeBack cuts the last n bytes off again.
func (a *appended) takeBack(n int) error {
	info, err := a.f.Stat()
	if err != nil {
		return err
	}
	return a.f.Truncate(info.Size() - int64(n))
}

// refresh takes account of what somebody else has appended, as a guardian does to the log of a run that stood still.
func (a *appended) refresh(dir string) error {
	info, err := a.f.Stat()
	if err != nil || info.Size() == a.sum.bytes {
		return err
	}
	f, err := readInside(dir, a.name)
	if err != nil {
		return err
	}
	defer f.Close()
	fresh := newTally()
	if _, err := io.Copy(&fresh, f); err != nil {
		return err
	}
	a.sum = fresh
	return nil
}

// sync hands what was written to the disk itself.
func (a *appended) sync() error {
	if f, ok := a.f.(*os.File); ok {
		return dataSync(f)
	}
	if s, ok := a.f.(interface{ Sync() error }); ok {
		return s.Sync()
	}
	return nil
}

// FullError says that a record could not be written because its disk is full, or a limit on the size of files was reached.
type FullError struct{ Err error }

// Error says it, and what to do.
func (e *FullError) Error() string {
	return fmt.Sprintf("there is no room left on the disk of the record (%v); what was written before is kept: make room, then go on with --resume", e.Err)
}

// Unwrap gives the system's error.
func (e *FullError) Unwrap() error { return e.Err }

// full makes a FullError of what the system says when it has no room.
func full(err error) error {
	if errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) || errors.Is(err, syscall.EFBIG) || diskFull(err) {
		return &FullError{err}
	}
	return err
}
