//go:build !windows

package daemon

import (
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
)

// apart puts the process of a run into a session of its own: a Ctrl-C for the daemon is the daemon's to pass on.
func apart() *syscall.SysProcAttr { return &syscall.SysProcAttr{Setsid: true} }

// aliveFile is held locked by the process of a run, and by its guardian, for as long as they live.
const aliveFile = ".alive"

// holdAlive has a process that is about to be started hold the mark of its job. What it returns is called when it is over.
func holdAlive(dir string, c *exec.Cmd) (func(), error) {
	f, err := os.OpenFile(filepath.Join(dir, aliveFile), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, err
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		_ = f.Close() // it was not used
		return nil, fmt.Errorf("an earlier run of this job is still alive: %w", err)
	}
	c.ExtraFiles = append(c.ExtraFiles, f) // the lock is on the open file, which the process shares
	return func() { _ = f.Close() }, nil
}

// stillAlive tells whether the process of a job, or its guardian, still lives.
func stillAlive(dir string) bool {
	f, err := os.OpenFile(filepath.Join(dir, aliveFile), os.O_RDWR, 0)
	if err != nil {
		return false
	}
	defer func() { _ = f.Close() }() // it was only asked
	return syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB) != nil
}

// lockFolder takes the state folder for one daemon, until the process ends, however it ends.
func lockFolder(dir string) (func(), error) {
	f, err := os.OpenFile(filepath.Join(dir, "lock"), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, err
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		_ = f.Close() // it was not used
		return nil, fmt.Errorf("%s is in use by another daemon", dir)
	}
	return func() { _ = f.Close() }, nil
}

// notify tells the service manager, where there is one, by the plain protocol of its socket.
func notify(state string) {
	path := os.Getenv("NOTIFY_SOCKET")
	if path == "" {
		return
	}
	conn, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		return // nobody listens
	}
	_, _ = conn.Write([]byte(state)) // likewise
	_ = conn.Close()
}
