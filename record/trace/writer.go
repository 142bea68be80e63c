package trace

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"sync/atomic"
)

// Options are for whoever keeps the record that a trace belongs to.
type Options struct {
	Written func()            // called when something was appended, so that Sync is called soon; nil: nobody
	Failed  func(error) error // what an error of the disk becomes; nil: itself
}

// Writer appends to one trace. One goroutine at a time may use it; only Sync may be called beside.
type Writer struct {
	dir     string
	head    Head
	scales  []scale
	options Options

	f      store
	size   int64 // of what was written whole
	dirty  atomic.Bool
	unsync int64 // bytes since Append synced
	buf    []byte

	next     int64
	received int64
	sums     []Sum
	gaps     gapList
	ended    bool
}

// store is what a writer needs of its file.
type store interface {
	io.WriteSeeker
	Truncate(size int64) error
	Sync() error
	Close() error
}

const (
	syncBytes = 32 << 20
	maxGaps   = 1 << 20
	shownGaps = 1000
)

// gapList keeps the first gaps, and counts all of them.
type gapList struct {
	shown []Gap
	count int64
	lost  int64
	last  Gap
}

func (g *gapList) add(gap Gap) {
	g.lost += gap.Count
	if g.count > 0 && g.last.Why == gap.Why && g.last.Start+g.last.Count == gap.Start {
		g.last.Count += gap.Count
		if len(g.shown) == int(g.count) {
			g.shown[len(g.shown)-1] = g.last
		}
		return
	}
	g.count++
	g.last = gap
	if len(g.shown) < shownGaps {
		g.shown = append(g.shown, gap)
	}
}

// Create starts a trace in dir, which is the folder traces of a record and is made. A name that is taken is refused.
func Create(dir string, h Head) (*Writer, error) { return Options{}.Create(dir, h) }

// Create is the function of this name, with options.
func (o Options) Create(dir string, h Head) (*Writer, error) {
	h, err := h.checked()
	if err != nil {
		return nil, err
	}
	w := &Writer{dir: dir, head: h, options: o, sums: make([]Sum, len(h.Signals))}
	if w.scales, err = scales(h); err != nil {
		return nil, err
	}
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return nil, fmt.Errorf("trace %s: %w", h.Name, w.failed(err))
	}
	if had, err := Files(dir, h.Name); err != nil || len(had) > 0 {
		if err == nil {
			err = fmt.Errorf("%s is there already: a trace is never written over", had[0])
		}
		return nil, fmt.Errorf("trace %s: %w", h.Name, err)
	}
	begin, err := rawHead(h)
	if err != nil {
		return nil, fmt.Errorf("trace %s: %w", h.Name, err)
	}
	if w.f, err = os.OpenFile(w.path(RawSuffix), os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o666); err != nil {
		return nil, fmt.Errorf("trace %s: %w", h.Name, w.failed(err))
	}
	if err = w.write(begin); err == nil {
		err = errors.Join(w.Sync(), syncFolder(dir))
	}
	if err != nil {
		return nil, errors.Join(err, w.f.Close())
	}
	return w, nil
}

func (w *Writer) path(suffix string) string { return filepath.Join(w.dir, w.head.Name+suffix) }

func (w *Writer) failed(err error) error {
	if err != nil && w.options.Failed != nil {
		return w.options.Failed(err)
	}
	return err
}

// Files gives the names of the files that a trace has in a folder, finished or not.
func Files(dir, name string) ([]string, error) {
	if err := checkName(name); err != nil {
		return nil, err
	}
	var out []string
	for _, suffix := range []string{HeadSuffix, ParquetSuffix, PyramidSuffix, RawSuffix} {
		switch _, err := os.Lstat(filepath.Join(dir, name+suffix)); {
		case err == nil:
			out = append(out, name+suffix)
		case !errors.Is(err, fs.ErrNotExist):
			return nil, err
		}
	}
	return out, nil
}

// Head is the head of the trace, with all steps filled in.
func (w *Writer) Head() Head { return w.head }

// Received is how many samples have been appended.
func (w *Writer) Received() int64 { return w.received }

// Next is the index that the next sample has unless there is a gap.
func (w *Writer) Next() int64 { return w.next }

// Gaps are the gaps so far, the first 1000 of them.
func (w *Writer) Gaps() []Gap { return slices.Clone(w.gaps.shown) }

// Lost is how many samples are in gaps so far.
func (w *Writer) Lost() int64 { return w.gaps.lost }

// Integral is the sum of a signal's samples so far, times the interval: coulombs of a current.
func (w *Writer) Integral(signal int) float64 {
	return w.sums[signal].Float64() * w.scales[signal].base * w.head.IntervalSeconds
}

// Append adds a block. A start ahead of what was expected is a gap, and is kept as one; one behind it is an error. Values that are no
// numbers, or beyond MaxCounts, are gaps of their own. The block may be used again afterwards.
func (w *Writer) Append(s *Samples) error {
	if w.ended {
		return fmt.Errorf("trace %s: it is finished", w.head.Name)
	}
	if err := w.check(s); err != nil {
		return fmt.Errorf("trace %s, at sample %d: %w", w.head.Name, w.next, err)
	}
	if s.Count == 0 {
		return nil
	}
	if s.Start > w.next {
		w.gaps.add(Gap{Start: w.next, Count: s.Start - w.next})
	}
	w.next = s.Start
	for from := 0; from < s.Count; {
		to, without := min(s.Count, from+maxChunk), 0
		err := w.chunk(s, from, to)
		if errors.Is(err, errNoNumber) {
			to, without, err = firstWithout(s, from, to, w.scales), 1, nil
			if to > from {
				err = w.chunk(s, from, to)
			}
			w.gaps.add(Gap{Start: s.Start + int64(to), Count: 1, Why: NoValue})
		}
		if err != nil {
			return err
		}
		from = to + without
		w.next = s.Start + int64(from)
	}
	if w.gaps.count > maxGaps {
		return fmt.Errorf("trace %s: it has more than %d gaps; a longer interval, or fewer signals, can be recorded without", w.head.Name, maxGaps)
	}
	return nil
}

