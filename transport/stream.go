package transport

import (
	"bytes"
	"context"
	"errors"
	"io"
	"sync"
	"sync/atomic"
	"time"

	"fourwire/internal/clock"
)

// Wire is a stream of bytes to an instrument. A net.Conn is one.
type Wire interface {
	io.ReadWriteCloser

	// SetDeadline with a time long past makes reads and writes that have to wait return os.ErrDeadlineExceeded at once, those
	// under way included; with the zero time they wait again. Stream uses no other values: when a context ends, by time or by hand, it wakes the wire up.
	SetDeadline(t time.Time) error
}

// Limits and pauses that hold where an address states none.
const (
	DefaultMaxText  = 1 << 20                // bytes of a response outside blocks
	DefaultMaxBlock = 256 << 20              // bytes of a response inside blocks
	DefaultQuiet    = 200 * time.Millisecond // silence that ends what has no visible end
)

const (
	readAhead  = 32 << 10 // bytes asked of the wire at a time, outside blocks
	keptBuffer = 1 << 20  // a longer buffer for sending is not kept
)

// Stream is a Link over a Wire.
//
// A response ends at a line feed (or CR LF, or a carriage return where the address says end=cr) that is neither in a quoted string nor in a
// definite block; empty lines before it are skipped. Strings and blocks are taken for such only where a data element
// begins. An indefinite block (#0) ends at a line feed followed by silence, or where the connection ends.
type Stream struct {
	address Address
	name    string
	clock   clock.Clock
	ending  []byte
	quiet   time.Duration
	tail    time.Duration

	mu      sync.Mutex // guards wire while another one takes its place
	wire    Wire
	closed  atomic.Bool
	wake    func() // set once, so that no call has to make it
	woken   chan struct{}
	unwatch func() bool // takes wake back from the context that is watched; nil where none is
	watched <-chan struct{}

	scan     scanner
	buf      []byte
	r, w     int // buf[r:w] has come but is not used yet
	out      []byte
	astray   error // why the link is out of step
	lost     error // why the connection is of no use any more
	halfSent bool
}

// NewStream makes a link of an open wire. The options of a say how the instrument's interface behaves; its text names the link in errors. c
// times the silences; nil is the machine's clock.
func NewStream(w Wire, a Address, c clock.Clock) *Stream {
	s := &Stream{
		address: a,
		name:    a.String(),
		clock:   clock.Or(c),
		ending:  a.Options.End.bytes(),
		quiet:   orDefault(a.Options.Quiet, DefaultQuiet),
		tail:    max(0, a.Options.Tail),
		wire:    w,
		woken:   make(chan struct{}, 1),
		buf:     make([]byte, readAhead),
	}
	s.wake = func() {
		_ = s.wire.SetDeadline(time.Unix(1, 0))
		s.woken <- struct{}{}
	}
	s.scan = scanner{
		plain:    a.Options.PlainLine == Yes,
		crEnds:   a.Options.End == CR,
		maxText:  orDefault(a.Options.Max, DefaultMaxText),
		maxBlock: orDefault(a.Options.Max, DefaultMaxBlock),
	}
	return s
}

func orDefault[T int | time.Duration](stated, standard T) T {
	if stated == 0 {
		return standard
	}
	return max(0, stated)
}

// Address returns where the link leads.
func (s *Stream) Address() Address { return s.address }

// PlainLine makes every further response end at its first line end; see LineReader.
func (s *Stream) PlainLine(on bool) { s.scan.plain = on }

// Close closes the wire. It may be called while another goroutine waits in a call, which then returns ErrClosed.
func (s *Stream) Close() error {
	if s.closed.Swap(true) {
		return nil
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := s.wire.Close(); err != nil && s.lost == nil {
		return s.failed("close", err)
	}
	return nil
}

// Drop closes the wire but not the link, which is lost until Replace gives it another wire.
func (s *Stream) Drop() {
	s.mu.Lock()
	defer s.mu.Unlock()
	_ = s.wire.Close()
	s.lost = Explain("the connection was given up", ErrLost)
}

// Replace closes the wire and goes on with w, a new connection to the same instrument, in step and with nothing read.
// It is for the packages that own a wire; on a closed link it closes w and returns ErrClosed.
func (s *Stream) Replace(w Wire) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed.Load() {
		_ = w.Close()
		return s.failed("redial", ErrClosed)
	}
	s.disarm()
	_ = s.wire.Close()
	s.wire = w
	s.r, s.w = 0, 0
	s.astray, s.lost, s.halfSent = nil, nil, false
	s.scan.reset()
	return nil
}

