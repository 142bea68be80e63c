// Package sheet reads the parameters of runs from a workbook or a CSV file that people fill in: each row is a run, each column a
// parameter. Whatever is wrong with any cell is found in one go, before anything is connected, and named by its address, with
// what to write instead. The format is described in FORMAT.md.
package sheet

import (
	"bytes"
	"cmp"
	"fmt"
	"path/filepath"
	"slices"
	"strings"

	"github.com/xuri/excelize/v2"

	"fourwire/internal/diag"
	"fourwire/quantity"
)

// The limits of what is read.
const (
	MaxBytes   = 32 << 20 // of the file
	MaxRows    = 10_000   // below the header
	MaxColumns = 1_000
	maxFaults  = 500 // that are told one by one
)

// Param is a parameter that a column may give.
type Param struct {
	Name string
	Dim  quantity.Dimension
}

// Options say how a sheet is read.
type Options struct {
	Params []Param // those of the sequence
	Tab    string  // of a workbook; empty: the first one that is not hidden
	Sweep  bool    // the rows together are the values of one sweep
}

// Table is what a sheet asks for.
type Table struct {
	File   string  // base name
	Tab    string  // of a workbook; empty for CSV
	Header int     // number of the row with the names
	Last   int     // number of the last row that has anything in it
	Width  int     // number of the last column that has anything in it, anywhere
	Given  []Named // the columns that give a parameter, in order
	Rows   []Row
}

// Named is a column that gives a parameter.
type Named struct {
	Param
	Column int    // from 1
	Unit   string // of the header; empty where it has none
}

// Row is a run, or a value of the sweep.
type Row struct {
	Number int // in the sheet, from 1
	Values []Value
	Device string // what the column "unit" says: which device is under test
	Note   string
	Skip   bool
}

// Value is what a cell gives to a parameter.
type Value struct {
	Name    string
	Setting string              // as --set takes it: "12 V", "[9 V, 12 V]"
	Amount  quantity.Quantity   // where Single
	List    []quantity.Quantity // of a list that was written out
	Single  bool
	Column  int
}

// Settings are the row's values as --set takes them: name=value.
func (r Row) Settings() []string {
	var out []string
	for _, v := range r.Values {
		out = append(out, v.Name+"="+v.Setting)
	}
	return out
}

// Address names a cell as a spreadsheet does, in its tab: "Sheet1!C7", "'Line tests'!C7"; "C7" in a CSV file.
func (t *Table) Address(column, row int) string {
	name, err := excelize.CoordinatesToCellName(column, row)
	if err != nil {
		name = fmt.Sprintf("row %d, column %d", row, column)
	}
	return tabbed(t.Tab) + name
}

// Span names the cells of a row from its first parameter to its last: "Sheet1!A7:C7".
func (t *Table) Span(row int) string {
	first, last := t.Given[0].Column, t.Given[len(t.Given)-1].Column
	if first == last {
		return t.Address(first, row)
	}
	end, err := excelize.CoordinatesToCellName(last, row)
	if err != nil {
		return t.Address(first, row)
	}
	return t.Address(first, row) + ":" + end
}

// Place is the place of a cell, or of several, for findings.
func (t *Table) Place(address string) diag.Place { return diag.Place{File: t.File + ": " + address} }

// Tabbed is the table's tab as it stands before an address: "Sheet1!"; empty for a CSV file.
func (t *Table) Tabbed() string { return tabbed(t.Tab) }

func tabbed(tab string) string {
	switch {
	case tab == "":
		return ""
	case strings.IndexFunc(tab, func(r rune) bool {
		return !(r == '_' || r >= '0' && r <= '9' || r >= 'A' && r <= 'Z' || r >= 'a' && r <= 'z')
	}) >= 0:
		return "'" + strings.ReplaceAll(tab, "'", "''") + "'!"
	}
	return tab + "!"
}

// Read reads a sheet. The table is nil where the file cannot be understood at all; with findings that are more than warnings
// it is good for looking at, not for running. Findings come in the order of the sheet.
func Read(path string, data []byte, o Options) (*Table, []diag.Finding) {
	r := &reader{options: o, table: &Table{File: filepath.Base(path)}}
	var g *grid
	switch strings.ToLower(filepath.Ext(path)) {
	case ".csv", ".txt", ".tsv":
		g = r.csv(data)
	default:
		g = r.workbook(data)
	}
	if g == nil {
		return nil, r.list()
	}
	r.judge(g)
	return r.table, r.list()
}

// IsWorkbook tells a workbook from a CSV file, by name.
func IsWorkbook(path string) bool {
	return slices.Contains([]string{".xlsx", ".xlsm"}, strings.ToLower(filepath.Ext(path)))
}

// reader collects what is found while a sheet is read.
type reader struct {
	options Options
	table   *Table
	faults  []fault
}

type fault struct {
	row, column int // 0: the file as a whole
	finding     diag.Finding
}

// at notes what is wrong with a cell.
func (r *reader) at(column, row int, hint, format string, args ...any) {
	r.note(column, row, r.table.Address(column, row), hint, format, args...)
}

// whole notes what is wrong with the file.
func (r *reader) whole(hint, format string, args ...any) {
	r.faults = append(r.faults, fault{0, 0, diag.Finding{Place: diag.Place{File: r.table.File}, Text: diag.Printable(fmt.Sprintf(format, args...)), Hint: diag.Printable(hint)}})
}

func (r *reader) note(column, row int, address, hint, format string, args ...any) {
	r.faults = append(r.faults, fault{row, column, diag.Finding{Place: r.table.Place(address), Text: diag.Printable(fmt.Sprintf(format, args...)), Hint: diag.Printable(hint)}})
}

func (r *reader) list() []diag.Finding {
	slices.SortStableFunc(r.faults, func(a, b fault) int {
		if a.row != b.row {
			return a.row - b.row
		}
		return a.column - b.column
	})
	var out []diag.Finding
	for i, f := range r.faults {
		if i == maxFaults {
			out = append(out, diag.Finding{Place: diag.Place{File: r.table.File}, Text: fmt.Sprintf("and %d more bad cells", len(r.faults)-i)})
			break
		}
		out = append(out, f.finding)
	}
	return out
}

// utf16Marks begin a text in UTF-16.
var utf16Marks = [2]string{"\xff\xfe", "\xfe\xff"}

func hasMark(data []byte) bool {
	return bytes.HasPrefix(data, []byte(utf16Marks[0])) || bytes.HasPrefix(data, []byte(utf16Marks[1]))
}

// InOrder sorts findings by where their cells stand; those of the file as a whole come first.
func (t *Table) InOrder(list []diag.Finding) {
	at := func(f diag.Finding) (row, column int) {
		address := strings.TrimPrefix(strings.TrimPrefix(f.Place.File, t.File+": "), t.Tabbed())
		first, _, _ := strings.Cut(address, ":")
		column, row, err := excelize.CellNameToCoordinates(first)
		if err != nil {
			return 0, 0
		}
		return row, column
	}
	slices.SortStableFunc(list, func(a, b diag.Finding) int {
		rowA, columnA := at(a)
		rowB, columnB := at(b)
		return cmp.Or(cmp.Compare(rowA, rowB), cmp.Compare(columnA, columnB))
	})
}
