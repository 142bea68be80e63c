//go:build !linux && !windows

package serial

import (
	"errors"

	"fourwire/transport"
)

func openPlain(string, transport.Options) (port, error) {
	return nil, errors.New("backend=plain is there on Linux and Windows only; leave the option out")
}
