//go:build linux || windows

package serial

import (
	"errors"
	"io"
	"time"

	"github.com/tarm/serial"

	"fourwire/transport"
)

// plainLook is how often a read of the plain library looks up; it cannot be woken.
const plainLook = 100 * time.Millisecond

// plainPort is a port of the plain library.
type plainPort struct {
	*serial.Port
	path string
}

func openPlain(path string, o transport.Options) (port, error) {
	config := serial.Config{Name: path, Baud: o.Baud, Size: byte(o.Bits), ReadTimeout: plainLook}
	switch o.Parity {
	case transport.OddParity:
		config.Parity = serial.ParityOdd
	case transport.EvenParity:
		config.Parity = serial.ParityEven
	case transport.MarkParity:
		config.Parity = serial.ParityMark
	case transport.SpaceParity:
		config.Parity = serial.ParitySpace
	}
	switch o.Stop {
	case transport.StopOneHalf:
		config.StopBits = serial.Stop1Half
	case transport.StopTwo:
		config.StopBits = serial.Stop2
	}
	p, err := serial.OpenPort(&config)
	if err != nil {
		return nil, err
	}
	return plainPort{p, path}, nil
}

// Read tells the end of the pause from the end of the port: both read as the end of a file, but only a port that is there takes
// an empty write.
func (p plainPort) Read(b []byte) (int, error) {
	n, err := p.Port.Read(b)
	if n > 0 || err != io.EOF {
		return n, err
	}
	if _, gone := p.Write(nil); gone != nil {
		return 0, gone
	}
	return 0, nil
}

func (p plainPort) dropOutput() {
	_ = p.Flush() // drops both ways, having no other
	nudge(p.path)
}

func (p plainPort) dropInput() { _ = p.Flush() }

func (p plainPort) sendBreak(time.Duration) error {
	return errors.New("backend=plain cannot send a break")
}

func (p plainPort) wakesOnClose() bool { return false }
