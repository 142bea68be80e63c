package ieee488

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"strconv"
	"time"

	"fourwire/driver/scpi"
	"fourwire/transport"
)

// HoldOff is the message unit that makes an instrument finish what is pending before it goes on with the same message (IEEE
// 488.2 clause 10.39). Many instruments take it and ignore it: where it matters, verify by a reading.
const HoldOff = "*WAI"

// Queue empties the error queue and gives what was in it, oldest first. A queue that does not come to an end gives what was read and
// ErrEndlessQueue. An instrument without a queue has nothing to say.
func (d *Device) Queue(ctx context.Context) ([]Entry, error) {
	if d.config.NextError == "" {
		return nil, nil
	}
	var entries []Entry
	for range maxQueue {
		question := []byte(d.config.NextError)
		answer, err := d.Ask(ctx, question)
		if err != nil {
			return entries, err
		}
		e, err := d.config.ParseEntry(answer)
		if err != nil {
			return entries, d.Fault(question, err)
		}
		if e.Number == 0 {
			return entries, nil
		}
		entries = append(entries, e)
	}
	return entries, ErrEndlessQueue
}

// Check empties the error queue and makes a *Fault of what was in it; it names what was sent since the last check. Where there is no
// queue but an event register, its error bits are looked at.
func (d *Device) Check(ctx context.Context) error {
	sent := recent(d.sent)
	d.sent = d.sent[:0]
	if d.config.NextError == "" {
		return d.checkEvents(ctx, sent)
	}
	entries, err := d.Queue(ctx)
	if len(entries) == 0 && err == nil {
		return nil
	}
	f := &Fault{Address: d.config.Address, Instrument: d.config.Instrument, Sent: sent, Queue: entries, Err: err}
	var inner *Fault
	if errors.As(err, &inner) && len(entries) == 0 {
		return inner
	}
	return f
}

// CheckAll is Check for an instrument that takes compound messages: it asks for the event register in the same message, and a power-on that
// it shows is ErrRestarted. Since Clear has emptied the register, the instrument has been without power since then.
func (d *Device) CheckAll(ctx context.Context) error {
	if d.config.NextError == "" || d.config.Events == "" {
		return d.Check(ctx)
	}
	question := []byte(d.config.Events + ";" + d.config.NextError)
	answer, err := d.Ask(ctx, question)
	if err != nil {
		return err
	}
	register, entry, _ := bytes.Cut(answer, []byte(";"))
	events, err := scpi.ParseWhole(register)
	if err == nil && (events < 0 || events > 255) {
		err = fmt.Errorf("%d is no register of eight bits", events)
	}
	if err != nil {
		return d.Fault(question, err)
	}
	first, err := d.config.ParseEntry(entry)
	if err != nil {
		return d.Fault(question, err)
	}
	if err := d.Restarted(Events(events)); err != nil {
		return err
	}
	if first.Number == 0 {
		d.sent = d.sent[:0]
		return nil
	}
	rest, err := d.Queue(ctx)
	f := &Fault{Address: d.config.Address, Instrument: d.config.Instrument, Sent: recent(d.sent), Queue: append([]Entry{first}, rest...), Err: err}
	d.sent = d.sent[:0]
	return f
}

// Restarted keeps what was seen in the event register, and gives an error where it shows a power-on.
func (d *Device) Restarted(seen Events) error {
	d.pending |= seen &^ PowerOn
	if seen&PowerOn == 0 {
		return nil
	}
	return d.fault([]byte(d.config.Events), ErrRestarted)
}

// checkEvents stands in for the queue of an instrument that has none.
func (d *Device) checkEvents(ctx context.Context, sent string) error {
	if d.config.Events == "" {
		return nil
	}
	events, err := d.ReadEvents(ctx)
	if err != nil || events&Errors == 0 {
		return err
	}
	return &Fault{Address: d.config.Address, Instrument: d.config.Instrument, Sent: sent,
		Err: fmt.Errorf("the event register says %v", events&Errors)}
}

// ReadEvents reads and clears the event register, with what other calls saw in it by the way.
func (d *Device) ReadEvents(ctx context.Context) (Events, error) {
	n, err := d.whole(ctx, d.config.Events, d.config.AnswerWithin)
	events := Events(n) | d.pending
	if err == nil {
		d.pending = 0
	}
	return events, err
}

// ReadStatus reads the status byte (*STB?), which stays as it is.
func (d *Device) ReadStatus(ctx context.Context) (Status, error) {
	n, err := d.whole(ctx, "*STB?", d.config.AnswerWithin)
	return Status(n), err
}

// EnableEvents says which events the status byte shows as EventSummary (*ESE).
func (d *Device) EnableEvents(ctx context.Context, which Events) error {
	return d.Command(ctx, strconv.AppendUint([]byte("*ESE "), uint64(which), 10))
}

// EnabledEvents reads which those are (*ESE?).
func (d *Device) EnabledEvents(ctx context.Context) (Events, error) {
	n, err := d.whole(ctx, "*ESE?", d.config.AnswerWithin)
	return Events(n), err
}

