package transporttest

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"time"

	"fourwire/internal/clock"
	"fourwire/transport"
)

// Pair opens a wire for one test: the link under test, made with the options o, and the bare bytes at the instrument's end of it.
// It closes what is left open with t.Cleanup.
type Pair func(t *testing.T, o transport.Options) (client transport.Link, device io.ReadWriteCloser)

// Run checks the contract of transport.Link over a wire. Sources: the framing is the usual one of raw sockets and serial ports (a line feed
// ends a message either way, blocks and strings as in IEEE 488.2), the conduct of a link is that of transport's own documentation.
func Run(t *testing.T, pair Pair) {
	for _, c := range []struct {
		name    string
		options transport.Options
		check   func(*bench)
	}{
		{"a query and its answer", transport.Options{}, query},
		{"one terminator, whatever the caller wrote", transport.Options{}, terminator},
		{"the terminator that the address states", transport.Options{End: transport.CRLF}, crlf},
		{"line ends of all kinds", transport.Options{}, lineEnds},
		{"a response in single bytes", transport.Options{}, partial},
		{"two responses in one packet", transport.Options{}, twoAtOnce},
		{"line ends inside strings and blocks", transport.Options{}, inside},
		{"every byte value in a block", transport.Options{}, everyByte},
		{"a long block in memory used again", transport.Options{}, longBlock},
		{"an indefinite block ends with silence", transport.Options{}, indefinite},
		{"a block without a line end", transport.Options{Tail: quiet}, noTail},
		{"a stray quote as a plain line", transport.Options{}, plainLine},
		{"a line above the limit", transport.Options{Max: 16}, tooLong},
		{"a block above the limit", transport.Options{Max: 16}, tooLongBlock},
		{"a block header that is none", transport.Options{}, badHeader},
		{"a deadline", transport.Options{}, deadline},
		{"cancel half-way, clear, go on", transport.Options{}, cancelHalfWay},
		{"a late answer is not taken for the next", transport.Options{}, lateAnswer},
		{"a context that is done changes nothing", transport.Options{}, doneBefore},
		{"a message cut half-way", transport.Options{}, cutWrite},
		{"close while reading", transport.Options{}, closeWhileReading},
		{"close while sending", transport.Options{}, closeWhileSending},
		{"a second close", transport.Options{}, secondClose},
		{"the instrument goes away", transport.Options{}, vanish},
		{"the instrument goes away in the middle", transport.Options{}, vanishInside},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.options.Quiet = quiet
			client, device := pair(t, c.options)
			ctx, cancel := clock.Real().WithTimeout(context.Background(), time.Minute) // for a test that hangs
			t.Cleanup(cancel)
			c.check(&bench{T: t, ctx: ctx, client: client, device: device, lines: bufio.NewReader(device)})
		})
	}
}

// quiet is the silence that ends things in these tests. It is above what a loaded machine takes from one end to the other.
const quiet = 100 * time.Millisecond

type bench struct {
	*testing.T
	ctx    context.Context
	client transport.Link
	device io.ReadWriteCloser
	lines  *bufio.Reader // of device
}

func (b *bench) send(msg string) {
	b.Helper()
	if err := b.client.Send(b.ctx, []byte(msg)); err != nil {
		b.Fatalf("sending %q: %v", msg, err)
	}
}

func (b *bench) receive(want string) {
	b.Helper()
	got, err := b.client.Receive(b.ctx, nil)
	if err != nil {
		b.Fatalf("waiting for %q: %v", want, err)
	}
	if string(got) != want {
		b.Fatalf("received %q, want %q", got, want)
	}
}

// fails receives and checks that the error is of all the kinds wanted, and names its operation.
func (b *bench) fails(ctx context.Context, kinds ...error) []byte {
	b.Helper()
	msg, err := b.client.Receive(ctx, nil)
	b.is(err, "receive", kinds...)
	return msg
}

func (b *bench) is(err error, op string, kinds ...error) {
	b.Helper()
	var named *transport.Error
	if !errors.As(err, &named) || named.Op != op {
		b.Errorf("%v is no error of %s", err, op)
	}
	for _, kind := range kinds {
		if !errors.Is(err, kind) {
			b.Errorf("error %q is not %q", err, kind)
		}
	}
}

