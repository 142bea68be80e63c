package results

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"

	"github.com/xuri/excelize/v2"

	"fourwire/quantity"
	"fourwire/record"
	"fourwire/report"
	"fourwire/report/workbook"
	"fourwire/sheet"
)

// maxLines is how many lines a chart has at most: more cannot be told apart.
const maxLines = 24

// rowName heads the numbers of rows.
const rowName = "row"

// chartRows is how many rows a chart covers.
const chartRows = 30 // of those of a program whose rows are low

// grid collects the lines of the charts: references to the points, two columns a line.
type grid struct {
	rows [][]any
	next int // column
}

func (g *grid) set(row, column int, cell any) {
	for len(g.rows) < row {
		g.rows = append(g.rows, nil)
	}
	for len(g.rows[row-1]) < column {
		g.rows[row-1] = append(g.rows[row-1], nil)
	}
	g.rows[row-1][column-1] = cell
}

// curves draws the curves of the sequence across the rows, then the results over all points across the rows.
func (c *copybook) curves() error {
	if c.points == "" {
		return nil
	}
	g := &grid{next: 1}
	for _, asked := range c.book.asked() {
		for _, curve := range report.Curves(c.book.merged(asked)) {
			if curve.Missing != "" {
				continue
			}
			if err := c.curve(g, curve); err != nil {
				return err
			}
		}
	}
	for _, a := range c.across {
		if err := c.acrossRows(g, a); err != nil {
			return err
		}
	}
	if c.place == 1 {
		for _, name := range []string{c.charts, c.lines} {
			if err := c.DeleteSheet(name); err != nil {
				return err
			}
		}
		return nil
	}
	w, err := c.NewStreamWriter(c.lines)
	if err != nil {
		return err
	}
	if err := w.SetColWidth(1, g.next, 14); err != nil {
		return err
	}
	for i, cells := range g.rows {
		if len(cells) == 0 {
			continue
		}
		if err := w.SetRow("A"+strconv.Itoa(i+1), cells); err != nil {
			return err
		}
	}
	return w.Flush()
}

func (c *copybook) curve(g *grid, curve report.Curve) error {
	if len(curve.Lines) > maxLines {
		curve.Title = fmt.Sprintf("%s (the first %d of %d lines)", curve.Title, maxLines, len(curve.Lines))
		curve.Lines = curve.Lines[:maxLines]
	}
	var series []excelize.ChartSeries
	for i, line := range curve.Lines {
		name := line.Name
		if name == "" {
			name = curve.Y.Name
		}
		row := 2
		for _, d := range line.Dots {
			row++
			if !d.Joined() || math.IsNaN(d.X) || math.IsNaN(d.Y) {
				continue // an empty row: the line has a gap there
			}
			at := strconv.Itoa(d.Number + 1) // the points are numbered through, below their header
			g.set(row, g.next, excelize.Cell{Formula: "'" + c.points + "'!" + c.letter[curve.X.Name] + at, Value: d.X})
			g.set(row, g.next+1, excelize.Cell{Formula: "'" + c.points + "'!" + c.letter[curve.Y.Name] + at, Value: d.Y})
		}
		one, err := c.line(g, curve, name, row, i)
		if err != nil {
			return err
		}
		series = append(series, one)
	}
	g.next++
	return c.draw(curve, series)
}

// line heads the two columns that were filled to a row, and makes a line of the chart of them.
func (c *copybook) line(g *grid, curve report.Curve, name string, last, n int) (excelize.ChartSeries, error) {
	x, err := excelize.ColumnNumberToName(g.next)
	if err != nil {
		return excelize.ChartSeries{}, err
	}
	y, err := excelize.ColumnNumberToName(g.next + 1)
	if err != nil {
		return excelize.ChartSeries{}, err
	}
	g.set(1, g.next, excelize.Cell{StyleID: c.style["other"], Value: workbook.Safe(curve.Title)})
	g.set(2, g.next, excelize.Cell{StyleID: c.style["number head"], Value: workbook.Safe(unitHead(curve.X.Name, curve.X.Unit))})
	g.set(2, g.next+1, excelize.Cell{StyleID: c.style["number head"], Value: workbook.Safe(name)})
	g.next += 2
	span := func(col string) string { return fmt.Sprintf("'%s'!$%s$3:$%s$%d", c.lines, col, col, max(3, last)) }
	return workbook.Series(fmt.Sprintf("'%s'!$%s$2", c.lines, y), span(x), span(y), n), nil
}

