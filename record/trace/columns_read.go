package trace

import (
	"errors"
	"fmt"
	"io"

	"github.com/parquet-go/parquet-go"
)

// column reads one column of the Parquet file, a page at a time.
type column struct {
	name   string
	file   *parquet.File
	index  int
	most   int32 // the largest value that makes sense
	least  int32
	groups []int64 // first row of each row group, and behind the last

	group  int // whose pages are open; -1: none
	pages  *parquet.FilePages
	at     int64        // row that the next page begins at
	page   parquet.Page // held; nil: none
	values []int32
	first  int64 // row of values[0]
	fill   []int32
}

// openColumns opens the columns of a trace, counts and range of each signal.
func openColumns(f io.ReaderAt, size int64, h Head, rows int64) (out []*column, err error) {
	defer caught(&err)
	file, err := parquet.OpenFile(f, size, parquet.SkipPageIndex(true), parquet.SkipBloomFilters(true), parquet.ReadBufferSize(1<<16))
	if err != nil {
		return nil, err
	}
	if file.NumRows() != rows {
		return nil, fmt.Errorf("it has %d samples, not %d", file.NumRows(), rows)
	}
	groups := []int64{0}
	for _, g := range file.RowGroups() {
		groups = append(groups, groups[len(groups)-1]+g.NumRows())
	}
	if groups[len(groups)-1] != rows {
		return nil, errors.New("its row groups have another number of samples than it says")
	}
	for _, s := range h.Signals {
		for i, name := range []string{s.Name, s.Name + rangeColumn} {
			leaf, ok := file.Schema().Lookup(name)
			if !ok || leaf.Node.Type().Kind() != parquet.Int32 || !leaf.Node.Required() {
				return nil, fmt.Errorf("it has no column %s of 32-bit numbers", name)
			}
			c := &column{name: name, file: file, index: leaf.ColumnIndex, groups: groups, group: -1, most: MaxCounts, least: -MaxCounts}
			if i == 1 {
				c.most, c.least = int32(len(s.Ranges))-1, 0
			}
			out = append(out, c)
		}
	}
	return out, nil
}

// caught makes an error of a panic of the decoder: a damaged file must not end the program.
func caught(err *error) {
	if x := recover(); x != nil {
		*err = fmt.Errorf("the file was damaged: %v", x)
	}
}

// from gives values from a row on, at least one and at most to the end of a page. They are good until the next call.
func (c *column) from(row int64) (out []int32, err error) {
	defer caught(&err)
	if row >= c.first && row < c.first+int64(len(c.values)) {
		return c.values[row-c.first:], nil
	}
	if err := c.load(row); err != nil {
		return nil, fmt.Errorf("column %s, row %d: %w", c.name, row, err)
	}
	return c.values[row-c.first:], nil
}

func (c *column) load(row int64) error {
	c.release()
	if c.group < 0 || row < c.groups[c.group] || row >= c.groups[c.group+1] {
		if err := c.openGroup(row); err != nil {
			return err
		}
	}
	if row != c.at {
		if err := c.pages.SeekToRow(row - c.groups[c.group]); err != nil {
			return err
		}
		c.at = row
	}
	page, err := c.pages.ReadPage()
	if err == io.EOF {
		return errors.New("samples are missing")
	}
	if err != nil {
		return err
	}
	c.page, c.first = page, c.at
	data := page.Data()
	c.values = data.Int32()
	c.at += int64(len(c.values))
	if len(c.values) == 0 || c.at > c.groups[c.group+1] || int64(len(c.values)) != page.NumRows() {
		c.release()
		return errors.New("a page has a wrong number of samples")
	}
	low, high := c.values[0], c.values[0]
	for _, v := range c.values {
		low, high = min(low, v), max(high, v)
	}
	if low < c.least || high > c.most {
		c.release()
		return fmt.Errorf("there are values from %d to %d, where %d to %d are possible", low, high, c.least, c.most)
	}
	return nil
}

func (c *column) openGroup(row int64) error {
	c.close()
	lo, hi := 0, len(c.groups)-1
	for hi-lo > 1 {
		if mid := (lo + hi) / 2; c.groups[mid] <= row {
			lo = mid
		} else {
			hi = mid
		}
	}
	chunk, ok := c.file.RowGroups()[lo].ColumnChunks()[c.index].(*parquet.FileColumnChunk)
	if !ok {
		return errors.New("the Parquet library gives no pages")
	}
	if _, err := chunk.OffsetIndex(); err != nil { // with it, a row is found without reading what is before it
		return err
	}
	c.group, c.at = lo, c.groups[lo]
	c.pages = chunk.PagesFrom(c.file)
	return nil
}

func (c *column) release() {
	if c.page != nil {
		parquet.Release(c.page)
	}
	c.page, c.values, c.first = nil, nil, 0
}

func (c *column) close() {
	c.release()
	if c.pages != nil {
		_ = c.pages.Close() // it has only been read
	}
	c.pages, c.group = nil, -1
}
