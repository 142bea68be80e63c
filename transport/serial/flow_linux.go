package serial

import (
	"golang.org/x/sys/unix"

	"fourwire/transport"
)

// withFlow opens a port and sets its flow control, which neither library can. The setting belongs to the port, not to the file, so it
// is made through a second file; that one has to be open before the library claims the port for itself.
func withFlow(path string, flow transport.Flow, open func() (port, error)) (port, error) {
	if flow == "" || flow == transport.NoFlow {
		return open()
	}
	fd, err := unix.Open(path, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, err
	}
	defer unix.Close(fd)
	p, err := open()
	if err != nil {
		return nil, err
	}
	settings, err := unix.IoctlGetTermios(fd, unix.TCGETS)
	if err == nil {
		switch flow {
		case transport.RTSCTSFlow:
			settings.Cflag |= unix.CRTSCTS
		case transport.XONXOFFFlow:
			settings.Iflag |= unix.IXON | unix.IXOFF
			settings.Cc[unix.VSTART], settings.Cc[unix.VSTOP] = 0x11, 0x13
		}
		err = unix.IoctlSetTermios(fd, unix.TCSETS, settings)
	}
	if err != nil {
		_ = p.Close()
		return nil, transport.Explain("the port does not take flow="+string(flow)+": "+err.Error(), err)
	}
	return p, nil
}
