package tcp

import (
	"net"

	"golang.org/x/sys/unix"
)

// limitSilence has the kernel give up a connection whose peer has not acknowledged what was sent, instead of trying for a quarter of an hour.
func limitSilence(conn net.Conn) {
	socket, ok := conn.(*net.TCPConn)
	if !ok {
		return
	}
	raw, err := socket.SyscallConn()
	if err != nil {
		return
	}
	_ = raw.Control(func(fd uintptr) {
		_ = unix.SetsockoptInt(int(fd), unix.IPPROTO_TCP, unix.TCP_USER_TIMEOUT, int(userTimeout.Milliseconds()))
	})
}
