package trace

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"os"
	"path/filepath"
	"slices"
	"sort"
	"strings"
)

// Trace is a finished trace. One goroutine at a time may use it.
type Trace struct {
	*finished
	dir      string
	segments []Segment
	scales   []scale
	pyramid  *pyramid
	columns  []*column // nil: not opened yet
	files    []*os.File
	scratch  tile
}

// Names gives the traces in a folder, finished or not, sorted; a folder that is not there has none.
func Names(dir string) ([]string, error) {
	entries, err := os.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var out []string
	for _, e := range entries {
		for _, suffix := range []string{HeadSuffix, RawSuffix} {
			if name, ok := strings.CutSuffix(e.Name(), suffix); ok && checkName(name) == nil && !slices.Contains(out, name) {
				out = append(out, name)
			}
		}
	}
	sort.Strings(out)
	return out, nil
}

// maxHead bounds NAME.json.
const maxHead = 4 << 20

// Open opens a trace of the folder traces of a record. Its samples are not read. One that is not there gives an error that is
// fs.ErrNotExist, one that is not finished an ErrUnfinished.
func Open(dir, name string) (*Trace, error) {
	if err := checkName(name); err != nil {
		return nil, err
	}
	t := &Trace{dir: dir}
	if err := t.open(name); err != nil {
		t.Close()
		return nil, fmt.Errorf("trace %s: %w", name, err)
	}
	return t, nil
}

func (t *Trace) open(name string) error {
	head, err := t.file(name + HeadSuffix)
	if errors.Is(err, fs.ErrNotExist) {
		if _, raw := os.Lstat(filepath.Join(t.dir, name+RawSuffix)); raw == nil {
			return ErrUnfinished
		}
	}
	if err != nil {
		return err
	}
	text, err := io.ReadAll(io.LimitReader(head, maxHead+1))
	if err == nil && len(text) > maxHead {
		err = fmt.Errorf("it is larger than %d bytes", maxHead)
	}
	if err == nil {
		t.finished, err = parseFinished(text)
	}
	if err == nil && t.finished.Name != name {
		err = fmt.Errorf("it says that it is of trace %s", t.finished.Name)
	}
	if err == nil {
		t.scales, err = scales(t.finished.Head)
	}
	if err != nil {
		return fmt.Errorf("%s: %w", name+HeadSuffix, err)
	}
	if err := t.openPyramid(); err != nil {
		return fmt.Errorf("%s: %w", name+PyramidSuffix, err)
	}
	t.scratch = newTile(len(t.scales))
	return nil
}

func (t *Trace) openPyramid() error {
	f, err := t.file(t.finished.Name + PyramidSuffix)
	if err != nil {
		return err
	}
	info, err := f.Stat()
	if err != nil {
		return err
	}
	if t.pyramid, err = openPyramid(f, info.Size()); err != nil {
		return err
	}
	if t.segments, err = t.pyramid.segments(); err != nil {
		return err
	}
	h := t.pyramid.head
	amps, volts := pair(t.finished.Head)
	fits := h.signals == len(t.scales) && h.rows == t.finished.Samples && int64(len(t.segments)) == t.finished.Segments && h.amps == amps && h.volts == volts
	for i := 0; fits && i < len(t.scales); i++ {
		fits = h.bases[i] == t.scales[i].base
	}
	if k := len(t.segments); fits && k > 0 {
		fits = t.segments[k-1].Start+t.segments[k-1].Count == t.finished.Length
	}
	if !fits {
		return fmt.Errorf("it does not belong to %s", t.finished.Name+HeadSuffix)
	}
	return nil
}

// file opens a file of the trace. Links are not followed: what they lead to is no part of the record.
func (t *Trace) file(name string) (*os.File, error) {
	path := filepath.Join(t.dir, name)
	info, err := os.Lstat(path)
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() {
		return nil, fmt.Errorf("%s is no regular file, and links out of a record are not followed", name)
	}
	f, err := os.Open(path)
	if err == nil {
		t.files = append(t.files, f)
	}
	return f, err
}

// openColumns opens the samples, which most uses do without.
func (t *Trace) openColumns() error {
	if t.columns != nil {
		return nil
	}
	name := t.finished.Name + ParquetSuffix
	f, err := t.file(name)
	if err != nil {
		return err
	}
	info, err := f.Stat()
	if err != nil {
		return err
	}
	if t.columns, err = openColumns(f, info.Size(), t.finished); err != nil {
		return fmt.Errorf("trace %s, %s: %w", t.finished.Name, name, err)
	}
	return nil
}

// Close closes its files.
func (t *Trace) Close() error {
	var all error
	for _, c := range t.columns {
		c.close()
	}
	for _, f := range t.files {
		all = errors.Join(all, f.Close())
	}
	t.files, t.columns = nil, nil
	return all
}

// Head is the head of the trace.
func (t *Trace) Head() Head { return t.finished.Head }

// Signal finds a signal by its name; -1 where there is none.
func (t *Trace) Signal(name string) int {
	return slices.IndexFunc(t.finished.Signals, func(s Signal) bool { return s.Name == name })
}

// Len is the index behind the last sample. Sample 0 is at the start.
func (t *Trace) Len() int64 { return t.finished.Length }

// Samples is how many samples are present.
func (t *Trace) Samples() int64 { return t.finished.Samples }

