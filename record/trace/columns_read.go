package trace

import (
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"math"
	"sort"

	"github.com/parquet-go/parquet-go"
)

// column reads one column of the Parquet file, a page at a time.
type column struct {
	name   string
	file   *parquet.File
	index  int
	ranges int     // how many ranges there are; 0: it is a column of counts
	groups []int64 // first row of each row group, and behind the last

	group int // whose pages are open; -1: none
	pages *parquet.FilePages
	stats parquet.ColumnIndex // of a column of ranges; nil: not known
	at    int64               // row that the next page begins at
	page  parquet.Page        // held; nil: none

	first, end int64   // rows that are at hand
	values     []int32 // of them; nil: all are same
	same       int32
}

// tailFrom takes the checksum of what is in a file from a place on.
func tailFrom(f io.ReaderAt, from int64) (tail, error) {
	sum := crc32.New(castagnoli)
	n, err := io.Copy(sum, io.NewSectionReader(f, from, math.MaxInt64-from))
	return tail{n, sum.Sum32()}, err
}

// openColumns opens the columns of a trace, counts and range of each signal.
func openColumns(f io.ReaderAt, size int64, h *finished) (out []*column, err error) {
	defer caught(&err)
	rows := h.Samples
	if behind, err := tailFrom(f, max(0, size-h.Tail.Bytes)); err != nil || behind != h.Tail {
		return nil, errors.Join(errors.New("what is behind its pages was damaged, or it is another file"), err)
	}
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
			c := &column{name: name, file: file, index: leaf.ColumnIndex, groups: groups, group: -1}
			if i == 1 {
				c.ranges = len(s.Ranges)
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

// need makes a row be at hand, and those up to the end of its page.
func (c *column) need(row int64) (err error) {
	if row >= c.first && row < c.end {
		return nil
	}
	defer caught(&err)
	if err := c.load(row); err != nil {
		return fmt.Errorf("column %s, row %d: %w", c.name, row, err)
	}
	return nil
}

func (c *column) load(row int64) error {
	c.release()
	if c.group < 0 || row < c.groups[c.group] || row >= c.groups[c.group+1] {
		if err := c.openGroup(row); err != nil {
			return err
		}
	}
	begin, end := c.groups[c.group], c.groups[c.group+1]
	n := (row - begin) / pageRows
	first, behind := begin+n*pageRows, min(end, begin+(n+1)*pageRows)
	if c.stats != nil && !c.stats.NullPage(int(n)) {
		if low, high := c.stats.MinValue(int(n)), c.stats.MaxValue(int(n)); low.Kind() == parquet.Int32 && high.Kind() == parquet.Int32 && low.Int32() == high.Int32() {
			c.first, c.end, c.same = first, behind, low.Int32() // most pages of ranges need not be read
			return c.possible(c.same)
		}
	}
	if row != c.at {
		if err := c.pages.SeekToRow(row - begin); err != nil {
			return err
		}
	}
	page, err := c.pages.ReadPage()
	if err == io.EOF {
		return errors.New("samples are missing")
	}
	if err != nil {
		return err
	}
	data := page.Data()
	values := data.Int32()
	if int64(len(values)) != behind-row || page.NumRows() != behind-row {
		parquet.Release(page)
		return errors.New("a page has a wrong number of samples")
	}
	c.page, c.values, c.first, c.end, c.at = page, values, row, behind, behind
	return nil
}

func (c *column) possible(rg int32) error {
	if rg < 0 || int(rg) >= c.ranges {
		return fmt.Errorf("there is range %d, of %d", rg+1, c.ranges)
	}
	return nil
}

// openGroup opens the pages of the row group that a row is in.
func (c *column) openGroup(row int64) error {
	c.close()
	group := sort.Search(len(c.groups), func(i int) bool { return c.groups[i] > row }) - 1
	chunk, ok := c.file.RowGroups()[group].ColumnChunks()[c.index].(*parquet.FileColumnChunk)
	if !ok {
		return errors.New("the Parquet library gives no pages")
	}
	index, err := chunk.OffsetIndex() // with it, a row is found without reading what is before it
	if err != nil {
		return err
	}
	rows := c.groups[group+1] - c.groups[group]
	if err := regular(index, rows, c.file.Metadata().RowGroups[group].Columns[c.index].MetaData.DataPageOffset); err != nil {
		return err
	}
	if c.ranges > 0 {
		if c.stats, err = chunk.ColumnIndex(); err != nil {
			return err
		}
		if c.stats != nil && c.stats.NumPages() != index.NumPages() {
			return errors.New("its page index was damaged")
		}
	}
	c.group, c.at = group, c.groups[group]
	c.pages = chunk.PagesFrom(c.file)
	return nil
}

// regular says whether the pages of a column follow each other as they are written. What load does rests on it.
func regular(index parquet.OffsetIndex, rows, begin int64) error {
	if index == nil || int64(index.NumPages()) != (rows+pageRows-1)/pageRows {
		return errors.New("its page index is missing or was damaged")
	}
	for i := range index.NumPages() {
		if index.FirstRowIndex(i) != int64(i)*pageRows || index.Offset(i) != begin || index.CompressedPageSize(i) <= 0 {
			return errors.New("its page index was damaged")
		}
		begin += index.CompressedPageSize(i)
	}
	return nil
}

func (c *column) release() {
	if c.page != nil {
		parquet.Release(c.page)
	}
	c.page, c.values, c.first, c.end = nil, nil, 0, 0
}

func (c *column) close() {
	c.release()
	if c.pages != nil {
		_ = c.pages.Close() // it has only been read
	}
	c.pages, c.stats, c.group = nil, nil, -1
}

// counts gives n counts from a row on, which are at hand.
func (c *column) counts(row int64, n int) []int32 { return c.values[row-c.first:][:n] }

// runs finds where the ranges of n rows, which are at hand, change.
func (c *column) runs(runs []Run, row int64, n int) ([]Run, error) {
	if c.values == nil {
		return append(runs, Run{0, uint8(c.same)}), nil
	}
	values := c.counts(row, n)
	for i := 0; i < n; {
		rg := values[i]
		if err := c.possible(rg); err != nil {
			return nil, err
		}
		runs = append(runs, Run{i, uint8(rg)})
		for i++; i < n && values[i] == rg; i++ {
		}
	}
	return runs, nil
}
