package serve

import (
	"bytes"
	"io"
	"sync"
	"time"

	"fourwire/sim"
)

const readBuffer = 64 << 10

// deviceClear is the byte that clears an instrument's interface on a serial line (Ctrl-C).
const deviceClear = 0x03

// line says how a connection differs from a socket.
type line struct {
	perByte time.Duration // time that one character takes
	clears  bool          // Ctrl-C is the device clear
	refuse  func()        // no further connection is taken; nil: there is only this one
}

// talk serves one connection until it ends. Answers that come while time passes are written by a second goroutine; both take turns.
func (s *server) talk(wire io.ReadWriteCloser, name string, l line) {
	defer wire.Close()
	woken, room := make(chan struct{}, 1), make(chan struct{}, 1)
	conn, err := s.bench.Connect(name, func() { signal(woken) })
	if err != nil {
		return
	}
	defer conn.Close()
	t := &talker{server: s, name: name, wire: wire, conn: conn, line: l, room: room}
	over := make(chan struct{})
	var pump sync.WaitGroup
	pump.Go(func() {
		for {
			select {
			case <-woken:
				t.exchange(nil)
			case <-over:
				return
			}
		}
	})
	defer pump.Wait()
	defer close(over)
	t.listen()
}

func signal(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

type talker struct {
	server *server
	name   string // of the instrument
	wire   io.ReadWriteCloser
	conn   *sim.Conn
	line   line
	room   chan struct{}

	mu     sync.Mutex // held from taking an answer to writing it, so that answers keep their order
	answer []byte
	failed bool
}

// listen reads until the other side is done, then lets the last answers go out.
func (t *talker) listen() {
	buf := make([]byte, readBuffer)
	for {
		n, err := t.wire.Read(buf)
		if n > 0 {
			t.pause(n)
			if !t.hear(buf[:n]) {
				return
			}
		}
		if err != nil {
			break
		}
	}
	for t.conn.Waiting() { // the other side has only closed its sending half
		select {
		case <-t.server.ctx.Done():
			return
		case <-t.room:
		}
	}
	t.exchange(nil)
}

// hear hands input over and waits while the instrument has no room for more.
func (t *talker) hear(in []byte) bool {
	for t.line.clears {
		at := bytes.LastIndexByte(in, deviceClear)
		if at < 0 {
			break
		}
		t.conn.Clear()
		in = in[at+1:]
	}
	full, ok := t.exchange(in)
	for ok && full {
		select {
		case <-t.server.ctx.Done():
			return false
		case <-t.room:
		}
		full, ok = t.exchange(nil)
	}
	return ok
}

// exchange hands input over and writes what is answered.
func (t *talker) exchange(in []byte) (full, ok bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if in != nil {
		t.server.pacer.catchUp()
	}
	t.answer, full = t.conn.Exchange(in, t.answer[:0])
	if in != nil {
		t.server.pacer.kick()
	} else {
		signal(t.room)
	}
	if len(t.answer) > 0 && !t.failed {
		t.pause(len(t.answer))
		if err := t.send(); err != nil {
			t.failed = true
		}
	}
	if !t.failed && t.conn.Cut() {
		t.failed = true
		if t.line.refuse != nil && t.server.bench.Refuses(t.name) {
			t.line.refuse()
		}
		_ = t.wire.Close() // wakes whoever reads
	}
	return full, !t.failed
}

// send writes what was answered: all at once, unless the instrument's trouble is that it cannot.
func (t *talker) send() error {
	step := len(t.answer)
	if t.conn.ByteByByte() {
		step = 1
	}
	for rest := t.answer; len(rest) > 0; rest = rest[step:] {
		if _, err := t.wire.Write(rest[:step]); err != nil {
			return err
		}
	}
	return nil
}

// pause lets the time pass that a serial line takes for n characters.
func (t *talker) pause(n int) {
	if t.line.perByte > 0 {
		_ = t.server.pacer.clock.Sleep(t.server.ctx, time.Duration(n)*t.line.perByte)
	}
}
