package record

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"fourwire/quantity"
)

// table is points.csv read back.
type table struct {
	columns []Column
	parts   bool
	rows    []Point
}

// field says what one field of a row is: a fixed column by its name, or a value or U of a column.
type field struct {
	fixed  string
	column int // index; -1 for a fixed one or one that is not known
	isU    bool
}

// readPoints reads whole rows. known says what the columns are; where it is empty they are taken from the header: columns
// with a U are measured, the others coordinates.
func readPoints(r io.Reader, known []Column, found *problems) (table, error) {
	in, left := newLines(r), memory(maxMemory)
	t := table{columns: known}
	line, whole, err := in.next()
	if err == io.EOF {
		return t, nil
	}
	if err != nil {
		return t, err
	}
	if !whole {
		found.add("%s: the header is torn; there are no rows", PointsFile)
		return t, nil
	}
	head, err := csvFields(line)
	if err != nil {
		return t, fmt.Errorf("the header cannot be read: %w", err)
	}
	fields, err := t.readHeader(head)
	if err != nil {
		return t, err
	}
	for {
		line, whole, err := in.next()
		if err == io.EOF {
			break
		}
		if err != nil {
			return t, err
		}
		if !whole {
			found.add("%s:%d: the row is torn and was left out", PointsFile, in.number)
			continue
		}
		p, err := t.readRow(fields, line)
		if err != nil {
			found.add("%s:%d: the row is damaged and was left out: %v", PointsFile, in.number, err)
			continue
		}
		if !left.take(250 + len(line) + 120*len(p.Cells)) {
			in.stopped = true
			break
		}
		t.rows = append(t.rows, p)
	}
	if in.stopped {
		found.add("%s: only the first %d rows were read", PointsFile, len(t.rows))
	}
	return t, nil
}

func csvFields(line []byte) ([]string, error) {
	r := csv.NewReader(bytes.NewReader(line))
	fields, err := r.Read()
	if err == io.EOF {
		return nil, errors.New("it is empty")
	}
	var csvErr *csv.ParseError
	if errors.As(err, &csvErr) {
		return nil, csvErr.Err
	}
	if err != nil {
		return nil, err
	}
	if _, err := r.Read(); err != io.EOF {
		return nil, errors.New("there is more than one row on the line")
	}
	return fields, nil
}

// readHeader matches the header with the known columns, or takes the columns from it.
func (t *table) readHeader(head []string) ([]field, error) {
	index := map[string]int{}
	for i, c := range t.columns {
		index[c.Name] = i
	}
	infer := len(t.columns) == 0
	fields := make([]field, len(head))
	seen := map[string]bool{}
	for i, text := range head {
		if seen[text] {
			return nil, fmt.Errorf("the header has %q twice", text)
		}
		seen[text] = true
		fields[i] = field{column: -1}
		if fixedColumns[text] {
			fields[i].fixed = text
			t.parts = t.parts || text == "part"
			continue
		}
		name, unit, isU, ok := splitHead(text)
		if !ok {
			continue // a column of a later version
		}
		at, have := index[name]
		switch {
		case have && t.columns[at].Unit == unit:
		case have:
			return nil, fmt.Errorf("the header has %q, the manifest gives %s in %s", text, name, t.columns[at].Unit)
		case infer && !isU:
			at = len(t.columns)
			index[name] = at
			t.columns = append(t.columns, Column{Name: name, Kind: Coordinate, Unit: unit, Dim: DimensionOf(unit)})
		default:
			continue
		}
		if isU && infer {
			t.columns[at].Kind = Measured
		}
		fields[i] = field{column: at, isU: isU}
	}
	if !seen["point"] || !seen["time_s"] || !seen["status"] {
		return nil, fmt.Errorf("this is no points file: the columns point, time_s and status are wanted, the header is %q", strings.Join(head, ","))
	}
	return fields, checkColumns(t.columns)
}

// splitHead takes "vi [V]" or "U(vi) [V]" apart.
func splitHead(text string) (name, unit string, isU, ok bool) {
	name, unit, ok = strings.Cut(text, " [")
	unit, closed := strings.CutSuffix(unit, "]")
	if !ok || !closed || name == "" {
		return "", "", false, false
	}
	if inner, cut := strings.CutPrefix(name, "U("); cut {
		inner, cut = strings.CutSuffix(inner, ")")
		return inner, unit, true, cut && inner != ""
	}
	return name, unit, false, true
}