// EnableService says which bits of the status byte request service (*SRE).
func (d *Device) EnableService(ctx context.Context, which Status) error {
	return d.Command(ctx, strconv.AppendUint([]byte("*SRE "), uint64(which), 10))
}

// EnabledService reads which those are (*SRE?). Bit 6 never is.
func (d *Device) EnabledService(ctx context.Context) (Status, error) {
	n, err := d.whole(ctx, "*SRE?", d.config.AnswerWithin)
	return Status(n), err
}

// whole asks for a register of eight bits.
func (d *Device) whole(ctx context.Context, question string, longest time.Duration) (uint8, error) {
	answer, err := d.AskWithin(ctx, []byte(question), longest)
	if err != nil {
		return 0, err
	}
	n, err := scpi.ParseWhole(answer)
	if err == nil && (n < 0 || n > 255) {
		err = fmt.Errorf("%d is no register of eight bits", n)
	}
	if err != nil {
		return 0, d.Fault([]byte(question), err)
	}
	return uint8(n), nil
}

// Clear clears the registers and the error queue (*CLS).
func (d *Device) Clear(ctx context.Context) error {
	d.pending, d.sent = 0, d.sent[:0]
	if d.config.ClearAll == "" {
		return nil
	}
	err := d.Command(ctx, []byte(d.config.ClearAll))
	d.sent = d.sent[:0]
	return err
}

// Reset brings the settings to their start (*RST) and waits, for longest at most, until that is done. Registers and queue stay.
func (d *Device) Reset(ctx context.Context, longest time.Duration) error {
	if err := d.Command(ctx, []byte("*RST")); err != nil {
		return err
	}
	return d.WaitComplete(ctx, longest)
}

// SelfTest runs the self test (*TST?), for longest at most. Any result but 0 is an error.
func (d *Device) SelfTest(ctx context.Context, longest time.Duration) error {
	question := []byte("*TST?")
	answer, err := d.AskWithin(ctx, question, longest)
	if err != nil {
		return err
	}
	n, err := scpi.ParseWhole(answer)
	switch {
	case err != nil:
		return d.fault(question, err)
	case n != 0:
		return d.fault(question, fmt.Errorf("the self test gives %d, where 0 is good; see the instrument's manual", n))
	}
	return nil
}

// Synchronise waits until everything sent so far has been executed (*OPC?), for operations that are short: the connection is
// blocked meanwhile. On instruments that execute one command after the other, it says nothing about outputs having settled.
func (d *Device) Synchronise(ctx context.Context) error {
	return d.synchronise(ctx, d.config.AnswerWithin)
}

func (d *Device) synchronise(ctx context.Context, longest time.Duration) error {
	question := []byte(d.config.AskEnd)
	answer, err := d.AskWithin(ctx, question, longest)
	if err != nil {
		return err
	}
	if n, err := scpi.ParseWhole(answer); err != nil || n != 1 {
		return d.Fault(question, fmt.Errorf("the answer is %s, where 1 says that the operations have ended", shortened(answer)))
	}
	return nil
}

// WaitComplete waits until everything pending has ended, for longest at most, without blocking the connection: *OPC sets a bit of the
// event register, which is read from time to time. Error bits that are seen on the way are kept for ReadEvents. Instruments
// without these are asked *OPC? with a long time limit; those that have neither are not waited for.
func (d *Device) WaitComplete(ctx context.Context, longest time.Duration) error {
	if d.config.MarkEnd == "" || d.config.Events == "" {
		if d.config.AskEnd == "" {
			return nil
		}
		return d.synchronise(ctx, longest)
	}
	start := d.clock.Now()
	left := func() time.Duration { return longest - d.clock.Since(start) }
	if err := d.look(ctx, longest); err != nil { // a bit from earlier must not be taken for this one
		return err
	}
	d.pending &^= OperationComplete
	if err := d.config.Link.Send(ctx, []byte(d.config.MarkEnd)); err != nil {
		return d.fault([]byte(d.config.MarkEnd), err)
	}
	for pause := time.Millisecond; ; pause = min(2*pause, 100*time.Millisecond) {
		if left() <= 0 {
			text := fmt.Sprintf("after %v the operation has not ended", longest)
			return d.fault([]byte(d.config.MarkEnd), transport.Explain(text, ErrNotComplete, transport.ErrTimeout))
		}
		if err := d.look(ctx, max(left(), d.config.AnswerWithin)); err != nil {
			return err
		}
		if d.pending&OperationComplete != 0 {
			d.pending &^= OperationComplete
			return nil
		}
		if err := d.clock.Sleep(ctx, min(pause, max(left(), 0))); err != nil {
			return d.fault([]byte(d.config.MarkEnd), transport.Interrupted(ctx, "the operation had not ended"))
		}
	}
}

// look reads the event register into pending.
func (d *Device) look(ctx context.Context, longest time.Duration) error {
	n, err := d.whole(ctx, d.config.Events, longest)
	d.pending |= Events(n)
	return err
}