func (b *bench) deviceWrites(wire string) {
	b.Helper()
	if _, err := io.WriteString(b.device, wire); err != nil {
		b.Fatalf("the instrument's end: %v", err)
	}
}

func (b *bench) deviceReads(want string) {
	b.Helper()
	got := make([]byte, len(want))
	if _, err := io.ReadFull(b.lines, got); err != nil || string(got) != want {
		b.Fatalf("the instrument got %q (%v), want %q", got, err, want)
	}
}

func query(b *bench) {
	for _, answer := range []string{"4.9983", "a line of text, with a comma", "+1.0E+1;+2.0E+1"} {
		b.send("MEAS:VOLT?")
		b.deviceReads("MEAS:VOLT?\n")
		b.deviceWrites(answer + "\n")
		b.receive(answer)
	}
}

func terminator(b *bench) {
	for _, msg := range []string{"VOLT 5", "VOLT 5\n", "VOLT 5\r\n", "VOLT 5\r"} {
		b.send(msg)
		b.deviceReads("VOLT 5\n")
	}
	b.send("DATA #12a\n") // the line feed belongs to the block
	b.deviceReads("DATA #12a\n\n")
	b.send("DATA #12a\n\n")
	b.deviceReads("DATA #12a\n\n")
	for _, empty := range []string{"", "\n"} {
		if err := b.client.Send(b.ctx, []byte(empty)); err == nil {
			b.Errorf("the empty message %q was sent", empty)
		}
	}
	b.send("LAST")
	b.deviceReads("LAST\n")
}

func crlf(b *bench) {
	for _, msg := range []string{"VOLT 5", "VOLT 5\n", "VOLT 5\r\n"} {
		b.send(msg)
		b.deviceReads("VOLT 5\r\n")
	}
	b.deviceWrites("5.0\r\n")
	b.receive("5.0")
}

func lineEnds(b *bench) {
	b.deviceWrites("one\r\ntwo\n\rthree\n\n\r\n\nfour\n")
	for _, want := range []string{"one", "two", "three", "four"} {
		b.receive(want)
	}
}

func partial(b *bench) {
	const wire = "1.5,#15\n\r\"'\n,\"a\nb\"\r\n"
	go func() {
		for i := range len(wire) {
			_, _ = io.WriteString(b.device, wire[i:i+1])
		}
	}()
	b.receive("1.5,#15\n\r\"'\n,\"a\nb\"")
}

func twoAtOnce(b *bench) {
	b.deviceWrites("first\n#14a\nb\n\nthird\n4")
	b.receive("first")
	b.receive("#14a\nb\n")
	b.receive("third")
	b.deviceWrites("th\n")
	b.receive("4th")
}

func inside(b *bench) {
	for _, msg := range []string{
		"\"two\nlines\"",
		"'two\nlines',\"a \"\"doubled\n\"\" quote\"",
		"CURV #13\n\n\n",
		":WAV:DATA #3005\n\r\n\r\n,\"x\n\";#11\n",
		"#10",
		"#H1F,#B101,#Q17",
		"the lake's edge",   // a quote inside an element is only text
		"ACME,buoy 7#3,0,1", // so is a number sign
	} {
		b.deviceWrites(msg + "\n")
		b.receive(msg)
	}
}

func everyByte(b *bench) {
	body := make([]byte, 256)
	for i := range body {
		body[i] = byte(i)
	}
	for _, msg := range []string{"#3256" + string(body), "#11\r", "#12\r\n"} {
		b.deviceWrites(msg + "\r\n")
		b.receive(msg)
	}
}

func longBlock(b *bench) {
	body := bytes.Repeat([]byte("\n\r#0\"';,\x00\xff"), 12345)
	wire := fmt.Appendf(nil, "#6%d%s", len(body), body)
	var into []byte
	for range 2 {
		go func() { _, _ = b.device.Write(append(bytes.Clone(wire), "\nnext\n"...)) }()
		msg, err := b.client.Receive(b.ctx, into)
		if err != nil || !bytes.Equal(msg, wire) {
			b.Fatalf("%d bytes, %v", len(msg), err)
		}
		if into != nil && &msg[0] != &into[0] {
			b.Error("memory that was large enough was not used again")
		}
		b.receive("next")
		into = msg
	}
}

