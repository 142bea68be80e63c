package workbook

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"github.com/xuri/excelize/v2"

	"fourwire/record"
)

// live says what became of a derived column: formulas, or values and why.
type live struct {
	column record.Column
	remark string // why its cells are values; empty where they are formulas
	rows   int    // rows whose cell is a value although the column has formulas
}

// tolerance is how far a formula may be from the record, relative: beyond that the value is written instead.
const tolerance = 1e-9

// points writes one row per point, the columns as in points.csv.
func (b *book) points() error {
	rec := b.report.Record
	heads := []string{"point", "time_s"}
	if rec.Parts {
		heads = append(heads, "part")
	}
	b.letter = map[string]string{}
	for _, c := range rec.Columns {
		heads = append(heads, c.Name+" ["+c.Unit+"]")
		name, err := excelize.ColumnNumberToName(len(heads))
		if err != nil {
			return fmt.Errorf("column %s: %w", c.Name, err)
		}
		b.letter[c.Name] = name
		if c.Kind != record.Coordinate {
			heads = append(heads, "U("+c.Name+") ["+c.Unit+"]")
		}
	}
	heads = append(heads, "mode", "ranges", "status", "why")

	w, err := b.NewStreamWriter(pointsSheet)
	if err != nil {
		return err
	}
	for _, width := range []struct {
		from, to int
		chars    float64
	}{{1, 1, 8}, {2, len(heads) - 4, 13}, {len(heads) - 3, len(heads) - 2, 26}, {len(heads) - 1, len(heads) - 1, 12}, {len(heads), len(heads), 60}} {
		if width.to >= width.from {
			if err := w.SetColWidth(width.from, width.to, width.chars); err != nil {
				return err
			}
		}
	}
	if err := w.SetPanes(&excelize.Panes{Freeze: true, XSplit: 1, YSplit: 1, TopLeftCell: "B2", ActivePane: "bottomRight"}); err != nil {
		return err
	}
	head := make([]any, len(heads))
	for i, text := range heads {
		head[i] = excelize.Cell{StyleID: b.style["head"], Value: safe(text)}
	}
	if err := w.SetRow("A1", head); err != nil {
		return err
	}
	formulas := b.formulas()
	formats := b.formats()
	for i, p := range rec.Rows {
		row, err := b.row(p, i+2, formulas, formats)
		if err != nil {
			return err
		}
		if err := w.SetRow("A"+strconv.Itoa(i+2), row); err != nil {
			return err
		}
	}
	return w.Flush()
}

// formulas translates the derived columns; a column that cannot be is missing from the map.
func (b *book) formulas() map[string]*formula {
	rec := b.report.Record
	isColumn := func(name string) bool { _, ok := b.letter[name]; return ok }
	out := map[string]*formula{}
	for _, c := range rec.Columns {
		if c.Kind != record.Derived {
			continue
		}
		l := live{column: c}
		f, err := parseFormula(c.Expr, isColumn)
		switch {
		case c.Expr == "":
			l.remark = "the record has no expression for it"
		case err != nil:
			l.remark = err.Error()
		default:
			out[c.Name] = f
		}
		b.lives = append(b.lives, l)
	}
	return out
}

// formats chooses a number format per column, so that the smallest uncertainty shows two digits.
func (b *book) formats() map[string]string {
	rec := b.report.Record
	out := map[string]string{}
	for _, c := range rec.Columns {
		smallest := math.Inf(1)
		for _, p := range rec.Rows {
			if u := p.Cells[c.Name].U; u > 0 && u < smallest {
				smallest = u
			}
		}
		out[c.Name] = "General"
		if !math.IsInf(smallest, 1) {
			if places := 1 - int(math.Floor(math.Log10(smallest))); places > 0 && places <= 9 {
				out[c.Name] = "0." + strings.Repeat("0", places)
			}
		}
	}
	return out
}

func (b *book) row(p record.Point, number int, formulas map[string]*formula, formats map[string]string) ([]any, error) {
	rec := b.report.Record
	doubt := p.Status() != record.StatusOK
	text := b.style["text"]
	if doubt {
		text = b.style["doubt"]
	}
	whole, err := b.number("0", doubt)
	if err != nil {
		return nil, err
	}
	seconds, err := b.number("0.000", doubt)
	if err != nil {
		return nil, err
	}
	row := []any{excelize.Cell{StyleID: whole, Value: p.Number}, excelize.Cell{StyleID: seconds, Value: p.At.Seconds()}}
	if rec.Parts {
		row = append(row, excelize.Cell{StyleID: text, Value: safe(p.Part)})
	}
	for _, c := range rec.Columns {
		style, err := b.number(formats[c.Name], doubt)
		if err != nil {
			return nil, err
		}
		cell, ok := p.Cells[c.Name]
		if !ok {
			cell = record.Cell{SI: math.NaN(), U: math.NaN()}
		}
		out := excelize.Cell{StyleID: style, Value: orNil(cell.SI)}
		if f := formulas[c.Name]; f != nil && out.Value != nil {
			if got := f.eval(func(name string) float64 { return si(p, name) }); near(got, cell.SI) {
				out.Formula = f.text(func(name string) string { return b.letter[name] + strconv.Itoa(number) })
			} else {
				b.notLive(c.Name)
			}
		}
		row = append(row, out)
		if c.Kind != record.Coordinate {
			row = append(row, excelize.Cell{StyleID: style, Value: orNil(cell.U)})
		}
	}
	for _, value := range []string{pairs(p.Modes), pairs(p.Ranges), p.Status(), p.Why} {
		row = append(row, excelize.Cell{StyleID: text, Value: safe(value)})
	}
	return row, nil
}

func (b *book) notLive(column string) {
	for i := range b.lives {
		if b.lives[i].column.Name == column {
			b.lives[i].rows++
		}
	}
}

func near(got, want float64) bool {
	return math.Abs(got-want) <= tolerance*math.Abs(want)
}

func si(p record.Point, name string) float64 {
	if c, ok := p.Cells[name]; ok {
		return c.SI
	}
	return math.NaN()
}

// orNil leaves a cell empty where there is no number.
func orNil(x float64) any {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	return x
}

// pairs is a map as text, sorted by name.
func pairs(m map[string]string) string {
	return strings.TrimSuffix(strings.TrimPrefix(strings.ReplaceAll(fmt.Sprint(m), ":", "="), "map["), "]")
}
