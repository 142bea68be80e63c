package model

import "time"

// Wire is what the instrument's interface wants.
type Wire struct {
	End          string        // lf, crlf or cr; empty: lf
	Gap          time.Duration // least pause between messages
	Echo         bool          // sends each message back
	Single       bool          // one connection at a time
	PlainLine    bool          // answers are lines, whatever quotes they have
	Compound     bool          // takes several units in one message, joined by ";"
	MaxMessage   int           // bytes of a message it takes; 0: not limited
	SerialOnly   []Option      // further options for a serial port: baud, parity, flow...
	AnswerWithin time.Duration // longest that an ordinary answer takes; 0 is 2 s
}

// Option is one option of an address, as in "baud=9600".
type Option struct{ Key, Value string }

// Options are what the wire says, as options of an address of that scheme. They are defaults: what the bench's address states goes first.
func (w Wire) Options(scheme string) []Option {
	var out []Option
	add := func(has bool, key, value string) {
		if has {
			out = append(out, Option{key, value})
		}
	}
	add(w.End != "", "end", w.End)
	add(w.Gap > 0, "gap", w.Gap.String())
	add(w.Echo, "echo", "yes")
	add(w.Single, "single", "yes")
	add(w.PlainLine, "plainline", "yes")
	if scheme == "serial" {
		out = append(out, w.SerialOnly...)
	}
	return out
}
