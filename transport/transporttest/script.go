package transporttest

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"strconv"
	"strings"

	"fourwire/transport"
)

// Step is one step of a script: see Sent, Answer and Failure.
type Step struct {
	Way byte // transport.TapSent, transport.TapReceived, or transport.TapCut for a failing call
	Msg string
	Err error
}

// Sent expects msg to be sent, with or without a terminator.
func Sent(msg string) Step { return Step{Way: transport.TapSent, Msg: msg} }

// Answer gives msg to a Receive.
func Answer(msg string) Step { return Step{Way: transport.TapReceived, Msg: msg} }

// Failure gives err to the next call, whichever it is.
func Failure(err error) Step { return Step{Way: transport.TapCut, Err: err} }

// Script is a link that plays one side of a dialogue. A call that does not follow the script fails and is remembered. Close fails with the
// first such call, or where a part of the script has not been played.
type Script struct {
	steps  []Step
	played int
	wrong  error
	closed bool
}

// NewScript returns a link that plays steps.
func NewScript(steps ...Step) *Script { return &Script{steps: steps} }

// ParseScript reads what Recorder.String writes: one step per line, > or < and the message as a Go string.
func ParseScript(text string) (*Script, error) {
	s := &Script{}
	lines := bufio.NewScanner(strings.NewReader(text))
	for n := 1; lines.Scan(); n++ {
		line := strings.TrimSpace(lines.Text())
		if line == "" {
			continue
		}
		msg, err := strconv.Unquote(strings.TrimSpace(line[1:]))
		if way := line[0]; err != nil || way != transport.TapSent && way != transport.TapReceived {
			return nil, fmt.Errorf("script line %d: %q is not > or < and a quoted message", n, line)
		}
		s.steps = append(s.steps, Step{Way: line[0], Msg: msg})
	}
	return s, lines.Err()
}

// Send checks msg against the script.
func (s *Script) Send(ctx context.Context, msg []byte) error {
	step, err := s.step(ctx, "send")
	if err != nil {
		return err
	}
	if sent := strings.TrimRight(string(msg), "\r\n"); step.Way != transport.TapSent || sent != step.Msg {
		return s.astray("send", fmt.Sprintf("%q was sent, and the script says %v", sent, step))
	}
	s.played++
	return nil
}

// Receive returns the answer that the script has.
func (s *Script) Receive(ctx context.Context, into []byte) ([]byte, error) {
	step, err := s.step(ctx, "receive")
	if err != nil {
		return into[:0], err
	}
	if step.Way != transport.TapReceived {
		return into[:0], s.astray("receive", fmt.Sprintf("an answer was asked for, and the script says %v", step))
	}
	s.played++
	return append(into[:0], step.Msg...), nil
}

// Close ends the script. The first Close tells what went wrong.
func (s *Script) Close() error {
	if s.closed {
		return nil
	}
	s.closed = true
	if s.wrong == nil && s.played < len(s.steps) {
		return fmt.Errorf("%d of %d steps of the script were not played; the next is %v", len(s.steps)-s.played, len(s.steps), s.steps[s.played])
	}
	return s.wrong
}

// step returns the step to play, or why there is none.
func (s *Script) step(ctx context.Context, op string) (Step, error) {
	switch {
	case s.closed:
		return Step{}, &transport.Error{Op: op, Address: "script", Err: transport.ErrClosed}
	case ctx.Err() != nil:
		return Step{}, &transport.Error{Op: op, Address: "script", Err: transport.Interrupted(ctx, "the script did not go on")}
	case s.played >= len(s.steps):
		return Step{}, s.astray(op, "the script is over")
	}
	step := s.steps[s.played]
	if step.Way == transport.TapCut {
		s.played++
		return Step{}, &transport.Error{Op: op, Address: "script", Err: step.Err}
	}
	return step, nil
}

func (s *Script) astray(op, text string) error {
	err := &transport.Error{Op: op, Address: "script", Err: fmt.Errorf("step %d: %s", s.played+1, text)}
	if s.wrong == nil {
		s.wrong = err
	}
	return err
}

// String returns the step as Recorder writes it.
func (s Step) String() string {
	if s.Way == transport.TapCut {
		return fmt.Sprintf("! %v", s.Err)
	}
	return fmt.Sprintf("%c %q", s.Way, s.Msg)
}

// Recorder is a link that remembers what went through it, in the form that ParseScript reads: a dialogue with a real instrument
// becomes a test without one.
type Recorder struct {
	transport.Link
	log bytes.Buffer
}

// Record returns l with a memory.
func Record(l transport.Link) *Recorder { return &Recorder{Link: l} }

// Unwrap returns the link that is recorded.
func (r *Recorder) Unwrap() transport.Link { return r.Link }

// Send remembers what could be sent.
func (r *Recorder) Send(ctx context.Context, msg []byte) error {
	err := r.Link.Send(ctx, msg)
	if err == nil {
		r.note(Sent(strings.TrimRight(string(msg), "\r\n")))
	}
	return err
}

// Receive remembers whole responses.
func (r *Recorder) Receive(ctx context.Context, into []byte) ([]byte, error) {
	msg, err := r.Link.Receive(ctx, into)
	if err == nil {
		r.note(Answer(string(msg)))
	}
	return msg, err
}

func (r *Recorder) note(s Step) { fmt.Fprintln(&r.log, s) }

// String returns the script so far.
func (r *Recorder) String() string { return r.log.String() }
