package trace

import "errors"

// Writer appends to one trace. One goroutine at a time may use it; only Sync may be called beside.
type Writer struct{ head Head }

// Create starts a trace in dir, which is the folder traces of a record and is made. A name that is taken is refused.
func Create(dir string, h Head) (*Writer, error) { return nil, errors.New("trace: not there yet") }

// Head is the head of the trace, with all steps filled in.
func (w *Writer) Head() Head { return w.head }

// Append adds a block. A start ahead of what was expected is a gap, and is kept as one; one behind it is an error. Values that are no
// numbers, or beyond MaxCounts, are gaps of their own. The block may be used again afterwards.
func (w *Writer) Append(s *Samples) error { return errors.New("trace: not there yet") }

// Received is how many samples have been appended.
func (w *Writer) Received() int64 { return 0 }

// Next is the index that the next sample has unless there is a gap.
func (w *Writer) Next() int64 { return 0 }

// Gaps are the gaps so far.
func (w *Writer) Gaps() []Gap { return nil }

// Integral is the sum of a signal's samples so far, times the interval: coulombs of a current.
func (w *Writer) Integral(signal int) float64 { return 0 }

// Sync hands what was appended to the disk itself. Append does so by itself every few megabytes; whoever has a clock calls it about every
// second. It may be called beside the other methods.
func (w *Writer) Sync() error { return nil }

// Finish makes the files that are kept, and removes the raw one.
func (w *Writer) Finish(s Statement) error { return errors.New("trace: not there yet") }

// Close leaves the raw file as it is, for a recording that cannot be finished. After Finish it does nothing.
func (w *Writer) Close() error { return nil }

// BytesWanted estimates, from above, how much room a recording takes on the disk: the raw file and, while Finish runs, what is kept, too.
func BytesWanted(h Head, samples int64) int64 {
	const raw, kept, pyramid = 4, 5, 0.05
	return 1<<20 + int64(float64(samples)*float64(len(h.Signals))*(raw+kept+pyramid))
}

// Recovered is what was done with a recording that was cut off.
type Recovered struct {
	Name    string
	Samples int64
	Text    string // in words
}

// Recover finishes every trace in dir whose recording was cut off, as not complete.
func Recover(dir string) ([]Recovered, error) { return nil, nil }
