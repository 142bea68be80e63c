package serial

import (
	"context"
	"io"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"fourwire/internal/clock"
	"fourwire/transport"
)

// patienceWithWriter is how long Close waits for a write before it drops what is left to write.
const patienceWithWriter = 20 * time.Millisecond

// wire makes a transport.Wire, whose calls can be woken, of a port whose calls cannot.
//
// Two goroutines belong to it, until Close: one moves what comes from the port into a pipe, the other writes messages.
// Only the owner of the link calls Read and Write; SetDeadline and Close may come from elsewhere.
type wire struct {
	port    port
	inside  *transport.PipeEnd // the link's side
	closed  atomic.Bool
	ending  chan struct{} // closed by Close
	pumped  chan struct{} // closed when the reading goroutine has ended
	written chan struct{} // closed when the writing goroutine has ended

	jobs  chan []byte
	wrote chan result // one for each job

	mu     sync.Mutex // guards what follows
	woken  chan struct{}
	isWoke bool
	stuck  bool // a job was given up, its result is still to come
}

type result struct {
	n   int
	err error
}

func newWire(p port) *wire {
	inside, outside := transport.Pipe()
	w := &wire{
		port:    p,
		inside:  inside,
		ending:  make(chan struct{}),
		pumped:  make(chan struct{}),
		written: make(chan struct{}),
		jobs:    make(chan []byte),
		wrote:   make(chan result, 1),
		woken:   make(chan struct{}),
	}
	go w.pump(outside)
	go w.write()
	return w
}

// pump moves what comes from the port into the pipe.
func (w *wire) pump(outside *transport.PipeEnd) {
	defer close(w.pumped)
	buf := make([]byte, 4096)
	for !w.closed.Load() {
		n, err := w.port.Read(buf)
		if n > 0 {
			if _, err := outside.Write(buf[:n]); err != nil {
				return
			}
		}
		if err != nil {
			_ = outside.CloseWithError(err)
			return
		}
	}
}

// write hands messages to the port, each in one call as far as the port takes it.
func (w *wire) write() {
	defer close(w.written)
	for {
		select {
		case <-w.ending:
			return
		case p := <-w.jobs:
			w.wrote <- w.writeAll(p)
		}
	}
}

func (w *wire) writeAll(p []byte) (r result) {
	for r.n < len(p) && r.err == nil {
		if w.closed.Load() {
			r.err = io.ErrClosedPipe
			return r
		}
		var n int
		n, r.err = w.port.Write(p[r.n:])
		r.n += n
		if n == 0 && r.err == nil {
			r.err = io.ErrShortWrite
		}
	}
	return r
}

// Read returns what has come.
func (w *wire) Read(p []byte) (int, error) { return w.inside.Read(p) }

// Write writes p. When it is woken, what has not left yet is dropped and some part of p may have gone out: it reports
// one byte then, since how many is unknown.
func (w *wire) Write(p []byte) (int, error) {
	w.mu.Lock()
	woken, stuck := w.woken, w.stuck
	w.mu.Unlock()
	if stuck {
		select {
		case <-w.wrote:
			w.mu.Lock()
			w.stuck = false
			w.mu.Unlock()
		case <-woken:
			w.port.dropOutput()
			return 0, os.ErrDeadlineExceeded
		case <-w.ending:
			return 0, io.ErrClosedPipe
		}
	}
	kept := append([]byte(nil), p...) // the writer may still hold it when the caller has given up
	select {
	case w.jobs <- kept:
	case <-w.ending:
		return 0, io.ErrClosedPipe
	}
	select {
	case r := <-w.wrote:
		return r.n, r.err
	case <-w.ending:
		return 0, io.ErrClosedPipe
	case <-woken:
	}
	select {
	case r := <-w.wrote: // it was through all the same
		return r.n, r.err
	default:
	}
	w.port.dropOutput()
	w.mu.Lock()
	w.stuck = true
	w.mu.Unlock()
	return 1, os.ErrDeadlineExceeded
}

// SetDeadline wakes calls up, or lets them wait again; see transport.Wire.
func (w *wire) SetDeadline(t time.Time) error {
	w.mu.Lock()
	if wake := !t.IsZero(); wake != w.isWoke {
		w.isWoke = wake
		if wake {
			close(w.woken)
		} else {
			w.woken = make(chan struct{})
		}
	}
	w.mu.Unlock()
	return w.inside.SetDeadline(t)
}

// discard throws away what has come so far.
func (w *wire) discard() {
	_ = w.SetDeadline(time.Unix(1, 0))
	buf := make([]byte, 4096)
	for {
		if _, err := w.inside.Read(buf); err != nil {
			break
		}
	}
	_ = w.SetDeadline(time.Time{})
}

// Close ends both goroutines and waits for them. What is still in the port's buffer leaves it by itself; only where a write is stuck in the
// port (an instrument that holds its flow control) the rest is dropped to free it.
func (w *wire) Close() error {
	if w.closed.Swap(true) {
		return nil
	}
	close(w.ending)
	_ = w.inside.Close()
	w.freeWriter()
	var err error
	if w.port.wakesOnClose() {
		err = w.port.Close()
		<-w.pumped
		return err
	}
	<-w.pumped
	return w.port.Close()
}

// freeWriter waits until the writing goroutine has ended, and helps it out of a write that does not.
func (w *wire) freeWriter() {
	for {
		patience, cancel := clock.Real().WithTimeout(context.Background(), patienceWithWriter)
		select {
		case <-w.written:
			cancel()
			return
		case <-patience.Done():
			cancel()
			w.port.dropOutput()
		}
	}
}