// chunk writes samples of a block as one chunk.
func (w *Writer) chunk(s *Samples, from, to int) (err error) {
	var sums [maxSignals]Sum
	if w.buf, err = appendChunk(w.buf[:0], s, from, to, w.scales, &sums); err != nil {
		return fmt.Errorf("trace %s: %w", w.head.Name, err)
	}
	if err := w.write(w.buf); err != nil {
		return err
	}
	w.received += int64(to - from)
	for i := range w.sums {
		w.sums[i] = w.sums[i].Plus(sums[i])
	}
	return nil
}

// check says what is wrong with a block.
func (w *Writer) check(s *Samples) error {
	switch {
	case s.Count < 0 || s.Start < 0 || s.Start > math.MaxInt64/2:
		return fmt.Errorf("a block of %d samples from index %d cannot be", s.Count, s.Start)
	case s.Start < w.next:
		return fmt.Errorf("a block begins at index %d, behind what came before", s.Start)
	case len(s.Values) != len(w.scales):
		return fmt.Errorf("a block has %d signals, the trace has %d", len(s.Values), len(w.scales))
	case len(s.Runs) != len(w.scales):
		return fmt.Errorf("a block has the ranges of %d signals, the trace has %d", len(s.Runs), len(w.scales))
	}
	for i := range w.scales {
		if len(s.Values[i]) < s.Count {
			return fmt.Errorf("a block of %d samples has %d of signal %s", s.Count, len(s.Values[i]), w.head.Signals[i].Name)
		}
		for k, r := range s.Runs[i] {
			if k == 0 && r.At != 0 || k > 0 && r.At <= s.Runs[i][k-1].At || r.At >= max(1, s.Count) || int(r.Range) >= len(w.scales[i].steps) {
				return fmt.Errorf("a block of %d samples of signal %s has range %d, of %d, from offset %d on", s.Count, w.head.Signals[i].Name, r.Range, len(w.scales[i].steps), r.At)
			}
		}
		if len(s.Runs[i]) == 0 && len(w.scales[i].steps) > 1 && s.Count > 0 {
			return fmt.Errorf("a block does not say which range signal %s had", w.head.Signals[i].Name)
		}
	}
	return nil
}

// write appends b whole, or nothing of it.
func (w *Writer) write(b []byte) error {
	if n, err := w.f.Write(b); err != nil {
		if n > 0 {
			err = errors.Join(err, w.f.Truncate(w.size))
			if _, seek := w.f.Seek(w.size, io.SeekStart); seek != nil {
				err = errors.Join(err, seek)
			}
		}
		return fmt.Errorf("trace %s cannot be written: %w", w.head.Name, w.failed(err))
	}
	w.size += int64(len(b))
	w.dirty.Store(true)
	if w.options.Written != nil {
		w.options.Written()
	}
	if w.unsync += int64(len(b)); w.unsync >= syncBytes {
		w.unsync = 0
		return w.Sync()
	}
	return nil
}

// Sync hands what was appended to the disk itself. Append does so by itself every 32 MiB; whoever has a clock calls it about every second.
// It may be called beside the other methods.
func (w *Writer) Sync() error {
	if !w.dirty.Swap(false) {
		return nil
	}
	if err := w.f.Sync(); err != nil && !errors.Is(err, os.ErrClosed) {
		return fmt.Errorf("trace %s cannot be handed to the disk: %w", w.head.Name, w.failed(err))
	}
	return nil
}

// Close leaves the raw file as it is, for a recording that cannot be finished. After Finish it does nothing.
func (w *Writer) Close() error {
	if w.ended {
		return nil
	}
	w.ended = true
	return errors.Join(w.Sync(), w.f.Close())
}

// Finish makes the files that are kept, says in NAME.json how far they can be relied on, and removes the raw one. Where it fails, the raw
// file is still there, and Recover can be tried.
func (w *Writer) Finish(s Statement) error {
	if w.ended {
		return fmt.Errorf("trace %s: it is finished already", w.head.Name)
	}
	if err := w.Close(); err != nil {
		return err
	}
	if _, err := finish(w.dir, w.head.Name, s, &w.gaps); err != nil {
		return fmt.Errorf("trace %s cannot be finished: %w", w.head.Name, w.failed(err))
	}
	return nil
}

// BytesWanted estimates, from above, how much room a recording takes on the disk: the raw file and, while Finish runs, what is kept, too.
func BytesWanted(h Head, samples int64) int64 {
	const (
		raw     = 4                          // a count
		kept    = 4.2 + 0.3                  // a count that cannot be packed, and a range now and then
		pyramid = float64(32+8) / leaf * 1.1 // a tile and what is above it
	)
	return 1<<20 + int64(float64(samples)*float64(len(h.Signals))*(raw+kept+pyramid))
}