// Segments are the stretches without a gap. They are not to be changed.
func (t *Trace) Segments() []Segment { return t.segments }

// Statement says how far the trace can be relied on.
func (t *Trace) Statement() Statement { return t.finished.Statement }

// BaseStep is what Sum counts for a signal: the finest step of its ranges, SI.
func (t *Trace) BaseStep(signal int) float64 { return t.scales[signal].base }

// Steps are the steps of a signal's ranges, SI: a sample's value is its count times the step of its range.
func (t *Trace) Steps(signal int) []float64 { return slices.Clone(t.scales[signal].steps) }

// rowAt is how many samples are present before an index.
func (t *Trace) rowAt(index int64) int64 {
	i := sort.Search(len(t.segments), func(i int) bool { return t.segments[i].Start+t.segments[i].Count > index })
	if i == len(t.segments) {
		return t.finished.Samples
	}
	return t.segments[i].row + max(0, index-t.segments[i].Start)
}

// indexOf is the index of a sample that is present.
func (t *Trace) indexOf(row int64) int64 {
	i := sort.Search(len(t.segments), func(i int) bool { return t.segments[i].row > row }) - 1
	return t.segments[i].Start + row - t.segments[i].row
}

// SpanError says that a span is not within a trace.
type SpanError struct {
	From, To, Len int64
}

func (e *SpanError) Error() string {
	return fmt.Sprintf("samples %d to %d are not within the trace, which has 0 to %d", e.From, e.To, e.Len)
}

func (t *Trace) within(signal int, from, to int64) error {
	if signal < 0 || signal >= len(t.scales) {
		return fmt.Errorf("trace %s has %d signals; there is no signal %d", t.finished.Name, len(t.scales), signal+1)
	}
	if from < 0 || from > to || to > t.finished.Length {
		return fmt.Errorf("trace %s: %w", t.finished.Name, &SpanError{from, to, t.finished.Length})
	}
	return nil
}

// rows is a stretch of rows of some signals, as they are kept.
type rows struct {
	values [][]int32
	runs   [][]Run
}

// read gives the samples of some signals from a row on, at most up to the end of a page and at most to a row. They are good until the next
// call. Signals that are not asked for are nil.
func (t *Trace) read(signals []int, row, to int64, into *rows) (n int, err error) {
	if err := t.openColumns(); err != nil {
		return 0, err
	}
	if into.values == nil {
		into.values, into.runs = make([][]int32, len(t.scales)), make([][]Run, len(t.scales))
	}
	damaged := func(err error) error {
		return fmt.Errorf("trace %s, %s: %w", t.finished.Name, t.finished.Name+ParquetSuffix, err)
	}
	end := to
	for _, s := range signals {
		for _, c := range t.columns[2*s : 2*s+2] {
			if err := c.need(row); err != nil {
				return 0, damaged(err)
			}
			end = min(end, c.end)
		}
	}
	n = int(end - row)
	for _, s := range signals {
		into.values[s] = t.columns[2*s].counts(row, n)
		if into.runs[s], err = t.columns[2*s+1].runs(into.runs[s][:0], row, n); err != nil {
			return 0, damaged(err)
		}
	}
	return n, nil
}

// Blocks gives the samples of a span in order, in blocks of up to 65536 that end where a gap begins. Values and Runs are of the signals asked
// for, in that order; nil asks for all. What is yielded is good until the next block.
func (t *Trace) Blocks(signals []int, from, to int64) iter.Seq2[*Samples, error] {
	if signals == nil {
		for i := range t.scales {
			signals = append(signals, i)
		}
	}
	return func(yield func(*Samples, error) bool) {
		for _, s := range signals {
			if err := t.within(s, from, to); err != nil {
				yield(nil, err)
				return
			}
		}
		out := &Samples{Values: make([][]float32, len(signals)), Runs: make([][]Run, len(signals))}
		room := make([][]float32, len(signals))
		for i := range room {
			room[i] = make([]float32, min(pageRows, max(0, to-from)))
		}
		var in rows
		first := sort.Search(len(t.segments), func(i int) bool { return t.segments[i].Start+t.segments[i].Count > from })
		for _, seg := range t.segments[first:] {
			if seg.Start >= to {
				return
			}
			row := seg.row + max(0, from-seg.Start)
			end := seg.row + min(seg.Count, to-seg.Start)
			for row < end {
				n, err := t.read(signals, row, end, &in)
				if err != nil {
					yield(nil, err)
					return
				}
				out.Start, out.Count = seg.Start+row-seg.row, n
				for i, s := range signals {
					out.Values[i], out.Runs[i] = room[i][:n], in.runs[s]
					t.scales[s].numbers(out.Values[i], in.values[s], in.runs[s])
				}
				if !yield(out, nil) {
					return
				}
				row += int64(n)
			}
		}
	}
}

// numbers makes numbers of counts.
func (sc *scale) numbers(out []float32, counts []int32, runs []Run) {
	for offset, run := 0, 0; offset < len(counts); {
		rg, until := rangeAt(runs, &run, offset, len(counts))
		step, in, to := sc.steps[rg], counts[offset:until], out[offset:until]
		for i, c := range in {
			to[i] = float32(float64(c) * step)
		}
		offset = until
	}
}
