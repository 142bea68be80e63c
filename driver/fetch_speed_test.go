package driver_test

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"fourwire/driver"
	"fourwire/internal/clock"
	"fourwire/transport"
	"fourwire/transport/dial"
)

// giving is a server on the loopback that records: every question for data is answered with the same bytes, but for the index.
func giving(b *testing.B, tail []byte, count int) string {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	var all sync.WaitGroup
	all.Go(func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			all.Go(func() {
				defer conn.Close()
				r, index := bufio.NewReader(conn), 0
				for {
					line, err := r.ReadString('\n')
					if err != nil {
						return
					}
					answer := ""
					switch text := strings.TrimSpace(line); {
					case strings.HasPrefix(text, ":TRAC:DATA?"):
						whole := net.Buffers{fmt.Appendf(nil, "%012d", index), tail}
						index += count
						if _, err := whole.WriteTo(conn); err != nil {
							return
						}
					case text == "*IDN?":
						answer = "Maker,Model,1,1\n"
					case text == ":SYST:ERR?":
						answer = noError + "\n"
					case text == ":TRAC:TINT?":
						answer = "2E-05\n"
					case text == ":TRAC:RANG:ULIM?":
						answer = "0.1\n"
					case text == ":TRAC:BUFF?":
						answer = "4000000\n"
					}
					if answer != "" {
						if _, err := io.WriteString(conn, answer); err != nil {
							return
						}
					}
				}
			})
		}
	})
	b.Cleanup(func() { _ = l.Close(); all.Wait() })
	return l.Addr().String()
}

// BenchmarkFetch compares blocks of half a million samples of amps and volts, wire log on, with a plain read of the same bytes from a socket.
// The ratio of the two in one run is what counts; half the speed, 2 ns a sample, is what taking apart leaves.
func BenchmarkFetch(b *testing.B) {
	const samples = 500_000
	numbers := make([]float32, 2*samples)
	for i := range numbers {
		numbers[i] = float32(i%1000) * 1e-6
	}
	tail := []byte(block(`,500000,0,"0:2,100000:5,100400:2"`, numbers...) + "\n")
	where, length := giving(b, tail, samples), 12+len(tail)
	b.Run("plain", func(b *testing.B) {
		conn, err := net.Dial("tcp", where)
		if err != nil {
			b.Fatal(err)
		}
		defer conn.Close()
		into := make([]byte, length)
		b.SetBytes(int64(length))
		for b.Loop() {
			if _, err := io.WriteString(conn, ":TRAC:DATA? 500000,0\n"); err != nil {
				b.Fatal(err)
			}
			if _, err := io.ReadFull(conn, into); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("driver", func(b *testing.B) {
		ctx := context.Background()
		address, err := transport.ParseAddress("tcp://" + where)
		if err != nil {
			b.Fatal(err)
		}
		logged := 0
		d := dial.Dialer{Tap: func(transport.Address) transport.Tap {
			return func(_ time.Time, _ time.Duration, _ byte, message []byte) { logged += len(message) }
		}}
		link, err := d.Dial(ctx, address)
		if err != nil {
			b.Fatal(err)
		}
		in, err := driver.Open(ctx, driver.Config{Name: "smu", Model: modelOf(b, libraryText(b, "source-measure-unit")), Link: link, Clock: clock.Real()})
		if err != nil {
			b.Fatal(err)
		}
		defer in.Close()
		r, err := in.Recorder(1)
		if err != nil {
			b.Fatal(err)
		}
		if _, err := r.Start(ctx, bothFunctions); err != nil {
			b.Fatal(err)
		}
		var s driver.Samples
		b.SetBytes(int64(length))
		b.ReportAllocs()
		for b.Loop() {
			if err := r.Fetch(ctx, samples, 0, &s); err != nil || s.Count != samples {
				b.Fatal(s.Count, err)
			}
		}
	})
}
