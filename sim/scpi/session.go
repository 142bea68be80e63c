package scpi

// SessionOptions describe one connection. The zero value is a raw stream: bytes without END, LF ends messages and
// responses, pipelined messages are answered one after the other.
type SessionOptions struct {
	// Messages tells that the transport marks the end of messages (VXI-11, HiSLIP, USBTMC). An indefinite block then
	// ends with END, otherwise with LF.
	Messages bool
	// Whole keeps the ends of responses for Receive although the transport does not mark them.
	Whole bool
	// Strict runs the message exchange protocol literally: a new message before the response was read is -410.
	Strict bool
	// Terminator ends each response; "" is LF. NoTerminator sends none (END transports only).
	Terminator   string
	NoTerminator bool
	Echo         bool   // what comes in goes out again
	Prompt       string // sent after each message and its response
	Acknowledge  string // sent for a message that has no response
	LinesEnd     bool   // LF ends an open string too (-151); otherwise it is part of the string
	// InputLimit is the size of the input buffer in bytes, behind which Feed takes no more; 0 is 64 KiB. It stretches
	// for a unit that does not fit, up to MessageLimit.
	InputLimit int
	// Overrun drops what does not fit the input buffer and reports -363, where others hold the sender back.
	Overrun bool
	// MessageLimit is the length of a program message in bytes behind which its rest is dropped and -363 is reported; 0
	// is 64 MiB.
	MessageLimit int
	// OutputLimit is the size of the output queue in bytes: while it is full no further unit is executed; 0 is 256 KiB.
	// A single answer may be longer.
	OutputLimit int
}

// Session is one connection to a device: its input buffer, parser, header path and output queue.
type Session struct {
	device  *Device
	options SessionOptions
	now     int64

	in    []byte // from the start of the unit being read
	base  int64  // bytes fed before in[0]
	marks []mark
	scan  scanner
	unit  unit

	path     *prefix
	prefixes map[string]*prefix
	cache    [headerCache][2]header
	uncached header
	scratch  []byte

	begun      bool // bytes of the present message were seen
	from       int64
	responded  bool // the present message has an answer
	discarding bool // the rest of the message is skipped
	muted      bool // deadlocked: answers are thrown away until the end of the message
	indefinite bool // an indefinite answer was given: no further query in this message
	delayed    bool // the unit's processing time is over
	awaitingOC bool // *OPC waits for the pending operations
	units      int  // units of the present message that were not empty
	worked     bool // the last Run did something
	closed     bool

	call     Call
	unitFrom int // where the unit's answer starts in out

	out     []byte
	taken   int
	visible int
	ends    []int  // ends of complete responses in out, kept for transports with messages
	echoed  []byte // echo that waits until the unit's answer is there

	reasons    byte
	requesting bool
	announce   bool
}

// mark is an END or a group execute trigger in the input.
type mark struct {
	at      int64 // position in the stream
	trigger bool
}

// unit is a program message unit that was found and waits for its execution: in[headFrom:headTo] and in[headTo:dataTo].
// The input buffer is not moved before it is done with.
type unit struct {
	found                    bool
	end                      terminator
	headFrom, headTo, dataTo int
	header                   *header // resolved, waiting for its processing time
}

// Open starts a connection.
func (d *Device) Open(o SessionOptions) *Session {
	if o.InputLimit <= 0 {
		o.InputLimit = 64 << 10
	}
	if o.MessageLimit <= 0 {
		o.MessageLimit = 64 << 20
	}
	if o.OutputLimit <= 0 {
		o.OutputLimit = 256 << 10
	}
	if o.Terminator == "" {
		o.Terminator = "\n"
	}
	if o.NoTerminator {
		o.Terminator = ""
	}
	s := &Session{device: d, options: o, now: d.now, prefixes: map[string]*prefix{}}
	s.call.session = s
	d.sessions = append(d.sessions, s)
	s.reasons = d.statusByte(false) & d.sre
	return s
}

// Close ends the connection and drops what it holds. Operations it started go on.
func (s *Session) Close() {
	s.Clear()
	s.closed = true
	for i, o := range s.device.sessions {
		if o == s {
			s.device.sessions = append(s.device.sessions[:i:i], s.device.sessions[i+1:]...)
			break
		}
	}
}

// Feed puts bytes into the input buffer and returns how many it took; the caller offers the rest again after Run. end
// tells that END came with the last byte; it counts only when all bytes were taken. Nothing is executed before Run.
func (s *Session) Feed(p []byte, end bool) (taken int) {
	if s.closed {
		return len(p)
	}
	n := len(p)
	if room := s.room(); n > room {
		n = room
		if s.options.Overrun {
			s.device.Post(InputBufferOverrun)
		} else {
			end = false
			if s.options.Strict && s.full() {
				s.deadlock()
			}
		}
	}
	s.compact(n)
	s.in = append(s.in, p[:n]...)
	if s.options.Echo {
		s.echo(p[:n])
	}
	if end {
		s.marks = append(s.marks, mark{at: s.base + int64(len(s.in))})
	}
	if s.options.Overrun {
		return len(p)
	}
	return n
}

