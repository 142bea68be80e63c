package model

import "time"

// Records is a channel's ability to record: it takes samples without a pause into a buffer of its own, from which they are fetched in
// blocks. What its words allow besides is told by TellsTotals and Holds.
type Records struct {
	Least, Most time.Duration // interval between samples
	Grid        time.Duration // intervals are whole multiples of it; 0: not stated
	Depth       int64         // samples that the buffer holds, one of each function counting as one; 0: not stated
	Volts, Amps bool          // functions that can be recorded
	Together    bool          // both at once
	Seamless    bool          // each sample is of the smallest range of amps that holds it; else the range stands still
	Totals      bool          // keeps its own count of samples and charge
	Held        bool          // an answer can be held until enough samples wait
}
