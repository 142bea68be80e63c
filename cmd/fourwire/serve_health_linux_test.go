package main

import (
	"context"
	"io"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"fourwire/client"
	"fourwire/daemon"
	"fourwire/daemon/api"
	"fourwire/internal/clock/clocktest"
)

// cord is the network cord of an instrument: what goes over it can be cut off and put back.
type cord struct {
	t    *testing.T
	at   string // where it is reached
	to   string // the instrument
	mu   sync.Mutex
	door net.Listener
	ends []net.Conn
}

func plug(t *testing.T, to string) *cord {
	t.Helper()
	c := &cord{t: t, at: "127.0.0.1:0", to: to}
	c.in()
	t.Cleanup(c.out)
	return c
}

func (c *cord) in() {
	c.t.Helper()
	door, err := net.Listen("tcp", c.at)
	if err != nil {
		c.t.Fatal(err)
	}
	c.mu.Lock()
	c.door, c.at = door, door.Addr().String()
	c.mu.Unlock()
	go func() {
		for {
			near, err := door.Accept()
			if err != nil {
				return
			}
			far, err := net.Dial("tcp", c.to)
			if err != nil {
				near.Close()
				continue
			}
			c.mu.Lock()
			c.ends = append(c.ends, near, far)
			c.mu.Unlock()
			go func() { _, _ = io.Copy(far, near); far.Close() }()
			go func() { _, _ = io.Copy(near, far); near.Close() }()
		}
	}()
}

func (c *cord) out() {
	c.mu.Lock()
	defer c.mu.Unlock()
	_ = c.door.Close()
	for _, end := range c.ends {
		_ = end.Close()
	}
	c.ends = nil
}

// A daemon finds out that an instrument was unplugged and since when, that it is back, and what its error queue held. The bench is on sockets in a process of
// its own; the daemon's clock is put forward.
func TestHealthOverSockets(t *testing.T) {
	t.Parallel()
	dir := buoyOverSockets(t, "--pace", "max")
	lan := filepath.Join(dir, "lan.yaml")
	text, err := os.ReadFile(lan)
	if err != nil {
		t.Fatal(err)
	}
	found := regexp.MustCompile(`(?s)feed-psu:.*?tcp://(127\.0\.0\.1:\d+)`).FindSubmatch(text)
	if found == nil {
		t.Fatalf("no address of feed-psu in\n%s", text)
	}
	c := plug(t, string(found[1]))
	if err := os.WriteFile(lan, []byte(strings.Replace(string(text), c.to, c.at, 1)), 0o600); err != nil {
		t.Fatal(err)
	}
	d, err := newDesk(lan)
	if err != nil {
		t.Fatal(err)
	}
	ahead := clocktest.New()
	ctx, stop := context.WithCancel(context.Background())
	ready, over := make(chan string, 1), make(chan error, 1)
	go func() {
		over <- daemon.Run(ctx, daemon.Config{Desk: d, Records: filepath.Join(dir, "records"), State: filepath.Join(dir, "state"), Listen: "127.0.0.1:0", Clock: ahead,
			Log: zerolog.Nop(), Ready: func(url string) { ready <- url }})
	}()
	t.Cleanup(func() {
		if stop(); <-over != nil {
			t.Error("the daemon did not stop in order")
		}
	})
	seen, err := client.New(<-ready)
	if err != nil {
		t.Fatal(err)
	}
	until := func(wanted func(api.Health) bool) api.Health {
		t.Helper()
		for {
			b, err := seen.Bench(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			for _, in := range b.Instruments {
				if in.Name == "feed-psu" && wanted(in.Health) {
					return in.Health
				}
			}
			ahead.Forward(10 * time.Second)
			pause(t, 20*time.Millisecond)
		}
	}
	state := func(s string) func(api.Health) bool { return func(h api.Health) bool { return h.State == s } }
	if h := until(state("ok")); !strings.HasPrefix(h.Identity, "Lakeside, Feed 32-10, S1001") || h.LastError != "" {
		t.Errorf("%+v", h)
	}
	c.out()
	gone := until(state("unreachable"))
	if !strings.HasPrefix(gone.Identity, "Lakeside") || gone.Error == "" || gone.Since.IsZero() {
		t.Errorf("unplugged: %+v", gone)
	}
	if later := until(func(h api.Health) bool { return h.Checked.After(gone.Checked) }); later.State != "unreachable" || !later.Since.Equal(gone.Since) {
		t.Errorf("still unplugged: %+v, before %+v", later, gone)
	}
	c.in()
	if back := until(state("ok")); !back.Since.After(gone.Since) || back.Error != "" {
		t.Errorf("plugged in again: %+v", back)
	}
	said, err := net.Dial("tcp", c.to)
	if err != nil {
		t.Fatal(err)
	}
	defer said.Close()
	if _, err := io.WriteString(said, ":VOLT:NONSENSE 5\n"); err != nil {
		t.Fatal(err)
	}
	h := until(func(h api.Health) bool { return h.LastError != "" })
	if !strings.Contains(h.LastError, "-113") { // undefined header: SCPI-1999 volume 2, 21.8.9
		t.Errorf("%+v", h)
	}
	if later := until(state("ok")); later.LastError != h.LastError || later.LastAt.IsZero() {
		t.Errorf("its queue is empty again: %+v", later)
	}
}
