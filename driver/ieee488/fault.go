package ieee488

import (
	"fmt"
	"strings"
)

// Entry is one entry of an instrument's error queue. It is an error; errors.Is compares numbers, and the text where the
// target has one.
type Entry struct {
	Number int
	Text   string
}

// Error is the entry as an instrument would write it.
func (e Entry) Error() string { return fmt.Sprintf("%d, %q", e.Number, e.Text) }

// Is matches a target without text by its number alone.
func (e Entry) Is(target error) bool {
	t, ok := target.(Entry)
	return ok && t.Number == e.Number && (t.Text == "" || t.Text == e.Text)
}

// Fault is an instrument's refusal or failure.
type Fault struct {
	Address    string  // where it is: "tcp://10.0.0.7:5025"
	Instrument string  // its name on the bench
	Sent       string  // what was sent last, shortened when long
	Queue      []Entry // what its error queue said, oldest first
	Err        error   // a time-out or a broken wire; nil when only the queue complains
}

// Error says who, what and why.
func (f *Fault) Error() string {
	var b strings.Builder
	b.WriteString(f.Instrument)
	if f.Address != "" {
		fmt.Fprintf(&b, " (%s)", f.Address)
	}
	if f.Sent != "" {
		fmt.Fprintf(&b, ": %q", f.Sent)
	}
	for i, e := range f.Queue {
		separator := ": "
		if i > 0 {
			separator = "; "
		}
		b.WriteString(separator + e.Error())
	}
	if f.Err != nil {
		b.WriteString(": " + f.Err.Error())
	}
	return b.String()
}

// Unwrap gives the cause and the whole queue.
func (f *Fault) Unwrap() []error {
	var out []error
	if f.Err != nil {
		out = append(out, f.Err)
	}
	for _, e := range f.Queue {
		out = append(out, e)
	}
	return out
}
