package results

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"fourwire/report/workbook"
	"fourwire/sheet"
)

const byteMark = "\xef\xbb\xbf"

// CSV is the file with the results behind each of its lines, an empty field between. What was there stays byte for byte.
func (b *Book) CSV() ([]byte, error) {
	d := sheet.DialectOf(b.Data)
	body := bytes.TrimPrefix(b.Data, []byte(byteMark))
	in := csv.NewReader(bytes.NewReader(body))
	in.Comma, in.FieldsPerRecord = d.Separator, -1
	columns := b.columns()
	at := map[int]int{}
	for i, r := range b.Rows {
		at[r.Number] = i
	}
	var out bytes.Buffer
	if d.Mark {
		out.WriteString(byteMark)
	}
	from, line := int64(0), 0
	for row := 1; ; row++ {
		fields, err := in.Read()
		if errors.Is(err, io.EOF) {
			out.Write(body[from:])
			return out.Bytes(), nil
		}
		if err != nil {
			return nil, fmt.Errorf("the CSV file cannot be read again: %w", err)
		}
		first, _ := in.FieldPos(0)
		row += first - line - 1 // blank lines count
		line, _ = in.FieldPos(len(fields) - 1)
		line += strings.Count(fields[len(fields)-1], "\n")
		to := in.InputOffset()
		raw := body[from:to]
		from = to
		text := bytes.TrimRight(raw, "\r\n")
		end := raw[len(text):]
		out.Write(text)
		var added []string
		if i, ok := at[row]; ok {
			for _, c := range columns {
				added = append(added, c.cells[i].field())
			}
		} else if row == b.Table.Header {
			for _, c := range columns {
				added = append(added, c.head)
			}
		}
		if len(added) > 0 {
			w := csv.NewWriter(&out)
			w.Comma, w.UseCRLF = d.Separator, false
			out.WriteRune(d.Separator) // the empty field
			if err := w.Write(append([]string{""}, added...)); err != nil {
				return nil, err
			}
			w.Flush()
			out.Truncate(out.Len() - 1) // its line end
			if len(end) == 0 {
				end = map[bool][]byte{true: []byte("\r\n"), false: []byte("\n")}[d.CRLF]
			}
		}
		out.Write(end)
	}
}

// field is a result as text.
func (c cell) field() string {
	switch {
	case c.text != "":
		return workbook.Safe(strings.ReplaceAll(c.text, "\n", " "))
	case math.IsNaN(c.x) || math.IsInf(c.x, 0):
		return ""
	}
	return strconv.FormatFloat(c.x, 'g', -1, 64)
}
