package ieee488

import (
	"errors"
	"fmt"
	"strconv"
	"strings"

	"fourwire/transport"
)

// What can become of an answer, for errors.Is. The transport's own kinds (time-out, lost connection) hold beside these.
var (
	ErrNoAnswer      = errors.New("no answer")
	ErrPartialAnswer = errors.New("part of an answer only")
	ErrEmptyAnswer   = errors.New("an empty answer")
	ErrEndlessQueue  = errors.New("the error queue does not come to an end")
	ErrRestarted     = errors.New("it has restarted: its power was off, its outputs are off and its settings are at their start")
	ErrStranger      = errors.New("another instrument answers now")
	ErrUnreadable    = errors.New("the answer cannot be read")
	ErrNotComplete   = errors.New("the operation has not come to its end")
)

// Entry is one entry of an instrument's error queue. It is an error: errors.Is(err, Entry{Number: -222}) holds for every
// entry of that number, and with a text for those that have it.
type Entry struct {
	Number int
	Text   string // "Data out of range", or with detail "Undefined header;TEST:COMMAND"
}

// Error is the number and the text.
func (e Entry) Error() string {
	if e.Text == "" {
		return strconv.Itoa(e.Number)
	}
	return strconv.Itoa(e.Number) + " " + strconv.Quote(e.Text)
}

// Is matches a target without text by its number alone.
func (e Entry) Is(target error) bool {
	t, ok := target.(Entry)
	return ok && t.Number == e.Number && (t.Text == "" || t.Text == e.Text)
}

// Class says what kind of error the number stands for (SCPI-1999 volume 2, 21.8).
func (e Entry) Class() string {
	switch n := e.Number; {
	case n <= -100 && n > -200:
		return "command error"
	case n <= -200 && n > -300:
		return "execution error"
	case n <= -300 && n > -400:
		return "device-specific error"
	case n <= -400 && n > -500:
		return "query error"
	case n > 0:
		return "the instrument's own error"
	}
	return "event"
}

// Fault is an instrument's refusal or failure.
type Fault struct {
	Address    string  // where it is: "tcp://10.0.0.7:5025"
	Instrument string  // its name on the bench
	Sent       string  // what was sent since the last check, shortened when long
	Queue      []Entry // what its error queue said, oldest first
	Err        error   // a time-out or a broken wire; nil when only the queue complains
}

// Error says who, what and why.
func (f *Fault) Error() string {
	var b strings.Builder
	b.WriteString(f.Instrument)
	if f.Address != "" {
		if b.Len() > 0 {
			b.WriteString(" at ")
		}
		b.WriteString(f.Address)
	}
	if b.Len() == 0 {
		b.WriteString("the instrument")
	}
	if f.Err == nil {
		b.WriteString(" refused")
		if f.Sent != "" {
			b.WriteString(" " + f.Sent)
		}
		b.WriteString(": " + f.queue())
		return b.String()
	}
	if f.Sent != "" {
		b.WriteString(", asked " + f.Sent)
	}
	b.WriteString(": " + f.cause())
	if len(f.Queue) > 0 {
		b.WriteString("; its error queue says " + f.queue())
	}
	return b.String()
}

// cause is the text of Err, without the address that stands in front already.
func (f *Fault) cause() string {
	var wire *transport.Error
	if errors.As(f.Err, &wire) && f.Address != "" {
		return strings.TrimPrefix(f.Err.Error(), wire.Address+": "+wire.Op+": ")
	}
	return f.Err.Error()
}

func (f *Fault) queue() string {
	texts := make([]string, len(f.Queue))
	for i, e := range f.Queue {
		texts[i] = e.Error()
	}
	const shown = 6
	if len(texts) > shown {
		texts = append(texts[:shown], fmt.Sprintf("and %d more", len(f.Queue)-shown))
	}
	return strings.Join(texts, "; ")
}

// Unwrap gives the cause and every entry of the queue.
func (f *Fault) Unwrap() []error {
	out := make([]error, 0, 1+len(f.Queue))
	if f.Err != nil {
		out = append(out, f.Err)
	}
	for _, e := range f.Queue {
		out = append(out, e)
	}
	return out
}

// shortened quotes a message for a fault.
func shortened(message []byte) string {
	const most = 80
	if len(message) > most {
		return strconv.QuoteToASCII(string(message[:most])) + "..."
	}
	return strconv.QuoteToASCII(string(message))
}

// recent quotes what was sent since the last check, its end where it is long.
func recent(sent []byte) string {
	const most = 240
	if len(sent) > most {
		sent = sent[len(sent)-most:]
	}
	return strconv.QuoteToASCII(string(sent))
}
