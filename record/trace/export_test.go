package trace

import (
	"bytes"
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"
)

// RawChunk is a chunk of a raw file as it is read.
type RawChunk struct {
	Start  int64
	Values [][]int32
	Runs   [][]Run
}

// ReadRaw reads all chunks of a raw file.
func ReadRaw(data []byte) (h Head, chunks []RawChunk, damaged, torn int64, err error) {
	r, err := newRawReader(bytes.NewReader(data))
	if err != nil {
		return h, nil, 0, 0, err
	}
	for {
		c, err := r.read()
		if err == io.EOF {
			return r.head, chunks, r.damaged, r.torn, nil
		}
		if err != nil {
			return r.head, chunks, r.damaged, r.torn, err
		}
		one := RawChunk{Start: c.start}
		for i := range c.values {
			one.Values = append(one.Values, append([]int32(nil), c.values[i]...))
			one.Runs = append(one.Runs, append([]Run(nil), c.runs[i]...))
		}
		chunks = append(chunks, one)
	}
}

// ReadPyramid reads a pyramid, and sums all of its leaves, each alone.
func ReadPyramid(data []byte) (rows int64, segments []Segment, err error) {
	p, err := openPyramid(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		return 0, nil, err
	}
	if segments, err = p.segments(); err != nil {
		return 0, nil, err
	}
	if len(p.head.levels) > 0 {
		one, all := newTile(p.head.signals), newTile(p.head.signals)
		for i := range min(p.head.levels[0].count, 1000) {
			err = errors.Join(err, p.add(&one, i, i+1))
		}
		err = errors.Join(err, p.add(&all, 0, p.head.levels[0].count))
		if err == nil && all.count != p.head.rows {
			err = errors.New("the levels have another number of samples than the leaves")
		}
	}
	return p.head.rows, segments, err
}

// ParseHead reads NAME.json and writes it again.
func ParseHead(data []byte) (again []byte, err error) {
	f, err := parseFinished(data)
	if err != nil {
		return nil, err
	}
	return finishedJSON(f)
}

// MaxChunk is how many samples a chunk of the raw file has at most.
const MaxChunk = maxChunk

// Store is what a writer needs of its file.
type Store = store

// SetFile puts another file in the place of the one that a writer writes to, and gives that.
func (w *Writer) SetFile(f Store) Store {
	had := w.f
	w.f = f
	return had
}

// PyramidOf gives a function that builds a pyramid of a block.
func PyramidOf(path string, h Head, s *Samples) (func() error, error) {
	h, err := h.checked()
	if err != nil {
		return nil, err
	}
	sc, err := scales(h)
	if err != nil {
		return nil, err
	}
	var chunk []byte
	r := &rawReader{head: h, scales: sc}
	r.block.values, r.block.runs = make([][]int32, len(sc)), make([][]Run, len(sc))
	if chunk, err = appendChunk(nil, s, 0, s.Count, sc, new([maxSignals]Sum)); err != nil {
		return nil, err
	}
	r.body = chunk[chunkHead:]
	if !r.decode(s.Count) {
		return nil, errors.New("it cannot be decoded")
	}
	return func() error {
		f, err := os.Create(path)
		if err != nil {
			return err
		}
		defer f.Close()
		p, err := newPyramidWriter(f, h, sc)
		if err != nil {
			return err
		}
		return errors.Join(p.take(r.block.values, r.block.runs), p.finish([]Segment{{Count: int64(s.Count)}}))
	}, nil
}

// Retail makes the checksum of what is behind the pages of a Parquet file right, as far as it can be told where that begins.
func Retail(t testing.TB, dir, name string) {
	f, err := os.Open(filepath.Join(dir, name+ParquetSuffix))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		t.Fatal(err)
	}
	head := filepath.Join(dir, name+HeadSuffix)
	text, err := os.ReadFile(head)
	if err != nil {
		t.Fatal(err)
	}
	h, err := parseFinished(text)
	if err != nil {
		t.Fatal(err)
	}
	if h.Tail, err = tailFrom(f, max(0, info.Size()-h.Tail.Bytes)); err != nil {
		t.Fatal(err)
	}
	h.Tail.Bytes = max(h.Tail.Bytes, 12)
	if text, err = finishedJSON(h); err == nil {
		err = os.WriteFile(head, text, 0o666)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// Reseal makes the checksums of a pyramid's pages right.
func Reseal(data []byte) {
	for ; len(data) >= pageBytes; data = data[pageBytes:] {
		seal(data[:pageBytes])
	}
}
