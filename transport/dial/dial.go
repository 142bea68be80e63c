// Package dial turns the address of an instrument into an open link. It is the only place that knows every wire.
package dial

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"regexp"
	"sync"
	"time"

	"fourwire/internal/clock"
	"fourwire/transport"
	"fourwire/transport/serial"
	"fourwire/transport/tcp"
)

const defaultConnect = 3 * time.Second

// Dialer opens links. Its zero value is ready for real instruments. It is safe for concurrent use, once its fields are set; it must
// not be copied, since it knows which instruments are open.
type Dialer struct {
	Connect time.Duration // time allowed for one Dial; 0 is 3 s
	Clock   clock.Clock   // nil is the machine's
	Start   time.Time     // what taps count their time from; zero is the moment of each Dial
	BaseDir string        // folder that relative paths of serial ports start from; "" is the working directory

	// Tap gives the tap for the link to an address; nil, or a nil tap, is nobody. It sees the bare wire: echoes too, and messages after the
	// pause that an address asks for.
	Tap func(a transport.Address) transport.Tap

	// Sim opens the simulated instrument of that name; nil refuses sim: addresses.
	Sim func(name string) (transport.Link, error)

	mu   sync.Mutex // guards what follows
	open map[string]*use
}

// use says how often a place is open, and whether by a link that wants it for itself.
type use struct {
	links  int
	single bool
}

// Dial opens the link to a, with the behaviour that its options ask for. An address with single=yes is refused with transport.ErrBusy while any other link
// of this dialer leads to the same place, and the reverse.
func (d *Dialer) Dial(ctx context.Context, a transport.Address) (transport.Link, error) {
	a = d.based(a)
	if err := d.claim(a); err != nil {
		return nil, &transport.Error{Op: "open", Address: a.String(), Err: err}
	}
	start := d.Start
	if start.IsZero() {
		start = clock.Or(d.Clock).Now()
	}
	link, err := d.bare(ctx, a)
	if err != nil {
		d.release(a)
		return nil, err
	}
	if d.Tap != nil {
		link = transport.WithTap(link, d.Clock, start, d.Tap(a))
	}
	link = transport.WithGap(link, d.Clock, a.Options.Gap)
	if a.Options.Echo == transport.Yes {
		link = transport.WithEcho(link)
	}
	return &claimed{Link: link, release: sync.OnceFunc(func() { d.release(a) })}, nil
}

// bare opens the wire.
func (d *Dialer) bare(ctx context.Context, a transport.Address) (transport.Link, error) {
	connect := d.Connect
	if connect == 0 {
		connect = defaultConnect
	}
	ctx, cancel := clock.Or(d.Clock).WithTimeout(ctx, connect+max(0, a.Options.Settle))
	defer cancel()
	var link transport.Link
	var err error
	switch a.Scheme {
	case "tcp":
		var l *tcp.Link
		if l, err = tcp.Open(ctx, a, d.Clock); err == nil {
			link = l
		}
	case "serial":
		var l *serial.Link
		if l, err = serial.Open(ctx, a, d.Clock); err == nil {
			link = l
		}
	case "sim":
		return d.simulated(a)
	default:
		err = &transport.Error{Op: "open", Address: a.String(), Err: fmt.Errorf("no wire has the scheme %q", a.Scheme)}
	}
	return link, err
}

func (d *Dialer) simulated(a transport.Address) (transport.Link, error) {
	err := errors.New("no simulated bench is there; sim: addresses need one in the same process")
	if d.Sim != nil {
		var link transport.Link
		switch link, err = d.Sim(a.Path); {
		case err == nil && link != nil:
			return link, nil
		case err == nil:
			err = fmt.Errorf("the simulated bench has no instrument %q", a.Path)
		}
	}
	return nil, &transport.Error{Op: "open", Address: a.String(), Err: err}
}

// based makes a relative path of a serial port start from BaseDir. A port's name on Windows is no path.
func (d *Dialer) based(a transport.Address) transport.Address {
	if a.Scheme == "serial" && d.BaseDir != "" && !filepath.IsAbs(a.Path) && !windowsPort.MatchString(a.Path) {
		a.Path = filepath.Join(d.BaseDir, a.Path)
	}
	return a
}

var windowsPort = regexp.MustCompile(`(?i)^(\\\\\.\\)?COM[0-9]+$`)

// claim notes that a is going to be open.
func (d *Dialer) claim(a transport.Address) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	place, single := a.Place(), a.Options.Single == transport.Yes
	u := d.open[place]
	if u == nil {
		if d.open == nil {
			d.open = make(map[string]*use)
		}
		u = &use{}
		d.open[place] = u
	}
	if u.links > 0 && (u.single || single) {
		return transport.Explain(place+" is open already, and takes one connection at a time; close the other link first", transport.ErrBusy)
	}
	u.links++
	u.single = single
	return nil
}

func (d *Dialer) release(a transport.Address) {
	d.mu.Lock()
	defer d.mu.Unlock()
	u := d.open[a.Place()]
	if u.links--; u.links == 0 {
		delete(d.open, a.Place())
	}
}

// claimed is a link that gives its place free when it is closed.
type claimed struct {
	transport.Link
	release func()
}

func (c *claimed) Unwrap() transport.Link { return c.Link }

func (c *claimed) Close() error {
	defer c.release()
	return c.Link.Close()
}
