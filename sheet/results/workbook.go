package results

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/xuri/excelize/v2"

	"fourwire/record"
	"fourwire/report/workbook"
	"fourwire/sheet"
)

// The tabs that are added; where the user has one of that name, a number stands behind it.
const (
	pointsTab = "Run points"
	chartsTab = "Run charts"
	linesTab  = "Run chart lines"
)

// maxPoints is how many points of all rows together go into the workbook; beyond, they are in the records alone.
const maxPoints = 100_000

// copybook is the copy while it is made.
type copybook struct {
	*excelize.File
	book   *Book
	style  map[string]int
	form   map[string]int
	letter map[string]string // of a column of the points
	rows   []int             // of each row of the sheet: the first row of its points
	logX   []bool            // of each chart, in order
	place  int               // of the next chart
	points string            // names of the tabs
	charts string
	lines  string
	across []across // results that are drawn over the rows
	worked []string // cells of the user's tab that got a formula

}

// across is a column of results in the user's tab.
type across struct {
	name, unit string
	column     string // its letter
	cells      []cell
}

// Workbook is the workbook with the results.
func (b *Book) Workbook() ([]byte, error) {
	f, err := sheet.Open(b.Data)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	c := &copybook{File: f, book: b, style: map[string]int{}, form: map[string]int{}, letter: map[string]string{}, place: 1}
	for _, step := range []func() error{c.styles, c.pointsTabs, c.results, c.curves, c.settle} {
		if err := step(); err != nil {
			return nil, fmt.Errorf("results: %w", err)
		}
	}
	raw, err := f.WriteToBuffer()
	if err != nil {
		return nil, fmt.Errorf("results: %w", err)
	}
	return c.mend(raw.Bytes())
}

func (c *copybook) settle() error {
	yes := true
	return c.SetCalcProps(&excelize.CalcPropsOptions{FullCalcOnLoad: &yes})
}

func (c *copybook) styles() error {
	fill := func(colour string) excelize.Fill {
		return excelize.Fill{Type: "pattern", Pattern: 1, Color: []string{colour}}
	}
	line := []excelize.Border{{Type: "bottom", Color: "C8CED4", Style: 1}}
	family, err := c.GetDefaultFont() // as the user's cells
	if err != nil {
		return err
	}
	size := 0.0
	if plain, err := c.GetStyle(0); err == nil && plain.Font != nil {
		size = plain.Font.Size
	}
	indent := &excelize.Alignment{Horizontal: "left", Indent: 1}
	for _, s := range []struct {
		name  string
		style excelize.Style
	}{
		{"head", excelize.Style{Font: &excelize.Font{Bold: true}, Fill: fill("EEF1F4"), Border: line, Alignment: &excelize.Alignment{Horizontal: "left", Vertical: "bottom", Indent: 1}}},
		{"number head", excelize.Style{Font: &excelize.Font{Bold: true}, Fill: fill("EEF1F4"), Border: line, Alignment: &excelize.Alignment{Horizontal: "right", Vertical: "bottom"}}},
		{"text", excelize.Style{Alignment: indent}},
		{"link", excelize.Style{Alignment: indent, Font: &excelize.Font{Color: "1B5FA8", Underline: "single"}}},
		{"pass", excelize.Style{Alignment: indent, Font: &excelize.Font{Bold: true, Color: "0B6B45"}, Fill: fill("E3F3EB")}},
		{"fail", excelize.Style{Alignment: indent, Font: &excelize.Font{Bold: true, Color: "AD1F1F"}, Fill: fill("FBE7E6")}},
		{"undecided", excelize.Style{Alignment: indent, Font: &excelize.Font{Bold: true, Color: "855500"}, Fill: fill("FBF0D9")}},
		{"other", excelize.Style{Alignment: indent, Font: &excelize.Font{Color: "59636E"}, Fill: fill("ECEFF1")}},
	} {
		if s.style.Font == nil {
			s.style.Font = &excelize.Font{}
		}
		s.style.Font.Family, s.style.Font.Size = family, size
		id, err := c.NewStyle(&s.style)
		if err != nil {
			return err
		}
		c.style[s.name] = id
	}
	return nil
}

