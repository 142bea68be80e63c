package dial_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"fourwire/internal/clock"
	"fourwire/transport"
	"fourwire/transport/dial"
	"fourwire/transport/transporttest"
)

func ExampleDialer() {
	bench := map[string]transport.Link{
		"meter1": transporttest.NewScript(transporttest.Sent("MEAS:VOLT?"), transporttest.Answer("4.9983")),
	}
	dialer := &dial.Dialer{
		Clock: clock.NewVirtual(time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)),
		Sim:   func(name string) (transport.Link, error) { return bench[name], nil },
	}
	address, _ := transport.ParseAddress("sim:meter1")
	ctx := context.Background()
	link, err := dialer.Dial(ctx, address)
	if err != nil {
		fmt.Println(err)
		return
	}
	defer link.Close()
	_ = link.Send(ctx, []byte("MEAS:VOLT?"))
	answer, _ := link.Receive(ctx, nil)
	fmt.Printf("%s\n", answer)
	// Output: 4.9983
}

func parse(t *testing.T, text string) transport.Address {
	t.Helper()
	a, err := transport.ParseAddress(text)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// echoer is an instrument on a socket that echoes each line and then answers a query.
func echoer(t *testing.T) string {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	go func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				defer conn.Close()
				lines := transport.NewStream(conn, transport.Address{}, nil)
				for {
					msg, err := lines.Receive(context.Background(), nil)
					if err != nil {
						return
					}
					reply := string(msg) + "\n"
					if strings.HasSuffix(string(msg), "?") {
						reply += "12.5\n"
					}
					_, _ = io.WriteString(conn, reply)
				}
			}()
		}
	}()
	return l.Addr().String()
}

func TestDialPutsTheWrappersInOrder(t *testing.T) {
	var seen []string
	dialer := &dial.Dialer{
		Tap: func(a transport.Address) transport.Tap {
			return func(_ time.Time, since time.Duration, way byte, message []byte) {
				if since < 0 {
					t.Errorf("a message %v before the dial", -since)
				}
				seen = append(seen, string(way)+string(message))
			}
		},
	}
	ctx := context.Background()
	link, err := dialer.Dial(ctx, parse(t, "tcp://"+echoer(t)+"?echo=yes&gap=1ms"))
	if err != nil {
		t.Fatal(err)
	}
	defer link.Close()
	for range 2 {
		if err := link.Send(ctx, []byte("VOLT?")); err != nil {
			t.Fatal(err)
		}
		if msg, err := link.Receive(ctx, nil); err != nil || string(msg) != "12.5" {
			t.Fatalf("%q, %v", msg, err)
		}
	}
	if got, want := fmt.Sprint(seen), "[>VOLT? <VOLT? <12.5 >VOLT? <VOLT? <12.5]"; got != want {
		t.Errorf("the tap saw %s, want %s", got, want)
	}
	if _, ok := transport.As[transport.Redialer](link); !ok {
		t.Error("the socket cannot be found through the wrappers")
	}
}

func TestSingle(t *testing.T) {
	host := echoer(t)
	for _, c := range []struct {
		name, first, second string
		busy                bool
	}{
		{"two ordinary links", "", "", false},
		{"the second wants it alone", "", "?single=yes", true},
		{"the first has it alone", "?single=yes", "?gap=1ms", true},
		{"both", "?single=yes", "?single=yes", true},
	} {
		t.Run(c.name, func(t *testing.T) {
			ctx := context.Background()
			dialer := &dial.Dialer{}
			first, err := dialer.Dial(ctx, parse(t, "tcp://"+host+c.first))
			if err != nil {
				t.Fatal(err)
			}
			second, err := dialer.Dial(ctx, parse(t, "tcp://"+host+c.second))
			if errors.Is(err, transport.ErrBusy) != c.busy {
				t.Errorf("while the first is open: %v", err)
			}
			if err == nil {
				_ = second.Close()
			}
			_ = first.Close()
			_ = first.Close() // gives the place free once
			second, err = dialer.Dial(ctx, parse(t, "tcp://"+host+c.second))
			if err != nil {
				t.Fatalf("when all are closed: %v", err)
			}
			_ = second.Close()
		})
	}
}

func TestDialRefusals(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	gone := l.Addr().String()
	_ = l.Close()
	dir := t.TempDir()
	own := errors.New("no such instrument on the bench")
	ctx := context.Background()
	for _, c := range []struct {
		name    string
		dialer  *dial.Dialer
		address transport.Address
		kind    error
		says    string
	}{
		{"nobody listens", &dial.Dialer{}, parse(t, "tcp://"+gone+"?single=yes"), transport.ErrRefused, "nothing listens there"},
		{"no time", &dial.Dialer{Connect: 1}, parse(t, "tcp://"+gone), transport.ErrTimeout, "before the time ran out"},
		{"no simulated bench", &dial.Dialer{}, parse(t, "sim:meter1"), nil, "no simulated bench is there"},
		{"no such simulated instrument", &dial.Dialer{Sim: func(string) (transport.Link, error) { return nil, own }}, parse(t, "sim:x"), own, ""},
		{"no simulated instrument and no error", &dial.Dialer{Sim: func(string) (transport.Link, error) { return nil, nil }}, parse(t, "sim:x"), nil, `no instrument "x"`},
		{"no such port below the folder", &dial.Dialer{BaseDir: dir}, parse(t, "serial:meter.pty"), nil, filepath.Join(dir, "meter.pty")},
		{"an address made by hand", &dial.Dialer{}, transport.Address{Scheme: "gopher", Path: "x"}, nil, `no wire has the scheme "gopher"`},
	} {
		t.Run(c.name, func(t *testing.T) {
			for range 2 { // a failed dial leaves nothing claimed
				link, err := c.dialer.Dial(ctx, c.address)
				var named *transport.Error
				if link != nil || !errors.As(err, &named) || named.Op != "open" || !strings.Contains(err.Error(), c.says) || c.kind != nil && !errors.Is(err, c.kind) {
					t.Errorf("%v, %v", link, err)
				}
			}
		})
	}
}
