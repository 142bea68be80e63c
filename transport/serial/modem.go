package serial

import (
	"errors"
	"fmt"
	"io/fs"
	"time"

	"go.bug.st/serial"

	"fourwire/transport"
)

// port is what this package asks of a library.
type port interface {
	// Read returns 0 and no error where it has to look up from waiting.
	Read(p []byte) (int, error)
	Write(p []byte) (int, error)
	// dropOutput throws away what is not sent yet and so frees a Write that is stuck.
	dropOutput()
	// dropInput throws away what has come and is not read yet.
	dropInput()
	sendBreak(d time.Duration) error
	// wakesOnClose reports whether Close ends a Read that waits.
	wakesOnClose() bool
	Close() error
}

// modemPort is a port of the usual library.
type modemPort struct {
	serial.Port
	mode *serial.Mode
}

// dropOutput sets the mode again since that wakes a write that waits for room; emptying the buffer alone does not with every driver.
func (m modemPort) dropOutput() {
	_ = m.ResetOutputBuffer()
	_ = m.SetMode(m.mode)
}

func (m modemPort) dropInput()                      { _ = m.ResetInputBuffer() }
func (m modemPort) sendBreak(d time.Duration) error { return m.Break(d) }
func (m modemPort) wakesOnClose() bool              { return true }

func openModem(path string, o transport.Options) (port, error) {
	mode := &serial.Mode{BaudRate: o.Baud, DataBits: o.Bits, Parity: parity(o.Parity), StopBits: stopBits(o.Stop)}
	p, err := serial.Open(path, mode)
	if err != nil {
		return nil, modemError(path, o, err)
	}
	return modemPort{p, mode}, nil
}

func parity(p transport.Parity) serial.Parity {
	switch p {
	case transport.OddParity:
		return serial.OddParity
	case transport.EvenParity:
		return serial.EvenParity
	case transport.MarkParity:
		return serial.MarkParity
	case transport.SpaceParity:
		return serial.SpaceParity
	}
	return serial.NoParity
}

func stopBits(s transport.Stop) serial.StopBits {
	switch s {
	case transport.StopOneHalf:
		return serial.OnePointFiveStopBits
	case transport.StopTwo:
		return serial.TwoStopBits
	}
	return serial.OneStopBit
}

// modemError gives the library's codes the meaning that they have here.
func modemError(path string, o transport.Options, err error) error {
	var coded *serial.PortError
	if !errors.As(err, &coded) {
		return err
	}
	switch coded.Code() {
	case serial.PortBusy:
		return transport.Explain(path+" is in use: another program, or another link of this one, has it open", transport.ErrBusy, err)
	case serial.PortNotFound:
		return transport.Explain(err.Error(), fs.ErrNotExist, err)
	case serial.PermissionDenied:
		return transport.Explain(err.Error(), fs.ErrPermission, err)
	case serial.InvalidSerialPort:
		return transport.Explain(path+" does not take the settings of a serial port ("+err.Error()+"); for a simple bridge try backend=plain", err)
	case serial.InvalidSpeed:
		return fmt.Errorf("%s does not do %d bits per second: %w", path, o.Baud, err)
	case serial.InvalidParity, serial.InvalidStopBits, serial.InvalidDataBits:
		return fmt.Errorf("%s does not do parity %s with %d data bits and %s stop bits: %w", path, o.Parity, o.Bits, o.Stop, err)
	}
	return err
}
