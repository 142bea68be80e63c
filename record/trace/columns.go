package trace

import (
	"bufio"
	"encoding/json"
	"errors"
	"io"
	"strconv"
	"time"

	"github.com/parquet-go/parquet-go"
)

const (
	pageRows  = 1 << 16
	groupRows = 1 << 22
	maxListed = 10000 // segments in the file's metadata
)

// columnWriter writes the samples of a trace as Parquet: per signal a column of counts, and one of the ranges that they are of.
type columnWriter struct {
	buf     *bufio.Writer
	w       *parquet.GenericWriter[any]
	columns []*parquet.ColumnWriter // counts and range of each signal
	values  []parquet.Value         // reused
	ranges  []parquet.Value         // reused: one number throughout
	inPage  int
	inGroup int
}

func columnNode() parquet.Node {
	return parquet.Encoded(parquet.Leaf(parquet.Int32Type), &parquet.DeltaBinaryPacked)
}

func schemaOf(h Head) *parquet.Schema {
	g := parquet.Group{}
	for _, s := range h.Signals {
		g[s.Name] = columnNode()
		g[s.Name+rangeColumn] = columnNode()
	}
	return parquet.NewSchema("trace", g)
}

func newColumnWriter(out io.Writer, h Head) (*columnWriter, error) {
	schema := schemaOf(h)
	c := &columnWriter{buf: bufio.NewWriterSize(out, 1<<20), values: make([]parquet.Value, 4096), ranges: make([]parquet.Value, 4096)}
	c.w = parquet.NewGenericWriter[any](c.buf, schema, parquet.Compression(&parquet.Uncompressed), parquet.MaxRowsPerRowGroup(groupRows),
		parquet.PageBufferSize(8*pageRows), parquet.CreatedBy("fourwire", "1", ""))
	all := c.w.ColumnWriters()
	for _, s := range h.Signals {
		for _, name := range []string{s.Name, s.Name + rangeColumn} {
			leaf, ok := schema.Lookup(name)
			if !ok || leaf.ColumnIndex >= len(all) {
				return nil, errors.New("the Parquet library has lost column " + name)
			}
			c.columns = append(c.columns, all[leaf.ColumnIndex])
		}
	}
	return c, nil
}

// take writes a block of samples. Every page has pageRows rows, but for the last, and so the pages of all columns have the same rows.
func (c *columnWriter) take(values [][]int32, runs [][]Run) error {
	n := len(values[0])
	for from := 0; from < n; {
		to := min(n, from+pageRows-c.inPage)
		for i := range values {
			if err := c.counts(c.columns[2*i], values[i][from:to]); err != nil {
				return err
			}
			for offset, run := from, 0; offset < to; {
				rg, until := rangeAt(runs[i], &run, offset, to)
				if err := c.same(c.columns[2*i+1], int32(rg), until-offset); err != nil {
					return err
				}
				offset = until
			}
		}
		if c.inPage += to - from; c.inPage == pageRows {
			c.inPage = 0
			for _, w := range c.columns {
				if err := w.Flush(); err != nil {
					return err
				}
			}
		}
		if c.inGroup += to - from; c.inGroup == groupRows {
			c.inGroup = 0
			if err := c.w.Flush(); err != nil {
				return err
			}
		}
		from = to
	}
	return nil
}

func (c *columnWriter) counts(w *parquet.ColumnWriter, counts []int32) error {
	for len(counts) > 0 {
		part := counts[:min(len(counts), len(c.values))]
		for i, v := range part {
			c.values[i] = parquet.Int32Value(v)
		}
		if _, err := w.WriteRowValues(c.values[:len(part)]); err != nil {
			return err
		}
		counts = counts[len(part):]
	}
	return nil
}

// same writes one number several times.
func (c *columnWriter) same(w *parquet.ColumnWriter, v int32, times int) error {
	if c.ranges[0].IsNull() || c.ranges[0].Int32() != v {
		for i := range c.ranges {
			c.ranges[i] = parquet.Int32Value(v)
		}
	}
	for times > 0 {
		part := min(times, len(c.ranges))
		if _, err := w.WriteRowValues(c.ranges[:part]); err != nil {
			return err
		}
		times -= part
	}
	return nil
}

// finish writes the end of the file with what a reader needs to make amperes of counts, and says where the pages end.
func (c *columnWriter) finish(h Head, segments []Segment) (pagesEnd int64, err error) {
	signals, err := json.Marshal(h.Signals)
	if err != nil {
		return 0, err
	}
	list := make([][2]int64, 0, min(len(segments), maxListed))
	for _, s := range segments[:min(len(segments), maxListed)] {
		list = append(list, [2]int64{s.Start, s.Count})
	}
	text, err := json.Marshal(list)
	if err != nil {
		return 0, err
	}
	c.w.SetKeyValueMetadata("fourwire", version)
	c.w.SetKeyValueMetadata("start", h.Start.Format(time.RFC3339Nano))
	c.w.SetKeyValueMetadata("interval_s", strconv.FormatFloat(h.IntervalSeconds, 'g', -1, 64))
	if h.Trigger > 0 {
		c.w.SetKeyValueMetadata("trigger", strconv.FormatInt(h.Trigger, 10))
	}
	c.w.SetKeyValueMetadata("signals", string(signals))
	c.w.SetKeyValueMetadata("segments", string(text))
	c.w.SetKeyValueMetadata("segment_count", strconv.Itoa(len(segments)))
	if err := errors.Join(c.w.Close(), c.buf.Flush()); err != nil {
		return 0, err
	}
	pagesEnd = int64(len("PAR1"))
	for _, g := range c.w.File().Metadata().RowGroups {
		for _, one := range g.Columns {
			pagesEnd = max(pagesEnd, one.MetaData.DataPageOffset+one.MetaData.TotalCompressedSize)
		}
	}
	return pagesEnd, nil
}