// room returns how many bytes the input buffer takes.
func (s *Session) room() int {
	limit := s.options.InputLimit
	if !s.options.Overrun && !s.unit.found && s.scan.at == len(s.in) && len(s.marks) == 0 {
		limit = max(limit, len(s.in)+s.options.InputLimit) // the parser starves: the unit is longer than the buffer
		if more := s.scan.pendingBytes(); more > limit-len(s.in) {
			limit = len(s.in) + more
		}
	}
	return max(limit-(len(s.in)-s.consumed()), 0)
}

// consumed returns the number of bytes at the front of the buffer that are done with.
func (s *Session) consumed() int {
	if s.unit.found {
		return 0
	}
	return s.scan.start
}

// compact makes place for n bytes by dropping what is done with.
func (s *Session) compact(n int) {
	done := s.consumed()
	if s.unit.found || done == 0 || done < len(s.in) && len(s.in)+n <= cap(s.in) {
		return
	}
	s.base += int64(done)
	s.in = s.in[:copy(s.in, s.in[done:])]
	s.scan.shift(done)
}

// Trigger puts a group execute trigger behind the bytes fed so far; in the midst of a message it is -105.
func (s *Session) Trigger() {
	s.marks = append(s.marks, mark{at: s.base + int64(len(s.in)), trigger: true})
}

// Run executes what can be executed at a time, in nanoseconds, and returns the next time at which it can go on by
// itself, or Never. After its output was taken or bytes were fed, call it again.
func (s *Session) Run(now int64) (next int64) {
	s.device.advance(now)
	s.now, s.worked = s.device.now, false
	s.reclaim()
	for !s.closed {
		if s.call.wait != waitNothing {
			if !s.resume() {
				break
			}
		} else if !s.unit.found {
			if s.stalled() || !s.findUnit() {
				break
			}
		}
		s.worked = true
		if s.unit.found && s.call.wait == waitNothing {
			s.execute()
		}
	}
	return min(s.nextTime(), s.device.nextEnd)
}

// nextTime returns when the session can go on by itself.
func (s *Session) nextTime() int64 {
	if s.call.wait == waitTime {
		return s.call.until
	}
	return Never
}

// resume tells whether what the session waits for has come, and if so lets the handler finish.
func (s *Session) resume() bool {
	c := &s.call
	switch c.wait {
	case waitTime:
		if s.now < c.until && (c.ready == nil || !c.ready()) {
			return false
		}
	case waitOperations:
		if len(s.device.pending) > 0 {
			return false
		}
	case waitOperation:
		if c.on.Pending() {
			return false
		}
	}
	then := c.then
	c.wait, c.then, c.on, c.ready = waitNothing, nil, nil, nil
	if then == nil {
		s.delayed = true // the processing time before the handler
		return true
	}
	s.finish(then(c))
	return true
}

// findUnit looks for the next complete unit; it returns false when more input is needed.
func (s *Session) findUnit() bool {
	for {
		limit := len(s.in)
		if len(s.marks) > 0 {
			limit = int(s.marks[0].at - s.base)
		}
		if !s.begun && s.scan.at < limit {
			s.beginMessage()
		}
		end := s.scan.scan(s.in[:limit], !s.options.Messages, s.options.LinesEnd)
		if s.tooLong() {
			s.complain(InputBufferOverrun)
			s.discarding = true
		}
		cut := false
		if end == unfinished {
			if s.discarding {
				s.scan.start, s.scan.headEnd = s.scan.at, s.scan.at
			}
			if len(s.marks) == 0 {
				return false
			}
			m := s.marks[0]
			s.marks = s.marks[:copy(s.marks, s.marks[1:])]
			if m.trigger {
				s.groupTrigger()
				return true
			}
			if !s.begun {
				continue // END alone, or with the LF that has ended the message
			}
			end, cut = lineFeed, true
		}
		if end == semicolon && s.device.options.Quirks.Compound != CompoundJoins {
			end = s.oddSemicolon()
		}
		dataEnd := s.scan.at
		if !cut {
			dataEnd--
		}
		u := &s.unit
		u.found, u.end = true, end
		u.headFrom, u.headTo, u.dataTo = s.scan.start, s.scan.headEnd, dataEnd
		return true
	}
}

// oddSemicolon is the semicolon of an instrument that knows no compound messages.
func (s *Session) oddSemicolon() terminator {
	if s.device.options.Quirks.Compound == CompoundRefused {
		return semicolon
	}
	return lineFeed
}

func (s *Session) beginMessage() {
	s.begun, s.from = true, s.base+int64(s.scan.at)
	if s.options.Strict && len(s.out) > s.taken {
		s.Interrupt()
	}
}

func (s *Session) tooLong() bool {
	if s.discarding || !s.begun {
		return false
	}
	length := s.base + int64(s.scan.at) - s.from
	return length+int64(s.scan.pendingBytes()) > int64(s.options.MessageLimit)
}

// groupTrigger executes a trigger that came between messages.
func (s *Session) groupTrigger() {
	switch trigger := s.device.options.Trigger; {
	case s.begun:
		s.complain(GetNotAllowed)
		s.discarding = true
	case trigger == nil:
		s.complain(TriggerIgnored)
	default:
		s.call.reset(&header{})
		s.unit = unit{found: true, end: unfinished}
		s.unitFrom = len(s.out)
		if err := trigger(&s.call); s.call.wait == waitNothing {
			s.finish(err)
		}
	}
}

// complain puts an error into the queue.
func (s *Session) complain(err error) { s.device.Post(err) }
