package daemon

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"

	"golang.org/x/sys/windows"
)

// apart puts the process of a run into a group of its own: a Ctrl-C for the daemon is the daemon's to pass on.
func apart() *syscall.SysProcAttr {
	return &syscall.SysProcAttr{CreationFlags: windows.CREATE_NEW_PROCESS_GROUP}
}

// holdAlive does nothing here: the lock of the record tells whether a run still lives.
func holdAlive(string, *exec.Cmd) (func(), error) { return func() {}, nil }

func stillAlive(string) bool { return false }

// lockFolder takes the state folder for one daemon, until the process ends, however it ends.
func lockFolder(dir string) (func(), error) {
	f, err := os.OpenFile(filepath.Join(dir, "lock"), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, err
	}
	err = windows.LockFileEx(windows.Handle(f.Fd()), windows.LOCKFILE_EXCLUSIVE_LOCK|windows.LOCKFILE_FAIL_IMMEDIATELY, 0, 1, 0, &windows.Overlapped{})
	if err != nil {
		_ = f.Close() // it was not used
		return nil, fmt.Errorf("%s is in use by another daemon", dir)
	}
	return func() { _ = f.Close() }, nil
}

// notify does nothing: there is no service manager of that kind.
func notify(string) {}