func indefinite(b *bench) {
	b.deviceWrites("#0ab\ncd\n")
	b.receive("#0ab\ncd")
}

func noTail(b *bench) {
	b.deviceWrites("#14abcd")
	b.receive("#14abcd")
	b.deviceWrites("\n#14efgh\n") // a terminator that comes late is no empty response
	b.receive("#14efgh")
}

func plainLine(b *bench) {
	lines, ok := transport.As[transport.LineReader](b.client)
	if !ok {
		b.Skip("this link knows where a response ends")
	}
	lines.PlainLine(true)
	b.deviceWrites("'tis a name\r\n#5 buoy\n")
	b.receive("'tis a name")
	b.receive("#5 buoy")
	lines.PlainLine(false)
	b.deviceWrites("\"a\nb\"\n")
	b.receive("\"a\nb\"")
}

func tooLong(b *bench) {
	b.deviceWrites(strings.Repeat("x", 16) + "\n")
	b.receive(strings.Repeat("x", 16))
	b.deviceWrites(strings.Repeat("x", 17) + "\n")
	b.fails(b.ctx, transport.ErrTooLong)
	b.fails(b.ctx, transport.ErrAstray)
	b.inStepAgain()
}

func tooLongBlock(b *bench) {
	b.deviceWrites("#216" + strings.Repeat("x", 16) + "\n")
	b.receive("#216" + strings.Repeat("x", 16))
	b.deviceWrites("#9999999999 refused by its header, before any memory is asked for\n")
	b.fails(b.ctx, transport.ErrTooLong)
	b.inStepAgain()
}

func badHeader(b *bench) {
	b.deviceWrites("#3a\n")
	b.fails(b.ctx, transport.ErrGarbled)
	b.inStepAgain()
}

// inStepAgain resynchronises and asks something.
func (b *bench) inStepAgain() {
	b.Helper()
	done := make(chan struct{})
	go func() {
		defer close(done)
		if line, err := b.lines.ReadString('\n'); err == nil && line == "PROBE?\n" {
			_, _ = io.WriteString(b.device, "here\n")
		}
	}()
	known := func(msg []byte) bool { return string(msg) == "here" }
	if err := transport.Resync(b.ctx, b.client, []byte("PROBE?"), known); err != nil {
		b.Fatalf("resync: %v", err)
	}
	<-done
	b.send("VOLT?")
	b.deviceReads("VOLT?\n")
	b.deviceWrites("12.5\n")
	b.receive("12.5")
}

func deadline(b *bench) {
	ctx, cancel := clock.Real().WithTimeout(b.ctx, time.Millisecond)
	defer cancel()
	b.send("SLOW?")
	b.fails(ctx, transport.ErrTimeout, context.DeadlineExceeded)
	b.fails(b.ctx, transport.ErrAstray)
	b.deviceReads("SLOW?\n")
}

func cancelHalfWay(b *bench) {
	ctx, cancel := context.WithCancel(b.ctx)
	b.send("VOLT?")
	b.deviceReads("VOLT?\n")
	go func() { // after a time in which the first half should have come; what is checked holds without, too
		_ = clock.Real().Sleep(b.ctx, quiet)
		cancel()
	}()
	b.deviceWrites("#2")
	b.deviceWrites("12hello\n")
	if got := string(b.fails(ctx, context.Canceled)); !strings.HasPrefix("#212hello\n", got) {
		b.Errorf("of the response %q is shown", got)
	}
	b.fails(b.ctx, transport.ErrAstray)
	b.is(b.client.Send(b.ctx, []byte("CURR?")), "send", transport.ErrAstray)
	b.send("OUTP OFF") // must pass in any state
	b.deviceReads("OUTP OFF\n")
	b.deviceWrites("world\n")
	if c, ok := transport.As[transport.Clearer](b.client); ok {
		if err := c.Clear(b.ctx); err != nil {
			b.Fatalf("clear: %v", err)
		}
	}
	b.inStepAgain()
}

