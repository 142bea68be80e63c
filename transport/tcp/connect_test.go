package tcp_test

import (
	"context"
	"net"
	"testing"
	"time"

	"fourwire/internal/clock"
	"fourwire/transport"
	"fourwire/transport/tcp"
)

// The time of connecting is a part of that of opening, and found through whatever wraps the link.
func TestConnectTime(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	a, err := transport.ParseAddress("tcp://" + l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	began := clock.Real().Now()
	link, err := tcp.Open(context.Background(), a, nil)
	whole := clock.Real().Since(began)
	if err != nil {
		t.Fatal(err)
	}
	defer link.Close()
	c, ok := transport.As[interface{ ConnectTime() time.Duration }](transport.WithEcho(link))
	if !ok || c.ConnectTime() <= 0 || c.ConnectTime() > whole {
		t.Errorf("connecting took %v of the %v that opening took", c.ConnectTime(), whole)
	}
}
