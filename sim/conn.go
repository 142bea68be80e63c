package sim

import (
	"fmt"
	"slices"

	"fourwire/sim/instrument"
	"fourwire/sim/scpi"
)

// Conn is one connection to an instrument as a stream: bytes in, bytes out, in the bench's time. It is what a server puts behind a
// socket. Nothing of it waits.
type Conn struct {
	bench   *Bench
	station *station
	session *scpi.Session
	held    []byte // input that the instrument has no room for
	out     []byte
	closing bool
	closed  bool
}

// Connect opens a connection of its own to an instrument: its own parser and output queue, the same settings, registers and errors.
func (b *Bench) Connect(name string) (*Conn, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	s, err := b.station(name)
	if err != nil {
		return nil, err
	}
	c := &Conn{bench: b, station: s, session: s.Device().Open(scpi.SessionOptions{
		Terminator: s.quirks.Terminator, Echo: s.quirks.Echo, Prompt: s.quirks.Prompt, Acknowledge: s.quirks.Acknowledge,
		InputLimit: s.quirks.InputLimit, Overrun: s.quirks.Overrun,
	})}
	s.conns = append(s.conns, c)
	return c, nil
}

// QuirksOf returns how the wire of an instrument behaves.
func (b *Bench) QuirksOf(name string) (Quirks, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	s, err := b.station(name)
	if err != nil {
		return Quirks{}, err
	}
	return s.quirks, nil
}

// Exchange hands over what has come in, lets the instrument do what it can do at the present time, and appends to out what it has
// answered so far, also to earlier input. in is not kept. busy tells that more will come when time has passed, or that
// input is still held.
func (c *Conn) Exchange(in, out []byte) (answer []byte, busy bool) {
	b := c.bench
	b.mu.Lock()
	defer b.mu.Unlock()
	if c.closed {
		return out, false
	}
	c.feed(in)
	out = append(out, c.out...)
	c.out = c.out[:0]
	return out, len(c.held) > 0 || c.station.due != instrument.Never
}

func (c *Conn) feed(in []byte) {
	if len(c.held) > 0 { // collect feeds it, in order
		c.held = append(c.held, in...)
		c.bench.run(c.station)
		return
	}
	for {
		n := c.session.Feed(in, false)
		in = in[n:]
		c.bench.run(c.station)
		if n == 0 || len(in) == 0 {
			break
		}
	}
	c.held = append(c.held, in...)
}

// collect takes what the session has answered, and closes it once a closed connection has nothing left to execute.
func (c *Conn) collect() {
	if p := c.session.Output(); len(p) > 0 && !c.closing {
		c.out = append(c.out, p...)
	}
	for len(c.held) > 0 {
		n := c.session.Feed(c.held, false)
		c.held = c.held[:copy(c.held, c.held[n:])]
		if n == 0 {
			break
		}
		c.station.due = min(c.station.due, c.session.Run(c.bench.engine.now))
		if p := c.session.Output(); len(p) > 0 && !c.closing {
			c.out = append(c.out, p...)
		}
	}
}

// Close ends the connection. Whole commands that have come in are still executed; half a command is dropped.
func (c *Conn) Close() {
	b := c.bench
	b.mu.Lock()
	defer b.mu.Unlock()
	if c.closed {
		return
	}
	c.closing, c.closed = true, true
	c.retire()
}

// retire closes the session of a closed connection when it has come to rest.
func (c *Conn) retire() {
	if len(c.held) > 0 || c.session.Run(c.bench.engine.now) != scpi.Never {
		return
	}
	c.session.Close()
	c.station.conns = slices.DeleteFunc(c.station.conns, func(o *Conn) bool { return o == c })
}

// String names the connection in messages.
func (c *Conn) String() string { return fmt.Sprintf("connection to %s", c.station.Name()) }
