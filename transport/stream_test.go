package transport_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	"fourwire/internal/clock"
	"fourwire/transport"
	"fourwire/transport/transporttest"
)

// reader is a wire that gives what it has in pieces and then ends. What it would block on, it calls.
type reader struct {
	pieces [][]byte
	block  func()
	wrote  bytes.Buffer
	woken  chan struct{}
}

func (r *reader) Read(p []byte) (int, error) {
	if len(r.pieces) == 0 {
		if r.block == nil {
			return 0, io.EOF
		}
		r.block()
		<-r.woken
		return 0, os.ErrDeadlineExceeded
	}
	n := copy(p, r.pieces[0])
	if r.pieces[0] = r.pieces[0][n:]; len(r.pieces[0]) == 0 {
		r.pieces = r.pieces[1:]
	}
	return n, nil
}

func (r *reader) Write(p []byte) (int, error) { return r.wrote.Write(p) }
func (r *reader) Close() error                { return nil }

func (r *reader) SetDeadline(t time.Time) error {
	if !t.IsZero() && r.woken != nil {
		r.woken <- struct{}{}
	}
	return nil
}

// inPieces cuts wire into pieces of the given length; 0 leaves it whole.
func inPieces(wire []byte, length int) *reader {
	r := &reader{}
	for len(wire) > 0 {
		n := len(wire)
		if length > 0 {
			n = min(n, length)
		}
		r.pieces = append(r.pieces, wire[:n])
		wire = wire[n:]
	}
	return r
}

func streamOver(w transport.Wire, o transport.Options, c clock.Clock) *transport.Stream {
	return transport.NewStream(w, transport.Address{Scheme: "sim", Path: "test", Options: o}, c)
}

func TestHalfAResponseSaysSo(t *testing.T) {
	for _, c := range []struct{ name, wire, says string }{
		{"in a line", "12.5", `4 bytes had come, without its line end: "12.5"`},
		{"in a string", "\"it", "inside a string that a \" began"},
		{"in a block", "#15abc", "inside a block, 2 bytes short"},
		{"in an indefinite block", "#0ab", "inside a block of unstated length"},
		{"in a long line", strings.Repeat("1,", 100), `1,1,"...`},
	} {
		t.Run(c.name, func(t *testing.T) {
			ctx, cancel := context.WithCancel(context.Background())
			r := inPieces([]byte(c.wire), 3)
			r.block, r.woken = cancel, make(chan struct{}, 1)
			msg, err := streamOver(r, transport.Options{}, nil).Receive(ctx, nil)
			if !errors.Is(err, transport.ErrPartial) || !errors.Is(err, context.Canceled) || !strings.Contains(err.Error(), c.says) {
				t.Errorf("cancelled: %v, want %q", err, c.says)
			}
			if string(msg) != c.wire {
				t.Errorf("what had come is given as %q", msg)
			}

			_, err = streamOver(inPieces([]byte(c.wire), 3), transport.Options{}, nil).Receive(context.Background(), nil)
			if !errors.Is(err, transport.ErrPartial) || !errors.Is(err, transport.ErrLost) || errors.Is(err, transport.ErrTimeout) {
				t.Errorf("the connection ended: %v", err)
			}
		})
	}
}

func TestTheThreeEndingsOfAWaitDiffer(t *testing.T) {
	c := clock.NewVirtual(time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC))
	ctx, cancel := c.WithTimeout(context.Background(), time.Second)
	defer cancel()
	r := &reader{block: func() { _ = c.Sleep(context.Background(), time.Hour) }, woken: make(chan struct{}, 1)}
	_, err := streamOver(r, transport.Options{}, c).Receive(ctx, nil)
	if !errors.Is(err, transport.ErrTimeout) || errors.Is(err, transport.ErrPartial) || errors.Is(err, transport.ErrLost) {
		t.Errorf("nothing came: %v", err)
	}
	if want := "sim:test: receive: no answer came before the time ran out"; err.Error() != want {
		t.Errorf("got  %s\nwant %s", err, want)
	}
	var named *transport.Error
	if !errors.As(err, &named) || !named.Timeout() {
		t.Error("the error does not call itself a time-out")
	}
}

