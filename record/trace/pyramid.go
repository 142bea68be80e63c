package trace

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"math"
	"os"
)

// The pyramid file consists of pages of 4096 bytes, each with its CRC-32C in its last 4 bytes. The first is the header; then come segments
// (start and count, 8 bytes each), then the levels, finest first. Entries never cross pages; what is left of a page is zero.
const (
	pageBytes    = 4096
	pageRoom     = pageBytes - 4
	pyramidMagic = "4wpyr/1\n"
	segmentBytes = 16
)

// pyramidHead is the first page.
type pyramidHead struct {
	signals     int
	amps, volts int // -1: no cross sum
	rows        int64
	segments    section
	levels      []section
	bases       []float64
}

// section is a list of entries of one size.
type section struct {
	offset int64 // of its first page
	count  int64
}

func (h *pyramidHead) tileBytes() int { return tileBytes(h.signals, h.amps >= 0) }

func (h *pyramidHead) page() []byte {
	b := make([]byte, pageBytes)
	copy(b, pyramidMagic)
	le := binary.LittleEndian
	le.PutUint32(b[8:], uint32(h.signals))
	le.PutUint32(b[12:], uint32(int32(h.amps)))
	le.PutUint32(b[16:], uint32(int32(h.volts)))
	le.PutUint32(b[20:], leaf)
	le.PutUint32(b[24:], fan)
	le.PutUint32(b[28:], uint32(len(h.levels)))
	le.PutUint64(b[32:], uint64(h.rows))
	for i, s := range append([]section{h.segments}, h.levels...) {
		le.PutUint64(b[40+16*i:], uint64(s.offset))
		le.PutUint64(b[48+16*i:], uint64(s.count))
	}
	for i, base := range h.bases {
		le.PutUint64(b[basesAt+8*i:], math.Float64bits(base))
	}
	seal(b)
	return b
}

const basesAt = 40 + 16*(1+maxLevels)

func seal(page []byte) {
	binary.LittleEndian.PutUint32(page[pageRoom:], crc32.Checksum(page[:pageRoom], castagnoli))
}

func sealed(page []byte) bool {
	return binary.LittleEndian.Uint32(page[pageRoom:]) == crc32.Checksum(page[:pageRoom], castagnoli)
}

// parsePyramidHead reads the first page; size is that of the file.
func parsePyramidHead(b []byte, size int64) (*pyramidHead, error) {
	if len(b) != pageBytes || string(b[:8]) != pyramidMagic {
		return nil, errors.New("it does not begin as a pyramid does")
	}
	if !sealed(b) {
		return nil, errors.New("its first page was damaged")
	}
	le := binary.LittleEndian
	h := &pyramidHead{signals: int(le.Uint32(b[8:])), amps: int(int32(le.Uint32(b[12:]))), volts: int(int32(le.Uint32(b[16:]))), rows: int64(le.Uint64(b[32:]))}
	levels := int(le.Uint32(b[28:]))
	if le.Uint32(b[20:]) != leaf || le.Uint32(b[24:]) != fan {
		return nil, errors.New("its tiles are of another size than this version reads")
	}
	if h.signals < 1 || h.signals > maxSignals || levels > maxLevels || h.rows < 0 || (h.amps < 0) != (h.volts < 0) || max(h.amps, h.volts) >= h.signals {
		return nil, errors.New("its header makes no sense")
	}
	at := func(i int) section {
		return section{int64(le.Uint64(b[40+16*i:])), int64(le.Uint64(b[48+16*i:]))}
	}
	h.segments = at(0)
	if !h.segments.within(size, segmentBytes) || h.segments.count > h.rows || (h.segments.count == 0) != (h.rows == 0) {
		return nil, errors.New("its list of segments makes no sense")
	}
	want := h.rows
	for i := range levels {
		s := at(1 + i)
		want = tilesOf(want, i == 0)
		if s.count != want || !s.within(size, h.tileBytes()) {
			return nil, fmt.Errorf("its level %d makes no sense", i)
		}
		h.levels = append(h.levels, s)
	}
	if (want > 1) || levels == 0 && h.rows > 0 {
		return nil, errors.New("levels are missing")
	}
	for i := range h.signals {
		h.bases = append(h.bases, math.Float64frombits(le.Uint64(b[basesAt+8*i:])))
	}
	return h, nil
}

// tilesOf is how many tiles a level has above so many samples, or tiles.
func tilesOf(below int64, samples bool) int64 {
	if samples {
		return (below + leaf - 1) / leaf
	}
	return (below + fan - 1) / fan
}

func (s section) within(size int64, entry int) bool {
	per := int64(pageRoom / entry)
	return s.count >= 0 && s.offset >= pageBytes && s.offset <= size && s.offset%pageBytes == 0 && (s.count+per-1)/per <= (size-s.offset)/pageBytes
}

// pageWriter writes entries of one size into pages.
type pageWriter struct {
	w     *bufio.Writer
	entry int
	page  [pageBytes]byte
	used  int
	count int64
}

