package scpi

// Bits of the standard event status register (IEEE 488.2 clause 11.5.1).
const (
	OPC byte = 1 << iota // operation complete
	RQC                  // request control
	QYE                  // query error
	DDE                  // device-dependent error
	EXE                  // execution error
	CME                  // command error
	URQ                  // user request
	PON                  // power on
)

// Bits of the status byte (IEEE 488.2 clause 11.2, SCPI-1999 volume 1 chapter 9). Bit 6 is RQS in a serial poll and MSS
// in the answer to *STB?.
const (
	EAV byte = 4 << iota // error queue not empty
	QSB                  // summary of QUEStionable
	MAV                  // message available
	ESB                  // summary of the standard event status register
	MSS                  // master summary; RQS in a serial poll
	OSB                  // summary of OPERation
)

// Register is a SCPI status register set: condition, transition filters, event and enable, 15 bits each (bit 15 is
// always 0). Its summary, event AND enable, feeds a bit of the parent.
type Register struct {
	device    *Device
	path      string
	parent    *Register // nil: a bit of the status byte
	bit       uint16    // in the parent's condition
	condition uint16
	ptr, ntr  uint16
	event     uint16
	enable    uint16
}

const registerMask = 0x7fff

// Condition returns the present condition bits.
func (r *Register) Condition() uint16 { return r.condition }

// Event returns the event bits without clearing them.
func (r *Register) Event() uint16 { return r.event }

// SetCondition replaces the condition; rising bits in the positive and falling bits in the negative transition filter
// set their event bits.
func (r *Register) SetCondition(bits uint16) {
	bits &= registerMask
	rising, falling := bits&^r.condition, r.condition&^bits
	r.condition = bits
	r.event |= rising&r.ptr | falling&r.ntr
	r.changed()
}

// Raise sets condition bits and leaves the others alone.
func (r *Register) Raise(bits uint16) { r.SetCondition(r.condition | bits) }

// Drop clears condition bits and leaves the others alone.
func (r *Register) Drop(bits uint16) { r.SetCondition(r.condition &^ bits) }

func (r *Register) summary() bool { return r.event&r.enable != 0 }

// changed carries the summary upward: into the parent's condition or into the status byte.
func (r *Register) changed() {
	if r.parent == nil {
		r.device.statusChanged()
		return
	}
	bits := r.parent.condition &^ r.bit
	if r.summary() {
		bits |= r.bit
	}
	if bits != r.parent.condition {
		r.parent.SetCondition(bits)
	}
}

// takeEvent returns the event register and clears it.
func (r *Register) takeEvent() uint16 {
	e := r.event
	r.event = 0
	r.changed()
	return e
}

// preset does what STATus:PRESet asks: the two registers of the status byte get enable 0; those below them get every
// bit enabled, so that their summaries pass; the filters let rising edges through (SCPI-1999 volume 2, STATus:PRESet,
// from memory).
func (r *Register) preset() {
	r.ptr, r.ntr, r.enable = registerMask, 0, 0
	if r.parent != nil {
		r.enable = registerMask
	}
	r.changed()
}

// statusByte returns the status byte without bit 6, for a session whose message-available state is given.
func (d *Device) statusByte(available bool) byte {
	var stb byte
	if d.errors.count > 0 {
		stb |= EAV
	}
	if d.questionable.summary() {
		stb |= QSB
	}
	if available {
		stb |= MAV
	}
	if d.esr&d.ese != 0 {
		stb |= ESB
	}
	if d.operation.summary() {
		stb |= OSB
	}
	return stb
}

// raiseEvent sets bits of the standard event status register.
func (d *Device) raiseEvent(bits byte) {
	if d.esr|bits != d.esr {
		d.esr |= bits
		d.statusChanged()
	}
}

// statusChanged lets every session see whether a new reason for service has come up.
func (d *Device) statusChanged() {
	for _, s := range d.sessions {
		s.reviewService(s.available())
	}
}

// reviewService latches RQS when an enabled bit of the status byte rises (IEEE 488.2 clause 11.3.3: only a new reason).
func (s *Session) reviewService(available bool) {
	reasons := s.device.statusByte(available) & s.device.sre
	if reasons&^s.reasons != 0 {
		s.requesting, s.announce = true, true
	}
	if reasons == 0 {
		s.requesting = false
	}
	s.reasons = reasons
}
