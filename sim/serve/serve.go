// Package serve puts a simulated bench on real sockets and serial ports, so that any program can talk to its instruments as if they
// were on the network: raw TCP sockets and, on Linux, pseudo-terminals that look like serial ports.
//
// Simulated time follows the machine's at a stated pace. At pace 0 it also jumps ahead whenever a connection waits for an answer that takes
// time, so that nobody waits for a simulated aperture.
//
// Answers are written when the input that has come is used up, all in one piece: a thousand pipelined queries cost one write.
package serve

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strings"
	"sync"
	"time"

	"fourwire/internal/clock"
	"fourwire/sim"
	"fourwire/transport"
)

// Endpoint is one instrument and the address at which it is served: tcp://HOST:PORT, where port 0 takes a free one, or
// serial:///PATH, where PATH becomes a link to a pseudo-terminal.
type Endpoint struct{ Instrument, Address string }

// Options say what is served and how. The zero value serves nothing, in jumps.
type Options struct {
	Endpoints []Endpoint
	// Pace is how much simulated time passes in one second of real time: 1 is real time, 10 is ten times as fast. At 0 time passes as at
	// 1 and also jumps whenever a connection waits for it. A bench that is slower than that falls behind.
	Pace float64
	// Ready is called once all endpoints can be reached, with their actual addresses.
	Ready func([]Endpoint)
	// Event sees each event of the bench as it happens, with the real time of its happening; it must not wait for the bench. nil is nobody.
	Event func(wall time.Time, e sim.Event)
	// Clock is the real time; nil is the machine's.
	Clock clock.Clock
}

// Serve serves a bench until ctx ends, and returns nil then: connections closed, ports free, links gone. An endpoint that cannot be
// opened is an error before Ready is called. While it runs nobody else may move the bench's clock.
func Serve(ctx context.Context, bench *sim.Bench, o Options) (err error) {
	ctx, cancel := context.WithCancel(ctx)
	s := &server{bench: bench, pacer: newPacer(bench, o), ctx: ctx}
	defer func() {
		cancel()
		s.closeAll()
		s.running.Wait()
	}()
	if o.Event != nil {
		bench.OnEvent(func(e sim.Event) { o.Event(s.pacer.clock.Now(), e) })
		defer bench.OnEvent(nil)
	}
	ready := make([]Endpoint, 0, len(o.Endpoints))
	for _, e := range o.Endpoints {
		actual, err := s.open(e)
		if err != nil {
			return fmt.Errorf("%s cannot be served at %s: %w", e.Instrument, e.Address, err)
		}
		ready = append(ready, Endpoint{e.Instrument, actual})
	}
	s.running.Go(func() { s.pacer.run(ctx) })
	if o.Ready != nil {
		o.Ready(ready)
	}
	<-ctx.Done()
	return nil
}

type server struct {
	bench   *sim.Bench
	pacer   *pacer
	ctx     context.Context
	running sync.WaitGroup

	mu      sync.Mutex // guards what follows
	closed  bool
	handles map[closer]struct{}
}

type closer interface{ Close() error }

// keep remembers what has to be closed at the end; false when the end has come.
func (s *server) keep(c closer) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return false
	}
	if s.handles == nil {
		s.handles = map[closer]struct{}{}
	}
	s.handles[c] = struct{}{}
	return true
}

func (s *server) forget(c closer) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.handles, c)
}

func (s *server) closeAll() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.closed = true
	for c := range s.handles {
		_ = c.Close()
	}
}

// open starts to serve one endpoint and returns its actual address.
func (s *server) open(e Endpoint) (string, error) {
	quirks, err := s.bench.QuirksOf(e.Instrument)
	if err != nil {
		return "", err
	}
	place, _, _ := strings.Cut(e.Address, "?")
	if host, ok := strings.CutPrefix(place, "tcp://"); ok {
		return s.openSocket(e.Instrument, host, quirks)
	}
	a, err := transport.ParseAddress(place)
	if err != nil {
		return "", err
	}
	if a.Scheme != "serial" {
		return "", errors.New("only tcp:// and serial:// addresses can be served; sim: is for use in this process")
	}
	return s.openTerminal(e.Instrument, a.Path, quirks)
}

func (s *server) openSocket(name, host string, quirks sim.Quirks) (string, error) {
	var config net.ListenConfig
	listener, err := config.Listen(s.ctx, "tcp", host)
	if err != nil {
		return "", err
	}
	s.keep(listener)
	s.running.Go(func() { s.accept(listener, name, quirks) })
	return "tcp://" + listener.Addr().String(), nil
}

func (s *server) accept(listener net.Listener, name string, quirks sim.Quirks) {
	var busy sync.Mutex
	for {
		socket, err := listener.Accept()
		if err != nil {
			if s.ctx.Err() != nil || errors.Is(err, net.ErrClosed) {
				return
			}
			if s.pacer.clock.Sleep(s.ctx, 10*time.Millisecond) != nil { // out of descriptors: try again
				return
			}
			continue
		}
		if !s.keep(socket) || quirks.OneConnection && !busy.TryLock() {
			_ = socket.Close()
			s.forget(socket)
			continue
		}
		s.running.Go(func() {
			if quirks.OneConnection {
				defer busy.Unlock()
			}
			defer s.forget(socket)
			s.talk(socket, name, line{refuse: func() { _ = listener.Close() }})
		})
	}
}
