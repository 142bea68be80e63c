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
	wake    func() // told, under the bench's lock, that there is output, or room again; may be nil
	waited  bool   // Waiting, when it was last looked at
	inside  bool   // within Exchange, whose caller sees the output anyway
	closed  bool

	// of an instrument with troubles
	cuts    int
	partial []byte // of a message
	answer  []byte // part of one
	last    []byte // the last answer
}

// Connect opens a connection of its own to an instrument: its own parser and output queue, the same settings, registers and errors.
// wake is called whenever, while time passed, an answer has come, held input has found room, or a command has been finished; it must
// not wait, and not call the bench. It may be nil.
func (b *Bench) Connect(name string, wake func()) (*Conn, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	s, err := b.station(name)
	if err != nil {
		return nil, err
	}
	c := &Conn{bench: b, station: s, wake: wake, session: s.Device().Open(scpi.SessionOptions{
		Terminator: s.quirks.Terminator, Echo: s.quirks.Echo, Prompt: s.quirks.Prompt, Acknowledge: s.quirks.Acknowledge,
		InputLimit: s.quirks.InputLimit, Overrun: s.quirks.Overrun, Whole: s.troubles != nil,
	})}
	if s.troubles != nil {
		c.cuts = s.troubles.cuts
	}
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
// answered so far, also to earlier input. in is not kept. full tells that some input is still held for want of room: do not hand over
// more until wake was called.
func (c *Conn) Exchange(in, out []byte) (answer []byte, full bool) {
	b := c.bench
	b.mu.Lock()
	defer b.mu.Unlock()
	if c.closed {
		return out, false
	}
	c.inside = true
	if len(in) > 0 {
		c.feed(in)
	} else {
		b.run(c.station) // taking output may have made room for more
	}
	c.inside = false
	out = append(out, c.out...)
	c.out = c.out[:0]
	return out, len(c.held) > 0
}

// Waiting tells whether the instrument is busy with a command of this connection, or has still to read some.
func (c *Conn) Waiting() bool {
	c.bench.mu.Lock()
	defer c.bench.mu.Unlock()
	return !c.closed && !c.cut() && (len(c.held) > 0 || c.session.Waiting())
}

// Clear is the device clear: what the instrument has of messages and answers is dropped.
func (c *Conn) Clear() {
	c.bench.mu.Lock()
	defer c.bench.mu.Unlock()
	if c.closed {
		return
	}
	c.held, c.out = c.held[:0], c.out[:0]
	c.session.Clear()
	c.bench.run(c.station)
}

// Waiting tells whether a command of any connection waits for time to pass.
func (b *Bench) Waiting() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, s := range b.instruments {
		for _, c := range s.conns {
			if c.session.Waiting() && s.due != instrument.Never {
				return true
			}
		}
	}
	return false
}

func (c *Conn) feed(in []byte) {
	c.station.Heard(c.bench.engine.now)
	if c.station.troubles != nil {
		c.troubledFeed(in)
		return
	}
	c.feedNow(in)
}

func (c *Conn) feedNow(in []byte) {
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

// collect takes what the session has answered, and feeds it what is held.
func (c *Conn) collect() {
	waited := c.waited
	c.take()
	for len(c.held) > 0 {
		n := c.session.Feed(c.held, false)
		c.held = c.held[:copy(c.held, c.held[n:])]
		if n == 0 {
			break
		}
		c.station.due = min(c.station.due, c.session.Run(c.bench.engine.now))
		c.take()
	}
	c.waited = c.session.Waiting() || len(c.held) > 0
	if c.wake != nil && !c.inside && (len(c.out) > 0 || waited && !c.waited) {
		c.wake()
	}
}

func (c *Conn) take() {
	if c.station.troubles != nil {
		c.troubledOutput()
		return
	}
	if p := c.session.Output(); !c.closed {
		c.out = append(c.out, p...)
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
	c.closed = true
	c.retire()
}

// retire closes the session of a closed connection when it has come to rest.
func (c *Conn) retire() {
	if len(c.held) > 0 || c.session.Waiting() {
		return
	}
	c.session.Close()
	c.station.conns = slices.DeleteFunc(c.station.conns, func(o *Conn) bool { return o == c })
}

// String names the connection in messages.
func (c *Conn) String() string { return fmt.Sprintf("connection to %s", c.station.Name()) }
