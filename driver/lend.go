package driver

import (
	"fmt"

	"fourwire/internal/ledger"
	"fourwire/quantity/measured"
)

// Lend hands the instrument over to another run: from now on its time is booked, and the error inputs of its readings are made, with that run's accounts.
// A reading that the run before has begun and not ended is given up. Settings, and what is known of them, stay. Whoever calls it sees to it that
// nobody else uses the instrument meanwhile.
func (in *Instrument) Lend(spans *ledger.Ledger, inputs *measured.Ledger) {
	if in.config.Ledger != inputs {
		for i := range in.channels {
			in.channels[i].inputs = nil // they are numbered by run
		}
	}
	in.config.Spans, in.wire.spans, in.config.Ledger = spans, spans, inputs
	in.wire.next = expectation{}
	in.giveUp()
	for i := range in.channels {
		if a := in.channels[i].running; a != nil && a.open() {
			a.err = fmt.Errorf("the reading was given up for another site: %w", ErrNoReading)
		}
	}
}
