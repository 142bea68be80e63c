package trace

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
)

// pyramid reads a pyramid file, a page at a time.
type pyramid struct {
	f     io.ReaderAt
	head  *pyramidHead
	cache []cached // one per level
	one   tile
}

type cached struct {
	page int64 // its offset; 0: none
	data [pageBytes]byte
}

func openPyramid(f io.ReaderAt, size int64) (*pyramid, error) {
	b := make([]byte, pageBytes)
	if _, err := f.ReadAt(b, 0); err != nil {
		return nil, errors.New("it is too short to be a pyramid")
	}
	head, err := parsePyramidHead(b, size)
	if err != nil {
		return nil, err
	}
	return &pyramid{f: f, head: head, cache: make([]cached, len(head.levels)), one: newTile(head.signals)}, nil
}

// segments reads the list of segments.
func (p *pyramid) segments() ([]Segment, error) {
	const per = pageRoom / segmentBytes
	s := p.head.segments
	out := make([]Segment, 0, s.count)
	in := io.NewSectionReader(p.f, s.offset, math.MaxInt64-s.offset)
	var page [pageBytes]byte
	end, row := int64(0), int64(0)
	for i := range s.count {
		if i%per == 0 {
			if _, err := io.ReadFull(in, page[:]); err != nil {
				return nil, fmt.Errorf("its list of segments: %w", err)
			}
			if !sealed(page[:]) {
				return nil, errors.New("its list of segments was damaged")
			}
		}
		at := page[i%per*segmentBytes:]
		one := Segment{Start: int64(binary.LittleEndian.Uint64(at)), Count: int64(binary.LittleEndian.Uint64(at[8:])), row: row}
		if one.Start < end || one.Count <= 0 || one.Count > p.head.rows-row || one.Start > math.MaxInt64-one.Count || i > 0 && one.Start == end {
			return nil, errors.New("its segments make no sense")
		}
		end, row = one.Start+one.Count, row+one.Count
		out = append(out, one)
	}
	if row != p.head.rows {
		return nil, errors.New("its segments have another number of samples than its tiles")
	}
	return out, nil
}

// tile reads one tile; it is good until the next call.
func (p *pyramid) tile(level int, n int64) (*tile, error) {
	size := p.head.tileBytes()
	per := int64(pageRoom / size)
	c, s := &p.cache[level], p.head.levels[level]
	if at := s.offset + n/per*pageBytes; c.page != at {
		c.page = 0
		if _, err := p.f.ReadAt(c.data[:], at); err != nil {
			return nil, fmt.Errorf("pyramid, level %d: %w", level, err)
		}
		if !sealed(c.data[:]) {
			return nil, fmt.Errorf("the pyramid was damaged, at byte %d of level %d", at, level)
		}
		c.page = at
	}
	at := int(n%per) * size
	p.one.get(c.data[at:at+size], p.head.amps >= 0)
	width := int64(leaf) << (4 * level)
	p.one.count = min(width, p.head.rows-n*width)
	return &p.one, nil
}

// add adds the leaves from..to to a tile, taking the largest tiles that fit.
func (p *pyramid) add(into *tile, from, to int64) error {
	for level := 0; from < to; level++ {
		top := level+1 == len(p.head.levels)
		for from < to && (top || from%fan != 0) {
			if err := p.addOne(into, level, from); err != nil {
				return err
			}
			from++
		}
		for from < to && (top || to%fan != 0) {
			// the last tile above is whole although it has fewer than fan below it
			if !top && to == p.head.levels[level].count {
				to = (to + fan - 1) / fan * fan
				break
			}
			to--
			if err := p.addOne(into, level, to); err != nil {
				return err
			}
		}
		from, to = from/fan, to/fan
	}
	return nil
}

func (p *pyramid) addOne(into *tile, level int, n int64) error {
	t, err := p.tile(level, n)
	if err != nil {
		return err
	}
	into.add(t)
	return nil
}
