//go:build unix

package record

import (
	"os"

	"golang.org/x/sys/unix"
)

// diskFull knows no other words for a full disk than those of the standard.
func diskFull(error) bool { return false }

// syncFolder makes the names in a folder survive a cut in power.
func syncFolder(dir string) error {
	f, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer f.Close()
	_ = f.Sync() // some file systems cannot do this to a folder; nothing better is to be had there
	return nil
}

// tryLock takes a file for one writer; busy is true where another has it. The lock ends with the file or the process.
func tryLock(f *os.File) (busy bool, err error) {
	err = unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	switch err {
	case nil:
		return false, nil
	case unix.EWOULDBLOCK:
		return true, nil
	case unix.ENOTSUP, unix.ENOLCK, unix.EINVAL:
		return false, nil // a file system without locks
	}
	return false, err
}

// FreeBytes is how much can still be written to the disk of a folder; ok is false where that is not known.
func FreeBytes(dir string) (bytes int64, ok bool) {
	var s unix.Statfs_t
	if err := unix.Statfs(dir, &s); err != nil {
		return 0, false
	}
	return int64(s.Bavail) * int64(s.Bsize), true
}