func (c *copybook) look(x cell) (int, error) {
	if x.format != "" {
		if id, ok := c.form[x.format]; ok {
			return id, nil
		}
		id, err := c.NewStyle(&excelize.Style{CustomNumFmt: &x.format})
		c.form[x.format] = id
		return id, err
	}
	if id, ok := c.style[x.style]; ok {
		return id, nil
	}
	return c.style["other"], nil
}

// fresh gives a name that no tab has.
func (c *copybook) fresh(name string) string {
	all := c.GetSheetList()
	taken := func(n string) bool {
		return slices.ContainsFunc(all, func(have string) bool { return strings.EqualFold(have, n) })
	}
	out := name
	for i := 2; taken(out); i++ {
		out = fmt.Sprintf("%s %d", name, i)
	}
	return out
}

// pointsTabs writes the points of all rows, with what was derived as formulas.
func (c *copybook) pointsTabs() error {
	total := 0
	for _, r := range c.book.Rows {
		total += len(r.Points)
	}
	if total == 0 || total > maxPoints {
		return nil
	}
	c.points, c.charts, c.lines = c.fresh(pointsTab), c.fresh(chartsTab), c.fresh(linesTab)
	for _, name := range []string{c.points, c.charts, c.lines} {
		if _, err := c.NewSheet(name); err != nil {
			return err
		}
		if err := c.page(name); err != nil {
			return err
		}
	}
	columns := c.book.all()
	heads := []string{"row", "what", "point", "time_s", "part"}
	for _, col := range columns {
		heads = append(heads, unitHead(col.Name, col.Unit))
		letter, err := excelize.ColumnNumberToName(len(heads))
		if err != nil {
			return err
		}
		c.letter[col.Name] = letter
		if col.Kind != record.Coordinate {
			heads = append(heads, unitHead("U("+col.Name+")", col.Unit))
		}
	}
	heads = append(heads, "status", "why")
	if last, err := excelize.ColumnNumberToName(len(heads) - 1); err == nil { // a printed row ends before its why
		area := fmt.Sprintf("'%s'!$A$1:$%s$%d", c.points, last, total+1)
		if err := c.SetDefinedName(&excelize.DefinedName{Name: "_xlnm.Print_Area", RefersTo: area, Scope: c.points}); err != nil {
			return err
		}
		if err := c.SetDefinedName(&excelize.DefinedName{Name: "_xlnm.Print_Titles", RefersTo: "'" + c.points + "'!$1:$1", Scope: c.points}); err != nil {
			return err
		}
	}
	w, err := c.NewStreamWriter(c.points)
	if err != nil {
		return err
	}
	what := 12.0
	for _, r := range c.book.Rows {
		what = min(max(what, widthOf(r.Label)), 60)
	}
	widths := map[string]float64{"row": 5.5, "what": what, "point": 6.5, "time_s": 9, "part": 12, "status": 11, "why": 40}
	first := make([]any, len(heads))
	for i, h := range heads {
		width, fixed := widths[h]
		if !fixed {
			width = max(9.5, widthOf(h))
		}
		if err := w.SetColWidth(i+1, i+1, width); err != nil {
			return err
		}
		style := c.style["number head"]
		if fixed && h != "row" && h != "point" && h != "time_s" {
			style = c.style["head"]
		}
		first[i] = excelize.Cell{StyleID: style, Value: workbook.Safe(h)}
	}
	if err := w.SetPanes(&excelize.Panes{Freeze: true, XSplit: 1, YSplit: 1, TopLeftCell: "B2", ActivePane: "bottomRight"}); err != nil {
		return err
	}
	if err := w.SetRow("A1", first); err != nil {
		return err
	}
	formulas := c.formulas(columns)
	at := 2
	for _, r := range c.book.Rows {
		c.rows = append(c.rows, at)
		for _, p := range r.Points {
			row, err := c.point(r, p, at, columns, formulas)
			if err != nil {
				return err
			}
			if err := w.SetRow("A"+strconv.Itoa(at), row); err != nil {
				return err
			}
			at++
		}
	}
	return w.Flush()
}

