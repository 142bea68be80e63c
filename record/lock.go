package record

import (
	"errors"
	"fmt"
	"os"
)

// ErrBusy says that a run, or its guardian, still writes a record.
var ErrBusy = errors.New("a run, or its guardian, is still writing this record")

// lockRecord takes a record for one writer, until the file is closed or the process ends, however it ends.
func lockRecord(dir string) (*os.File, error) {
	f, err := readInside(dir, LogFile)
	if err != nil {
		return nil, fmt.Errorf("record: %w", err)
	}
	busy, err := tryLock(f)
	if err == nil && busy {
		err = ErrBusy
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("record %s: %w", dir, err), f.Close())
	}
	return f, nil
}

// InUse tells whether somebody is writing the record in dir.
func InUse(dir string) bool {
	f, err := lockRecord(dir)
	if err != nil {
		return errors.Is(err, ErrBusy)
	}
	_ = f.Close() // it was only asked
	return false
}
