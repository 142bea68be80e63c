package record

import (
	"errors"
	"os"

	"golang.org/x/sys/windows"
)

func diskFull(err error) bool {
	return errors.Is(err, windows.ERROR_DISK_FULL) || errors.Is(err, windows.ERROR_HANDLE_DISK_FULL)
}

// syncFolder has nothing to do: names are written with the files.
func syncFolder(string) error { return nil }

// tryLock takes a file for one writer; busy is true where another has it. What is locked is one byte far behind any content, since others
// must be able to read.
func tryLock(f *os.File) (busy bool, err error) {
	at := windows.Overlapped{OffsetHigh: 1 << 30}
	err = windows.LockFileEx(windows.Handle(f.Fd()), windows.LOCKFILE_EXCLUSIVE_LOCK|windows.LOCKFILE_FAIL_IMMEDIATELY, 0, 1, 0, &at)
	if errors.Is(err, windows.ERROR_LOCK_VIOLATION) || errors.Is(err, windows.ERROR_IO_PENDING) {
		return true, nil
	}
	return false, err
}

// FreeBytes is how much can still be written to the disk of a folder; ok is false where that is not known.
func FreeBytes(dir string) (bytes int64, ok bool) {
	name, err := windows.UTF16PtrFromString(dir)
	if err != nil {
		return 0, false
	}
	var free uint64
	if err := windows.GetDiskFreeSpaceEx(name, &free, nil, nil); err != nil {
		return 0, false
	}
	return int64(free), true
}
