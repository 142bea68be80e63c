package api_test

import (
	"context"
	"net"
	"net/http"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"fourwire/daemon/api"
	"fourwire/internal/clock"
)

// behind is the machine's clock 9.9 s ago: what may take 10 s by it is cut off after a tenth of a second.
type behind struct{ clock.Clock }

func (b behind) Now() time.Time { return b.Clock.Now().Add(-9900 * time.Millisecond) }

// counting is a service that is told what the door counts.
type counting struct {
	*stub
	streams *atomic.Int64
}

func (c counting) Metrics(door api.Counts) http.Handler {
	c.streams.Store(door.Streams)
	return http.NotFoundHandler()
}

// One who watches and does not read keeps nobody waiting, and is cut off.
func TestWatcherThatDoesNotRead(t *testing.T) {
	_, s, _ := door(t, api.Options{})
	counted := counting{s, &atomic.Int64{}}
	o := api.Options{Clock: behind{clock.Real()}, Service: counted, PerSecond: 1e6, Burst: 1e6}
	d, err := api.New(o)
	if err != nil {
		t.Fatal(err)
	}
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	server := &http.Server{Handler: d}
	go func() { _ = server.Serve(listener) }()
	t.Cleanup(func() { d.Close(); _ = server.Close() })
	url := "http://" + listener.Addr().String()
	deaf, err := net.Dial("tcp", listener.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer deaf.Close()
	_ = deaf.(*net.TCPConn).SetReadBuffer(4096)
	if _, err := deaf.Write([]byte("GET /api/events HTTP/1.1\r\nHost: " + listener.Addr().String() + "\r\n\r\n")); err != nil {
		t.Fatal(err)
	}
	streams := func() int64 {
		answer, err := http.Get(url + "/api/metrics")
		if err != nil {
			t.Fatal(err)
		}
		answer.Body.Close()
		return counted.streams.Load()
	}
	for streams() != 1 {
	}
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	published := make(chan bool)
	go func() { // each event has 32 KiB: buffers of the deaf one's connection are full soon
		defer close(published)
		long := strings.Repeat("x", 32<<10)
		for ctx.Err() == nil {
			api.Publish(s.stream, api.Event{Kind: "log", Text: long})
			_ = clock.Real().Sleep(ctx, time.Millisecond)
		}
	}()
	ids, kinds := read(t, url, "", 20)
	if len(ids) < 20 || len(kinds) < 20 {
		t.Errorf("another one who watches got %d events", len(ids))
	}
	for streams() > 0 { // the deaf one is cut off, and the other has gone
		_ = clock.Real().Sleep(ctx, 5*time.Millisecond)
	}
	stop()
	<-published
}
