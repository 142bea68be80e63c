package e2e

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"fourwire/internal/clock"
	"fourwire/sequence/run"
	"fourwire/sim/serve"
)

// hostile stands between the runner and one instrument. It hands everything on until a query has come so many times; from then on it does
// what it likes.
type hostile struct {
	listener  net.Listener
	beyond    string
	query     string // what it waits for
	nth       int
	misbehave func(c net.Conn, query string, over <-chan struct{})

	over  chan struct{}
	going sync.WaitGroup
	mu    sync.Mutex
	conns []net.Conn
}

func startHostile(t *testing.T, h *hostile) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	h.listener, h.over = l, make(chan struct{})
	h.going.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			h.going.Go(func() { h.serve(c) })
		}
	})
	return "tcp://" + l.Addr().String()
}

func (h *hostile) stop() {
	close(h.over)
	h.listener.Close()
	h.mu.Lock()
	for _, c := range h.conns {
		c.Close()
	}
	h.mu.Unlock()
	h.going.Wait()
}

func (h *hostile) keep(c net.Conn) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.conns = append(h.conns, c)
}

func (h *hostile) serve(c net.Conn) {
	defer c.Close()
	h.keep(c)
	real, err := net.Dial("tcp", strings.TrimPrefix(h.beyond, "tcp://"))
	if err != nil {
		return
	}
	defer real.Close()
	h.keep(real)
	answers := bufio.NewReader(real)
	seen := 0
	for in := bufio.NewScanner(c); in.Scan(); {
		query := in.Text()
		if strings.Contains(query, h.query) {
			seen++
		}
		if seen >= h.nth {
			if strings.Contains(query, "?") {
				h.misbehave(c, query, h.over)
			}
			continue
		}
		fmt.Fprintf(real, "%s\n", query)
		if strings.Contains(query, "?") {
			line, err := answers.ReadBytes('\n')
			if err != nil {
				return
			}
			_, _ = c.Write(line)
		}
	}
}

// flood writes a head, and then a chunk in each millisecond until nobody takes it any more.
func flood(head string, chunk []byte) func(net.Conn, string, <-chan struct{}) {
	return func(c net.Conn, _ string, over <-chan struct{}) {
		_, _ = c.Write([]byte(head))
		ticks := newTicks(over)
		for ticks() {
			if _, err := c.Write(chunk); err != nil {
				return
			}
		}
	}
}

func answer(text string) func(net.Conn, string, <-chan struct{}) {
	return func(c net.Conn, _ string, _ <-chan struct{}) { _, _ = c.Write([]byte(text)) }
}

// complain answers as an instrument does, but its error queue never ends.
func complain(c net.Conn, query string, _ <-chan struct{}) {
	text := "5.0\n"
	switch {
	case strings.HasPrefix(query, "*ESR?;"):
		text = "0;-100,\"Command error\"\n"
	case strings.Contains(query, "SYST:ERR"):
		text = "-100,\"Command error\"\n"
	case strings.HasPrefix(query, "*IDN?"):
		text = "Lakeside,Integrating Meter,S3002,1.1\n"
	}
	_, _ = c.Write([]byte(text))
}

// drip writes one byte after the other, each when the one before has long arrived.
func drip(head string, b byte) func(net.Conn, string, <-chan struct{}) {
	return func(c net.Conn, _ string, over <-chan struct{}) {
		_, _ = c.Write([]byte(head))
		ticks := newTicks(over)
		for ticks() {
			if _, err := c.Write([]byte{b}); err != nil {
				return
			}
		}
	}
}

// newTicks gives a function that waits a millisecond and tells whether to go on.
func newTicks(over <-chan struct{}) func() bool {
	ctx, cancel := context.WithCancel(context.Background())
	go func() { <-over; cancel() }()
	return func() bool { return clock.Real().Sleep(ctx, time.Millisecond) == nil }
}

// Instruments that send without end or without sense, in the middle of a run: it ends in bounded time with status 4, outputs off, the finished
// points kept, and a message that names the instrument.
func TestHostilePeers(t *testing.T) {
	first := newChain(t, "matrix.yaml", options{sequence: matrixSequence})
	type peer struct {
		name      string
		misbehave func(net.Conn, string, <-chan struct{})
		says      string
	}
	peers := []peer{
		{"a line of ten megabytes", answer(strings.Repeat("9", 10<<20) + "\n"), "are allowed"},
		{"a line without end", flood("", bytes.Repeat([]byte("1.5,"), 16<<10)), "are allowed"},
		{"a byte now and then, for ever", drip("", '1'), "bytes had come"},
		{"empty lines without end", flood("", bytes.Repeat([]byte("\r\n"), 16<<10)), "no answer came"},
		{"a block of 999999999 bytes", drip("#9999999999", 'x'), "are allowed"},
		{"a block of 200000000 bytes, byte by byte", drip("#9200000000", 'x'), "inside a block"},
		{"a block without end", flood("#0", bytes.Repeat([]byte("x"), 32<<10)), "no answer came"},
		{"an error queue without end", complain, "does not come to an end"},
		{"binary", answer("\x00\xff\xfe\x1b[2J\x9b31m\x07\n"), "dmm-out"},
		{"another language", answer("HTTP/1.1 400 Bad Request\r\n"), "dmm-out"},
	}
	results := make([]*servedRun, len(peers))
	var all sync.WaitGroup
	for i, p := range peers {
		all.Go(func() {
			r := &servedRun{}
			var h *hostile
			r.between = func(endpoints []serve.Endpoint) []serve.Endpoint {
				for k, e := range endpoints {
					if e.Instrument == dmmOut {
						h = &hostile{beyond: e.Address, query: ":FETC?", nth: 3, misbehave: p.misbehave}
						endpoints[k].Address = startHostile(t, h)
					}
				}
				return endpoints
			}
			serveAndRun(t, first.plan, first, r)
			h.stop()
			results[i] = r
		})
	}
	all.Wait()
	for i, p := range peers {
		t.Run(p.name, func(t *testing.T) {
			r := results[i]
			said := r.everything()
			if got := run.ExitStatus(r.summary, r.err); got != 4 || len(r.left()) > 0 || !strings.Contains(r.message(), dmmOut) || !strings.Contains(said, p.says) {
				t.Errorf("exit %d, on: %v\n%.600s", got, r.left(), said)
			}
			if len(r.record.Rows) < 2 || !r.record.Rows[0].Valid || !r.record.Rows[1].Valid {
				t.Errorf("the finished points: %+v", r.record.Rows)
			}
			if strings.ContainsAny(strings.ReplaceAll(strings.Join(r.said, ""), "\n", ""), "\x1b\x07\x00") {
				t.Error("what the instrument sent would reach a terminal as it is")
			}
			if len(r.message()) > 4000 {
				t.Errorf("a message of %d bytes", len(r.message()))
			}
		})
	}
}
