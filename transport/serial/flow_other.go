//go:build !linux

package serial

import (
	"fmt"

	"fourwire/transport"
)

// withFlow opens a port without flow control, which is all that the libraries do here.
func withFlow(_ string, flow transport.Flow, open func() (port, error)) (port, error) {
	if flow != "" && flow != transport.NoFlow {
		return nil, fmt.Errorf("flow=%s is there on Linux only; leave the option out and set the instrument to no flow control", flow)
	}
	return open()
}
