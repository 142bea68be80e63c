package scpi

// Readiness is what a controller that asks for data finds.
type Readiness uint8

const (
	// NothingToSend means that no response is there or under way: the request was an error (-420), the read runs into
	// its time limit.
	NothingToSend Readiness = iota
	// UnderWay means that the device is still busy with what it was sent: ask again after the next Run.
	UnderWay
	// Ready means that response bytes wait in the output queue.
	Ready
)

// RequestData tells what a controller finds that asks for data now, after Run; for transports with a talk request
// (VXI-11, USBTMC). When there is nothing to send and nothing under way it reports -420, clears the output queue and
// returns NothingToSend; call it again in that case only for a new request.
func (s *Session) RequestData() Readiness {
	switch {
	case s.available():
		return Ready
	case s.unit.found, s.scan.at < len(s.in), len(s.marks) > 0:
		return UnderWay
	}
	s.dropOutput()
	s.device.Post(QueryUnterminated)
	return NothingToSend
}

// Output takes every response byte there is, for stream transports. The bytes are valid until the next call of Run,
// Feed or Clear. Call Run afterwards: a full output queue may have held it.
func (s *Session) Output() []byte {
	p := s.out[s.taken:s.visible]
	if len(p) == 0 {
		return nil
	}
	s.taken = s.visible
	s.ends = s.ends[:0]
	s.reviewIfEnabled()
	return p
}

// Receive takes at most limit response bytes, not beyond the end of the first response; end tells that its last byte is
// among them. For sessions opened with Messages. The bytes are valid until the next call of Run, Feed or Clear.
func (s *Session) Receive(limit int) (p []byte, end bool) {
	to := s.visible
	if len(s.ends) > 0 && s.ends[0] <= to {
		to = s.ends[0]
	}
	to = min(to, s.taken+max(limit, 0))
	p = s.out[s.taken:to]
	s.taken = to
	if end = len(s.ends) > 0 && s.ends[0] == to; end {
		s.ends = s.ends[:copy(s.ends, s.ends[1:])]
	}
	s.reviewIfEnabled()
	return p, end
}

// Available tells whether response bytes wait in the output queue.
func (s *Session) Available() bool { return s.available() }

// Waiting tells whether the session holds a command that it has not finished: one in its processing time, a query whose
// answer takes time, or one that is held by *WAI or *OPC?. A server uses it to tell whether somebody waits for time to
// pass.
func (s *Session) Waiting() bool { return s.unit.found }

func (s *Session) available() bool { return s.visible > s.taken }

// Interrupt throws the output queue away and reports -410, for transports that notice themselves that a response was
// not read (HiSLIP). What the message under way still answers is thrown away too.
func (s *Session) Interrupt() {
	if s.responded || s.unit.found {
		s.responded, s.muted = false, true
	}
	s.dropOutput()
	s.device.Post(QueryInterrupted)
}

// Clear is the device clear: input buffer, output queue and parser are emptied, a pending *WAI, *OPC or *OPC? and a
// measurement under way are dropped. Settings, registers, error queue and operations stay.
func (s *Session) Clear() {
	s.base += int64(len(s.in))
	s.in, s.marks = s.in[:0], s.marks[:0]
	s.scan = scanner{}
	s.unit = unit{}
	s.call.wait, s.call.then, s.call.on, s.call.ready = waitNothing, nil, nil, nil
	s.path, s.units, s.awaitingOC, s.delayed = nil, 0, false, false
	s.begun, s.responded, s.discarding, s.muted, s.indefinite = false, false, false, false, false
	s.echoed = s.echoed[:0]
	s.dropOutput()
}

func (s *Session) dropOutput() {
	s.out, s.taken, s.visible, s.ends = s.out[:0], 0, 0, s.ends[:0]
	s.unitFrom = 0
	s.reviewIfEnabled()
}

// full tells that the output queue takes no more answers.
func (s *Session) full() bool { return len(s.out)-s.taken >= s.options.OutputLimit }

// stalled tells whether execution waits for the output queue to be read. Under the strict protocol a new message does
// not wait: it interrupts.
func (s *Session) stalled() bool {
	return s.full() && !s.muted && (s.begun || !s.options.Strict)
}

// deadlock is both buffers full in the midst of a message: its answers are thrown away to its end.
func (s *Session) deadlock() {
	if !s.begun || s.muted {
		return
	}
	s.dropOutput()
	s.responded, s.muted = false, true
	s.device.Post(QueryDeadlocked)
}

func (s *Session) echo(p []byte) {
	if s.unit.found {
		s.echoed = append(s.echoed, p...)
		return
	}
	s.out = append(s.out, p...)
	s.settle()
}

// settle makes what was answered so far visible to the controller.
func (s *Session) settle() {
	s.visible = len(s.out)
	s.reviewIfEnabled()
}

// reviewIfEnabled looks for a service request after the output queue has changed, when MAV may ask for one.
func (s *Session) reviewIfEnabled() {
	if (s.device.sre|s.reasons)&MAV != 0 {
		s.reviewService(s.available())
	}
}

// reclaim frees the taken part of the output queue.
func (s *Session) reclaim() {
	switch {
	case s.taken == len(s.out):
		s.out, s.taken, s.visible, s.unitFrom = s.out[:0], 0, 0, 0
		s.ends = s.ends[:0]
	case s.taken > 1<<20 && s.taken > len(s.out)/2:
		s.out = s.out[:copy(s.out, s.out[s.taken:])]
		for i := range s.ends {
			s.ends[i] -= s.taken
		}
		s.visible, s.unitFrom, s.taken = s.visible-s.taken, s.unitFrom-s.taken, 0
	}
}

// SerialPoll returns the status byte with RQS in bit 6 and clears RQS. unread tells that the transport holds response
// bytes which the controller has not read; they count as a message available.
func (s *Session) SerialPoll(unread bool) byte {
	stb := s.device.statusByte(s.available() || unread)
	if s.requesting {
		stb |= MSS
	}
	s.requesting = false
	return stb
}

// TakeServiceRequest returns true once for each service request that came up, with the status byte of that moment, RQS
// set. It does not clear RQS: a serial poll does.
func (s *Session) TakeServiceRequest() (stb byte, ok bool) {
	if !s.announce {
		return 0, false
	}
	s.announce = false
	return s.device.statusByte(s.available()) | MSS, true
}
