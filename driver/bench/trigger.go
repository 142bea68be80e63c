package bench

import "fourwire/internal/diag"

// TriggerLine is a trigger line that joins instruments: what pulses on one of them triggers the others.
type TriggerLine struct {
	From  string   // instrument that pulses
	To    []string // instruments that are triggered
	Line  int      // number of the line, the same on all of them
	Place diag.Place
}

// LineFrom gives the lowest line on which one instrument can trigger all the others; false where there is none.
func (b *Bench) LineFrom(from string, to ...string) (line int, ok bool) {
	return 0, false
}
