package sheet

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"
)

// byteMark is what some programs write before a text in UTF-8.
const byteMark = "\xef\xbb\xbf"

// Dialect is how a CSV file is written.
type Dialect struct {
	Mark      bool // a byte order mark stands first
	Separator rune // comma, semicolon or tab
	CRLF      bool
}

// DialectOf looks at the first line that has one of the separators outside of quotes.
func DialectOf(data []byte) Dialect {
	d := Dialect{Mark: bytes.HasPrefix(data, []byte(byteMark)), Separator: ',', CRLF: bytes.Contains(data, []byte("\r\n"))}
	var counts [3]int
	quoted := false
	for _, c := range data {
		switch c {
		case '"':
			quoted = !quoted
		case ',':
			counts[0]++
		case ';':
			counts[1]++
		case '\t':
			counts[2]++
		case '\n':
			if !quoted && counts != [3]int{} {
				return d.most(counts)
			}
		}
		if quoted {
			counts = [3]int{}
		}
	}
	return d.most(counts)
}

func (d Dialect) most(counts [3]int) Dialect {
	best := 0
	for i, n := range counts {
		if n > best {
			best, d.Separator = n, []rune{',', ';', '\t'}[i]
		}
	}
	return d
}

// csv reads a CSV file: commas, semicolons or tabs, in UTF-8.
func (r *reader) csv(data []byte) *grid {
	switch {
	case len(data) > MaxBytes:
		r.whole("split it", "the file has more than %d MB", MaxBytes>>20)
		return nil
	case hasMark(data):
		r.whole(`save it as "CSV UTF-8"`, "the file is UTF-16 text")
		return nil
	case bytes.HasPrefix(data, []byte("PK\x03\x04")):
		r.whole("give it the name that it should have, as in params.xlsx", "this is a workbook and no CSV file")
		return nil
	case bytes.IndexByte(data, 0) >= 0:
		r.whole(`save it as "CSV UTF-8"`, "the file has bytes of value zero in it; it is no CSV file")
		return nil
	}
	d := DialectOf(data)
	body := bytes.TrimPrefix(data, []byte(byteMark))
	in := csv.NewReader(bytes.NewReader(body))
	in.Comma, in.FieldsPerRecord = d.Separator, -1
	g := &grid{comma: d.Separator == ','}
	line := 0 // that the last record ended on
	for {
		fields, err := in.Read()
		if errors.Is(err, io.EOF) {
			return g
		}
		var wrong *csv.ParseError
		if errors.As(err, &wrong) {
			r.whole(`put a text with quotes, separators or line ends into double quotes, and double the quotes in it: "5"" panel"`,
				"line %d, column %d: %s; nothing behind it can be read", wrong.Line, wrong.Column, quoteFault(wrong.Err))
			return g
		}
		if err != nil {
			r.whole("", "the file cannot be read: %s", err)
			return g
		}
		first, _ := in.FieldPos(0)
		if first-line > 2*MaxRows {
			r.whole("take the blank lines out", "line %d comes behind more than %d blank ones", first, 2*MaxRows)
			return nil
		}
		for range first - line - 1 { // blank lines are rows of their own, which the reader passes over
			g.rows = append(g.rows, nil)
		}
		line, _ = in.FieldPos(len(fields) - 1)
		line += strings.Count(fields[len(fields)-1], "\n")
		if len(fields) > MaxColumns {
			r.whole("split it", "line %d has more than %d columns", first, MaxColumns)
			return nil
		}
		row := make([]cell, len(fields))
		for i, f := range fields {
			row[i] = csvCell(f)
		}
		if g.rows = append(g.rows, row); len(g.rows) > 2*MaxRows {
			r.whole(fmt.Sprintf("split it into files of at most %d rows", MaxRows), "the file has more than %d rows", 2*MaxRows)
			return nil
		}
	}
}

func quoteFault(err error) string {
	switch {
	case errors.Is(err, csv.ErrQuote):
		return "a double quote stands where none may"
	case errors.Is(err, csv.ErrBareQuote):
		return "a double quote stands inside a field that does not begin with one"
	}
	return err.Error()
}

func csvCell(field string) cell {
	switch {
	case strings.Trim(field, blanks) == "":
		return cell{}
	case !utf8.ValidString(field):
		return cell{kind: garbled, text: field, typed: true}
	}
	return cell{kind: text, text: field, typed: true}
}