func TestReturnEndsResponsesWhereTheAddressSaysSo(t *testing.T) {
	r := inPieces([]byte("one\rtwo\r\n#12\r\n\rthree\n"), 0)
	link := streamOver(r, transport.Options{End: transport.CR}, nil)
	if err := link.Send(context.Background(), []byte("A?\n")); err != nil || r.wrote.String() != "A?\r" {
		t.Errorf("sent %q, %v", r.wrote.String(), err)
	}
	for _, want := range []string{"one", "two", "#12\r\n", "three"} {
		if got, err := link.Receive(context.Background(), nil); err != nil || string(got) != want {
			t.Errorf("%q, %v; want %q", got, err, want)
		}
	}
}

// In virtual time a silence costs nothing, and what the simulated world does meanwhile is heard.
func TestClearInVirtualTime(t *testing.T) {
	start := time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)
	c := clock.NewVirtual(start)
	here, there := transport.Pipe()
	link := streamOver(here, transport.Options{Quiet: time.Second}, c)
	answers := 3
	c.OnAdvance(func(time.Time) {
		if answers--; answers >= 0 {
			_, _ = io.WriteString(there, "late\n")
		}
	})
	if err := link.Clear(context.Background()); err != nil {
		t.Fatal(err)
	}
	if got := c.Since(start); got != 4*time.Second {
		t.Errorf("cleared after %v, want three noisy seconds and a silent one", got)
	}
	ctx, cancel := c.WithTimeout(context.Background(), time.Second/2)
	defer cancel()
	if err := link.Clear(ctx); !errors.Is(err, transport.ErrTimeout) {
		t.Errorf("less time than the silence takes: %v", err)
	}
	_ = there.Close()
	if err := link.Clear(context.Background()); !errors.Is(err, transport.ErrLost) {
		t.Errorf("nobody there: %v", err)
	}
}

func TestGapInVirtualTime(t *testing.T) {
	start := time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)
	c := clock.NewVirtual(start)
	script := transporttest.NewScript(transporttest.Sent("A"), transporttest.Sent("B?"), transporttest.Answer("b"), transporttest.Sent("C"), transporttest.Sent("D"))
	link := transport.WithGap(script, c, 5*time.Millisecond)
	ctx := context.Background()
	at := func(want time.Duration, err error) {
		t.Helper()
		if err != nil || c.Since(start) != want {
			t.Errorf("at %v, %v; want %v", c.Since(start), err, want)
		}
	}
	at(0, link.Send(ctx, []byte("A")))
	at(5*time.Millisecond, link.Send(ctx, []byte("B?")))
	_ = c.Sleep(ctx, 3*time.Millisecond)
	_, err := link.Receive(ctx, nil)
	at(8*time.Millisecond, err)
	_ = c.Sleep(ctx, 2*time.Millisecond)
	at(13*time.Millisecond, link.Send(ctx, []byte("C"))) // since the answer
	short, cancel := c.WithTimeout(ctx, time.Millisecond)
	defer cancel()
	if err := link.Send(short, []byte("X")); !errors.Is(err, transport.ErrTimeout) {
		t.Errorf("time-out inside the gap: %v", err)
	}
	_ = c.Sleep(ctx, time.Hour)
	at(time.Hour+14*time.Millisecond, link.Send(ctx, []byte("D")))
	if err := script.Close(); err != nil {
		t.Error(err)
	}
	if transport.WithGap(script, c, -1) != transport.Link(script) {
		t.Error("a gap of none wraps the link")
	}
}

