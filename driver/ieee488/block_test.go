package ieee488_test

import (
	"bufio"
	"context"
	"encoding/binary"
	"io"
	"math"
	"net"
	"testing"
	"time"

	"fourwire/driver/ieee488"
	"fourwire/driver/scpi"
	"fourwire/transport"
)

// digitiser answers every line with one block of numbers.
func digitiser(t testing.TB, wire []byte) net.Conn {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		conn, err := l.Accept()
		if err != nil {
			return
		}
		defer conn.Close()
		lines := bufio.NewScanner(conn)
		for lines.Scan() {
			if _, err := conn.Write(wire); err != nil {
				return
			}
		}
	}()
	conn, err := net.Dial("tcp", l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close(); _ = l.Close(); <-done })
	return conn
}

func block(numbers int) []byte {
	body := make([]byte, 0, 4*numbers)
	for i := range numbers {
		body = binary.LittleEndian.AppendUint32(body, math.Float32bits(float32(i)))
	}
	return append(scpi.AppendBlock(nil, body), '\n')
}

func TestBlocksComeStraightIntoNumbers(t *testing.T) {
	const numbers = 100_000
	conn := digitiser(t, block(numbers))
	d := ieee488.New(ieee488.Config{Link: transport.NewStream(conn, transport.Address{Scheme: "tcp", Host: "digitiser"}, nil)})
	var s scpi.Singles
	for range 3 {
		answer, err := d.AskInto(context.Background(), []byte("CURV?"), 20*time.Second, s.Room())
		if err != nil {
			t.Fatal(err)
		}
		got, err := s.Take(answer, scpi.Swapped)
		if err != nil || len(got) != numbers || got[1] != 1 || got[numbers-1] != numbers-1 {
			t.Fatalf("%d numbers, %v", len(got), err)
		}
	}
}

// BenchmarkBlock compares 64 MiB of REAL,32 into numbers with a plain read of the same bytes from a socket, in the same run. At least 0.7 of the
// plain read's rate is aimed at.
func BenchmarkBlock(b *testing.B) {
	const size = 64 << 20
	wire := block(size / 4)
	b.Run("plain", func(b *testing.B) {
		conn := digitiser(b, wire)
		into := make([]byte, len(wire))
		b.SetBytes(size)
		for b.Loop() {
			if _, err := conn.Write([]byte("CURV?\n")); err != nil {
				b.Fatal(err)
			}
			if _, err := io.ReadFull(conn, into); err != nil {
				b.Fatal(err)
			}
		}
	})
	for name, order := range map[string]scpi.Order{"swapped": scpi.Swapped, "normal": scpi.Normal} {
		b.Run(name, func(b *testing.B) {
			d := ieee488.New(ieee488.Config{Link: transport.NewStream(digitiser(b, wire), transport.Address{Scheme: "tcp", Host: "digitiser"}, nil)})
			var s scpi.Singles
			b.SetBytes(size)
			b.ReportAllocs()
			for b.Loop() {
				answer, err := d.AskInto(context.Background(), []byte("CURV?"), time.Minute, s.Room())
				if err != nil {
					b.Fatal(err)
				}
				if got, err := s.Take(answer, order); err != nil || len(got) != size/4 {
					b.Fatal(len(got), err)
				}
			}
		})
	}
}
