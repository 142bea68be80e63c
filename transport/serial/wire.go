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

// pieceLength is how much is given to the port in one call. Usual messages fit; of a longer one, which is given up because the instrument
// holds its flow control, no more than the piece under way is written.
const pieceLength = 4096

// patienceWithWriter is how long a write that is not wanted any more may take before what is left of it is dropped (again).
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

	givenUp atomic.Bool // what is left of the job shall not be written
	stuck   bool        // a job was given up, its result is still to come; of the owner of the link
	jobs    chan []byte
	wrote   chan result // one for each job

	mu     sync.Mutex // guards what follows
	woken  chan struct{}
	isWoke bool
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

// write hands messages to the port.
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
		if w.givenUp.Load() {
			r.err = os.ErrDeadlineExceeded
			return r
		}
		var n int
		n, r.err = w.port.Write(p[r.n:min(len(p), r.n+pieceLength)])
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
	woken := w.woken
	w.mu.Unlock()
	if w.stuck {
		if _, err := w.result(woken, true); err != nil {
			return 0, err
		}
		w.stuck = false
		w.givenUp.Store(false)
	}
	kept := append([]byte(nil), p...) // the writer may still hold it when the caller has given up
	select {
	case w.jobs <- kept:
	case <-w.ending:
		return 0, io.ErrClosedPipe
	}
	r, err := w.result(woken, false)
	if err == os.ErrDeadlineExceeded {
		w.stuck = true
		w.givenUp.Store(true)
		w.port.dropOutput()
		return 1, err
	}
	if err != nil {
		return 0, err
	}
	return r.n, r.err
}

// result waits for the writer. With push, it keeps dropping what the port does not take.
func (w *wire) result(woken <-chan struct{}, push bool) (r result, err error) {
	for {
		again, stop := patience(push)
		select {
		case r = <-w.wrote:
			stop()
			return r, nil
		case <-w.ending:
			stop()
			return r, io.ErrClosedPipe
		case <-woken:
			stop()
			select {
			case r = <-w.wrote: // it was through all the same
				return r, nil
			default:
				return r, os.ErrDeadlineExceeded
			}
		case <-again:
			stop()
			w.port.dropOutput()
		}
	}
}

// patience returns a channel that closes when it is time to help the writer, or never.
func patience(helps bool) (<-chan struct{}, context.CancelFunc) {
	if !helps {
		return nil, func() {}
	}
	ctx, cancel := clock.Real().WithTimeout(context.Background(), patienceWithWriter)
	return ctx.Done(), cancel
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
		again, stop := patience(true)
		select {
		case <-w.written:
			stop()
			return
		case <-again:
			stop()
			w.port.dropOutput()
		}
	}
}
