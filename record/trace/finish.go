package trace

import (
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"sync"
)

// besideSuffix marks a file that is being written beside its place.
const besideSuffix = ".part"

// finish makes the files of a trace from its raw one, and removes that. known are the gaps that its writer saw, with
// their reasons; nil where it is gone.
func finish(dir, name string, s Statement, known *gapList) (*finished, error) {
	path := func(suffix string) string { return filepath.Join(dir, name+suffix) }
	raw, err := os.Open(path(RawSuffix))
	if err != nil {
		return nil, err
	}
	defer raw.Close()
	r, err := newRawReader(raw)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name+RawSuffix, err)
	}
	if r.head.Name != name {
		return nil, fmt.Errorf("%s says that it is of trace %s", name+RawSuffix, r.head.Name)
	}
	columns, err := createBeside(path(ParquetSuffix))
	if err != nil {
		return nil, err
	}
	defer columns.drop()
	pyramid, err := createBeside(path(PyramidSuffix))
	if err != nil {
		return nil, err
	}
	defer pyramid.drop()
	f, err := convert(r, columns.File, pyramid.File, s, known)
	if err != nil {
		return nil, err
	}
	text, err := finishedJSON(f)
	if err != nil {
		return nil, err
	}
	head, err := createBeside(path(HeadSuffix))
	if err != nil {
		return nil, err
	}
	defer head.drop()
	if _, err := head.Write(text); err != nil {
		return nil, err
	}
	for _, f := range []*beside{columns, pyramid, head} { // the last one tells that all are there
		if err := f.keep(); err != nil {
			return nil, err
		}
	}
	if err := syncFolder(dir); err != nil {
		return nil, err
	}
	return f, errors.Join(raw.Close(), os.Remove(path(RawSuffix)))
}

// convert makes columns and pyramid in one pass over the chunks.
func convert(r *rawReader, columns, pyramid *os.File, s Statement, known *gapList) (*finished, error) {
	c, err := newColumnWriter(columns, r.head)
	if err != nil {
		return nil, err
	}
	p, err := newPyramidWriter(pyramid, r.head, r.scales)
	if err != nil {
		return nil, err
	}
	var segments []Segment
	for {
		block, err := r.read()
		if err == io.EOF {
			break
		}
		if err != nil {
			return nil, err
		}
		n := int64(block.count())
		if k := len(segments); k > 0 && segments[k-1].Start+segments[k-1].Count == block.start {
			segments[k-1].Count += n
		} else {
			segments = append(segments, Segment{Start: block.start, Count: n, row: p.whole.count + p.open.count})
		}
		var side sync.WaitGroup
		var above error
		side.Go(func() { above = p.take(block.values, block.runs) })
		err = c.take(block.values, block.runs)
		side.Wait()
		if err := errors.Join(err, above); err != nil {
			return nil, err
		}
	}
	pagesEnd, err := c.finish(r.head, segments)
	if err != nil {
		return nil, err
	}
	if err := p.finish(segments); err != nil {
		return nil, err
	}
	behind, err := tailFrom(columns, pagesEnd)
	if err != nil {
		return nil, err
	}
	f := &finished{Tail: behind, Format: version, Head: r.head, BaseSteps: p.head.bases, Samples: p.head.rows, Segments: int64(len(segments))}
	if len(segments) > 0 {
		last := segments[len(segments)-1]
		f.Length = last.Start + last.Count
	}
	for _, e := range p.whole.signals {
		f.Sums = append(f.Sums, e.sum)
	}
	f.Statement = r.state(s, f, segments, known)
	return f, nil
}

// state completes what is said of a trace by what was found in its chunks.
func (r *rawReader) state(s Statement, f *finished, segments []Segment, known *gapList) Statement {
	var found gapList
	next := int64(0)
	for _, seg := range segments {
		if seg.Start > next {
			found.add(Gap{Start: next, Count: seg.Start - next})
		}
		next = seg.Start + seg.Count
	}
	s.Received, s.Lost, s.GapCount, s.Gaps = f.Samples, found.lost, found.count, found.shown
	switch {
	case known == nil:
	case r.damaged == 0 && r.torn == 0: // its writer knows more about the same gaps
		s.Lost, s.GapCount, s.Gaps = known.lost, known.count, known.shown
	default:
		why := map[Gap]string{}
		for _, k := range known.shown {
			why[Gap{Start: k.Start, Count: k.Count}] = k.Why
		}
		for i, g := range s.Gaps {
			had, ok := why[g]
			if !ok {
				had = Damaged
			}
			s.Gaps[i].Why = had
		}
	}
	s.CoulombsReceived = math.NaN()
	if i := current(f.Head); i >= 0 {
		s.CoulombsReceived = f.Sums[i].Float64() * f.BaseSteps[i] * f.IntervalSeconds
	}
	if s.Lost > 0 {
		s.Complete = false
		if len(s.Why) == 0 {
			s.Why = append(s.Why, fmt.Sprintf("%d samples are missing, in %d gaps", s.Lost, s.GapCount))
		}
	}
	if r.damaged > 0 {
		s.Complete = false
		s.Why = append(s.Why, fmt.Sprintf("%d bytes of the raw file were damaged and are left out", r.damaged))
	}
	if r.torn > 0 {
		s.Complete = false
		s.Why = append(s.Why, fmt.Sprintf("the raw file ended in a torn chunk of %d bytes", r.torn))
	}
	return s
}

// beside is a file that is written beside its place and takes it when it is whole.
type beside struct {
	*os.File
	path string
}

func createBeside(path string) (*beside, error) {
	// made anew: what is there is left from an earlier try, or a link to somewhere else
	if err := os.Remove(path + besideSuffix); err != nil && !errors.Is(err, os.ErrNotExist) {
		return nil, err
	}
	f, err := os.OpenFile(path+besideSuffix, os.O_CREATE|os.O_EXCL|os.O_RDWR, 0o666)
	if err != nil {
		return nil, err
	}
	return &beside{f, path}, nil
}

func (b *beside) keep() error {
	if err := errors.Join(b.Sync(), b.Close()); err != nil {
		return err
	}
	return os.Rename(b.path+besideSuffix, b.path)
}

// drop removes what was not kept.
func (b *beside) drop() {
	_ = b.Close()
	_ = os.Remove(b.path + besideSuffix)
}