// widthOf is what a head needs. It is not broken: the row may have a height of its own.
func widthOf(head string) float64 { return 1.1*float64(utf8.RuneCountInString(head)) + 2 }

// page has a tab printed over the width of one landscape page.
func (c *copybook) page(name string) error {
	landscape, fit, tall, paper := "landscape", 1, 0, 9 // A4, ECMA-376, part 1, 18.3.1.63
	return c.SetPageLayout(name, &excelize.PageLayoutOptions{Size: &paper, Orientation: &landscape, FitToWidth: &fit, FitToHeight: &tall})
}

func (c *copybook) formulas(columns []record.Column) map[string]workbook.Formula {
	out := map[string]workbook.Formula{}
	for _, col := range columns {
		if col.Kind != record.Derived || col.Expr == "" {
			continue
		}
		if f, err := workbook.ParseFormula(col.Expr, func(name string) bool { return c.letter[name] != "" }); err == nil {
			out[col.Name] = f
		}
	}
	return out
}

func valueOf(p record.Point) func(string) float64 {
	return func(name string) float64 {
		if x, ok := p.Cells[name]; ok {
			return x.SI
		}
		return math.NaN()
	}
}

func orNil(x float64) any {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	return x
}

func (c *copybook) point(r Row, p record.Point, at int, columns []record.Column, formulas map[string]workbook.Formula) ([]any, error) {
	text := func(words string) any { return excelize.Cell{StyleID: c.style["text"], Value: workbook.Safe(words)} }
	seconds, err := c.look(cell{format: "0.000"})
	if err != nil {
		return nil, err
	}
	row := []any{r.Number, text(r.Label), p.Number, excelize.Cell{StyleID: seconds, Value: p.At.Seconds()}, text(p.Part)}
	for _, col := range columns {
		x, ok := p.Cells[col.Name]
		if !ok {
			x = record.Cell{SI: math.NaN(), U: math.NaN()}
		}
		style, err := c.look(cell{format: workbook.NumberFormat(x.SI, x.U)})
		if err != nil {
			return nil, err
		}
		out := excelize.Cell{StyleID: style, Value: orNil(x.SI)}
		if f, ok := formulas[col.Name]; ok && out.Value != nil && f.Gives(x.SI, valueOf(p)) {
			out.Formula = f.Text(func(name string) string { return c.letter[name] + strconv.Itoa(at) })
		}
		row = append(row, out)
		if col.Kind != record.Coordinate {
			if style, err = c.look(cell{format: workbook.NumberFormat(x.U, x.U)}); err != nil {
				return nil, err
			}
			row = append(row, excelize.Cell{StyleID: style, Value: orNil(x.U)})
		}
	}
	return append(row, text(p.Status()), text(p.Why)), nil
}

// results writes the columns of results into the user's tab, one empty column behind everything that is there.
func (c *copybook) results() error {
	t := c.book.Table
	tab := t.Tab
	columns := c.book.columns()
	left := t.Width + 2
	letters := map[string]string{} // of values of a point, and of results over all points
	named := map[string]string{}
	for k, col := range columns {
		letter, err := excelize.ColumnNumberToName(left + k)
		if err != nil {
			return err
		}
		for _, x := range col.cells {
			if x.point != "" {
				letters[x.point] = letter
			}
			if x.result != "" {
				named[x.result] = letter
			}
		}
		head := letter + strconv.Itoa(t.Header)
		style := c.style["head"]
		if col.number {
			style = c.style["number head"]
		}
		if err := c.SetCellStr(tab, head, workbook.Safe(col.head)); err != nil {
			return err
		}
		if err := c.SetCellStyle(tab, head, head, style); err != nil {
			return err
		}
		if err := c.SetColWidth(tab, letter, letter, max(col.width, widthOf(col.head))); err != nil {
			return err
		}
	}
	for k, col := range columns {
		letter, _ := excelize.ColumnNumberToName(left + k) // it was made above
		for i, x := range col.cells {
			if err := c.result(tab, letter, i, x, letters, named); err != nil {
				return err
			}
		}
		if name, unit, ok := drawn(col); ok {
			c.across = append(c.across, across{name, unit, letter, col.cells})
		}
	}
	gap, err := excelize.ColumnNumberToName(left - 1)
	if err != nil {
		return err
	}
	return c.SetColWidth(tab, gap, gap, 2)
}