func TestEcho(t *testing.T) {
	ctx := context.Background()
	script := transporttest.NewScript(
		transporttest.Sent("VOLT?"), transporttest.Answer("VOLT?"), transporttest.Answer("12.5"),
		transporttest.Sent("VOLT 5"), transporttest.Answer("late"),
		transporttest.Sent("VOLT 6"), transporttest.Failure(transport.ErrTimeout),
		transporttest.Sent("PROBE?"), transporttest.Answer("VOLT 6"), // still one behind
		transporttest.Sent("PROBE?"), transporttest.Answer("PROBE?"), transporttest.Answer("here"))
	link := transport.WithEcho(script)
	if err := link.Send(ctx, []byte("VOLT?\n")); err != nil {
		t.Fatal(err)
	}
	if got, err := link.Receive(ctx, nil); err != nil || string(got) != "12.5" {
		t.Errorf("%q, %v", got, err)
	}
	if err := link.Send(ctx, []byte("VOLT 5")); !errors.Is(err, transport.ErrGarbled) || !strings.Contains(err.Error(), `the echo of "VOLT 5" reads "late"`) {
		t.Errorf("a wrong echo: %v", err)
	}
	if err := link.Send(ctx, []byte("VOLT 6")); !errors.Is(err, transport.ErrTimeout) || !strings.Contains(err.Error(), "echo") {
		t.Errorf("no echo: %v", err)
	}
	known := func(msg []byte) bool { return string(msg) == "here" }
	if err := transport.Resync(ctx, link, []byte("PROBE?"), known); err != nil {
		t.Error(err)
	}
	if err := link.Close(); err != nil {
		t.Error(err)
	}
}

func ExampleWithTap() {
	start := time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)
	c := clock.NewVirtual(start)
	instrument := transporttest.NewScript(transporttest.Sent("VOLT?"), transporttest.Answer("12.5"), transporttest.Failure(transport.ErrTimeout))
	link := transport.WithTap(instrument, c, start, func(wall time.Time, since time.Duration, way byte, message []byte) {
		fmt.Printf("%s %v %c %q\n", wall.Format(time.TimeOnly), since, way, message)
	})
	ctx := context.Background()
	_ = link.Send(ctx, []byte("VOLT?"))
	_ = c.Sleep(ctx, 20*time.Millisecond)
	_, _ = link.Receive(ctx, nil)
	_, _ = link.Receive(ctx, nil)
	// Output:
	// 08:00:00 0s > "VOLT?"
	// 08:00:00 20ms < "12.5"
	// 08:00:00 20ms ! ""
}

func TestTapSeesWhatCouldNotBeSent(t *testing.T) {
	var seen []string
	tap := func(_ time.Time, _ time.Duration, way byte, message []byte) {
		seen = append(seen, string(way)+string(message))
	}
	link := transport.WithTap(transporttest.FailAt(1, transporttest.NewScript()), nil, time.Time{}, tap)
	if err := link.Send(context.Background(), []byte("VOLT 5")); err == nil {
		t.Error("no error")
	}
	if fmt.Sprint(seen) != "[!VOLT 5]" {
		t.Errorf("seen %q", seen)
	}
	bare := transporttest.NewScript()
	if transport.WithTap(bare, nil, time.Time{}, nil) != transport.Link(bare) {
		t.Error("no tap wraps the link")
	}
}

func ExampleAs() {
	wire, _ := transport.Pipe()
	bare := transport.NewStream(wire, transport.Address{Scheme: "sim", Path: "meter1"}, nil)
	link := transport.WithEcho(transport.WithGap(bare, nil, time.Millisecond))
	_, clears := transport.As[transport.Clearer](link)
	_, redials := transport.As[transport.Redialer](link)
	fmt.Println(clears, redials)
	// Output: true false
}

func TestResyncGivesUpWithItsContext(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	script := transporttest.NewScript(transporttest.Sent("PROBE?"), transporttest.Answer("old"), transporttest.Failure(transport.ErrTimeout))
	never := func([]byte) bool { return false }
	if err := transport.Resync(ctx, script, []byte("PROBE?"), never); !errors.Is(err, transport.ErrTimeout) {
		t.Errorf("got %v", err)
	}
	cancel()
	if err := transport.Resync(ctx, script, []byte("PROBE?"), never); !errors.Is(err, context.Canceled) {
		t.Errorf("got %v", err)
	}
}

// verdict is how reading a response can end.
type verdict string

const (
	whole   verdict = "whole"
	partial verdict = "partial"
	long    verdict = "too long"
	bad     verdict = "garbled"
	nothing verdict = "nothing"
)

var header = regexp.MustCompile(`^[ \t]*[A-Z:*][A-Z0-9_:]*$`)

