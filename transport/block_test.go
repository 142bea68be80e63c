package transport_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"runtime"
	"testing"

	"fourwire/transport"
)

// A block that is longer than what is made room for at once arrives whole, however it is cut, and so does what follows it.
func TestLongBlockArrivesWhole(t *testing.T) {
	body := bytes.Repeat([]byte("0123456789\n"), 1<<20) // 11 MiB
	wire := append(fmt.Appendf(nil, "#8%08d", len(body)), body...)
	wire = append(wire, "\n5.0\n"...)
	for _, length := range []int{0, 4<<20 - 1, 4 << 20, 1_000_003} {
		s := transport.NewStream(inPieces(wire, length), transport.Address{}, nil)
		got, err := s.Receive(context.Background(), nil)
		if err != nil || len(got) != len(body)+10 || !bytes.HasSuffix(got, body) {
			t.Fatalf("pieces of %d: %d bytes, %v", length, len(got), err)
		}
		if next, err := s.Receive(context.Background(), got); err != nil || string(next) != "5.0" {
			t.Errorf("pieces of %d: then %q, %v", length, next, err)
		}
	}
}

// A header that announces 200 million bytes, which do not come, costs no such memory.
func TestHeaderIsNotTrusted(t *testing.T) {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	s := transport.NewStream(inPieces([]byte("#9200000000only this"), 0), transport.Address{}, nil)
	_, err := s.Receive(context.Background(), nil)
	runtime.ReadMemStats(&after)
	if !errors.Is(err, transport.ErrPartial) || !errors.Is(err, transport.ErrLost) {
		t.Errorf("%v", err)
	}
	if used := after.TotalAlloc - before.TotalAlloc; used > 32<<20 {
		t.Errorf("%d bytes of memory for a header", used)
	}
}