// DimensionOf is the dimension of a unit of this record's files; a ratio for "1" and for what is no unit.
func DimensionOf(unit string) quantity.Dimension {
	if unit == "1" || unit == "" {
		return quantity.Ratio
	}
	q, err := quantity.Parse("1 " + unit)
	if err != nil {
		return quantity.Ratio
	}
	return q.Dim
}

func (t *table) readRow(fields []field, line []byte) (Point, error) {
	texts, err := csvFields(line)
	if err != nil {
		return Point{}, err
	}
	if len(texts) != len(fields) {
		return Point{}, fmt.Errorf("it has %d fields, the header has %d", len(texts), len(fields))
	}
	p := Point{Cells: map[string]Cell{}}
	var status, biggest string
	for i, f := range fields {
		text := texts[i]
		switch {
		case f.column >= 0:
			if err := p.readCell(t.columns[f.column].Name, f.isU, text); err != nil {
				return Point{}, err
			}
		case f.fixed == "point":
			p.Number, err = strconv.Atoi(text)
		case f.fixed == "time_s":
			var s float64
			s, err = readNumber(text)
			p.At = seconds(s)
		case f.fixed == "part":
			p.Part = text
		case f.fixed == "mode":
			p.Modes = splitPairs(text, " ")
		case f.fixed == "ranges":
			p.Ranges = splitPairs(text, "; ")
		case f.fixed == "status":
			status = text
		case f.fixed == "why":
			p.Why = text
		case f.fixed == "biggest":
			biggest = text
		case f.fixed == "notes":
			p.Notes = splitNotes(text)
		}
		if err != nil {
			return Point{}, fmt.Errorf("%s: %q is no number", f.fixed, text)
		}
	}
	for name, what := range splitPairs(biggest, "; ") {
		if c, ok := p.Cells[name]; ok {
			c.Biggest = what
			p.Cells[name] = c
		}
	}
	return p, p.takeStatus(status, t.columns)
}

func (p *Point) readCell(name string, isU bool, text string) error {
	if text == "" {
		return nil
	}
	x, err := readNumber(text)
	if err != nil {
		return fmt.Errorf("%s: %q is no number", name, text)
	}
	c, ok := p.Cells[name]
	if !ok {
		c = Cell{SI: math.NaN(), U: math.NaN()}
	}
	if isU {
		c.U = x
	} else {
		c.SI = x
	}
	p.Cells[name] = c
	return nil
}

// takeStatus turns the words of status and why back into what they were written from.
func (p *Point) takeStatus(status string, columns []Column) error {
	p.Valid, p.Settled = true, true
	switch status {
	case StatusOK:
	case StatusNotSettled:
		p.Settled = false
	case StatusInvalid:
		p.Valid = false
	case StatusOverload:
		p.Valid = false
		text, ok := strings.CutPrefix(p.Why, overloadPrefix)
		if !ok {
			return nil
		}
		text, _, _ = strings.Cut(text, overloadEnd)
		for _, name := range strings.Split(text, ", ") {
			for _, c := range columns {
				if c.Name == name {
					p.Cells[name] = Cell{SI: math.NaN(), U: math.NaN(), Overload: true}
				}
			}
		}
	default:
		return fmt.Errorf("the status %q is not known", status)
	}
	return nil
}

// readNumber reads a finite decimal number.
func readNumber(text string) (float64, error) {
	if strings.ContainsAny(text, "xXpP_nN") { // hexadecimal, infinity and NaN are never written
		return 0, errors.New("no number")
	}
	x, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsInf(x, 0) {
		return 0, errors.New("no number")
	}
	return x, nil
}

// seconds is a duration of s seconds, to the nearest nanosecond, within what a duration holds.
func seconds(s float64) time.Duration {
	ns := math.Round(s * 1e9)
	switch {
	case math.IsNaN(ns):
		return 0
	case ns >= math.MaxInt64:
		return math.MaxInt64
	case ns <= math.MinInt64:
		return math.MinInt64
	}
	return time.Duration(ns)
}