func (c *copybook) draw(curve report.Curve, series []excelize.ChartSeries) error {
	chart := workbook.Scatter(curve, series)
	if curve.X.Name == rowName { // a number, and no share
		chart.XAxis.NumFmt.CustomNumFmt = "0"
	}
	if len(series) > 6 {
		chart.Legend.Position = "right"
	}
	if err := c.AddChart(c.charts, "A"+strconv.Itoa(c.place+1), chart); err != nil {
		return err
	}
	c.logX = append(c.logX, curve.LogX)
	c.place += chartRows
	return c.InsertPageBreak(c.charts, "A"+strconv.Itoa(c.place))
}

// acrossRows draws a result over the parameter that varies from row to row; over the rows where none or several do. Each device has
// a line of its own.
func (c *copybook) acrossRows(g *grid, a across) error {
	x, over := c.over()
	curve := report.Curve{Title: a.name + " over " + x.Name, X: x, Y: record.Column{Name: a.name, Unit: a.unit, Dim: record.DimensionOf(a.unit)}}
	var names []string
	rows := map[string][]int{}
	for i, r := range c.book.Rows {
		if math.IsNaN(a.cells[i].x) || math.IsNaN(over(i)) {
			continue
		}
		if rows[r.Device] == nil {
			names = append(names, r.Device)
		}
		rows[r.Device] = append(rows[r.Device], i)
	}
	if len(names) > maxLines {
		curve.Title = fmt.Sprintf("%s (the first %d of %d units)", curve.Title, maxLines, len(names))
		names = names[:maxLines]
	}
	var series []excelize.ChartSeries
	for n, name := range names {
		slices.SortStableFunc(rows[name], func(i, j int) int { return cmp.Compare(over(i), over(j)) })
		line := report.Line{Name: name}
		at, joined, before := 2, true, math.NaN()
		for _, i := range rows[name] {
			at++
			joined, before = joined && over(i) != before, over(i)
			line.Dots = append(line.Dots, report.Dot{Number: at, X: over(i), Y: a.cells[i].x, UX: math.NaN(), UY: math.NaN(), Status: record.StatusOK})
			g.set(at, g.next, over(i))
			g.set(at, g.next+1, excelize.Cell{Formula: fmt.Sprintf("%s%s%d", c.book.Table.Tabbed(), a.column, c.book.Rows[i].Number), Value: a.cells[i].x})
		}
		curve.Lines = append(curve.Lines, line)
		head := name
		if len(names) == 1 {
			head = a.name
		}
		one, err := c.line(g, curve, head, at, n)
		if err != nil {
			return err
		}
		if !joined { // several at one place: nothing to follow
			one.Line = excelize.LineOptions{Type: excelize.LineNone}
		}
		series = append(series, one)
	}
	g.next++
	return c.draw(curve, series)
}

// asked are the curves that the sequence asks for.
func (b *Book) asked() []record.Curve {
	for _, r := range b.Rows {
		if len(r.Curves) > 0 {
			return r.Curves
		}
	}
	return nil
}

// over is what results are drawn over.
func (c *copybook) over() (record.Column, func(row int) float64) {
	var varying []sheet.Named
	for _, n := range c.book.Table.Given {
		if c.book.varies(n.Name) {
			varying = append(varying, n)
		}
	}
	if len(varying) == 1 {
		n := varying[0]
		return record.Column{Name: n.Name, Unit: n.Dim.Unit(), Dim: n.Dim}, func(i int) float64 { return given(c.book.Rows[i], n.Name) }
	}
	return record.Column{Name: rowName, Dim: quantity.Ratio}, func(i int) float64 { return float64(c.book.Rows[i].Number) }
}

// given is the one value that a row gives to a parameter; NaN where it gives none or several.
func given(r Row, name string) float64 {
	for _, v := range r.Values {
		if v.Name == name && v.Single {
			return v.Amount.SI
		}
	}
	return math.NaN()
}
