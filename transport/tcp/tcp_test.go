package tcp_test

import (
	"context"
	"errors"
	"io"
	"net"
	"testing"
	"time"

	"fourwire/internal/clock"
	"fourwire/transport"
	"fourwire/transport/tcp"
	"fourwire/transport/transporttest"
)

// listen returns a listener on loopback and its address.
func listen(t testing.TB, o transport.Options) (net.Listener, transport.Address) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	return l, transport.Address{Scheme: "tcp", Host: l.Addr().String(), Options: o}
}

// pair returns both ends of one connection.
func pair(t *testing.T, o transport.Options) (transport.Link, io.ReadWriteCloser) {
	t.Helper()
	l, a := listen(t, o)
	link, err := tcp.Open(context.Background(), a, nil)
	if err != nil {
		t.Fatal(err)
	}
	device, err := l.Accept()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = link.Close(); _ = device.Close() })
	return link, device
}

func TestContract(t *testing.T) { transporttest.Run(t, pair) }

func TestOpenRefused(t *testing.T) {
	l, a := listen(t, transport.Options{})
	_ = l.Close() // the port is free now, and was a moment ago
	_, err := tcp.Open(context.Background(), a, nil)
	var named *transport.Error
	if !errors.Is(err, transport.ErrRefused) || !errors.As(err, &named) || named.Op != "open" || named.Address != a.String() {
		t.Errorf("got %v", err)
	}
}

func TestOpenObeysItsContext(t *testing.T) {
	_, a := listen(t, transport.Options{})
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := tcp.Open(ctx, a, nil); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
	ctx, cancel = clock.Real().WithTimeout(context.Background(), 0)
	defer cancel()
	if _, err := tcp.Open(ctx, a, nil); !errors.Is(err, transport.ErrTimeout) {
		t.Errorf("too late: %v", err)
	}
}

// A deadline in virtual time may lie long before the machine's time, and must not be taken for that.
func TestOpenInVirtualTime(t *testing.T) {
	_, a := listen(t, transport.Options{})
	c := clock.NewVirtual(time.Date(2001, 1, 1, 0, 0, 0, 0, time.UTC))
	ctx, cancel := c.WithTimeout(context.Background(), time.Second)
	defer cancel()
	link, err := tcp.Open(ctx, a, c)
	if err != nil {
		t.Fatal(err)
	}
	_ = link.Close()
}

func TestRedialIsInStepAgain(t *testing.T) {
	l, a := listen(t, transport.Options{})
	link, err := tcp.Open(context.Background(), a, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer link.Close()
	old, err := l.Accept()
	if err != nil {
		t.Fatal(err)
	}
	_, _ = io.WriteString(old, "of before\nleft over\n")
	if msg, err := link.Receive(context.Background(), nil); err != nil || string(msg) != "of before" {
		t.Fatalf("%q, %v", msg, err)
	}
	if err := link.Redial(context.Background()); err != nil {
		t.Fatal(err)
	}
	_ = old.Close()
	if old, err = l.Accept(); err != nil {
		t.Fatal(err)
	}
	_, _ = io.WriteString(old, "half of an ans")
	_ = old.Close()
	if _, err := link.Receive(context.Background(), nil); !errors.Is(err, transport.ErrLost) {
		t.Fatalf("got %v", err)
	}

	again, ok := transport.As[transport.Redialer](link)
	if !ok {
		t.Fatal("a socket can be redialled")
	}
	if err := again.Redial(context.Background()); err != nil {
		t.Fatal(err)
	}
	device, err := l.Accept()
	if err != nil {
		t.Fatal(err)
	}
	defer device.Close()
	_, _ = io.WriteString(device, "5.0\n")
	if msg, err := link.Receive(context.Background(), nil); err != nil || string(msg) != "5.0" {
		t.Errorf("after redialling: %q, %v", msg, err)
	}

	_ = l.Close()
	if err := again.Redial(context.Background()); !errors.Is(err, transport.ErrRefused) {
		t.Errorf("redialling what is gone: %v", err)
	}
	if err := link.Send(context.Background(), []byte("X")); !errors.Is(err, transport.ErrLost) {
		t.Errorf("sending on what is lost: %v", err)
	}
	_ = link.Close()
	if err := again.Redial(context.Background()); err == nil {
		t.Error("a closed link was redialled")
	}
}
