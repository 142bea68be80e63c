package driver_test

import (
	"bufio"
	"context"
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

// answering is a line server on the loopback that answers what a source is asked, without a simulator behind it.
func answering(b *testing.B) string {
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
				r := bufio.NewReader(conn)
				for {
					line, err := r.ReadSlice('\n')
					if err != nil {
						return
					}
					answer := ""
					switch text := string(line); {
					case text == "*IDN?\n":
						answer = "Maker,Model,1,1\n"
					case text == ":SYST:ERR?\n":
						answer = "0,\"No error\"\n"
					case text == ":OUTP1?;:STAT:QUES:COND?\n":
						answer = "1;2\n"
					case strings.HasPrefix(text, ":FETC"):
						answer = "1.20000000E+01\n"
					case text == ":SOUR1:VOLT?\n":
						answer = "1.20000000E+01\n"
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

// BenchmarkQuery compares one question through driver and transport, wire log on, with a bare exchange of the same bytes on a socket. The ratio
// of the two in one run is what counts; at most 1.3 is aimed at.
func BenchmarkQuery(b *testing.B) {
	where := answering(b)
	b.Run("bare", func(b *testing.B) {
		conn, err := net.Dial("tcp", where)
		if err != nil {
			b.Fatal(err)
		}
		defer conn.Close()
		question, answer := []byte(":SOUR1:VOLT?\n"), make([]byte, 64)
		for b.Loop() {
			if _, err := conn.Write(question); err != nil {
				b.Fatal(err)
			}
			if _, err := conn.Read(answer); err != nil {
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
		in, err := driver.Open(ctx, driver.Config{Name: "psu", Model: modelOf(b, libraryText(b, "dc-source")), Link: link, Clock: clock.Real()})
		if err != nil {
			b.Fatal(err)
		}
		defer in.Close()
		s, err := in.Source(1)
		if err != nil {
			b.Fatal(err)
		}
		b.ReportAllocs()
		for b.Loop() {
			if v, err := s.Volts(ctx); err != nil || v != 12 {
				b.Fatal(v, err)
			}
		}
	})
}
