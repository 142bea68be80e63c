// Package tcp talks to instruments over a raw TCP socket, on which lines of text and definite blocks go both ways.
package tcp

import (
	"context"
	"errors"
	"net"
	"sync/atomic"
	"syscall"
	"time"

	"fourwire/internal/clock"
	"fourwire/transport"
)

// How long a dead peer may go unnoticed. Keep-alive finds it while nothing is sent, the user time-out (Linux) while something is.
const (
	aliveAfter  = 15 * time.Second
	aliveEvery  = 5 * time.Second
	aliveTries  = 3
	userTimeout = 20 * time.Second
)

// Link is a raw socket to an instrument.
type Link struct {
	*transport.Stream
	clock clock.Clock
	took  time.Duration
}

// ConnectTime is how long the other side took to answer when the link was opened: once there and back. What this side needed to get ready, the search
// for an address by name included, is not in it.
func (l *Link) ConnectTime() time.Duration { return l.took }

// Open connects to a.Host, as long as ctx allows. c is the clock of the link and of ctx; nil is the machine's. A refusal is
// transport.ErrRefused: nobody listens on that port, or the instrument has no connection left.
func Open(ctx context.Context, a transport.Address, c clock.Clock) (*Link, error) {
	conn, took, err := connect(ctx, a, c)
	if err != nil {
		return nil, &transport.Error{Op: "open", Address: a.String(), Err: err}
	}
	return &Link{Stream: transport.NewStream(conn, a, c), clock: c, took: took}, nil
}

// Redial closes the connection and opens it again. When that fails the link stays lost, and Redial may be tried again.
func (l *Link) Redial(ctx context.Context) error {
	l.Drop()
	conn, _, err := connect(ctx, l.Address(), l.clock)
	if err != nil {
		return &transport.Error{Op: "redial", Address: l.Address().String(), Err: err}
	}
	return l.Replace(conn)
}

func connect(ctx context.Context, a transport.Address, c clock.Clock) (net.Conn, time.Duration, error) {
	began, at := clock.Or(c).Now(), atomic.Int64{} // when the socket was ready; of several addresses, that of the last
	dialer := net.Dialer{KeepAliveConfig: net.KeepAliveConfig{Enable: true, Idle: aliveAfter, Interval: aliveEvery, Count: aliveTries},
		Control: func(string, string, syscall.RawConn) error {
			at.Store(int64(clock.Or(c).Since(began)))
			return nil
		}}
	inner := ctx
	if !clock.IsReal(c) {
		inner = otherTime{ctx}
	}
	conn, err := dialer.DialContext(inner, "tcp", a.Host) // with no-delay, as always in Go
	if err != nil {
		return nil, 0, explain(ctx, err)
	}
	took := clock.Or(c).Since(began) - time.Duration(at.Load())
	limitSilence(conn)
	return conn, took, nil
}

// otherTime hides a deadline that the operating system would misread, being of another clock. The context still ends by it.
type otherTime struct{ context.Context }

func (otherTime) Deadline() (time.Time, bool) { return time.Time{}, false }

func explain(ctx context.Context, err error) error {
	var timeout net.Error
	switch {
	case ctx.Err() != nil:
		return transport.Interrupted(ctx, "no connection came about", err)
	case errors.Is(err, syscall.ECONNREFUSED) || errors.Is(err, wsaRefused):
		return transport.Explain("connection refused: nothing listens there, or the instrument has no connection left for us",
			transport.ErrRefused, err)
	case errors.As(err, &timeout) && timeout.Timeout():
		return transport.Explain("no connection came about before the time ran out: is it switched on, and reachable from here?",
			transport.ErrTimeout, err)
	}
	return err
}

// wsaRefused is what Windows says in place of ECONNREFUSED.
const wsaRefused = syscall.Errno(10061)