// drawn tells the columns that get a chart over the rows: results over all points.
func drawn(col column) (name, unit string, ok bool) {
	n := 0
	for _, x := range col.cells {
		if x.result != "" && !math.IsNaN(x.x) {
			n++
		}
	}
	name, unit, _ = strings.Cut(strings.TrimSuffix(col.head, "]"), " [")
	return name, unit, n > 1
}

func (c *copybook) result(tab, letter string, i int, x cell, letters, named map[string]string) error {
	r := c.book.Rows[i]
	at := letter + strconv.Itoa(r.Number)
	if x.text == "" && orNil(x.x) == nil {
		return nil
	}
	var err error
	if x.text != "" {
		err = c.SetCellStr(tab, at, workbook.Safe(x.text))
	} else {
		err = c.SetCellValue(tab, at, x.x)
	}
	if err != nil {
		return err
	}
	if formula := c.formulaOf(i, x, letters, named); formula != "" {
		if err := c.SetCellFormula(tab, at, formula); err != nil {
			return err
		}
		c.worked = append(c.worked, at)
	}
	if x.link != "" {
		if err := c.SetCellHyperLink(tab, at, x.link, "External"); err != nil {
			return err
		}
	}
	style, err := c.look(x)
	if err != nil {
		return err
	}
	return c.SetCellStyle(tab, at, at, style)
}

// formulaOf is how a spreadsheet works a result out: from the other values of the row, or from the points; empty where it cannot.
func (c *copybook) formulaOf(i int, x cell, letters, named map[string]string) string {
	r := c.book.Rows[i]
	at := func(letters map[string]string) func(string) string {
		return func(name string) string { return letters[name] + strconv.Itoa(r.Number) }
	}
	if x.point != "" {
		for _, col := range c.book.all() {
			if col.Name != x.point || col.Kind != record.Derived || col.Expr == "" {
				continue
			}
			f, err := workbook.ParseFormula(col.Expr, func(name string) bool { return letters[name] != "" })
			if err == nil && f.Gives(x.x, valueOf(r.Points[0])) {
				return f.Text(at(letters))
			}
		}
		return ""
	}
	k := slices.IndexFunc(r.Results, func(one record.Result) bool { return one.Name == x.result })
	if x.result == "" || k < 0 || r.Results[k].Part != "" {
		return ""
	}
	if m := overAll.FindStringSubmatch(r.Results[k].Expr); m != nil && c.letter[m[2]] != "" && c.points != "" {
		got := ofPoints(m[1], m[2], r.Points)
		if math.Abs(got-x.x) <= 1e-9*math.Abs(x.x) {
			l := c.letter[m[2]]
			return fmt.Sprintf("%s('%s'!%s%d:%s%d)", sheetFunction[m[1]], c.points, l, c.rows[i], l, c.rows[i]+len(r.Points)-1)
		}
		return ""
	}
	f, err := workbook.ParseFormula(r.Results[k].Expr, func(name string) bool { return named[name] != "" && name != x.result })
	if err != nil || !f.Gives(x.x, func(name string) float64 {
		for _, one := range r.Results {
			if one.Name == name {
				return one.SI
			}
		}
		return math.NaN()
	}) {
		return ""
	}
	return f.Text(at(named))
}
