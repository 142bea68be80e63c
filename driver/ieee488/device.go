package ieee488

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"fourwire/internal/clock"
	"fourwire/transport"
)

// Config says how to speak with one instrument. Link is needed; an empty word is an ability that the instrument does not have,
// except in Standard, which fills in those of IEEE 488.2 and SCPI-1999.
type Config struct {
	Link       transport.Link
	Instrument string // its name, for messages
	Address    string // where it is, for messages
	Clock      clock.Clock

	AnswerWithin time.Duration // time for an ordinary answer; 0 is 2 s
	PlainLine    bool          // answers are plain lines, always

	Identity   string // "*IDN?"; its answer also tells when a link is in step again
	NextError  string // "SYST:ERR?"
	ParseEntry func(answer []byte) (Entry, error)
	ClearAll   string // "*CLS"
	Events     string // "*ESR?"
	MarkEnd    string // "*OPC"
	AskEnd     string // "*OPC?"
}

// Standard gives c with the standard's words in place of those that are empty.
func (c Config) Standard() Config {
	for _, w := range []struct {
		word     *string
		standard string
	}{{&c.Identity, "*IDN?"}, {&c.NextError, ":SYST:ERR?"}, {&c.ClearAll, "*CLS"}, {&c.Events, "*ESR?"}, {&c.MarkEnd, "*OPC"}, {&c.AskEnd, "*OPC?"}} {
		if *w.word == "" {
			*w.word = w.standard
		}
	}
	return c
}

const (
	answerWithin = 2 * time.Second
	maxQueue     = 64 // entries read before a queue counts as endless
)

// Device is one instrument as its controller sees it. One goroutine at a time may use it.
type Device struct {
	config   Config
	clock    clock.Clock
	answer   []byte // memory of the last answer
	sent     []byte // since the last check, for faults
	identity []byte // the answer to Identity, once it is known
	pending  Events // seen in the event register by the way
	astray   bool   // an answer may still come that nobody waits for
	asking   bool   // the queue is being asked why there was no answer
	stranger error  // why nothing more is said: another instrument answers
}

// New gives the device of an open link. Nothing is sent.
func New(c Config) *Device {
	if c.AnswerWithin == 0 {
		c.AnswerWithin = answerWithin
	}
	if c.ParseEntry == nil {
		c.ParseEntry = ParseEntry
	}
	return &Device{config: c, clock: clock.Or(c.Clock)}
}

// Command sends a message that has no answer. That it was sent does not mean that it was obeyed: see Check.
func (d *Device) Command(ctx context.Context, message []byte) error {
	if d.stranger != nil {
		return d.stranger
	}
	d.note(message)
	if err := d.config.Link.Send(ctx, message); err != nil {
		return d.fault(message, err)
	}
	return nil
}

// Ask sends a question and waits for the answer for as long as an ordinary one takes. The answer stands until the next question. The
// error is a *Fault.
func (d *Device) Ask(ctx context.Context, question []byte) ([]byte, error) {
	return d.AskWithin(ctx, question, d.config.AnswerWithin)
}

// AskWithin is Ask for a question whose answer takes long.
func (d *Device) AskWithin(ctx context.Context, question []byte, longest time.Duration) ([]byte, error) {
	var err error
	d.answer, err = d.AskInto(ctx, question, longest, d.answer)
	return d.answer, err
}

// AskInto is AskWithin with the caller's memory for the answer, for long blocks; see transport.Link.
func (d *Device) AskInto(ctx context.Context, question []byte, longest time.Duration, into []byte) ([]byte, error) {
	if d.astray {
		if err := d.Recover(ctx); err != nil {
			return into[:0], err
		}
	}
	return d.ask(ctx, question, longest, into)
}

// ask is AskInto without looking whether the link is in step.
func (d *Device) ask(ctx context.Context, question []byte, longest time.Duration, into []byte) ([]byte, error) {
	waiting, cancel := d.clock.WithTimeout(ctx, longest)
	defer cancel()
	if err := d.pose(waiting, question); err != nil {
		return into[:0], err
	}
	return d.hear(ctx, waiting, question, into)
}

// Pose sends a question whose answer is taken later by Hear, so that other instruments can be spoken to meanwhile. Nothing else may
// be sent to this one in between, or Forget has to be called first.
func (d *Device) Pose(ctx context.Context, question []byte) error {
	if d.astray {
		if err := d.Recover(ctx); err != nil {
			return err
		}
	}
	waiting, cancel := d.clock.WithTimeout(ctx, d.config.AnswerWithin)
	defer cancel()
	return d.pose(waiting, question)
}

// Hear takes the answer to what was posed, waiting for longest at most. The answer stands until the next question.
func (d *Device) Hear(ctx context.Context, question []byte, longest time.Duration) ([]byte, error) {
	waiting, cancel := d.clock.WithTimeout(ctx, longest)
	defer cancel()
	var err error
	d.answer, err = d.hear(ctx, waiting, question, d.answer)
	return d.answer, err
}

// Forget gives up an answer that was posed for: it is dropped before the next question is asked.
func (d *Device) Forget() { d.astray = true }

func (d *Device) pose(waiting context.Context, question []byte) error {
	if d.stranger != nil {
		return d.stranger
	}
	if err := d.config.Link.Send(waiting, question); err != nil {
		d.astray = d.astray || errors.Is(err, transport.ErrAstray) || errors.Is(err, transport.ErrPartial)
		return d.fault(question, err)
	}
	return nil
}

