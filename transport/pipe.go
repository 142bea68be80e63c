package transport

import (
	"io"
	"os"
	"sync"
	"time"
)

// pipeRoom is how many bytes a pipe holds in each direction before writing has to wait.
const pipeRoom = 1 << 20

// Pipe returns the two ends of a wire in memory. Each direction holds up to 1 MiB, so that short messages can be written before
// anybody reads. What one end has written before its Close can still be read by the other.
func Pipe() (a, b *PipeEnd) {
	there, back := newPipeline(), newPipeline()
	return &PipeEnd{in: back, out: there}, &PipeEnd{in: there, out: back}
}

// PipeEnd is one end of a Pipe. It is a Wire, and safe for use from several goroutines.
type PipeEnd struct{ in, out *pipeline }

// Read waits for at least one byte. It returns io.EOF once the other end is closed and everything is read.
func (e *PipeEnd) Read(p []byte) (int, error) { return e.in.read(p) }

// Write waits for room. It returns io.ErrClosedPipe once either end is closed.
func (e *PipeEnd) Write(p []byte) (int, error) { return e.out.write(p) }

// SetDeadline wakes up readers and writers of this end when t is not zero, whatever it is; see Wire.
func (e *PipeEnd) SetDeadline(t time.Time) error {
	e.in.set(func(l *pipeline) { l.readWoken = !t.IsZero() })
	e.out.set(func(l *pipeline) { l.writeWoken = !t.IsZero() })
	return nil
}

// Close ends both directions.
func (e *PipeEnd) Close() error { return e.CloseWithError(io.EOF) }

// CloseWithError ends both directions; the other end reads err when it has read everything else.
func (e *PipeEnd) CloseWithError(err error) error {
	e.in.set(func(l *pipeline) { l.readerGone = true })
	e.out.set(func(l *pipeline) {
		if l.ended == nil {
			l.ended = err
		}
	})
	return nil
}

// pipeline is one direction of a pipe.
type pipeline struct {
	mu                    sync.Mutex // guards what follows
	changed               sync.Cond
	data                  []byte
	ended                 error // set when the writing end is closed
	readerGone            bool
	readWoken, writeWoken bool
}

func newPipeline() *pipeline {
	l := &pipeline{}
	l.changed.L = &l.mu
	return l
}

func (l *pipeline) set(change func(*pipeline)) {
	l.mu.Lock()
	change(l)
	l.mu.Unlock()
	l.changed.Broadcast()
}

func (l *pipeline) read(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for {
		switch {
		case l.readerGone:
			return 0, io.ErrClosedPipe
		case len(p) == 0:
			return 0, nil
		case len(l.data) > 0:
			n := copy(p, l.data)
			l.data = l.data[n:]
			l.changed.Broadcast()
			return n, nil
		case l.ended != nil:
			return 0, l.ended
		case l.readWoken:
			return 0, os.ErrDeadlineExceeded
		}
		l.changed.Wait()
	}
}

func (l *pipeline) write(p []byte) (n int, err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for len(p) > 0 {
		switch {
		case l.readerGone || l.ended != nil:
			return n, io.ErrClosedPipe
		case len(l.data) < pipeRoom:
			k := min(len(p), pipeRoom-len(l.data))
			l.data = append(l.data, p[:k]...)
			p, n = p[k:], n+k
			l.changed.Broadcast()
		case l.writeWoken:
			return n, os.ErrDeadlineExceeded
		default:
			l.changed.Wait()
		}
	}
	return n, nil
}
