//go:build !linux

package tcp

import "net"

// limitSilence does nothing here: the system has no such setting, or none under this name. Keep-alive and deadlines remain.
func limitSilence(net.Conn) { _ = userTimeout }