// next gives the place for one more entry.
func (p *pageWriter) next() ([]byte, error) {
	if p.used+p.entry > pageRoom {
		if err := p.flush(); err != nil {
			return nil, err
		}
	}
	p.used += p.entry
	p.count++
	return p.page[p.used-p.entry : p.used], nil
}

// flush writes the page under way, if there is one.
func (p *pageWriter) flush() error {
	if p.used == 0 {
		return nil
	}
	seal(p.page[:])
	_, err := p.w.Write(p.page[:])
	clear(p.page[:])
	p.used = 0
	return err
}

// pyramidWriter builds a pyramid while samples pass. Only the tile under way is in memory: levels above the leaves are made from the file.
type pyramidWriter struct {
	f     *os.File
	out   *bufio.Writer
	pages *pageWriter
	sum   summer
	open  tile // the leaf under way
	whole tile // all samples
	head  pyramidHead
}

func newPyramidWriter(f *os.File, h Head, sc []scale) (*pyramidWriter, error) {
	amps, volts := pair(h)
	p := &pyramidWriter{f: f, out: bufio.NewWriterSize(f, 1<<18), open: newTile(len(sc)), whole: newTile(len(sc))}
	p.sum = summer{scales: sc, amps: amps, volts: volts, only: -1}
	p.head = pyramidHead{signals: len(sc), amps: amps, volts: volts}
	for _, s := range sc {
		p.head.bases = append(p.head.bases, s.base)
	}
	p.pages = &pageWriter{w: p.out, entry: p.head.tileBytes()}
	p.head.levels = []section{{offset: pageBytes}}
	_, err := p.out.Write(make([]byte, pageBytes)) // for the header
	return p, err
}

// take takes a block of samples in.
func (p *pyramidWriter) take(values [][]int32, runs [][]Run) error {
	n := len(values[0])
	for from := 0; from < n; {
		to := min(n, from+int(leaf-p.open.count))
		p.sum.take(&p.open, values, runs, from, to)
		if p.open.count == leaf {
			if err := p.close(); err != nil {
				return err
			}
		}
		from = to
	}
	return nil
}

// close writes the leaf under way.
func (p *pyramidWriter) close() error {
	b, err := p.pages.next()
	if err != nil {
		return err
	}
	p.open.put(b, p.head.amps >= 0)
	p.whole.add(&p.open)
	p.open.clear()
	return nil
}

// finish writes the levels above the leaves, the segments and the header.
func (p *pyramidWriter) finish(segments []Segment) error {
	if p.open.count > 0 {
		if err := p.close(); err != nil {
			return err
		}
	}
	p.head.rows = p.whole.count
	if err := errors.Join(p.pages.flush(), p.out.Flush()); err != nil {
		return err
	}
	p.head.levels[0].count = p.pages.count
	for last := p.head.levels[0]; last.count > 1; {
		next, err := p.level(last, len(p.head.levels) == 1)
		if err != nil {
			return err
		}
		p.head.levels = append(p.head.levels, next)
		last = next
	}
	if p.head.rows == 0 {
		p.head.levels = nil
	}
	if err := p.list(segments); err != nil {
		return err
	}
	_, err := p.f.WriteAt(p.head.page(), 0)
	return err
}

// level makes a level from the one below, which is read from the file.
func (p *pyramidWriter) level(below section, leaves bool) (section, error) {
	end, err := p.f.Seek(0, io.SeekEnd)
	if err != nil {
		return section{}, err
	}
	p.out.Reset(p.f)
	p.pages.count = 0
	in := bufio.NewReaderSize(io.NewSectionReader(p.f, below.offset, end-below.offset), 1<<18)
	var page [pageBytes]byte
	one, sum := newTile(p.head.signals), newTile(p.head.signals)
	size, used := p.head.tileBytes(), pageRoom
	for i := range below.count {
		if used+size > pageRoom {
			if _, err := io.ReadFull(in, page[:]); err != nil {
				return section{}, err
			}
			used = 0
		}
		one.get(page[used:used+size], p.head.amps >= 0)
		used += size
		sum.add(&one)
		if (i+1)%fan == 0 || i+1 == below.count {
			b, err := p.pages.next()
			if err != nil {
				return section{}, err
			}
			sum.put(b, p.head.amps >= 0)
			sum.clear()
		}
	}
	return section{end, p.pages.count}, errors.Join(p.pages.flush(), p.out.Flush())
}

// list writes the segments.
func (p *pyramidWriter) list(segments []Segment) error {
	end, err := p.f.Seek(0, io.SeekEnd)
	if err != nil {
		return err
	}
	p.out.Reset(p.f)
	pages := &pageWriter{w: p.out, entry: segmentBytes}
	for _, s := range segments {
		b, err := pages.next()
		if err != nil {
			return err
		}
		binary.LittleEndian.PutUint64(b, uint64(s.Start))
		binary.LittleEndian.PutUint64(b[8:], uint64(s.Count))
	}
	p.head.segments = section{end, int64(len(segments))}
	return errors.Join(pages.flush(), p.out.Flush())
}
