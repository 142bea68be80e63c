package record

import (
	"bytes"
	"cmp"
	"encoding/csv"
	"math"
	"sort"
	"strconv"
	"strings"
)

// fixedColumns are the columns of points.csv that every record has, besides those of the sequence.
var fixedColumns = map[string]bool{
	"point": true, "time_s": true, "part": true, "mode": true, "ranges": true, "status": true, "why": true, "biggest": true, "notes": true,
}

// header is the first line of points.csv.
func header(columns []Column, parts bool) []string {
	out := []string{"point", "time_s"}
	if parts {
		out = append(out, "part")
	}
	for _, c := range columns {
		out = append(out, c.Name+" ["+c.Unit+"]")
		if c.Kind != Coordinate {
			out = append(out, "U("+c.Name+") ["+c.Unit+"]")
		}
	}
	return append(out, "mode", "ranges", "status", "why", "biggest", "notes")
}

// row is one point as fields of points.csv.
func row(columns []Column, parts bool, p Point) []string {
	out := []string{strconv.Itoa(p.Number), number(p.At.Seconds())}
	if parts {
		out = append(out, oneLine(p.Part))
	}
	biggest := map[string]string{}
	for _, c := range columns {
		cell, ok := p.Cells[c.Name]
		if !ok {
			cell = Cell{SI: math.NaN(), U: math.NaN()}
		}
		if cell.Overload {
			cell.SI, cell.U = math.NaN(), math.NaN()
		}
		out = append(out, number(cell.SI))
		if c.Kind != Coordinate {
			out = append(out, number(cell.U))
		}
		if cell.Biggest != "" {
			biggest[c.Name] = cell.Biggest
		}
	}
	return append(out, joinPairs(p.Modes, " "), joinPairs(p.Ranges, "; "), p.Status(), oneLine(why(p)), joinPairs(biggest, "; "), joinNotes(p.Notes))
}

// why names the values that were over range, since their cells are empty.
func why(p Point) string {
	var over []string
	for name, c := range p.Cells {
		if c.Overload {
			over = append(over, name)
		}
	}
	if len(over) == 0 {
		return p.Why
	}
	sort.Strings(over)
	text := overloadPrefix + strings.Join(over, ", ")
	if p.Why == "" || p.Why == text || strings.HasPrefix(p.Why, text+overloadEnd) {
		return cmp.Or(p.Why, text)
	}
	return text + overloadEnd + p.Why
}

const (
	overloadPrefix = "overload of "
	overloadEnd    = ": "
)

// number is the shortest text that reads back as the same float; empty for none.
func number(x float64) string {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return ""
	}
	return strconv.FormatFloat(x, 'g', -1, 64)
}

// joinPairs writes name=value pairs sorted by name. What would be taken for a separator is replaced in the values.
func joinPairs(pairs map[string]string, separator string) string {
	names := make([]string, 0, len(pairs))
	for name := range pairs {
		names = append(names, name)
	}
	sort.Strings(names)
	out := make([]string, len(names))
	for i, name := range names {
		value := strings.TrimSpace(oneLine(pairs[name]))
		if separator == " " {
			value = strings.ReplaceAll(value, " ", "-")
		} else {
			value = strings.ReplaceAll(value, ";", ",")
		}
		out[i] = name + "=" + value
	}
	return strings.Join(out, separator)
}

// joinNotes writes notes on one line; a semicolon in one becomes a comma.
func joinNotes(notes []string) string {
	out := make([]string, len(notes))
	for i, n := range notes {
		out[i] = strings.TrimSpace(strings.ReplaceAll(oneLine(n), ";", ","))
	}
	return strings.Join(out, "; ")
}

func splitNotes(text string) []string {
	var out []string
	for _, n := range strings.Split(text, ";") {
		if n = strings.TrimSpace(n); n != "" {
			out = append(out, n)
		}
	}
	return out
}

func splitPairs(text, separator string) map[string]string {
	if text == "" {
		return nil
	}
	out := map[string]string{}
	for _, pair := range strings.Split(text, separator) {
		if name, value, ok := strings.Cut(strings.TrimSpace(pair), "="); ok {
			out[name] = value
		}
	}
	return out
}

// oneLine keeps a row on one line: line ends and other control characters become spaces.
func oneLine(text string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(text, "?"))
}

func csvLine(fields []string) []byte {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	w.Write(fields) // a buffer takes everything
	w.Flush()
	return b.Bytes()
}
