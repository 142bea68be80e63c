package trace

import (
	"errors"
	"iter"
)

// Trace is a finished trace. One goroutine at a time may use it.
type Trace struct {
	head      Head
	segments  []Segment
	statement Statement
}

// Names gives the traces in a folder, sorted; a folder that is not there has none.
func Names(dir string) ([]string, error) { return nil, nil }

// Open opens a trace of the folder traces of a record.
func Open(dir, name string) (*Trace, error) { return nil, errors.New("trace: not there yet") }

// Close closes its files.
func (t *Trace) Close() error { return nil }

// Head is the head of the trace.
func (t *Trace) Head() Head { return t.head }

// Signal finds a signal by its name; -1 where there is none.
func (t *Trace) Signal(name string) int {
	for i, s := range t.head.Signals {
		if s.Name == name {
			return i
		}
	}
	return -1
}

// Len is the index behind the last sample. Sample 0 is at the start.
func (t *Trace) Len() int64 { return 0 }

// Samples is how many samples are present.
func (t *Trace) Samples() int64 { return 0 }

// Segments are the stretches without a gap.
func (t *Trace) Segments() []Segment { return t.segments }

// Statement says how far the trace can be relied on.
func (t *Trace) Statement() Statement { return t.statement }

// BaseStep is what Sum counts for a signal: the finest step of its ranges, SI.
func (t *Trace) BaseStep(signal int) float64 { return 0 }

// Blocks gives the samples of a span in order, in blocks that end where a gap begins. Values and Runs are of the signals asked for, in that
// order; nil asks for all. What is yielded is good until the next block.
func (t *Trace) Blocks(signals []int, from, to int64) iter.Seq2[*Samples, error] {
	return func(yield func(*Samples, error) bool) {}
}

// Zoom gives a span of one signal in bins of about the same width, which join and have the whole span as their sum. Where the bins are
// much wider than a tile, they begin and end at tiles. Each says exactly what it holds. into is used again.
func (t *Trace) Zoom(signal int, from, to int64, bins int, into []Bin) ([]Bin, error) {
	return nil, errors.New("trace: not there yet")
}

// Span sums a span of one signal: exactly what adding every sample gives.
func (t *Trace) Span(signal int, from, to int64) (Bin, error) {
	return Bin{}, errors.New("trace: not there yet")
}