func (d *Device) hear(ctx, waiting context.Context, question, into []byte) ([]byte, error) {
	answer, err := d.config.Link.Receive(waiting, into)
	if err != nil {
		d.astray = true
		return answer, d.unanswered(ctx, question, err)
	}
	if len(bytes.Trim(answer, " \t\r\n\x00")) == 0 {
		return answer, d.fault(question, ErrEmptyAnswer)
	}
	return answer, nil
}

// unanswered explains a question without an answer. Where the time ran out, the instrument may have refused the question; then its
// error queue knows why.
func (d *Device) unanswered(ctx context.Context, question []byte, err error) error {
	switch {
	case errors.Is(err, transport.ErrPartial):
		err = transport.Explain(err.Error(), err, ErrPartialAnswer)
	case errors.Is(err, transport.ErrTimeout), errors.Is(err, context.DeadlineExceeded):
		err = transport.Explain(err.Error(), err, ErrNoAnswer)
	}
	f := d.fault(question, err)
	if d.asking || ctx.Err() != nil || !errors.Is(err, ErrNoAnswer) || d.config.NextError == "" || d.identity == nil {
		return f
	}
	d.asking = true
	defer func() { d.asking = false }()
	if d.Recover(ctx) == nil {
		f.Queue, _ = d.Queue(ctx)
	}
	return f
}

// Recover brings link and instrument into step again after a question whose answer did not come whole: the identity is asked for, and
// everything dropped until it comes. Before the identity is known, and where there is none, the link cannot be trusted again.
func (d *Device) Recover(ctx context.Context) error {
	if d.identity == nil {
		return d.fault([]byte(d.config.Identity), transport.Explain("an earlier answer may still come, and there is no way to tell it from the next; close the connection and open it again", transport.ErrAstray))
	}
	waiting, cancel := d.clock.WithTimeout(ctx, 2*d.config.AnswerWithin)
	defer cancel()
	err := transport.Resync(waiting, d.config.Link, []byte(d.config.Identity), func(answer []byte) bool {
		return bytes.Equal(bytes.TrimSpace(answer), d.identity)
	})
	if err != nil {
		return d.fault([]byte(d.config.Identity), err)
	}
	d.astray = false
	return nil
}

// Identify asks for the identity.
func (d *Device) Identify(ctx context.Context) (Identity, error) {
	answer, err := d.IdentityAnswer(ctx)
	return ParseIdentity(answer), err
}

// IdentityAnswer asks for the identity and gives the answer as it came. It is read as a plain line, since names contain odd quotes.
func (d *Device) IdentityAnswer(ctx context.Context) ([]byte, error) {
	if lines, ok := transport.As[transport.LineReader](d.config.Link); ok && !d.config.PlainLine {
		lines.PlainLine(true)
		defer lines.PlainLine(false)
	}
	answer, err := d.Ask(ctx, []byte(d.config.Identity))
	if err == nil {
		d.identity = bytes.Clone(bytes.TrimSpace(answer))
	}
	return answer, err
}

// note remembers what was sent, for the fault that a check may find: of much, the latest.
func (d *Device) note(message []byte) {
	const kept = 120
	if len(d.sent) > 0 {
		d.sent = append(d.sent, "; "...)
	}
	d.sent = append(d.sent, message[:min(len(message), kept)]...)
	if len(d.sent) <= 2*kept {
		return
	}
	cut := len(d.sent) - kept
	if next := bytes.Index(d.sent[cut:], []byte("; ")); next >= 0 {
		cut += next + 2
	}
	d.sent = append(append(d.sent[:0], "..., "...), d.sent[cut:]...)
}

// fault makes a fault of an error.
func (d *Device) fault(message []byte, err error) *Fault {
	return &Fault{Address: d.config.Address, Instrument: d.config.Instrument, Sent: shortened(message), Err: err}
}

// Fault makes a fault of an error that the caller found in an answer, such as one that cannot be read. It may have been the answer to another
// question: before the next one the link is brought into step again.
func (d *Device) Fault(question []byte, err error) *Fault {
	if !errors.Is(err, context.Canceled) && !errors.Is(err, context.DeadlineExceeded) {
		d.astray = d.identity != nil
		err = transport.Explain(err.Error(), err, ErrUnreadable)
	}
	return d.fault(question, err)
}

// Link is the link.
func (d *Device) Link() transport.Link { return d.config.Link }

// HasQueue tells whether the instrument has an error queue that can be read.
func (d *Device) HasQueue() bool { return d.config.NextError != "" }

// Redial gives the connection up and opens it again, where the wire can. The identity must be the same as before:
// to another instrument nothing more is said.
func (d *Device) Redial(ctx context.Context) error {
	r, ok := transport.As[transport.Redialer](d.config.Link)
	if !ok {
		return d.fault(nil, errors.New("this link cannot be opened again"))
	}
	if err := r.Redial(ctx); err != nil {
		return d.fault(nil, err)
	}
	d.astray, d.stranger = false, nil
	before := string(d.identity)
	if _, err := d.IdentityAnswer(ctx); err != nil {
		d.identity = []byte(before)
		return err
	}
	if before != "" && !strings.EqualFold(before, string(d.identity)) {
		d.stranger = d.fault([]byte(d.config.Identity), fmt.Errorf("%w: %s in place of %s", ErrStranger, shortened(d.identity), shortened([]byte(before))))
		d.identity = []byte(before)
		return d.stranger
	}
	return nil
}
