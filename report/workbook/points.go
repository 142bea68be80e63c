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
	heads = append(heads, "mode", "status", "why", "ranges", "notes")

	w, err := b.NewStreamWriter(pointsSheet)
	if err != nil {
		return err
	}
	fixed := map[string]float64{"point": 5.5, "time_s": 7.5, "mode": 17, "status": 10, "why": 40, "ranges": 30, "notes": 60}
	for i, text := range heads {
		width, ok := fixed[text]
		if !ok {
			width = b.width(text)
		}
		if err := w.SetColWidth(i+1, i+1, width); err != nil {
			return err
		}
	}
	if err := w.SetPanes(&excelize.Panes{Freeze: true, XSplit: 1, YSplit: 1, TopLeftCell: "B2", ActivePane: "bottomRight"}); err != nil {
		return err
	}
	head := make([]any, len(heads))
	for i, text := range heads {
		style := b.style["number head"]
		if _, text := fixed[text]; text && i > 1 {
			style = b.style["head"]
		}
		head[i] = excelize.Cell{StyleID: style, Value: safe(text)}
	}
	if err := w.SetRow("A1", head); err != nil {
		return err
	}
	if last, err := excelize.ColumnNumberToName(len(heads) - 2); err == nil { // ranges and notes would make a printed row too small to read
		area := fmt.Sprintf("%s!$A$1:$%s$%d", pointsSheet, last, len(rec.Rows)+1)
		if err := b.SetDefinedName(&excelize.DefinedName{Name: "_xlnm.Print_Area", RefersTo: area, Scope: pointsSheet}); err != nil {
			return err
		}
	}
	formulas := b.formulas()
	for i, p := range rec.Rows {
		row, err := b.row(p, i+2, formulas)
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

// width is what a column of numbers needs: the longest word of its head, which may be broken, or its digits.
func (b *book) width(head string) float64 {
	longest := 6.0
	for _, word := range strings.Fields(head) {
		longest = max(longest, 1.05*float64(len(word)))
	}
	for _, c := range b.report.Record.Columns {
		value, uncertain := strings.HasPrefix(head, c.Name+" "), strings.HasPrefix(head, "U("+c.Name+")")
		if !value && !uncertain {
			continue
		}
		for _, p := range b.report.Record.Rows {
			x, u := p.Cells[c.Name].SI, p.Cells[c.Name].U
			if uncertain {
				x = u
			}
			longest = max(longest, float64(characters(x, numberFormat(x, u))))
		}
	}
	return longest + 1.2
}

func (b *book) row(p record.Point, number int, formulas map[string]*formula) ([]any, error) {
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
		cell, ok := p.Cells[c.Name]
		if !ok {
			cell = record.Cell{SI: math.NaN(), U: math.NaN()}
		}
		style, err := b.number(numberFormat(cell.SI, cell.U), doubt)
		if err != nil {
			return nil, err
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
			if style, err = b.number(numberFormat(cell.U, cell.U), doubt); err != nil {
				return nil, err
			}
			row = append(row, excelize.Cell{StyleID: style, Value: orNil(cell.U)})
		}
	}
	for _, value := range []string{pairs(p.Modes), p.Status(), p.Why, pairs(p.Ranges), strings.Join(p.Notes, "; ")} {
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
