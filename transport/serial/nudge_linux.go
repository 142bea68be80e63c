package serial

import "golang.org/x/sys/unix"

// nudge wakes a write that waits for room in the port's buffer after the buffer has been emptied: not every driver does so
// itself, a pseudo-terminal for one. Storing the settings that the port has already makes the line discipline look again.
func nudge(path string) {
	fd, err := unix.Open(path, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return
	}
	defer unix.Close(fd)
	if settings, err := unix.IoctlGetTermios(fd, unix.TCGETS); err == nil {
		_ = unix.IoctlSetTermios(fd, unix.TCSETS, settings)
	}
}
