package ieee488

import (
	"strconv"
	"strings"
)

// Events is the standard event status register (IEEE 488.2 clause 11.5.1), which *ESR? reads and clears.
type Events uint8

// Its bits.
const (
	OperationComplete Events = 1 << iota // the operations that *OPC waited for have ended
	RequestControl
	QueryError     // numbers -400 to -499
	DeviceError    // -300 to -399, and the instrument's own
	ExecutionError // -200 to -299
	CommandError   // -100 to -199
	UserRequest
	PowerOn
)

// Errors are the bits that say that something was refused.
const Errors = QueryError | DeviceError | ExecutionError | CommandError

// String names the bits that are set.
func (e Events) String() string {
	return names(uint8(e), [8]string{"operation complete", "request control", "query error", "device error", "execution error", "command error", "user request", "power on"})
}

// Status is the status byte (IEEE 488.2 clause 11.2; bits 2, 3 and 7 by SCPI-1999 volume 1, 9.1), which *STB? reads.
type Status uint8

// Its bits; bits 0 and 1 are the instrument's own.
const (
	ErrorQueue       Status = 1 << (iota + 2) // the error queue is not empty
	Questionable                              // summary of the QUEStionable register
	MessageAvailable                          // an answer is waiting; many instruments never set it
	EventSummary                              // summary of Events
	MasterSummary                             // of the bits that *SRE enables; in a serial poll: requested service
	Operation                                 // summary of the OPERation register
)

// String names the bits that are set.
func (s Status) String() string {
	return names(uint8(s), [8]string{"bit 0", "bit 1", "error queue", "questionable", "message available", "event summary", "master summary", "operation"})
}

func names(bits uint8, words [8]string) string {
	if bits == 0 {
		return "none"
	}
	var set []string
	for i, w := range words {
		if bits>>i&1 == 1 {
			set = append(set, w)
		}
	}
	return strconv.Itoa(int(bits)) + " (" + strings.Join(set, ", ") + ")"
}
