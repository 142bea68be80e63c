// Package serial talks to instruments over serial ports: lines of text and definite blocks over 8-bit characters, both ways.
//
// Two libraries open the port. The usual one reads by events and claims the port for itself. The plain one (backend=plain) asks nothing of
// the port but to carry bytes, for pseudo-terminals and simple bridges without modem lines; it is there on Linux and Windows.
package serial

import (
	"context"
	"errors"
	"io/fs"
	"time"

	"fourwire/internal/clock"
	"fourwire/transport"
)

const (
	defaultBaud = 9600
	defaultBits = 8
	breakLasts  = 250 * time.Millisecond // longer than a character at any usual rate
	ctrlC       = 0x03
)

// Link is a serial port with an instrument behind it.
type Link struct {
	*transport.Stream
	wire *wire
	by   transport.ClearBy
}

// Open opens the port a.Path with the line settings of a, throws away what has come before, and pauses if the address asks for that
// (settle). c is the clock of the link and of ctx; nil is the machine's. Opening raises DTR and RTS on most adapters.
func Open(ctx context.Context, a transport.Address, c clock.Clock) (*Link, error) {
	failed := func(err error) error { return &transport.Error{Op: "open", Address: a.String(), Err: err} }
	if err := ctx.Err(); err != nil {
		return nil, failed(transport.Interrupted(ctx, "the port was not opened"))
	}
	o := a.Options
	if o.Baud == 0 {
		o.Baud = defaultBaud
	}
	if o.Bits == 0 {
		o.Bits = defaultBits
	}
	open := openModem
	if o.Backend == transport.PlainBackend {
		open = openPlain
		if o.Clear == transport.ClearByBreak {
			return nil, failed(errors.New("backend=plain cannot send a break; write clear=ctrl-c or clear=quiet"))
		}
	}
	p, err := withFlow(a.Path, o.Flow, func() (port, error) { return open(a.Path, o) })
	if err != nil {
		return nil, failed(explain(a, err))
	}
	p.dropInput()
	w := newWire(p)
	if o.Settle > 0 {
		if err := clock.Or(c).Sleep(ctx, o.Settle); err != nil {
			_ = w.Close()
			return nil, failed(transport.Interrupted(ctx, "the port did not settle"))
		}
	}
	p.dropInput()
	w.discard()
	return &Link{Stream: transport.NewStream(w, a, c), wire: w, by: o.Clear}, nil
}

// Clear clears the instrument's interface as the address says (a break, a Ctrl-C), and then the link as Stream.Clear does.
func (l *Link) Clear(ctx context.Context) error {
	switch l.by {
	case transport.ClearByBreak:
		if err := l.wire.port.sendBreak(breakLasts); err != nil {
			return &transport.Error{Op: "clear", Address: l.Address().String(), Err: err}
		}
	case transport.ClearByCtrlC:
		if err := l.Inject(ctx, []byte{ctrlC}); err != nil {
			return err
		}
	}
	return l.Stream.Clear(ctx)
}

func explain(a transport.Address, err error) error {
	switch {
	case errors.Is(err, fs.ErrNotExist):
		text := "there is no port " + a.Path
		if len(a.Path) > 3 && a.Path[:3] == "tty" {
			text += "; do you mean serial:///dev/" + a.Path + "?"
		}
		return transport.Explain(text, err)
	case errors.Is(err, fs.ErrPermission):
		return transport.Explain("no permission to open "+a.Path+"; on Linux the group of the port is mostly dialout", err)
	}
	return err
}
