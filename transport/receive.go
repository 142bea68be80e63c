package transport

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"fourwire/internal/clock"
)

// afterBody is how many bytes behind a block are asked for together with it: the terminator, mostly.
const afterBody = 2

// errQuiet says that the response has ended because nothing came any more.
var errQuiet = errors.New("quiet")

// Receive waits for one whole response.
func (s *Stream) Receive(ctx context.Context, into []byte) (msg []byte, err error) {
	msg = into[:0]
	if err := s.usable(ctx, "no answer was taken"); err != nil {
		if ctx.Err() != nil {
			s.goAstray(err)
		}
		return msg, s.failed("receive", err)
	}
	if s.astray != nil {
		return msg, s.failed("receive", s.refusal())
	}
	s.scan.reset()
	defer s.disarm() // of Send, where all has come already
	for {
		if len(msg) == 0 {
			s.r += s.scan.blank(s.buf[s.r:s.w])
		}
		if s.r < s.w {
			n, end, err := s.scan.next(s.buf[s.r:s.w])
			msg = append(msg, s.buf[s.r:s.r+n]...)
			s.r += n
			if err != nil {
				s.goAstray(err)
				return msg, s.failed("receive", err)
			}
			if end {
				return msg[:len(msg)-s.scan.trailer()], nil
			}
		}
		msg, err = s.more(ctx, msg)
		switch {
		case err == errQuiet:
			return bytes.TrimSuffix(msg, []byte("\n")), nil
		case err != nil:
			return msg, s.failed("receive", s.cut(ctx, err, msg))
		}
	}
}

// more reads from the wire: the rest of a block into msg, anything else into the buffer, which is empty when it is called.
func (s *Stream) more(ctx context.Context, msg []byte) ([]byte, error) {
	switch {
	case s.scan.mode == inBlock:
		return s.body(ctx, msg)
	case s.scan.mode == inIndefinite && bytes.HasSuffix(msg, []byte("\n")):
		err := s.fillUnlessQuiet(ctx, s.quiet)
		if err == io.EOF {
			err = errQuiet
		}
		return msg, err
	case s.scan.mode == inText && s.scan.at == afterBlock && s.tail > 0:
		err := s.fillUnlessQuiet(ctx, s.tail)
		if err == errQuiet {
			return msg, s.endWithoutTail()
		}
		return msg, err
	}
	return msg, s.fill(ctx)
}

// endWithoutTail puts a line end into the buffer in place of the one that the instrument does not send.
func (s *Stream) endWithoutTail() error {
	s.buf[0], s.r, s.w = s.ending[len(s.ending)-1], 0, 1
	return nil
}

// trusted is how many bytes of a block are made room for on the word of its header alone. From there on room grows with what comes.
const trusted = 4 << 20

// body reads the rest of a definite block to where it belongs, or a large piece of it. The limit has been checked.
func (s *Stream) body(ctx context.Context, msg []byte) ([]byte, error) {
	at, need := len(msg), s.scan.left
	if cap(msg)-at < need+afterBody {
		part := min(need, max(trusted, at))
		room := make([]byte, at, at+part+afterBody)
		copy(room, msg)
		msg = room
		if part < need {
			return s.piece(ctx, msg, part)
		}
	}
	s.arm(ctx)
	n, err := io.ReadAtLeast(s.wire, msg[at:at+need+afterBody], need)
	s.disarm()
	msg = msg[:at+min(n, need)]
	_ = s.scan.took(len(msg) - at)
	if n > need {
		s.r, s.w = 0, copy(s.buf, msg[at+need:at+n])
	}
	if n >= need {
		return msg, nil
	}
	if err == io.ErrUnexpectedEOF {
		err = io.EOF
	}
	return msg, err
}

// piece reads a part of a block that does not reach to its end.
func (s *Stream) piece(ctx context.Context, msg []byte, part int) ([]byte, error) {
	at := len(msg)
	s.arm(ctx)
	n, err := io.ReadFull(s.wire, msg[at:at+part])
	s.disarm()
	msg = msg[:at+n]
	_ = s.scan.took(n)
	if err == io.ErrUnexpectedEOF {
		err = io.EOF
	}
	return msg, err
}

// fill reads what the wire has into the empty buffer.
func (s *Stream) fill(ctx context.Context) error {
	s.arm(ctx)
	n, err := s.wire.Read(s.buf)
	s.disarm()
	s.r, s.w = 0, n
	if n > 0 {
		return nil // the error will come again
	}
	if err == nil {
		err = io.ErrNoProgress
	}
	return err
}

// fillUnlessQuiet is fill, but returns errQuiet when nothing comes within d. Virtual time does not pass while a read waits, so there it
// is let pass first.
func (s *Stream) fillUnlessQuiet(ctx context.Context, d time.Duration) error {
	if !clock.IsReal(s.clock) {
		if err := s.clock.Sleep(ctx, d); err != nil {
			return err
		}
		d = 0
	}
	listening, cancel := s.clock.WithTimeout(ctx, d)
	defer cancel()
	err := s.fill(listening)
	if err != nil && ctx.Err() == nil && errors.Is(err, os.ErrDeadlineExceeded) {
		return errQuiet
	}
	return err
}

// cut explains why a response is not whole, and remembers that the rest may still come.
func (s *Stream) cut(ctx context.Context, err error, msg []byte) error {
	err = s.broken(ctx, err, "no answer came")
	s.goAstray(err)
	if len(msg) == 0 {
		return err
	}
	text := fmt.Sprintf("%v; %d bytes had come, %s: %s", err, len(msg), s.scan.where(), shortened(msg))
	return Explain(text, err, ErrPartial)
}

// shortened quotes the head of a message for an error text.
func shortened(msg []byte) string {
	const shown = 40
	if len(msg) > shown {
		return fmt.Sprintf("%q...", msg[:shown])
	}
	return fmt.Sprintf("%q", msg)
}

// Clear throws away what comes until the wire has been silent for the quiet time of the address, and takes the link for being in step
// again. After a message that was sent half it first sends an exclamation mark and a terminator, so that the instrument
// refuses what it has got instead of taking "VOLT 12 mV" cut behind the 12 for 12 V. Once the connection is lost, only Redial helps.
func (s *Stream) Clear(ctx context.Context) error {
	if err := s.usable(ctx, "nothing was cleared"); err != nil {
		return s.failed("clear", err)
	}
	if s.halfSent {
		if err := s.write(ctx, append([]byte("!"), s.ending...)); err != nil {
			return s.failed("clear", err)
		}
	}
	for {
		err := s.fillUnlessQuiet(ctx, s.quiet)
		s.r, s.w = 0, 0
		if err == errQuiet {
			break
		}
		if err != nil {
			return s.failed("clear", s.broken(ctx, err, "the instrument did not fall silent"))
		}
	}
	s.astray, s.halfSent = nil, false
	s.scan.reset()
	return nil
}