func lateAnswer(b *bench) {
	ctx, cancel := context.WithCancel(b.ctx)
	cancel()
	b.send("SLOW?")
	b.deviceReads("SLOW?\n")
	b.fails(ctx, context.Canceled)
	b.is(b.client.Send(b.ctx, []byte("NEXT?")), "send", transport.ErrAstray)
	done := make(chan struct{})
	go func() {
		defer close(done)
		_, _ = b.lines.ReadString('\n')
		_, _ = io.WriteString(b.device, "late\nhere\n")
	}()
	known := func(msg []byte) bool { return string(msg) == "here" }
	if err := transport.Resync(b.ctx, b.client, []byte("PROBE?"), known); err != nil {
		b.Fatal(err)
	}
	<-done
	b.send("NEXT?")
	b.deviceReads("NEXT?\n")
	b.deviceWrites("next\n")
	b.receive("next")
}

func doneBefore(b *bench) {
	ctx, cancel := context.WithCancel(b.ctx)
	cancel()
	b.is(b.client.Send(ctx, []byte("VOLT 72")), "send", context.Canceled)
	b.send("VOLT?") // the link is not astray: nothing is owed
	b.deviceReads("VOLT?\n")
	b.deviceWrites("1\n")
	b.receive("1")
}

func cutWrite(b *bench) {
	msg := append(bytes.Repeat([]byte("x"), 32<<20), '\n') // more than any wire takes in while nobody reads
	ctx, cancel := context.WithCancel(b.ctx)
	go func() {
		_, _ = b.lines.Peek(1) // the message has begun to arrive
		cancel()
	}()
	b.is(b.client.Send(ctx, msg), "send", context.Canceled, transport.ErrPartial)
	b.is(b.client.Send(b.ctx, []byte("OUTP OFF")), "send", transport.ErrAstray) // it would be glued to the half that is there
	c, ok := transport.As[transport.Clearer](b.client)
	if !ok {
		b.Skip("this link cannot be cleared")
	}
	tail := make(chan string)
	go func() {
		line, _ := b.lines.ReadString('\n')
		tail <- line[max(0, len(line)-3):]
	}()
	if err := c.Clear(b.ctx); err != nil {
		b.Fatal(err)
	}
	if got := <-tail; got != "x!\n" {
		b.Errorf("the half message ends in %q, want it spoilt", got)
	}
	b.send("OUTP OFF")
	b.deviceReads("OUTP OFF\n")
}

func closeWhileReading(b *bench) {
	done := make(chan error)
	go func() {
		_, err := b.client.Receive(b.ctx, nil)
		done <- err
	}()
	b.deviceWrites("half") // whether it has come when the link is closed makes no difference
	if err := b.client.Close(); err != nil {
		b.Errorf("close: %v", err)
	}
	b.is(<-done, "receive", transport.ErrClosed)
}

func closeWhileSending(b *bench) {
	done := make(chan error)
	go func() { done <- b.client.Send(b.ctx, append(bytes.Repeat([]byte("x"), 32<<20), '\n')) }()
	_, _ = b.lines.Peek(1) // the message has begun to arrive, and nobody reads the rest
	if err := b.client.Close(); err != nil {
		b.Errorf("close: %v", err)
	}
	b.is(<-done, "send", transport.ErrClosed)
}

func secondClose(b *bench) {
	for range 2 {
		if err := b.client.Close(); err != nil {
			b.Errorf("close: %v", err)
		}
	}
	b.is(b.client.Send(b.ctx, []byte("VOLT?")), "send", transport.ErrClosed)
	b.fails(b.ctx, transport.ErrClosed)
}

func vanish(b *bench) {
	_ = b.device.Close()
	b.fails(b.ctx, transport.ErrLost)
	b.is(b.client.Send(b.ctx, []byte("VOLT 5")), "send", transport.ErrLost)
	if err := b.client.Close(); err != nil {
		b.Errorf("close: %v", err)
	}
}

func vanishInside(b *bench) {
	b.deviceWrites("#14ab")
	if err := b.device.Close(); err != nil {
		b.Fatal(err)
	}
	b.fails(b.ctx, transport.ErrLost)
}
