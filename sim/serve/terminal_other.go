//go:build !linux

package serve

import (
	"errors"

	"fourwire/sim"
)

// openTerminal says that there are no pseudo-terminals to serve on.
func (s *server) openTerminal(string, string, sim.Quirks) (string, error) {
	return "", errors.New("serial ports can be simulated on Linux only; serve the instrument on a tcp:// address")
}