// reference reads one response from all of wire by looking about freely, which a reader of a stream cannot. It is the framing of
// IEEE 488.2 response messages as transport documents it, written a second time in another manner. It returns what is left.
func reference(wire []byte, limit int) (msg, rest []byte, v verdict) {
	wire = bytes.TrimLeft(wire, "\r\n")
	if len(wire) == 0 {
		return nil, nil, nothing
	}
	text, block, unit, blockEnd, begins := 0, 0, 0, 0, true
	for i := 0; i < len(wire); {
		c := wire[i]
		if c == '\n' {
			msg = wire[:i]
			if i > blockEnd && wire[i-1] == '\r' { // a return that is not the last byte of a block
				msg = msg[:i-1]
			}
			return msg, wire[i+1:], whole
		}
		if text++; text > limit {
			return nil, nil, long
		}
		i++
		switch {
		case begins && (c == '"' || c == '\''):
			for {
				k := bytes.IndexByte(wire[i:], c)
				if k < 0 {
					if text+len(wire)-i > limit {
						return nil, nil, long
					}
					return wire, nil, partial
				}
				text, i = text+k+1, i+k+1
				if text > limit {
					return nil, nil, long
				}
				if i == len(wire) || wire[i] != c {
					break
				}
				if text++; text > limit {
					return nil, nil, long
				}
				i++
			}
			begins = false
		case begins && c == '#' && i < len(wire) && wire[i] == '0':
			if text++; text > limit {
				return nil, nil, long
			}
			body := wire[i+1:]
			if block+len(body) > limit {
				return nil, nil, long
			}
			if !bytes.HasSuffix(body, []byte("\n")) {
				return wire, nil, partial
			}
			return wire[:len(wire)-1], nil, whole
		case begins && c == '#' && i < len(wire) && '1' <= wire[i] && wire[i] <= '9':
			digits := int(wire[i] - '0')
			if text++; text > limit {
				return nil, nil, long
			}
			length := 0
			i++
			for range digits {
				if i == len(wire) {
					return wire, nil, partial
				}
				if text++; wire[i] != '\n' && text > limit {
					return nil, nil, long
				}
				if wire[i] < '0' || wire[i] > '9' {
					return nil, nil, bad
				}
				length = 10*length + int(wire[i]-'0')
				i++
			}
			if block += length; block > limit {
				return nil, nil, long
			}
			if len(wire) < i+length {
				return wire, nil, partial
			}
			i += length
			begins = false
			blockEnd = i
		case c == ',':
			begins = true
		case c == ';':
			begins, unit = true, i
		case c == ' ' || c == '\t':
			begins = begins || header.Match(wire[unit:i-1])
		default:
			begins = false
		}
	}
	return wire, nil, partial
}

// What arrives must be read as the reference reads it, however it is cut into pieces, and nothing beyond a response may be taken.
func FuzzReceive(f *testing.F) {
	for _, seed := range []string{"1.5\r\n2\n\r3\n", "\"a\nb\"\n", "#13a\nb\n\n", "CURV #9000000002\r\n\r\n", "#0ab\ncd\n", "'a''\n',#H1F\n", "X 'y\n",
		"#11\r\n", "#3a\n", "A;B:C \"\n\"\n", " \t*IDN #11\n,\t\"\n\"\n", "#11\n#11\n\n", "\"\"\"\n\"\"\"\r\n", "1\r2\n",
		"#15abcde,#15abcde\n"} {
		f.Add([]byte(seed), byte(0), byte(9))
		f.Add([]byte(seed), byte(1), byte(200))
		f.Add([]byte(seed), byte(3), byte(5))
	}
	f.Fuzz(func(t *testing.T, wire []byte, length, limit byte) {
		if limit == 0 {
			return
		}
		link := streamOver(inPieces(wire, int(length)), transport.Options{Max: int(limit)}, nil)
		rest := wire
		for {
			var want []byte
			var v verdict
			want, rest, v = reference(rest, int(limit))
			got, err := link.Receive(context.Background(), nil)
			var is verdict
			switch {
			case err == nil:
				is = whole
			case errors.Is(err, transport.ErrTooLong):
				is = long
			case errors.Is(err, transport.ErrGarbled):
				is = bad
			case errors.Is(err, transport.ErrPartial):
				is = partial
			case errors.Is(err, transport.ErrLost):
				is = nothing
			}
			if is != v || v == whole && !bytes.Equal(got, want) {
				t.Fatalf("in %q: %q, %v (%v); the reference says %q, %s", wire, got, is, err, want, v)
			}
			if v != whole {
				return
			}
		}
	})
}