// Send writes one message and its terminator in one call.
func (s *Stream) Send(ctx context.Context, msg []byte) error {
	if err := s.usable(ctx, "nothing was sent"); err != nil {
		return s.failed("send", err)
	}
	if s.halfSent || s.astray != nil && bytes.IndexByte(msg, '?') >= 0 {
		return s.failed("send", s.refusal())
	}
	whole := s.terminated(msg)
	if len(whole) == len(s.ending) {
		return s.failed("send", errors.New("the message is empty"))
	}
	err := s.write(ctx, whole)
	if cap(s.out) > keptBuffer {
		s.out = nil
	}
	if err != nil {
		return s.failed("send", err)
	}
	return nil
}

// Inject writes bytes that are no message, such as a control character that clears the interface, whatever state the link is in. It
// is for the packages that own a wire.
func (s *Stream) Inject(ctx context.Context, p []byte) error {
	err := s.usable(ctx, "nothing was sent")
	if err == nil {
		err = s.write(ctx, p)
	}
	if err != nil {
		return s.failed("clear", err)
	}
	return nil
}

// terminated returns msg with the terminator of this link in place of the one it has, if any.
func (s *Stream) terminated(msg []byte) []byte {
	body := len(msg)
	if endsWithLine(msg) {
		if bytes.HasSuffix(msg, s.ending) && (len(s.ending) == 2 || !bytes.HasSuffix(msg, []byte("\r\n"))) {
			return msg
		}
		for body > 0 && (msg[body-1] == '\n' || msg[body-1] == '\r') {
			body--
		}
	}
	s.out = append(append(s.out[:0], msg[:body]...), s.ending...)
	return s.out
}

// endsWithLine reports whether msg has a terminator: a line feed at the end that is not the last byte of a block.
func endsWithLine(msg []byte) bool {
	if len(msg) == 0 || msg[len(msg)-1] != '\n' && msg[len(msg)-1] != '\r' {
		return false
	}
	if bytes.IndexByte(msg, '#') < 0 {
		return true
	}
	const unlimited = int(^uint(0) >> 1)
	s := scanner{anyCase: true, maxText: unlimited, maxBlock: unlimited}
	for len(msg) > 0 {
		n, end, err := s.next(msg)
		if err != nil {
			return true
		}
		if !end {
			return false
		}
		msg = msg[n:]
		s.reset()
	}
	return true
}

// write writes all of p. Where that fails half-way, the instrument holds half a message, and nothing may follow it until Clear.
func (s *Stream) write(ctx context.Context, p []byte) error {
	s.arm(ctx)
	n, err := s.wire.Write(p)
	if err == nil && bytes.IndexByte(p, '?') >= 0 {
		return nil // the answer is awaited under the same context, most likely: stay armed
	}
	s.disarm()
	if err == nil {
		return nil
	}
	if n > 0 && n < len(p) {
		s.halfSent = true
		s.goAstray(ErrPartial)
	}
	err = s.broken(ctx, err, "the message was not sent")
	if s.halfSent {
		return Explain("half-way: "+err.Error(), err, ErrPartial)
	}
	return err
}

// usable returns why no call can be made at all.
func (s *Stream) usable(ctx context.Context, otherwise string) error {
	switch {
	case s.closed.Load():
		return ErrClosed
	case s.lost != nil:
		return s.lost
	case ctx.Err() != nil:
		return Interrupted(ctx, otherwise)
	}
	return nil
}

// arm has the wire wake up when ctx is done. Contexts are told apart by their channels, which can always be compared.
func (s *Stream) arm(ctx context.Context) {
	done := ctx.Done()
	if s.unwatch != nil && s.watched == done {
		return
	}
	s.disarm()
	if done != nil {
		s.watched, s.unwatch = done, context.AfterFunc(ctx, s.wake)
	}
}

// disarm undoes arm, and the wake-up too where it has come.
func (s *Stream) disarm() {
	if s.unwatch == nil {
		return
	}
	stopped := s.unwatch()
	s.watched, s.unwatch = nil, nil
	if !stopped {
		<-s.woken
		_ = s.wire.SetDeadline(time.Time{})
	}
}

// broken explains an error of the wire.
func (s *Stream) broken(ctx context.Context, err error, otherwise string) error {
	switch {
	case s.closed.Load():
		return ErrClosed
	case ctx.Err() != nil:
		return Interrupted(ctx, otherwise)
	}
	text := "the connection is lost: " + err.Error()
	if errors.Is(err, io.EOF) {
		text = "the connection is lost: the other end closed it"
	}
	s.lost = Explain(text, ErrLost, err)
	return s.lost
}

func (s *Stream) goAstray(why error) {
	if s.astray == nil {
		s.astray = why
	}
}

func (s *Stream) refusal() error {
	text := "an earlier call was cut off, and its answer may still come; clear or resynchronise the link first"
	if s.halfSent {
		text = "an earlier message was cut off half-way; clear the link or redial first"
	}
	return Explain(text, ErrAstray)
}

func (s *Stream) failed(op string, err error) error {
	return &Error{Op: op, Address: s.name, Err: err}
}
