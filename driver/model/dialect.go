package model

// Dialect is how an instrument is spoken to. A verb that is absent is an ability that the instrument does not have.
type Dialect struct {
	Say map[string][]Template // commands by verb
	Ask map[string]Query      // queries by verb
}

// Template is a message with places for numbers.
type Template struct{ Pieces []Piece }

// Piece is literal text, or a slot.
type Piece struct {
	Text string
	Slot *Slot
}

// Slot is a place for a number.
type Slot struct {
	Name   string  // volts, amps, ohms, watts, range, aperture, cycles or ch
	Form   string  // NRf (also where empty), NR1, NR2 or NR3
	Digits int     // behind the point
	Scale  float64 // SI value of one of what is written: 1e-3 for millivolts
}

// Query is a question and how to read its answer.
type Query struct {
	Send []Template
}
